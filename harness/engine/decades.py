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
from harness.engine.errors import Rippled
from harness.engine.gaps import Gap, Watch, difference_gap, level_gap
from harness.engine.plan import (
    Measure,
    NoCycle,
    Plan,
    Record,
    Settled,
    in_words,
    initial_nodes,
    load,
    measured,
    too_small,
)
from harness.engine.pulses import STEPS_A_SINE, Drive, corner_gaps
from harness.engine.reading import read_circuit
from harness.engine.schedule import FINEST, Schedule
from harness.engine.scout import seldom
from harness.engine.session import EngineDead, EngineError, Session
from harness.engine.stepper import LIGHT, Guide, Limits, Stepper, make_stepper
from harness.measure.resolution import resolutions

RE_ENTRY = 0.03  # of the period before the marker, where a finer run enters the settled state
FEWEST = 16  # steps a period at least, in the coarsest run
LAST_WANTED = 2  # decade after which bars of other figures than duty and frequency are left as they are
SLOW_TRIES = 12
STARTS = {
    "warm": "from the settled state",
    "cold": "from a cold start",
    "sources": "from a cold start with its sources up",
    "operating point": "from an operating point",
}
_SWITCHING = re.compile(r"\s*[asw]", re.IGNORECASE)  # what may hold a switch, by its first letter
_PULSE = re.compile(r"\s*v.*\bpulse\b", re.IGNORECASE)
_WHOLE = 0.3  # of all that the ramp did since the run began: a cycle of less height may be none
_METHODS = {"trap": "trapezoidal", "gear": "Gear"}
_PERIODS = 14  # of simulated time that a steered run may take at most
_OFF = 3.0  # a period hint off by more than this factor was of no use: the run is repeated
_LOCKED = 1e-9  # periods that agree to this share are made by a source
_NOISE = 0.05  # of the closing limit: smaller moves from cycle to cycle tell nothing
_JUMPED = 1e-2  # of |v| + 1 V: so near to rest a state is repeated only where the jump before did it good
_NEARER = 0.5  # of the distance before
_PLACES = 8  # at the output's edges, where finer runs have points; beside the corners of a source
_JUMP = 1e-6  # of the period: what the engine makes of a rise or fall in no time
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
    period was seen in a pilot run, not just hoped for. ``fewest``: steps a period at least.
    """

    def __init__(
        self,
        session: Session,
        plan: Plan,
        measure: Measure,
        notes: Sequence[str] = (),
        method: str = "trap",
        scouted: bool = False,
        fewest: int = FEWEST,
    ) -> None:
        self.scouted, self.fewest = scouted, fewest
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
        self.drive: Drive | None = None
        self.schedule = Schedule(plan.accuracy)
        self.sine, self.jumps = math.inf, False
        self.columns: list[str] = ["time"]
        self.start: dict[str, float] | None = None
        self.rest: memory.Rest | None = None
        self.notes = list(notes)
        self.points = 0
        self.loaded: tuple[float, float, str] | None = None
        self.rung = (self.schedule.charges[0], "cold")
        self.begun = time.monotonic()

    def run(self) -> Settled:
        """Figures with bars. Raises NoCycle, EngineError, EngineDead."""
        tables: list[dict[str, float]] = []
        runs: list[_Run] = []
        result: Settled | None = None
        schedule = self.schedule
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
            if schedule.settling:
                decade = schedule.settled(run.figures)
                continue
            tables.append(run.figures)
            runs.append(run)
            if self._watch.timed:
                self.turns = self._turns_of(run)
            if schedule.start_anew(tables):
                del tables[0], runs[0]
            del runs[:-2]
            if schedule.may_judge(tables, decade):
                result = self._judge(tables, runs, decade)
                restless = run.stepper.finished == "drifting" and len(tables) > 2  # finer steps are no cure,
                slow = self.rest is not None and self.rest.slow
                restless = restless and not slow  # but of a jump's noise
                telling = decade >= LAST_WANTED or bars.telling(result.figures, result.bars, self.plan.wanted)
                unread = bool(self._watch.unread) and self._small(result)
                enough = (result.reached and telling) or restless or unread
                if enough or decade >= FINEST or self._late():
                    return result
            decade = schedule.finer(decade)

    def _turns_of(self, run: _Run) -> list[tuple[float, float]]:
        """Where finer runs have points, since this one saw the output turn: (instant, period), s."""
        low, high = (run.figures.get(name, math.nan) for name in ("low_level", "high_level"))
        places = tuple(at for at, _, _ in run.turns)
        if math.isfinite(low) and math.isfinite(high):
            places = guards.places_at_edges(run.record, self.plan.output, low, high, run.begin, run.end)
        period = run.end - run.begin
        return [(at % period, period) for at in places[:_PLACES]]

    def _late(self) -> bool:
        return self._left() < (1 - _TIME_SHARE) * self.plan.seconds

    def _left(self) -> float:
        """Wall time (s) that a run may still take; a little is kept for what follows it."""
        return max(0.9 * self.plan.seconds - (time.monotonic() - self.begun), 0.1)

    @property
    def _watch(self) -> Watch:
        assert self.watch is not None
        return self.watch

    # ---- one run

    def _read(self) -> float:
        """Reads the circuit as the engine flattened it, and gives the decade to begin with. The first load
        guesses which one that will be, so that it need not be done again."""
        switches = any(_SWITCHING.match(line) for line in self.plan.deck)
        first = self.schedule.first(switches, any(_PULSE.match(line) for line in self.plan.deck))
        self._load(first, self.schedule.charges[0], "cold")
        read = read_circuit(self.session.listing(), self.plan.alterations, self.plan.ramp)
        self.watch, self.columns = read.watch, list(read.columns)
        self.holders, self.sources, self.held = read.holders, read.sources, read.held
        self.corners, self.sine, self.jumps, self.drive = read.corners, read.sine, read.jumps, read.drive
        if self.drive is not None:
            self.period, self.marker, self.way = self.drive.period, self.drive.level, self.drive.way
        return self.schedule.first(self.watch.switching, self.drive is not None)

    def _climb(self, decade: float) -> _Run:
        """One run at this decade, on the first rung of the ladder that holds."""
        failure: EngineError | None = None
        for kind in self._starts():
            for charge in self.schedule.charges if kind in ("warm", "cold") else self.schedule.charges[:2]:
                try:
                    run = self._one_run(decade, charge, kind)
                    self.rung = (charge, kind)
                    return run
                except EngineDead:
                    raise
                except EngineError as error:
                    if not too_small(error) and kind != "operating point":
                        raise
                    failure = error
                    rung = f"decade {decade:g}: aborted with charge tolerance {charge:g} {STARTS[kind]}"
                    self.notes.append(f"{rung}, next setting used")
        assert failure is not None
        raise failure

    def _starts(self) -> list[str]:
        """The ways to begin a run, best first. A ramp that a source makes needs no start of its own: a board
        at rest at the source's first instant is nearly in its cycle."""
        if self.start is not None:
            return list(STARTS)
        cold = ["cold", "sources", "operating point"]
        return cold if self.drive is None else cold[2:] + cold[:2]

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
        limits = replace(limits, longest=min(limits.longest, most, period / self.fewest))
        if decade < 1:
            limits = replace(limits, settle=3 * limits.settle)
        guide = Guide(self._watch.gaps, soft, self.columns, period, limits, self._carriers(), self._left())
        stepper = make_stepper(guide)
        initial = kind != "operating point"
        printed = _JUMP * period if self.jumps else period / 50
        record = session.transient(printed, _PERIODS * period, limits.longest, initial, stepper)
        self.points += stepper.points
        if stepper.finished not in ("closed", "drifting"):
            if stepper.finished in ("late", ""):
                said = seldom(record, plan.ramp, self.marker, len(stepper.marks), _PERIODS)
                raise NoCycle(said, record)
            raise EngineError([stepper.finished])
        begin, end = stepper.marks[-2:]
        words: dict[str, str] = {}
        if self.schedule.settling:
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
        start = {"warm": self.start, "sources": self._with_sources()}.get(kind)
        wanted = decade, charge, "" if start is None else kind
        if self.loaded != wanted:
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
        others = memory.other_plates(self.holders, period)
        noise = _NOISE * settle
        self.rest = rest = memory.rest_of(nodes, states, weights, constants, period, noise, before, others)
        run.drift = rest.distance
        far = rest.slow and rest.distance > max(settle, 0.1 * self.plan.accuracy)
        if before is not None and before.slow and rest.distance < _JUMPED:  # else finer steps scatter less
            far = far and rest.distance < _NEARER * before.distance
        self._look(run)
        locked = len(marks) > 2 and abs(marks[-1] - 2 * marks[-2] + marks[-3]) < _LOCKED * period
        if not self._watch.timed:
            self._enter(
                run, guards.crossing(run.record, self.plan.ramp, self.marker, self.way, run.begin, run.end)
            )
        elif locked or self.drive is not None or self.start is not None:
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
            raise Rippled([words])
        if not self.scouted and np.ptp(ramp[inside]) < _WHOLE * np.ptp(ramp):
            raise NoCycle(words, run.record)

    def _look(self, run: _Run) -> None:
        """The marker's place and the middle of the output's levels, where later runs place their points."""
        places: tuple[float, ...] = guards.PLACES
        if self.drive is not None:
            places = guards.driven_places(run.record, self.plan.ramp, [at for at, _, _ in run.turns])
        self.marker, self.way = guards.quiet_place(run.record, self.plan.ramp, run.begin, run.end, places)
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
        resolved = resolutions(
            run.record["time"], run.record[self.plan.output], run.begin, run.end, tables[-1]
        )
        relative = 1e-3 * 10 ** (-decade / 2)
        figures, widths = bars.all_figures(
            tables, run.drift, run.stepper.events, self.plan.accuracy, relative, resolved
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
        if charge != self.schedule.charges[0]:
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
