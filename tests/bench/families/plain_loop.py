# SPDX-License-Identifier: GPL-3.0-or-later
"""What a careful user without the harness does: uniform steps, and straight lines.

`cheapest` tries a list of settings on many circuits of a family and drops each at its first failure;
`loop` then times the survivor the way it is written with PySpice, one circuit after another.
"""

from __future__ import annotations

import math
import os
import time
from dataclasses import dataclass

from families import circuit_of
from families.circuit import Circuit
from families.references import last_cycle, run
from harness.engine.library import find_library
from harness.engine.session import EngineDead, EngineError, session

NEEDED = 1e-4  # of duty and relative frequency


@dataclass(frozen=True)
class Setting:
    """Integration method, relative tolerance, step control factor, points a period at least."""

    method: str
    reltol: float
    points: int
    trtol: float = 7.0

    @property
    def text(self) -> str:
        factor = "" if self.trtol == 7.0 else f" trtol {self.trtol:g}"
        return f"{self.method} {self.reltol:g}{factor} T/{self.points}"


SETTINGS = (
    Setting("trap", 1e-3, 200), Setting("trap", 1e-3, 1000), Setting("trap", 1e-3, 5000),
    Setting("trap", 1e-4, 200), Setting("trap", 1e-4, 1000), Setting("trap", 1e-5, 200),
    Setting("trap", 1e-6, 200), Setting("trap", 1e-3, 20, 0.01), Setting("trap", 1e-4, 50, 0.1),
    Setting("gear", 1e-3, 1000), Setting("gear", 1e-4, 200), Setting("gear", 1e-4, 1000),
    Setting("gear", 1e-5, 200), Setting("gear", 1e-6, 200), Setting("gear", 1e-6, 1000),
    Setting("gear", 1e-5, 200, 1.0), Setting("gear", 1e-6, 2000, 1.0),
)  # fmt: skip


@dataclass(frozen=True)
class Trial:
    """A family's circuits to try settings on: number within the study, true duty, true frequency (Hz)."""

    family: str
    study: int
    truths: tuple[tuple[int, float, float], ...]


@dataclass
class Found:
    """The cheapest setting that reaches ``NEEDED`` on all circuits, or None; on how many circuits each
    setting did before it failed."""

    family: str
    setting: Setting | None
    passed: dict[str, int]


def cheapest(trial: Trial) -> Found:
    """Tries every setting on a family's circuits, in the harness's session but without any steering."""
    seconds = {setting: 0.0 for setting in SETTINGS}
    passed = {setting: 0 for setting in SETTINGS}
    alive = list(SETTINGS)
    for number, true_duty, true_frequency in trial.truths:
        circuit = circuit_of(trial.family, trial.study, number)
        for setting in tuple(alive):
            begin = time.process_time()
            try:
                duty, frequency = _uniform(circuit, setting)
                good = bool(max(abs(duty - true_duty), abs(frequency / true_frequency - 1)) <= NEEDED)
            except EngineDead:
                raise
            except (EngineError, ValueError):
                good = False
            seconds[setting] += time.process_time() - begin
            passed[setting] += good
            if not good:
                alive.remove(setting)
    best = min(alive, key=lambda setting: seconds[setting], default=None)
    return Found(trial.family, best, {setting.text: passed[setting] for setting in SETTINGS})


def _uniform(circuit: Circuit, setting: Setting) -> tuple[float, float]:
    factor = "" if setting.trtol == 7.0 else f" trtol={setting.trtol!r}"
    options = f"method={setting.method} reltol={setting.reltol!r}{factor}"
    return run(session(), circuit, options, setting.points, circuit.settling)


@dataclass(frozen=True)
class Loop:
    """Circuits of a family, by number within the study, for the loop with PySpice."""

    family: str
    study: int
    numbers: tuple[int, ...]
    setting: Setting


def loop(task: Loop) -> list[float]:
    """Processor time (s) of each circuit: build, ``transient()``, last cycle; not a number where PySpice
    raised. In a process of its own, since PySpice's engine and the harness's cannot share one."""
    os.environ["NGSPICE_LIBRARY_PATH"] = find_library()
    os.environ["OMP_NUM_THREADS"] = "1"
    import logging

    logging.disable(logging.CRITICAL)
    circuits = [circuit_of(task.family, task.study, number) for number in task.numbers]
    times = []
    for circuit in (circuits[0], *circuits):  # the library loads with the first one
        begin = time.process_time()
        succeeded = _with_pyspice(circuit, task.setting)
        times.append(time.process_time() - begin if succeeded else math.nan)
    return times[1:]


def _with_pyspice(circuit: Circuit, setting: Setting) -> bool:
    """One corner as it is written with PySpice; whether it gave a duty and a frequency."""
    import numpy as np
    from PySpice.Spice.Netlist import Circuit as SpiceCircuit
    from PySpice.Spice.NgSpice.Shared import NgSpiceCommandError

    plan = circuit.plan
    spice = SpiceCircuit("corner")
    spice.raw_spice = "\n".join((*plan.deck, *circuit.started)) + "\n"
    simulator = spice.simulator(temperature=plan.temperature, nominal_temperature=27)
    simulator.options(method=setting.method, reltol=setting.reltol, trtol=setting.trtol)
    longest = plan.period / setting.points
    try:
        analysis = simulator.transient(
            step_time=longest, end_time=circuit.settling * plan.period, max_time=longest,
            use_initial_condition=True,
        )  # fmt: skip
        record = {name: np.array(analysis[name]) for name in (plan.ramp, plan.output)}
        last_cycle({"time": np.array(analysis.time), **record}, plan.ramp, plan.output)
    except (NgSpiceCommandError, ValueError):
        return False
    return True
