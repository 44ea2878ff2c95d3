# SPDX-License-Identifier: GPL-3.0-or-later
"""Truth for circuits of real transistor models: two step strategies and two integration methods, four runs
of the engine without any steering, that have to agree.

One strategy leaves the steps to a tight error control, the other walks in steps so fine that the control has
little to say. Edges are found by straight lines between points, with nothing of the harness's measurement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from families.circuit import Circuit
from harness.engine.session import Session, vector_name
from harness.engine.steps import load

Wave = NDArray[np.float64]
CONTROLLED = 60  # points a period at least where the error control leads
WALKED = 3000  # points a period at least where the steps themselves are fine
RUNS = (
    ("method=trap reltol=1e-5 trtol=0.01 chgtol=1e-14", CONTROLLED),
    ("method=gear reltol=1e-6 trtol=0.1 chgtol=1e-14", CONTROLLED),
    ("method=trap reltol=1e-5 trtol=0.05 chgtol=1e-14", WALKED),
    ("method=gear reltol=1e-6 trtol=0.3 chgtol=1e-14", WALKED),
)


@dataclass(frozen=True)
class Consensus:
    """Duty and frequency (Hz) of the four runs' middle, and how far the four lie apart (share)."""

    duty: float
    frequency: float
    duty_spread: float
    frequency_spread: float


def edges(time: Wave, wave: Wave, level: float) -> tuple[Wave, Wave]:
    """Instants (s) at which a wave passes a level upwards and downwards, straight lines between points."""
    k = np.flatnonzero((wave[:-1] < level) != (wave[1:] < level))
    at = time[k] + (level - wave[k]) / (wave[k + 1] - wave[k]) * (time[k + 1] - time[k])
    up = wave[k + 1] >= level
    return at[up], at[~up]


def resting(time: Wave, wave: Wave, begin: float, end: float) -> float:
    """The level (V) at the middle of a state that lasts from ``begin`` to ``end`` (s)."""
    return float(np.interp(0.5 * (begin + end), time, wave))


def last_cycle(record: dict[str, Wave], ramp: str, output: str) -> tuple[float, float]:
    """Duty and frequency (Hz) of the last whole cycle. Raises ValueError where there is none."""
    time, wave = record["time"], record[output]
    tail = time > 0.4 * time[-1]
    level = 0.5 * float(wave[tail].min() + wave[tail].max())
    for _ in range(2):  # the second time from the levels at the middle of either state
        rises, falls = edges(time, wave, level)
        rises = rises[rises < falls[-1]] if len(falls) else rises
        if len(rises) < 2:
            raise ValueError("no whole cycle")
        begin, end = rises[-2:]
        inside = falls[(falls > begin) & (falls < end)]
        if len(inside) != 1:
            raise ValueError(f"{len(inside)} falling edges in a cycle")
        fall = float(inside[0])
        level = 0.5 * (resting(time, wave, begin, fall) + resting(time, wave, fall, end))
    return (fall - begin) / (end - begin), 1 / (end - begin)


PERIODS = 4.3


class Until:
    """Ends a run after an instant (s) without touching a step: ngspice stumbles now and then over the last
    step before an end that it knows of."""

    bound = math.inf

    def __init__(self, instant: float) -> None:
        self.instant = instant
        self._place: int | None = None

    def point(self, data: Any) -> bool:
        """Called at each accepted point."""
        if self._place is None:
            names = [vector_name(data.vecsa[k]) for k in range(data.veccount)]
            self._place = names.index("time")
        return bool(data.vecsa[self._place].creal >= self.instant)


def run(
    session: Session, circuit: Circuit, options: str, points: int, periods: float = PERIODS
) -> tuple[float, float]:
    """Duty and frequency (Hz) of one run of so many periods. Raises EngineError or ValueError."""
    plan = replace(circuit.plan, deck=(*circuit.plan.deck, *circuit.started))
    load(session, plan, options)
    longest = plan.period / points
    stop = periods * plan.period
    record = session.transient(longest, 1.5 * stop, longest, stepper=Until(stop))
    return last_cycle(record, plan.ramp, plan.output)


def consensus(session: Session, circuit: Circuit) -> Consensus:
    """The four runs of a circuit. Raises EngineError or ValueError where one of them gives nothing."""
    pairs = [run(session, circuit, options, points) for options, points in RUNS]
    table = np.array(pairs)
    duty, frequency = (float(x) for x in np.median(table, axis=0))
    spread = np.ptp(table, axis=0)
    return Consensus(duty, frequency, float(spread[0]), float(spread[1]) / frequency)
