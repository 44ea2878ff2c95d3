# SPDX-License-Identifier: GPL-3.0-or-later
"""Plain runs: one that finds the cycle of a board of which nothing is known, and the ladder's last rung."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from harness.engine import bars
from harness.engine.plan import (
    Measure,
    NoCycle,
    Plan,
    Record,
    Settled,
    initial_nodes,
    load,
    measured,
    source_levels,
    too_small,
)
from harness.engine.pulses import shortest_sine
from harness.engine.reading import bare_lines, read_circuit
from harness.engine.session import EngineDead, EngineError, Session, vector_name
from harness.measure.resolution import resolutions

UNREAD_BAR = 1e-3  # share of the figure that is believed at best where a switch could not be read
_CHECK_STEPS, _CHECK_PERIODS = 2000, 5
UNIFORM_BAR = 5e-3  # share of the figure that uniform steps are believed to at best
_GEAR = "method=gear reltol={reltol!r} chgtol=1e-12"
_FIRST = 1e-9  # s: first step where nothing is known
_LAST = 300.0  # s of simulated time after which a ramp counts as standing still
_GROWTH = 400.0  # steps are at most this part of the time elapsed
_FINEST = 4000.0  # the longest step is at most this part of a run: the engine's least step hangs on it
_MOST_POINTS = 60_000
_LONG = 100.0  # periods as hoped for: a ramp that stays where it is for so long stands still
_CHECK = 1.3  # the ramp is looked at whenever the time has grown by this factor
_CYCLES = 3
_LOWER, _UPPER = 0.3, 0.7  # of the ramp's height: a rise from below the one past the other is a cycle's
_A_SINE = 20.0  # uniform steps along the fastest sine of a source
_SHORTEST = 20_000.0  # uniform steps are no shorter than this part of the period
_CLIMBS = 0.05  # of its height, by which the middle of a settled ramp may move between the cycles seen
_LONG_SEEN = 12.0  # times as long as it took to show, after which a cycle that climbs is taken all the same
_EVEN = 0.25  # successive periods that differ by more than this share are no cycle yet


class _Scout:
    """Lets the step grow with the time elapsed until the ramp has gone round a few times."""

    def __init__(self, ramp: str, first: float, seconds: float) -> None:
        self.ramp = ramp
        self.bound = first
        self.finished = ""
        self.cycle: tuple[float, float] | None = None
        self.time: list[float] = []
        self.wave: list[float] = []
        self._first, self._next = first, 20 * first
        self._until = time.monotonic() + seconds
        self._cells: tuple[Any, Any] | None = None
        self._since = math.inf

    def point(self, data: Any) -> bool:
        """Takes one accepted point; True ends the run."""
        if self._cells is None:
            cells = {vector_name(data.vecsa[i]): data.vecsa[i] for i in range(data.veccount)}
            if self.ramp not in cells:
                raise KeyError(f"the engine saves no {self.ramp}")
            self._cells = cells["time"], cells[self.ramp]
        now = self._cells[0].creal
        self.time.append(now)
        self.wave.append(self._cells[1].creal)
        self.bound = max(self._first, now / _GROWTH)
        if now >= self._next:
            self._next = _CHECK * now
            if self._settled(now):
                self.finished = "found"
            elif time.monotonic() > self._until:
                self.finished = "too slow"
        if len(self.time) > _MOST_POINTS:
            self.finished = self.finished or "too many points"
        return bool(self.finished)

    def _settled(self, now: float) -> bool:
        """Whether the ramp goes round between the same levels. A ripple goes round before the slower ramp
        under it does, and climbs with it; what has climbed for long may be a ramp that is slow to settle."""
        instants, values = np.array(self.time), np.array(self.wave)
        seen = cycle_of(instants, values)
        if seen is None:
            self._since = math.inf
            return False
        self._since = min(self._since, now)
        if _climb(instants, values) <= _CLIMBS or now > _LONG_SEEN * self._since:
            self.cycle = seen
        return self.cycle is not None


def cycle_of(time: Any, wave: Any) -> tuple[float, float] | None:
    """Period (s) and middle (V) of a wave over the later half of its time, or None where it does not go
    round."""
    later = time > 0.5 * time[-1]
    instants, values = time[later], wave[later]
    if len(values) < 8:
        return None
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-3 * (1 + max(abs(low), abs(high))):
        return None
    periods = np.diff(_whole_rises(instants, values))
    if len(periods) < _CYCLES or np.ptp(periods[-_CYCLES:]) > _EVEN * periods[-1]:
        return None
    return float(periods[-1]), 0.5 * (low + high)


def _climb(time: Any, wave: Any) -> float:
    """By what share of its height the middle of a wave moves from the first to the last third of the later
    half of its time."""
    ends = time[-1] * np.array([[0.5, 2 / 3], [5 / 6, 1.0]])
    parts = [wave[(time > begin) & (time <= end)] for begin, end in ends]
    middles = [0.5 * float(part.min() + part.max()) for part in parts if len(part)]
    return abs(middles[-1] - middles[0]) / float(np.ptp(wave[time > 0.5 * time[-1]]))


def _whole_rises(time: Any, wave: Any) -> list[float]:
    """Instants (s) at which a wave comes up to the upper third of its range from the lower third, on straight
    lines: once a cycle, whatever ripples on it."""
    share = (wave - wave.min()) / float(np.ptp(wave))
    rises: list[float] = []
    low = False
    for k in np.flatnonzero((share < _LOWER) | (share > _UPPER)):
        if share[k] > _UPPER and low:
            part = (_UPPER - share[k - 1]) / (share[k] - share[k - 1])
            rises.append(float(time[k - 1] + part * (time[k] - time[k - 1])))
        low = bool(share[k] < _LOWER)
    return rises


def driven(session: Session, plan: Plan) -> Plan | None:
    """The plan with the cycle of the source that makes its ramp, whose own line says it all; None where none
    does. Raises EngineError."""
    load(session, plan, _GEAR.format(reltol=1e-4))
    drive = read_circuit(session.listing(), plan.alterations, plan.ramp).drive
    return None if drive is None else replace(plan, period=drive.period, ramp_level=drive.level)


def scout(session: Session, plan: Plan) -> Plan:
    """The plan with its hints replaced by what a plain run shows, whose steps grow with the time elapsed.
    Raises NoCycle, EngineError."""
    known = math.isfinite(plan.period) and plan.period > 0
    first = 1e-6 * plan.period if known else _FIRST
    last = min(_LAST, 1e5 * plan.period) if known else _LAST
    reach, found, record, failure = first, None, None, None
    while found is None and reach < last:
        reach = min(1e3 * reach if reach > first else 1e6 * first, last)
        try:
            watcher, record = _look(session, plan, first, reach)
        except EngineError as error:
            if isinstance(error, EngineDead) or record is None or not too_small(error):
                raise
            failure = error
            break  # what a shorter run showed is all there is to see
        found = watcher.cycle or cycle_of(record["time"], record[plan.ramp])
        if watcher.finished in ("too slow", "too many points"):
            break
    assert record is not None
    if found is None:
        words, still = stands(record, plan.ramp)
        dead = still and known and record["time"][-1] > _LONG * plan.period
        if watcher.finished == "too slow" and not dead:  # what a busy machine does not get done is no state
            raise EngineError([f"too slow: {words} in the time that there is to look for one"])
        if (failure or watcher.finished) and not still and not _goes_round(record, plan.ramp):
            stopped = failure.words if failure else [watcher.finished]  # on its way: what comes is not known
            raise EngineError([*stopped, f"the ramp had not gone round by {record['time'][-1]:.3g} s"])
        raise NoCycle(words, record)
    period, middle = found
    output = record[plan.output][record["time"] > record["time"][-1] - 2 * period]
    level = 0.5 * float(output.min() + output.max())
    return replace(plan, period=period, ramp_level=middle, output_level=level)


def _look(session: Session, plan: Plan, first: float, reach: float) -> tuple[_Scout, Record]:
    """One run of ``reach`` s. The engine gives up on steps below 1e-11 of the longest one, so a run must not
    be allowed much longer steps than it will take."""
    failure: EngineError | None = None
    for sources_first in (False, True):
        load(session, plan, _GEAR.format(reltol=1e-4))
        if sources_first:
            levels = source_levels(session.listing())
            levels = {node: level for node, level in levels.items() if node not in initial_nodes(plan.deck)}
            load(session, plan, _GEAR.format(reltol=1e-4), start=levels, kept=True)
        watcher = _Scout(plan.ramp, first, 0.3 * plan.seconds)
        try:
            record = session.transient(first, reach, reach / _FINEST, initial=True, stepper=watcher)
        except EngineDead:
            raise
        except EngineError as error:
            failure = error
        else:
            return watcher, record
    assert failure is not None
    raise failure


def stands(record: Record, ramp: str) -> tuple[str, bool]:
    """What a ramp without a cycle does, in words, and whether it stays where it is."""
    later = record[ramp][record["time"] > 0.5 * record["time"][-1]]
    low, high = float(later.min()), float(later.max())
    if high - low < 1e-3 * (1 + max(abs(low), abs(high))):
        return f"the ramp stays at {0.5 * (low + high):.4g} V", True
    return f"the ramp moves between {low:.4g} V and {high:.4g} V without a settled cycle", False


def _goes_round(record: Record, ramp: str) -> bool:
    """Whether a ramp that moves came up several times in the later half of a record."""
    later = record["time"] > 0.5 * record["time"][-1]
    return len(_whole_rises(record["time"][later], record[ramp][later])) > _CYCLES


def seldom(record: Record, ramp: str, level: float, times: int, periods: int) -> str:
    """What a ramp does that should have passed a level (V) once a period, in words."""
    often = f"{times} time{'' if times == 1 else 's'} in {periods} periods"
    return f"{stands(record, ramp)[0]}, and came past {level:.4g} V {often}"


def uniform(session: Session, plan: Plan, measure: Measure, notes: list[str]) -> Settled:
    """The last rung: uniform steps of two sizes and tolerances, with bars that are never below
    ``UNIFORM_BAR``. Raises NoCycle, EngineError."""
    tables: list[dict[str, float]] = []
    period = plan.period
    for reltol, share in ((1e-5, 200.0), (1e-6, 1000.0)):
        load(session, plan, _GEAR.format(reltol=reltol))
        share = max(share, _A_SINE * period / shortest_sine(bare_lines(session.listing())))
        if share > _SHORTEST:
            raise EngineError([*notes[-1:], "a source is too fast beside the ramp for uniform steps"])
        record = session.transient(period / share, 12 * period, period / share, initial=True)
        found = cycle_of(record["time"], record[plan.ramp])
        if found is None:
            raise NoCycle(stands(record, plan.ramp)[0], record)
        marks = _whole_rises(record["time"], record[plan.ramp])
        if len(marks) < 3:
            raise NoCycle(seldom(record, plan.ramp, found[1], len(marks), 12), record)
        begin, end = marks[-3:-1]
        figures, words = measured(measure, record, begin, end)
        tables.append(figures)
    resolved = resolutions(record["time"], record[plan.output], begin, end, figures)
    figures, widths = bars.all_figures(tables, 0.0, 0, plan.accuracy, 1e-6, resolved)
    bars.widen(figures, widths, UNIFORM_BAR)
    return Settled(
        figures=figures, bars=widths, words=words, record=record, begin=begin, end=end,
        setting=f"uniform steps, Gear, reltol 1e-6, period/{share:.0f}", decade=0, reached=False,
        points=len(record["time"]), notes=notes,
    )  # fmt: skip


def cross_check(
    session: Session, plan: Plan, measure: Measure, settled: Settled, start: Mapping[str, float] | None
) -> None:
    """Widens the bars of a board with switches that could not be read, by what a run says that knows nothing
    of switches: uniform steps by another method. Steered runs may miss such a switch, all of them alike.

    No bar is then below ``UNREAD_BAR`` of its figure, and none below three times the difference.
    """
    period = settled.end - settled.begin
    longest = period / _CHECK_STEPS
    load(session, plan, _GEAR.format(reltol=1e-6), start)
    record = session.transient(longest, _CHECK_PERIODS * period, longest, initial=True)
    marks = _rises(record, plan.ramp, 0.5 * (settled.figures["ramp_low"] + settled.figures["ramp_high"]))
    if len(marks) < 2:
        settled.bars = dict.fromkeys(settled.bars, math.inf)
        settled.notes.append("uniform steps show no whole cycle where steered ones do")
        return
    figures, _ = measured(measure, record, *marks[-2:])
    bars.widen(settled.figures, settled.bars, UNREAD_BAR)
    for name, width in settled.bars.items():
        apart = abs(figures.get(name, math.nan) - settled.figures[name])
        settled.bars[name] = max(width, 3.0 * apart) if math.isfinite(apart) else width
    settled.notes.append("bars hold what uniform steps (Gear, period/2000) say instead")


def _rises(record: Record, node: str, level: float) -> list[float]:
    """Instants (s) at which a node rises through a level, on straight lines."""
    time, wave = record["time"], record[node]
    k = np.flatnonzero((wave[:-1] < level) & (wave[1:] >= level))
    part = (level - wave[k]) / (wave[k + 1] - wave[k])
    return [float(t) for t in time[k] + part * (time[k + 1] - time[k])]
