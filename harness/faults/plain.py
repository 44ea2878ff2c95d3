# SPDX-License-Identifier: GPL-3.0-or-later
"""A board from some first instant on, in one plain run: what its parts bear on the way, and whether it gets
going.

Steered runs look at the settled cycle alone. Here everything counts from the begin: supplies that come up
one after the other, a capacitor that was charged. The steps are the engine's own within close bounds (Gear,
reltol 1e-5, period/500 at most, a corner of a source always on a point), so edges and resets are resolved
well enough for a stress; its figures have no bar of their own, and those of the cycle that it ends in are
believed to half a per cent, as those of other uniform steps are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from harness.engine import bars
from harness.engine.plan import Record, load, too_small
from harness.engine.scout import UNIFORM_BAR, cycle_of
from harness.engine.session import EngineDead, EngineError, Session, session
from harness.measure.cycle import measure_cycle, vector
from harness.measure.stress import Watch, stresses
from harness.measure.window import Array
from harness.simulate import SINK, CornerResult, Task
from harness.units import engineering

STEPS = 500  # a period at least
CHARGES = (1e-14, 1e-12, 1e-11)  # charge tolerances (C), the next where the engine's step becomes too small
EVEN = 0.01  # periods that differ by no more than this share are one steady cycle
CYCLES = 3  # even ones at the end of a run that make it a steady cycle
SETTING = f"plain steps, Gear, reltol 1e-5, period/{STEPS}"


@dataclass(frozen=True)
class Story(Task):
    """One plain run and what to look for in it; the period of its plan is that of the board at rest.

    ``begin`` (s): all supplies are up, and nothing is held any more; the run goes on to ``stop`` (s).
    ``watches``: stresses that count from ``watched`` (s) on; ``late``: those of the last cycle alone.
    ``after``: what ``begin`` is, in words. ``resting``: the board is not expected to run. ``as_drawn``: the
    circuit's own first voltages count, else every node begins at 0 V. ``points``: after so many the run ends,
    as something is far quicker than the ramp; 0: never. ``patience``: where no steady cycle is found, once
    more and so many times as long. ``version``: hash of the sources that play it, for the ledger.
    """

    begin: float = 0.0
    stop: float = 0.0
    late: tuple[Watch, ...] = ()
    after: str = ""
    watched: float = 0.0
    resting: bool = False
    as_drawn: bool = False
    points: int = 0
    patience: float = 1.0
    version: str = ""


def play(story: Task) -> CornerResult:
    """Runs a story on this process's engine. EngineDead passes on, so that the process is discarded."""
    if not isinstance(story, Story):
        raise TypeError(f"expected a story, got {type(story).__name__}")
    engine = session()
    before = engine.engine_seconds
    result = CornerResult(story.corner, "not simulated", engine=engine.version_text)
    try:
        _play(engine, story, result)
        if result.state == "no ramp" and not story.resting and story.patience > 1.0:
            stop = story.begin + story.patience * (story.stop - story.begin)
            _play(engine, replace(story, stop=stop), result)
    except EngineDead:
        raise
    except EngineError as error:
        result.state, result.reason, result.line = "not simulated", str(error), error.line
    result.engine_seconds = engine.engine_seconds - before
    return result


def _play(engine: Session, story: Story, result: CornerResult) -> None:
    """Puts what a story gives into a result. Raises EngineError, EngineDead."""
    record = _run(engine, story)
    result.setting, result.points = SETTING, result.points + len(record["time"])
    end = float(record["time"][-1])
    result.stresses = borne(record, min(story.watched, 0.5 * end), story.plan.period, story.watches)
    last = max(end - story.plan.period, float(record["time"][0])), end
    if story.resting:
        result.state = "no ramp"
    else:
        last = _outcome(result, record, story) or last
    result.stresses |= stresses(record, *last, story.late)


def _run(engine: Session, story: Story) -> Record:
    """The whole record; where the engine's step becomes too small, that of the next charge tolerance."""
    plan, longest = story.plan, story.plan.period / STEPS
    failure: EngineError | None = None
    for charge in CHARGES:
        options = f"method=gear reltol=1e-5 chgtol={charge!r}"
        load(engine, plan, options, start=None if story.as_drawn else {})
        counter = _Counter(longest, story.points) if story.points else None
        try:
            return engine.transient(0.1 * longest, story.stop, longest, initial=True, stepper=counter)
        except EngineDead:
            raise
        except EngineError as error:
            if not too_small(error):
                raise
            failure = error
    assert failure is not None
    raise failure


class _Counter:
    """Ends a run after so many points: something in the circuit is far quicker than its ramp."""

    def __init__(self, longest: float, most: int) -> None:
        self.bound, self.finished, self._left = longest, "", most

    def point(self, data: Any) -> bool:
        """Takes one accepted point; True ends the run."""
        self._left -= 1
        self.finished = "too many points" if self._left <= 0 else ""
        return bool(self.finished)


def borne(record: Record, begin: float, period: float, watches: Sequence[Watch]) -> dict[str, list[float]]:
    """Lowest and highest value of each watch from ``begin`` (s) to the end of a record.

    Of what counts as a mean, the mean over each stretch of one ``period`` (s) does.
    """
    begin, end = max(begin, float(record["time"][0])), float(record["time"][-1])
    count = max(1, math.floor((end - begin) / period + 1e-9))
    found: dict[str, list[float]] = {}
    for edge in np.linspace(begin, end, count + 1)[:-1]:
        part = stresses(record, float(edge), min(end, float(edge) + (end - begin) / count), watches)
        for name, (low, high) in part.items():
            least, most = found.get(name, [low, high])
            found[name] = [min(least, low), max(most, high)]
    return found


def _outcome(result: CornerResult, record: Record, story: Story) -> tuple[float, float] | None:
    """State, figures and words of a board that is expected to run; begin and end of its last cycle (s)."""
    plan = story.plan
    time, ramp = record["time"], record[plan.ramp]
    late = time >= story.begin
    instants = steady_from(time[late], ramp[late])
    if instants is None:
        cycles = (float(time[-1]) - story.begin) / plan.period
        low, high = (float(f(ramp[time > 0.5 * (story.begin + time[-1])])) for f in (np.min, np.max))
        quick = bool(story.points) and len(time) >= story.points
        moves = high - low > 1e-3 * (1 + max(abs(low), abs(high)))
        # a board with a fault may have another period, and its cycle then be longer than was looked at
        result.state = "not simulated" if story.as_drawn and moves and not quick else "no ramp"
        result.reason = (
            f"no steady cycle within {cycles:.0f} periods: the ramp lies between {engineering(low, 'V')} and"
            f" {engineering(high, 'V')}"
        )
        if quick:
            result.reason += f"; ended after {story.points} points, as something is far quicker than the ramp"
        return None
    first, begin, end = instants
    sink = np.zeros(len(time))
    for name, sign in story.sink_currents:
        sink += sign * vector(record, name)
    found = measure_cycle({**record, SINK: sink}, begin, end, story.probes, plan.temperature)
    result.state = str(found.pop("state"))
    result.words = {name: value for name, value in found.items() if isinstance(value, str)}
    result.figures = {
        name: float(value)
        for name, value in found.items()
        if not isinstance(value, str) and math.isfinite(value)
    }
    result.bars = dict.fromkeys(result.figures, 0.0)
    bars.widen(result.figures, result.bars, UNIFORM_BAR)
    waited = first - story.begin
    periods = waited / plan.period
    words = f"steady {engineering(waited, 's', 3)}{story.after and f' {story.after}'} ({periods:.1f} periods)"
    result.reason = words if story.after else f"in plain steps: {words}"
    return begin, end


def steady_from(time: Array, ramp: Array) -> tuple[float, float, float] | None:
    """When a ramp's steady cycle begins, and begin and end of its last whole cycle (s); None where there is
    none.

    A cycle runs from one rise through the middle of the final cycles to the next. It is steady where its
    period and the following ones are those of the end within :data:`EVEN`.
    """
    if cycle_of(time - time[0], ramp) is None:
        return None
    later = ramp[time > 0.5 * (time[0] + time[-1])]
    low, high = float(later.min()), float(later.max())
    state, rises = 0, []
    for place, share in enumerate((ramp - low) / (high - low)):
        if share > 0.7 and state < 0:
            rises.append(_crossed(time, ramp, place, 0.5 * (low + high)))
        state = 1 if share > 0.7 else -1 if share < 0.3 else state
    periods = np.diff(rises)
    if len(periods) < CYCLES:
        return None
    even = np.abs(periods / np.median(periods[-CYCLES:]) - 1.0) <= EVEN
    if not even[-CYCLES:].all():
        return None
    uneven = np.flatnonzero(~even)
    return rises[uneven[-1] + 1 if len(uneven) else 0], rises[-2], rises[-1]


def _crossed(time: Array, wave: Array, place: int, level: float) -> float:
    """The last instant (s) before a point at which a wave rose through a level, on straight lines."""
    k = place
    while k > 0 and wave[k - 1] > level:
        k -= 1
    if k == 0:
        return float(time[0])
    part = (level - wave[k - 1]) / (wave[k] - wave[k - 1])
    return float(time[k - 1] + part * (time[k] - time[k - 1]))
