# SPDX-License-Identifier: GPL-3.0-or-later
"""What every fault of a board does: simulated, told one by one, and put into tables and words."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from harness import __version__
from harness.faults.fault import COLUMNS, HARMLESS, NOT_SIMULATED, SEVERITIES, Fault, Outcome
from harness.faults.judging import Judge
from harness.faults.kinds import KINDS, OF_PARTS, OUTPUT
from harness.faults.outside import outside_faults
from harness.faults.parts import label_of, part_faults, parts_of
from harness.faults.played import sequences
from harness.faults.study import FaultStudy
from harness.faults.surgery import BRIDGE_RESISTANCE, OPEN_RESISTANCE
from harness.faults.words import lines
from harness.findings import BoardError, Finding, InputError
from harness.finished import open_ledger
from harness.ratings import rated_parts
from harness.report.rounding import count as number_of
from harness.report.rounding import listed
from harness.run import Only, Progress
from harness.studies.answers import Answer
from harness.studies.rows import OVERHEAD, duration
from harness.units import engineering

if TYPE_CHECKING:
    from harness.engine.workers import Workers

YES, NO, UNKNOWN = "yes", "no", "not known"
USUAL = 1.0  # s of the engine's time that a fault takes at least, most of it looking for a cycle
LONGER = 5.0  # times what the board takes without a fault


@dataclass(frozen=True)
class Told:
    """A fault as its row tells it: the worst that it does at any corner that was looked at, and what a bench
    shows at the corners that were asked for."""

    worst: Outcome
    seen_at_bench: str
    seen: tuple[str, ...]


def faults_of(
    path: Path,
    only: Only = (),
    jobs: int | Workers | None = None,
    ledger: Path | None = None,
    progress: Progress | None = None,
    within: float | None = None,
    every: bool = False,
    kinds: Sequence[str] = (),
) -> Answer:
    """What every fault does, at the nominal corner, or where ``only`` puts an axis; with ``every`` at all
    corners that ``only`` leaves. ``kinds``: of faults, of :data:`harness.faults.kinds.KINDS`; all where none
    is named. ``within``: seconds that the study may take. Raises BoardError, NetlistError, InputError,
    EngineFailed."""
    wanted = frozenset(kinds or KINDS)
    with open_ledger(path, ledger) as book:
        study = FaultStudy(path, book, only, jobs, every, progress)
        judge = Judge(study.board, study.netlist, study.good)
        parts, outside = part_faults(study.board, study.netlist), outside_faults(study.board, study.netlist)
        faults = [fault for fault in (*parts.faults, *outside.faults) if fault.kind in wanted]
        _foresee(study, len(faults), within)
        outcomes = [judge.outcome(each) for each in study.faulted(faults)]
        further: list[Outcome] = []
        ends = None if every else study.at_ends()
        if ends is not None:
            unseen = _unseen(faults, outcomes)
            again = Judge(ends.board, ends.netlist, ends.good)
            further = [again.outcome(each) for each in ends.faulted(unseen)]
        played, assumed = sequences(study, judge, wanted)
        rows = told([*outcomes, *played], further, {} if ends is None else _places(study, ends))
        if not rows:
            message = f"there is no fault of the kinds asked for ({', '.join(sorted(wanted))})"
            raise BoardError([Finding(study.board.path, message, "--kind")])
        notes = [*_assumed(study, every), *(parts.left_out if wanted & set(OF_PARTS) else ())]
        notes += [*(outside.assumed if wanted - {*OF_PARTS, OUTPUT} else ()), *assumed, *book.remarks]
        return _answer(study, ends, rows, [*outcomes, *played, *further], notes)


def _foresee(study: FaultStudy, count: int, within: float | None) -> None:
    """Raises InputError where a study would take longer than it may."""
    each = USUAL + LONGER * max(result.engine_seconds for result in study.good)
    seconds = OVERHEAD * count * len(study.corners) * each / study.workers.count
    if within is not None and seconds > within:
        message = (
            f"this study may take about {duration(seconds)} for {number_of(count, 'fault')} at"
            f" {number_of(len(study.corners), 'corner')} on {study.workers.count} workers, more than the"
            f" {duration(within)} that --within allows"
        )
        raise InputError([Finding(study.board.path, message)])


def _unseen(faults: Sequence[Fault], outcomes: Sequence[Outcome]) -> list[Fault]:
    """Faults that nobody would notice at the corner asked for: they are looked at again elsewhere."""
    quiet = {each.fault.name for each in outcomes if each.severity == HARMLESS or not each.seen}
    none = {each.fault.name for each in outcomes if each.severity == NOT_SIMULATED}
    return [fault for fault in faults if fault.name in quiet - none]


def _places(study: FaultStudy, ends: FaultStudy) -> dict[str, str]:
    """The corners at the ends of the axes, each by the axis that is not where the study is."""
    here = study.corners.iloc[0]
    return {
        str(row["corner"]): ", ".join(
            f"{name} {axis.text(float(row[name]))}"
            for name, axis in study.board.axes.items()
            if float(row[name]) != float(here[name])
        )
        for _, row in ends.corners.iterrows()
    }


def told(asked: Sequence[Outcome], further: Sequence[Outcome], places: Mapping[str, str]) -> list[Told]:
    """A row a fault, in the order of the faults. ``places``: the corners of ``further`` in words."""
    found = []
    for name in dict.fromkeys(each.fault.name for each in asked):
        here = [each for each in asked if each.fault.name == name]
        there = [each for each in further if each.fault.name == name]
        worst = min([*here, *there], key=_badness)
        shown = next((each.seen for each in (worst, *here) if each in here and each.seen), ())
        if shown:
            seen, at_bench = (shown[0], *_worse_elsewhere(worst, here, places), *shown[1:]), YES
        else:
            elsewhere = [each for each in there if each.seen]
            seen = tuple(f"only at {places[each.corner]}: {each.seen[0]}" for each in elsewhere)
            at_bench = UNKNOWN if any(each.severity == NOT_SIMULATED for each in here) else NO
        found.append(Told(worst, at_bench, seen))
    return found


def _worse_elsewhere(worst: Outcome, here: Sequence[Outcome], places: Mapping[str, str]) -> Iterator[str]:
    """What makes a fault worse at an end of an axis than where it was asked for."""
    rank = SEVERITIES.index(worst.severity)
    if worst.seen and all(rank < SEVERITIES.index(each.severity) for each in here):
        yield f"at {places[worst.corner]}: {worst.seen[0]}"


def _badness(outcome: Outcome) -> tuple[int, float]:
    """Sorts outcomes from the worst on: by severity, then by how far a rating is passed."""
    farthest = max((each.share for each in outcome.stresses), default=0.0)
    return SEVERITIES.index(outcome.severity), -farthest


def _answer(
    study: FaultStudy, ends: FaultStudy | None, rows: Sequence[Told], outcomes: Sequence[Outcome],
    notes: Sequence[str],
) -> Answer:  # fmt: skip
    rails = [f"supply_current_{rail}" for rail in study.board.roles.supplies]
    table = pd.DataFrame(
        [_row(each.worst, each.seen_at_bench, each.seen, rails) for each in rows],
        columns=[*COLUMNS, *rails, "text", "reason"],
    )
    every = pd.DataFrame(
        [
            _row(
                each,
                UNKNOWN if each.severity == NOT_SIMULATED else YES if each.seen else NO,
                each.seen,
                rails,
            )
            for each in outcomes
        ],
        columns=[*COLUMNS, *rails, "text", "reason"],
    )
    severities = Counter(each.worst.severity for each in rows)
    studies = [study] if ends is None else [study, ends]
    board = study.board
    run: dict[str, Any] = {
        "board": board.name,
        "revision": board.revision,
        "faults": len(rows),
        "severities": {severity: severities[severity] for severity in SEVERITIES},
        "unseen_at_bench": sum(each.seen_at_bench == NO for each in rows),
        "corners": list(study.corners["corner"]),
        "looked_at_again": [] if ends is None else list(ends.corners["corner"]),
        "simulations": sum(each.simulations for each in studies),
        "reused": sum(each.reused for each in studies),
        "engine_seconds": sum(each.engine_seconds for each in studies),
        "workers": study.workers.count,
        "open_resistance": OPEN_RESISTANCE,
        "bridge_resistance": BRIDGE_RESISTANCE,
        "accuracy": board.simulation.accuracy,
        "versions": {"ramp-harness": __version__, "engine": study.engine},
        "hashes": {board.path.name: board.sha256, study.netlist.path.name: study.netlist.sha256},
        "assumed": list(notes),
    }
    short = any(severities[severity] for severity in SEVERITIES[:2])
    said = lines(study, [(each.worst, each.seen_at_bench, each.seen) for each in rows], run)
    return Answer(said, {"faults.csv": table, "fault_corners.csv": every}, run, short)


def _row(outcome: Outcome, seen_at_bench: str, seen: Sequence[str], rails: Sequence[str]) -> tuple[Any, ...]:
    fault, figures = outcome.fault, outcome.figures
    worst = outcome.stresses[0] if outcome.stresses else None
    stress = (
        ("", "", math.nan, math.nan, "") if worst is None
        else (worst.part, worst.rating, worst.value, worst.limit, worst.unit)
    )  # fmt: skip
    return (
        fault.name, fault.kind, " ".join(fault.parts), outcome.corner, outcome.state, outcome.severity,
        seen_at_bench, "; ".join(seen), *stress,
        *(outcome.hottest if name == "hottest" else figures.get(name, math.nan)
          for name in (*COLUMNS[COLUMNS.index("frequency"):], *rails)),
        fault.text, outcome.reason,
    )  # fmt: skip


def _assumed(study: FaultStudy, every: bool) -> Iterator[str]:
    yield (
        f"an open pin keeps a leak of {engineering(OPEN_RESISTANCE, 'Ohm')} to 0 V, a bridge has"
        f" {engineering(BRIDGE_RESISTANCE, 'Ohm')}; one fault at a time"
    )
    if not every:
        yield (
            "faults that a bench does not show at the corner asked for were looked at again at both ends of"
            " each axis but temperature and supplies; --corners all looks at every fault at every corner"
        )
    yield "a bench compares with the board without a fault at the same corner, figure by figure"
    ideal = [part.name for part in study.netlist.parts.values() if part.letter == "i"]
    if ideal:
        yield (
            f"the current sources ({listed(ideal)}) are ideal: they go on driving where a real one would stop"
        )
    known = {one.part.lower() for one in rated_parts(study.board, study.netlist)}
    labels = [
        (placed.part.letter, label_of(name, placed)) for name, placed in parts_of(study.board, study.netlist)
    ]
    without = [label for letter, label in labels if letter not in "vi" and label.lower() not in known]
    if without:
        yield (
            f"no rating is known for {number_of(len(without), 'part')} ({listed(without)}): what they have to"
            " bear is not judged; [ratings] can state one"
        )
