# SPDX-License-Identifier: GPL-3.0-or-later
"""One corner: figures of the settled cycle, each with a computed error bar.

Runs a decade apart in *every* limit (engine tolerances, longest step, growth after an event, step at an
event) give a best value and a bar; a decade finer follows until the bar is as small as asked for. Each
finer run starts from the settled state of the coarser one, a little before the marker, so that it costs
about one period. The engine's default step control is never used: on switch-reset cores it is wrong by up
to 0.3 in duty, without a word.

Where a setting aborts, the next of this ladder is used and named in the result: charge tolerance 1e-14,
1e-12, 1e-11; the same from a cold start; uniform steps (Gear, reltol 1e-6, period/200) with bars of at
least 1e-3.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.engine import bars
from harness.engine.gaps import Gap, Watch, level_gap, watch
from harness.engine.session import EngineDead, EngineError, Session
from harness.engine.stepper import Limits, Stepper

Record = Mapping[str, NDArray[np.float64]]
Figures = Mapping[str, float | str]
Measure = Callable[[Record, float, float], Figures]

RE_ENTRY = 0.03  # of the period before the marker, where a finer run enters the settled state
FINEST = 5
LEAST = 3
SLOW_TRIES = 8
UNIFORM_BAR = 1e-3
UNREAD_BAR = 1e-2
_LADDER = ((1e-14, True), (1e-12, True), (1e-11, True), (1e-14, False), (1e-12, False))
_PERIODS = 14  # of simulated time that a steered run may take at most


class NoCycle(Exception):
    """The ramp makes no whole cycle; ``args[0]`` says what it does instead."""


@dataclass(frozen=True)
class Plan:
    """What to run for one corner.

    ``deck``: netlist lines as the engine takes them, without analysis and options. ``alterations``: device
    values set after loading. ``saved``: currents through parts to save, ``@rpull[i]``. ``period`` (s),
    ``ramp_level`` and ``output_level`` (V) are hints of where edges fall, never values. ``temperature`` in
    degC. ``accuracy``: share of the period that the duty bar should reach. ``seconds``: wall time after
    which a run gives up.
    """

    deck: tuple[str, ...]
    ramp: str
    output: str
    period: float
    ramp_level: float
    output_level: float
    temperature: float = 25.0
    alterations: tuple[tuple[str, float], ...] = ()
    saved: tuple[str, ...] = ()
    accuracy: float = 1e-4
    seconds: float = 60.0


@dataclass
class Settled:
    """Figures of the settled cycle with bars, the finest run's record, and how it was obtained."""

    figures: dict[str, float]
    bars: dict[str, float]
    words: dict[str, str]
    record: Record
    begin: float
    end: float
    setting: str
    decade: int
    reached: bool
    points: int
    notes: list[str] = field(default_factory=list)
    unread: tuple[str, ...] = ()


@dataclass
class _Run:
    figures: dict[str, float]
    words: dict[str, str]
    record: Record
    begin: float
    end: float
    stepper: Stepper


def too_small(error: EngineError) -> bool:
    """True where the engine gave up on its own step size."""
    return "too small" in str(error).lower()


def settle(session: Session, plan: Plan, measure: Measure) -> Settled:
    """Figures of the settled cycle of one corner.

    ``measure(record, begin, end)`` gives the figures of the cycle between two instants (s) of a record of
    node voltages. Raises NoCycle where the ramp does not oscillate, EngineError where the engine could not
    run, with its own words.
    """
    try:
        hinted = all(math.isfinite(hint) for hint in (plan.period, plan.ramp_level, plan.output_level))
        if hinted:
            with suppress(NoCycle):
                return _Decades(session, plan, measure).run()
        return _Decades(session, _pilot(session, plan), measure).run()  # a hint may have been wrong
    except EngineDead:
        raise
    except EngineError as error:
        if not too_small(error):
            raise
        return _uniform(session, plan, measure, [f"steered run: {error}"])


class _Decades:
    """The runs of one corner, from coarse to fine."""

    def __init__(self, session: Session, plan: Plan, measure: Measure) -> None:
        self.session, self.plan, self.measure = session, plan, measure
        self.period = plan.period
        self.output_level = plan.output_level
        self.watch: Watch | None = None
        self.columns: list[str] = ["time"]
        self.start: dict[str, float] | None = None
        self.slow = 1.0
        self.notes: list[str] = []
        self.points = 0

    def run(self) -> Settled:
        tables: list[dict[str, float]] = []
        runs: list[_Run] = []
        decade, tries = 1, 0
        while True:
            run = self._climb(decade)
            self.period = 1.0 / run.figures["frequency"]
            if not self._watch.timed:
                slow_again = self._enter_next(run)
                if slow_again and tries < SLOW_TRIES:
                    tries += 1
                    continue
            self._locate_output(run)
            tables.append(run.figures)
            runs.append(run)
            del runs[:-2]
            least = 2 if self._watch.timed and not self._watch.switching else LEAST
            if len(tables) >= least:
                result = self._judge(tables, runs, decade)
                if result.reached or decade >= FINEST:
                    return result
            decade += 1

    @property
    def _watch(self) -> Watch:
        assert self.watch is not None
        return self.watch

    def _judge(self, tables: list[dict[str, float]], runs: list[_Run], decade: int) -> Settled:
        run = runs[-1]
        drift = run.stepper.drift * max(1.0, run.stepper.slow)
        relative = 1e-3 * 10 ** (-decade / 2)
        figures, widths = bars.all_figures(tables, drift, run.stepper.events, self.plan.accuracy, relative)
        asked = [
            widths.get("frequency", math.nan) / figures.get("frequency", math.nan),
            widths.get("duty", math.nan),
        ]
        reached = all(not math.isfinite(bar) or bar <= self.plan.accuracy * (1 + 1e-9) for bar in asked)
        notes = list(self.notes)
        if len(runs) > 1 and runs[-2].words.get("state") != run.words.get("state"):
            reached = False
            notes.append(f"two runs differ: {runs[-2].words.get('state')} and {run.words.get('state')}")
            widths = {name: math.inf for name in widths}
        if self._watch.unread:
            notes += [f"may switch, could not be read: {line}" for line in self._watch.unread]
            _widen(figures, widths, UNREAD_BAR)
            reached = False
        if run.stepper.finished == "drifting":
            notes.append("the cycle had not closed on itself; its drift is in the bars")
        return Settled(
            figures=figures, bars=widths, words=run.words, record=run.record, begin=run.begin, end=run.end,
            setting=f"steered steps, trapezoidal, {len(tables)} decades", decade=decade, reached=reached,
            points=self.points, notes=notes, unread=self._watch.unread,
        )  # fmt: skip

    def _climb(self, decade: int) -> _Run:
        """One run at this decade, on the first rung of the ladder that holds."""
        failure: EngineError | None = None
        for charge, warm in _LADDER:
            if warm or self.start is not None or failure is None:
                try:
                    return self._one_run(decade, charge, self.start if warm else None)
                except EngineDead:
                    raise
                except EngineError as error:
                    if not too_small(error):
                        raise
                    failure = error
                    self.notes.append(
                        f"decade {decade}: aborted with charge tolerance {charge:g}"
                        f"{'' if warm else ' from a cold start'}, next setting used"
                    )
        assert failure is not None
        raise failure

    def _one_run(self, decade: int, charge: float, start: Mapping[str, float] | None) -> _Run:
        session, plan, period = self.session, self.plan, self.period
        load(session, plan, _steered_options(decade, charge), start)
        if self.watch is None:
            self.watch = watch(session.listing(), self._column)
        soft = (
            self._level_gap(plan.ramp, plan.ramp_level),
            self._level_gap(plan.output, self.output_level),
        )
        stepper = Stepper(
            self.watch.gaps,
            soft,
            self.columns,
            period,
            Limits.of(decade, period),
            self.watch.memory,
            plan.seconds,
        )
        stepper.slow = self.slow
        record = session.transient(period / 50, _PERIODS * period, period / 20, initial=True, stepper=stepper)
        self.points += stepper.points
        if stepper.finished not in ("closed", "drifting"):
            if stepper.finished in ("late", ""):
                raise NoCycle(
                    f"{len(stepper.marks)} crossings of {plan.ramp_level:g} V in {_PERIODS} periods"
                )
            raise EngineError([stepper.finished])
        begin, end = stepper.marks[-2:]
        measured = self.measure(record, begin, end)
        figures = {k: float(v) for k, v in measured.items() if not isinstance(v, str)}
        figures["frequency"] = 1.0 / (end - begin)
        words = {k: v for k, v in measured.items() if isinstance(v, str)}
        return _Run(figures, words, record, begin, end, stepper)

    def _column(self, name: str) -> int:
        if name not in self.columns:
            self.columns.append(name)
        return self.columns.index(name)

    def _level_gap(self, node: str, level: float) -> Gap:
        return level_gap(self._column(node), level, f"v({node})")

    def _enter_next(self, run: _Run) -> bool:
        """Takes the state from which the next run starts; True where a slow memory asks for another run
        like this."""
        stepper = run.stepper
        time = run.record["time"]
        k = max(int(np.searchsorted(time, run.end - RE_ENTRY * self.period)) - 1, 0)
        jump = stepper.jump if stepper.jump is not None else np.zeros(len(stepper.nodes))
        self.start = {n: float(run.record[n][k] + z) for n, z in zip(stepper.nodes, jump, strict=True)}
        self.slow = stepper.slow
        return stepper.finished == "drifting" and stepper.slow > 1

    def _locate_output(self, run: _Run) -> None:
        """The middle of the output's measured levels, where later runs place their points."""
        low, high = run.figures.get("low_level", math.nan), run.figures.get("high_level", math.nan)
        if math.isfinite(low) and math.isfinite(high):
            self.output_level = 0.5 * (low + high)


def load(session: Session, plan: Plan, options: str, start: Mapping[str, float] | None = None) -> None:
    """Loads the deck with these options; ``start`` (node voltages) takes the place of the deck's own
    ``.ic``."""
    deck = [line for line in plan.deck if start is None or not re.match(r"\s*\.ic\b", line, re.I)]
    if plan.saved:
        deck.append(".save all " + " ".join(plan.saved))
    if start is not None:
        deck += [f".ic v({node})={value!r}" for node, value in start.items()]
    deck.append(f".options {options} temp={plan.temperature!r}")
    session.load(deck, "corner")
    for device, value in plan.alterations:
        session.alter(device, value)


def _steered_options(decade: int, charge: float) -> str:
    share = 10 ** (-decade / 2)
    return f"method=trap reltol={1e-3 * share!r} trtol={share!r} chgtol={charge!r}"


def _widen(figures: Mapping[str, float], widths: dict[str, float], least: float) -> None:
    """Raises every bar to at least this share of its figure (duty: of the period)."""
    for name, width in widths.items():
        scale = 1.0 if name == "duty" else abs(figures[name])
        widths[name] = max(width, least * scale) if math.isfinite(width) else width


_GEAR = "method=gear reltol={reltol!r} chgtol=1e-12"


def _cycles(record: Record, node: str, level: float | None = None) -> tuple[list[float], float]:
    """Rising crossings of a node through a level (or its middle over the second half), and that level."""
    time, wave = record["time"], record[node]
    tail = wave[time > 0.5 * time[-1]]
    low, high = float(tail.min()), float(tail.max())
    if not math.isfinite(low) or high - low < 1e-3 * (1 + abs(high)):
        raise NoCycle(f"the ramp stays at {0.5 * (low + high):.4g} V")
    middle = 0.5 * (low + high) if level is None else level
    k = np.flatnonzero((wave[:-1] < middle) & (wave[1:] >= middle))
    part = (middle - wave[k]) / (wave[k + 1] - wave[k])
    return [float(t) for t in time[k] + part * (time[k + 1] - time[k])], middle


def _pilot(session: Session, plan: Plan) -> Plan:
    """The plan with its hints replaced by what plain fine steps show, over more and more time. Raises
    NoCycle."""
    words = "the ramp makes no whole cycle"
    guess = plan.period if math.isfinite(plan.period) else 1e-3
    for stretch in (20.0, 400.0, 0.5):
        load(session, plan, _GEAR.format(reltol=1e-4))
        stop = stretch * guess
        record = session.transient(stop / 4000, stop, stop / 4000, initial=True)
        try:
            marks, middle = _cycles(record, plan.ramp)
        except NoCycle as error:
            words = str(error)
            continue
        if len(marks) > 2:
            output = record[plan.output][record["time"] > marks[-3]]
            level = 0.5 * float(output.min() + output.max())
            return replace(plan, period=marks[-1] - marks[-2], ramp_level=middle, output_level=level)
    raise NoCycle(words)


def _uniform(session: Session, plan: Plan, measure: Measure, notes: list[str]) -> Settled:
    """The last rung: uniform steps at two tolerances, with bars that are never below ``UNIFORM_BAR``."""
    tables: list[dict[str, float]] = []
    words: dict[str, str] = {}
    period = plan.period
    for reltol in (1e-5, 1e-6):
        load(session, plan, _GEAR.format(reltol=reltol))
        record = session.transient(period / 200, 12 * period, period / 200, initial=True)
        marks, _ = _cycles(record, plan.ramp)
        if len(marks) < 3:
            raise NoCycle(f"{len(marks)} crossings of the ramp's middle in 12 periods")
        begin, end = marks[-3:-1]
        measured = measure(record, begin, end)
        tables.append({k: float(v) for k, v in measured.items() if not isinstance(v, str)})
        tables[-1]["frequency"] = 1.0 / (end - begin)
        words = {k: v for k, v in measured.items() if isinstance(v, str)}
    figures, widths = bars.all_figures(tables, 0.0, 0, plan.accuracy, 1e-6)
    _widen(figures, widths, UNIFORM_BAR)
    return Settled(
        figures=figures, bars=widths, words=words, record=record, begin=begin, end=end,
        setting="uniform steps, Gear, reltol 1e-6, period/200", decade=0, reached=False,
        points=len(record["time"]), notes=notes,
    )  # fmt: skip
