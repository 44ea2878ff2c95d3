# SPDX-License-Identifier: GPL-3.0-or-later
"""Steered runs of one corner, a decade apart in every limit, from coarse to fine.

Each finer run starts from the settled state of the coarser one a little before the marker, so that it costs
about one period. Where a source repeats with the ramp the run starts at the beginning of its period instead,
since the engine's clock starts at 0 again. States that outlive many cycles are brought to rest by jumps.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.engine import bars, guards, memory
from harness.engine.gaps import Gap, Watch, difference_gap, level_gap, watch
from harness.engine.plan import (
    Measure,
    NoCycle,
    Plan,
    Record,
    Settled,
    altered,
    in_words,
    initial_nodes,
    load,
    measured,
    source_levels,
    too_small,
)
from harness.engine.pulses import STEPS_A_SINE, corner_gaps, pulse_corners, shortest_sine
from harness.engine.session import EngineDead, EngineError, Session
from harness.engine.stepper import LIGHT, Guide, Limits, Stepper, make_stepper

RE_ENTRY = 0.03  # of the period before the marker, where a finer run enters the settled state
SETTLING = 0.5  # decade of the first run of a board that switches; it finds the cycle and is not counted
FINEST = 6
CHEAP = 1e-4  # an accuracy that two decades may be enough for
ALIKE_SWITCHING = 0.2  # of the accuracy asked for: so near two decades must lie to be the last
ALIKE_SMOOTH = 0.35  # the same where nothing switched
SLOW_TRIES = 12
CHARGES = (1e-14, 1e-12, 1e-11)  # C, the engine's charge tolerance, from rung to rung
STARTS = {
    "warm": "from the settled state",
    "cold": "from a cold start",
    "sources": "from a cold start with its sources up",
    "operating point": "from an operating point",
}
_SWITCHING = re.compile(r"\s*[absw]", re.IGNORECASE)  # what may hold a switch, by its first letter
_WHOLE = 0.3  # of all that the ramp did since the run began: a cycle of less height may be none
_METHODS = {"trap": "trapezoidal", "gear": "Gear"}
_PERIODS = 14  # of simulated time that a steered run may take at most
_OFF = 3.0  # a period hint off by more than this factor was of no use: the run is repeated
_LOCKED = 1e-9  # periods that agree to this share are made by a source
_NOISE = 0.05  # of the closing limit: smaller moves from cycle to cycle tell nothing
_TIME_SHARE = 0.5  # of the seconds granted, after which no finer run is begun


@dataclass
class _Run:
    figures: dict[str, float]
    words: dict[str, str]
    record: Record
    begin: float
    end: float
    stepper: Stepper
    edges: int
    below: float
    between: dict[str, float]
    turns: list[tuple[float, float, float]]
    drift: float = math.inf


class Decades:
    """The runs of one corner. :meth:`run` gives its figures.

    ``method``: integration method, ``trap`` or, for a second opinion, ``gear``. ``scouted``: the plan's
    period was seen in a pilot run, not just hoped for.
    """

    def __init__(
        self,
        session: Session,
        plan: Plan,
        measure: Measure,
        notes: Sequence[str] = (),
        method: str = "trap",
        scouted: bool = False,
    ) -> None:
        self.scouted = scouted
        self.method = method
        self.session, self.plan, self.measure = session, plan, measure
        self.period = plan.period
        self.marker, self.way = plan.ramp_level, 1
        self.output_level = plan.output_level
        self.watch: Watch | None = None
        self.holders: tuple[memory.Holder, ...] = ()
        self.held: tuple[str, ...] | None = None
        self.sources: dict[str, float] = {}
        self.corners: list[tuple[float, float]] = []
        self.turns: list[tuple[float, float]] = []
        self.sine = math.inf
        self.columns: list[str] = ["time"]
        self.start: dict[str, float] | None = None
        self.rest: memory.Rest | None = None
        self.notes = list(notes)
        self.points = 0
        self.loaded: tuple[float, float, str] | None = None
        self.rung = (CHARGES[0], "cold")
        self.begun = time.monotonic()

    def run(self) -> Settled:
        """Figures with bars. Raises NoCycle, EngineError, EngineDead."""
        tables: list[dict[str, float]] = []
        runs: list[_Run] = []
        result: Settled | None = None
        settling: dict[str, float] | None = None
        decade, tries = self._read(), 0
        while True:
            try:
                run = self._climb(decade)
            except EngineDead:
                raise
            except EngineError as error:
                if result is None:
                    raise
                result.notes.append(f"a finer run failed: {in_words(error)}")
                return result
            if self._again(run, decade) and tries < SLOW_TRIES:
                tries += 1
                continue
            if decade == SETTLING:
                settling, decade = run.figures, 1
                continue
            tables.append(run.figures)
            runs.append(run)
            if self._watch.timed:  # a finer run has points where this one saw the output turn
                period = run.end - run.begin
                self.turns = [(at % period, period) for at, _, _ in run.turns]
            if len(tables) == 2 and settling is None and bars.apart(*tables) > CHEAP:
                del tables[0], runs[0]  # a cold start so far off tells nothing of how runs converge
            del runs[:-2]
            if len(tables) >= (2 if self._two_may_do(tables, settling) else 3):
                result = self._judge(tables, runs, decade)
                restless = run.stepper.finished == "drifting" and len(tables) > 2  # finer steps are no cure
                enough = result.reached or restless or (self._watch.unread and self._small(result))
                if enough or decade >= FINEST or self._late():
                    return result
            decade += 1

    def _late(self) -> bool:
        return self._left() < (1 - _TIME_SHARE) * self.plan.seconds

    def _left(self) -> float:
        """Wall time (s) that a run may still take; a little is kept for what follows it."""
        return max(0.9 * self.plan.seconds - (time.monotonic() - self.begun), 0.1)

    def _two_may_do(self, tables: list[dict[str, float]], settling: dict[str, float] | None) -> bool:
        """True where two decades are enough: what is asked for is far above their difference. Two runs that
        switch may agree by luck, three hardly, so the settling run is asked too."""
        if self.plan.accuracy < CHEAP or len(tables) != 2:
            return False
        if settling is None:
            return bars.apart(*tables) <= ALIKE_SMOOTH * self.plan.accuracy
        apart = max(bars.apart(settling, tables[0]), bars.apart(*tables))
        return apart <= ALIKE_SWITCHING * self.plan.accuracy

    @property
    def _watch(self) -> Watch:
        assert self.watch is not None
        return self.watch

    # ---- one run

    def _read(self) -> float:
        """Reads the circuit as the engine flattened it, and gives the decade to begin with.

        A board without switches begins a decade coarser, since its edges are smooth. One with switches first
        settles in a run that does not count: steps on the way in differ from those of a closed cycle, so
        that its figures may agree with the next run's by chance.
        """
        guess = SETTLING if any(_SWITCHING.match(line) for line in self.plan.deck) else 0
        self._load(guess, CHARGES[0], "cold")
        listing = self.session.listing()
        self.watch = watch(listing, self._column)
        flat = altered(listing, self.plan.alterations)
        self.holders = memory.holders(flat)
        self.sources = source_levels(flat)
        self.corners = pulse_corners(flat)
        self.sine = shortest_sine(flat)
        self.held = guards.held_nodes(listing, self.plan.ramp)
        return SETTLING if self.watch.switching else 0

    def _climb(self, decade: float) -> _Run:
        """One run at this decade, on the first rung of the ladder that holds."""
        failure: EngineError | None = None
        for kind in STARTS if self.start is not None else list(STARTS)[1:]:
            for charge in CHARGES if kind in ("warm", "cold") else CHARGES[:2]:
                try:
                    run = self._one_run(decade, charge, kind)
                    self.rung = (charge, kind)
                    return run
                except EngineDead:
                    raise
                except EngineError as error:
                    if not too_small(error):
                        raise
                    failure = error
                    rung = f"decade {decade:g}: aborted with charge tolerance {charge:g} {STARTS[kind]}"
                    self.notes.append(f"{rung}, next setting used")
        assert failure is not None
        raise failure

    def _one_run(self, decade: float, charge: float, kind: str) -> _Run:
        session, plan, period = self.session, self.plan, self.period
        self._load(decade, charge, kind)
        self.loaded = None  # a run leaves its end state behind
        soft = [self._level_gap(plan.ramp, self.marker, self.way)]
        if math.isfinite(self.output_level):
            soft.append(self._level_gap(plan.output, self.output_level, 1))
        if plan.threshold in ("0", "gnd"):
            soft.append(self._level_gap(plan.ramp, 0.0, 1))
        elif plan.threshold and plan.threshold != plan.ramp:
            columns = self._column(plan.ramp), self._column(plan.threshold)
            soft.append(difference_gap(*columns, f"v({plan.ramp}) = v({plan.threshold})"))
        soft += corner_gaps([*self.corners, *self.turns], self._column("time"), period)
        limits = Limits.of(decade, period)
        most = Limits.of(decade, 20.0 * self.sine / STEPS_A_SINE).longest
        limits = replace(limits, longest=min(limits.longest, most))
        if decade < 1:
            limits = replace(limits, settle=3 * limits.settle)
        guide = Guide(self._watch.gaps, soft, self.columns, period, limits, self._carriers(), self._left())
        stepper = make_stepper(guide)
        longest, initial = period / 20, kind != "operating point"
        record = session.transient(period / 50, _PERIODS * period, longest, initial, stepper)
        self.points += stepper.points
        if stepper.finished not in ("closed", "drifting"):
            if stepper.finished in ("late", ""):
                raise NoCycle(f"{len(stepper.marks)} crossings of {self.marker:g} V in {_PERIODS} periods")
            raise EngineError([stepper.finished])
        begin, end = stepper.marks[-2:]
        words: dict[str, str] = {}
        if decade == SETTLING:
            figures = guards.rough_figures(record, plan.output, begin, end)
        else:
            figures, words = measured(self.measure, record, begin, end)
        between: dict[str, float] = {}
        if stepper.finished == "drifting" and len(stepper.marks) > 2:
            before, _ = measured(self.measure, record, *stepper.marks[-3:-1])
            between = {name: abs(value - before.get(name, math.nan)) for name, value in figures.items()}
        turns = guards.crossing_steps(record, plan.output, self._middle(figures), begin, end)
        edges = guards.edges(record, plan.output, self.output_level, begin, end)
        below = guards.below_possible(record, plan.ramp, self.held, begin, end)
        return _Run(figures, words, record, begin, end, stepper, edges, below, between, turns)

    def _middle(self, figures: Mapping[str, float]) -> float:
        """The middle of the output's levels in a run, or where it was expected."""
        middle = 0.5 * (figures.get("low_level", math.nan) + figures.get("high_level", math.nan))
        return middle if math.isfinite(middle) else self.output_level

    def _load(self, decade: float, charge: float, kind: str) -> None:
        """Loads the deck for one run, unless just that is loaded already."""
        wanted = decade, charge, kind
        if self.loaded != wanted:
            start = {"warm": self.start, "sources": self._with_sources()}.get(kind)
            load(self.session, self.plan, _options(decade, charge, self.method), start, kept=kind != "warm")
        self.loaded = wanted

    def _with_sources(self) -> dict[str, float]:
        """Levels of nodes that a source holds and the deck's ``.ic`` does not name: the engine starts them at
        0 V, and a junction at one of them may start volts forward."""
        named = initial_nodes(self.plan.deck)
        return {node: level for node, level in self.sources.items() if node not in named}

    def _carriers(self) -> frozenset[str]:
        return memory.carriers(self.holders, self.plan.ramp, self.period)

    def _column(self, name: str) -> int:
        if name not in self.columns:
            self.columns.append(name)
        return self.columns.index(name)

    def _level_gap(self, node: str, level: float, way: int) -> Gap:
        return level_gap(self._column(node), level, f"v({node})", rising=way > 0)

    # ---- from run to run

    def _again(self, run: _Run, decade: float) -> bool:
        """Learns from a run where the next one starts and looks; True where this decade is to be repeated,
        because the period was far off or a slow memory is far from rest."""
        period = run.end - run.begin
        marks = run.stepper.marks
        if self.rest is None:
            self._check_whole(run)
        off = max(period / self.period, self.period / period) > _OFF
        self.period = period
        nodes = run.stepper.nodes
        carriers = self._carriers()
        weights = np.array([1.0 if node in carriers else LIGHT for node in nodes])
        settle = Limits.of(decade, period).settle
        states = memory.states_at(run.record, nodes, marks[-3:])
        before = self.rest
        constants = memory.time_constants(self.holders)
        self.rest = rest = memory.rest_of(nodes, states, weights, constants, period, _NOISE * settle, before)
        run.drift = rest.distance
        far = rest.slow and rest.distance > max(settle, 0.1 * self.plan.accuracy)
        self._look(run)
        locked = len(marks) > 2 and abs(marks[-1] - 2 * marks[-2] + marks[-3]) < _LOCKED * period
        if not self._watch.timed:
            self._enter(
                run, guards.crossing(run.record, self.plan.ramp, self.marker, self.way, run.begin, run.end)
            )
        elif locked or self.start is not None:
            self._enter(run, None)
        if self.start is None:
            self.rest = None
        return off or (far and self.start is not None)

    def _check_whole(self, run: _Run) -> None:
        """Is what lies between two markers a whole cycle? Ripple on the ramp crosses the marker too."""
        time, ramp = run.record["time"], run.record[self.plan.ramp]
        inside = (time >= run.begin) & (time <= run.end)
        words = f"the ramp passes {self.marker:.4g} V several times a cycle: it ripples, or it rings"
        if self.scouted and run.end - run.begin < 0.5 * self.plan.period:
            raise EngineError([words])
        if not self.scouted and np.ptp(ramp[inside]) < _WHOLE * np.ptp(ramp):
            raise NoCycle(words)

    def _look(self, run: _Run) -> None:
        """The marker's place and the middle of the output's levels, where later runs place their points."""
        self.marker, self.way = guards.quiet_place(run.record, self.plan.ramp, run.begin, run.end)
        low, high = run.figures.get("low_level", math.nan), run.figures.get("high_level", math.nan)
        if math.isfinite(low) and math.isfinite(high):
            self.output_level = 0.5 * (low + high)

    def _enter(self, run: _Run, marker: float | None) -> None:
        """The state that the next run starts from: before the marker at this instant (s), or where a source
        begins its period."""
        period, nodes, rest = self.period, run.stepper.nodes, self.rest
        assert rest is not None
        if marker is None:
            at = math.floor(run.end / period * (1 + 1e-12)) * period
        else:
            at = marker - RE_ENTRY * period
            at += period if at < max(run.record["time"][0], run.begin - period) else 0.0
        state = memory.states_at(run.record, nodes, [at])[0] + (rest.away if rest.slow else 0.0)
        self.start = {node: float(value) for node, value in zip(nodes, state, strict=True)}

    # ---- judgement

    def _judge(self, tables: list[dict[str, float]], runs: list[_Run], decade: float) -> Settled:
        run = runs[-1]
        figures, widths = bars.all_figures(
            tables, run.drift, run.stepper.events, self.plan.accuracy, 1e-3 * 10 ** (-decade / 2)
        )
        swing = figures.get("high_level", math.nan) - figures.get("low_level", math.nan)
        blind = guards.blind(run.turns, swing if math.isfinite(swing) else math.inf)
        for name, unknown in (
            ("duty", blind / (run.end - run.begin)),
            ("rise_time", blind),
            ("fall_time", blind),
        ):
            if name in widths:
                widths[name] += unknown
        notes = list(self.notes)
        objections = self._objections(runs)
        if objections:
            notes += objections
            widths = {name: math.inf for name in widths}
        if self._watch.unread:
            notes += [f"may switch, could not be read: {line}" for line in self._watch.unread]
        if run.stepper.finished == "drifting":
            notes.append("no cycle was like the one before; bars hold what they differ by")
            longer = max(1.0, run.drift / run.stepper.drift) if run.stepper.drift > 0 else 1.0
            for name, apart in run.between.items():
                widths[name] = max(widths[name], longer * apart) if math.isfinite(apart) else math.inf
        result = Settled(
            figures=figures, bars=widths, words=run.words, record=run.record, begin=run.begin, end=run.end,
            setting=self._setting(len(tables)), decade=int(decade), reached=False,
            points=self.points, notes=notes, unread=self._watch.unread,
        )  # fmt: skip
        result.reached = self._small(result) and not objections and not self._watch.unread
        return result

    def _setting(self, count: int) -> str:
        """The rung of the ladder that the last run stood on, in words."""
        charge, kind = self.rung
        text = f"steered steps, {_METHODS[self.method]}, {count} decades"
        if charge != CHARGES[0]:
            text += f", charge tolerance {charge:g}"
        return text if kind == "warm" else f"{text}, {STARTS[kind]}"

    def _small(self, result: Settled) -> bool:
        """True where the bars of duty and frequency are as small as asked for, where there is a figure."""
        asked = (
            result.bars.get("frequency", math.nan) / result.figures.get("frequency", math.nan),
            result.bars.get("duty", math.nan),
        )
        return all(math.isnan(bar) or bar <= self.plan.accuracy * (1 + 1e-9) for bar in asked)

    def _objections(self, runs: list[_Run]) -> list[str]:
        """What forbids to believe two runs although their figures may agree."""
        coarse, fine = runs[-2:]
        found = []
        if coarse.words.get("state") != fine.words.get("state"):
            found.append(f"two runs differ: {coarse.words.get('state')} and {fine.words.get('state')}")
        elif coarse.edges != fine.edges:
            found.append(f"two runs differ: {coarse.edges} and {fine.edges} rising edges in the cycle")
        if fine.below:
            found.append(
                f"the ramp undercuts every source by {fine.below + guards.DIODE:.3g} V: the run rings"
            )
        return found


def _options(decade: float, charge: float, method: str) -> str:
    share = 10 ** (-decade / 2)
    return f"method={method} reltol={1e-3 * share!r} trtol={share!r} chgtol={charge!r}"
