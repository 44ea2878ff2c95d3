# SPDX-License-Identifier: GPL-3.0-or-later
"""One corner in a worker process: from a task to figures with bars, or to a state with a reason."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.engine.plan import Measure, NoCycle, Plan, Record, Settled
from harness.measure.cycle import Probes, measure_cycle, vector
from harness.measure.levels import output_resistance
from harness.measure.spectrum import harmonics
from harness.measure.stress import Watch, stresses

if TYPE_CHECKING:
    from harness.engine.session import Session

HARMONICS = 16
SINK = "sink#"  # name of the computed current into the comparator's output
SHOWN_POINTS = 1200  # of a waveform that is kept for the report
_MARGIN = 0.02  # of the period shown beside the settled cycle; a run that enters it warm begins 0.03 before


@dataclass(frozen=True)
class Task:
    """A corner to simulate: what to run and where to look.

    ``sink_currents``: (name, sign) of the saved current of each resistor at the output; they add up to what
    the comparator's output takes in.
    """

    corner: str
    plan: Plan
    probes: Probes
    sink_currents: tuple[tuple[str, float], ...] = ()
    test_load: float | None = None
    watches: tuple[Watch, ...] = ()


@dataclass
class CornerResult:
    """What one corner gave.

    ``state`` as in the glossary; ``figures`` and ``bars`` by quantity in SI units; ``harmonics``: 16
    complex amplitudes (V, peak) of the output, empty where it does not pulse; ``waveforms``: "time",
    "ramp", "threshold", "output" of the settled cycle and a little more. ``line``: deck line an engine
    error names. ``callbacks``: whether the steps were steered by the compiled library or by its twin.
    ``stresses``: lowest and highest value of each watch of the task in the settled cycle, or without one
    in the later half of the run that shows it.
    """

    corner: str
    state: str
    reason: str = ""
    figures: dict[str, float] = field(default_factory=dict)
    bars: dict[str, float] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    harmonics: NDArray[np.complex128] = field(default_factory=lambda: np.zeros(0, dtype=complex))
    waveforms: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    setting: str = ""
    reached: bool = False
    points: int = 0
    notes: tuple[str, ...] = ()
    engine_seconds: float = 0.0
    callback_seconds: float = 0.0
    engine: str = ""
    callbacks: str = ""
    line: int | None = None
    stresses: dict[str, list[float]] = field(default_factory=dict)


def simulate(task: Task) -> CornerResult:
    """Runs one corner on this process's engine. EngineDead passes on, so that the process is discarded."""
    from harness.engine.session import EngineDead, EngineError, session
    from harness.engine.steering import callbacks_kind
    from harness.engine.steps import settle

    engine = session()
    engine_before, callback_before = engine.engine_seconds, engine.callback_seconds

    def measure(record: Record, begin: float, end: float) -> dict[str, float | str]:
        sink = np.zeros(len(record["time"]))
        for name, sign in task.sink_currents:
            sink += sign * vector(record, name)
        sink.flags.writeable = False  # so that a cycle is cut out of it only once
        whole = {**record, SINK: sink}
        return measure_cycle(whole, begin, end, task.probes, task.plan.temperature)

    result = CornerResult(task.corner, "not simulated", engine=engine.version_text)
    result.callbacks = callbacks_kind()
    try:
        settled = settle(engine, task.plan, measure)
        if task.test_load is not None:
            _two_loads(settled, engine, loaded(task.plan, task.test_load), measure, task.test_load)
    except NoCycle as error:
        result.state, result.reason = "no ramp", str(error)
        last = float(error.record["time"][-1])
        result.stresses = stresses(error.record, 0.5 * last, last, task.watches)
    except EngineDead:
        raise
    except EngineError as error:
        result.reason, result.line = str(error), error.line
    else:
        result.figures = {k: v for k, v in settled.figures.items() if math.isfinite(v)}
        result.bars = {k: settled.bars[k] for k in result.figures if k in settled.bars}
        result.words = dict(settled.words)
        result.state = result.words.pop("state", "pulsing")
        result.setting, result.reached, result.points = settled.setting, settled.reached, settled.points
        result.notes = tuple(settled.notes)
        result.stresses = stresses(settled.record, settled.begin, settled.end, task.watches)
        result.waveforms = _excerpt(settled.record, settled.begin, settled.end, task.probes)
        if result.state == "pulsing":
            result.harmonics = harmonics(
                settled.record["time"],
                vector(settled.record, task.probes.output),
                settled.begin,
                settled.end,
                HARMONICS,
            )
    result.engine_seconds = engine.engine_seconds - engine_before
    result.callback_seconds = engine.callback_seconds - callback_before
    return result


def loaded(plan: Plan, load: float) -> Plan:
    """The same corner with a test load (Ohm) between the output and 0 V."""
    return replace(plan, deck=(*plan.deck, f"rramp_harness_test_load {plan.output} 0 {load!r}"))


def _two_loads(plain: Settled, engine: Session, plan: Plan, measure: Measure, load: float) -> None:
    """Adds the output resistance, from the settled high level without and with the test load, and its bar; a
    note where the loaded run gives none, since the plain figures stand all the same."""
    from harness.engine.session import EngineDead, EngineError
    from harness.engine.steps import settle

    try:
        with_load = settle(engine, plan, measure)
    except EngineDead:
        raise
    except (NoCycle, EngineError) as error:
        plain.notes.append(f"no output resistance: the run with a load of {load:g} Ohm failed: {error}")
        return
    plain.points += with_load.points
    first, second = (run.figures.get("high_level", math.nan) for run in (plain, with_load))
    bars = [run.bars.get("high_level", math.nan) for run in (plain, with_load)]
    if not math.isfinite(first + second) or second == 0:
        plain.notes.append(f"no output resistance: no high level with a load of {load:g} Ohm")
        return
    plain.figures["output_resistance"] = output_resistance(first, second, load)
    plain.bars["output_resistance"] = load * (bars[0] + bars[1] * abs(first / second)) / abs(second)


def _excerpt(record: Record, begin: float, end: float, probes: Probes) -> dict[str, NDArray[np.float64]]:
    """Ramp, threshold and output over the settled cycle and a little more, thinned where nothing happens."""
    time = record["time"]
    nodes = {"ramp": probes.ramp, "threshold": probes.threshold, "output": probes.output}
    waves = {role: vector(record, node) for role, node in nodes.items() if node is not None}
    margin = _MARGIN * (end - begin)
    inside = np.flatnonzero((time >= begin - margin) & (time <= end + margin))
    if len(inside) > SHOWN_POINTS:
        inside = _thinned(time, [waves["ramp"], waves["output"]], inside)
    return {"time": time[inside], **{role: wave[inside] for role, wave in waves.items()}}


def _thinned(
    time: NDArray[np.float64], waves: list[NDArray[np.float64]], inside: NDArray[np.intp]
) -> NDArray[np.intp]:
    """The points that carry most of the curves' length, evenly along that length."""
    length = np.zeros(len(inside) - 1)
    for wave in (time, *waves):
        part = wave[inside]
        length += np.abs(np.diff(part)) / (np.ptp(part) or 1.0)
    along = np.concatenate(([0.0], np.cumsum(length)))
    wanted = np.linspace(0.0, along[-1], SHOWN_POINTS)
    return np.asarray(inside[np.unique(np.searchsorted(along, wanted).clip(0, len(inside) - 1))])
