# SPDX-License-Identifier: GPL-3.0-or-later
"""Sequences of a board played and judged beside its other faults."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from harness.faults.case import DRIVEN, PERIODS, PIN, Case, story
from harness.faults.fault import HARMLESS, NOT_SIMULATED, OVERSTRESSED, Outcome
from harness.faults.judging import Judge
from harness.faults.kinds import ORDER, START, UNPOWERED
from harness.faults.plain import play
from harness.faults.sequences import cases
from harness.faults.study import Faulted, FaultStudy
from harness.simulate import CornerResult
from harness.units import engineering

SECONDS = 120.0  # wall time of one sequence at one corner
#: figures of an output behind a capacitor that are on their way for many periods after a start
DRIFTING = ("low_level", "high_level", "mean_level")


def sequences(study: FaultStudy, judge: Judge, kinds: Collection[str]) -> tuple[list[Outcome], list[str]]:
    """What becomes of the board in every sequence of some kinds at every corner, and sentences on what was
    taken for granted or left out."""
    if not set(kinds) & {UNPOWERED, ORDER, START}:
        return [], []
    places: list[tuple[Case, int]] = []
    stories, assumed = [], []
    for corner, task in enumerate(study.tasks()):
        row = {name: float(study.corners[name].iloc[corner]) for name in study.board.axes}
        frequency = study.good[corner].figures.get("frequency")
        if frequency is None:
            assumed.append(f"no sequences at {task.corner}: without a fault the board has no cycle there")
            continue
        found, words = cases(study.board, study.netlist, row, 1.0 / frequency)
        assumed += words
        for case in found:
            if case.fault.kind in kinds:
                places.append((case, corner))
                stories.append(story(case, study.board, study.netlist, row, task, 1.0 / frequency))
    if any(task.probes.drooping for task in study.tasks()):
        assumed.append(
            f"levels behind a coupling capacitor are still on their way {PERIODS} periods after a start and"
            " are not compared"
        )
        judge = replace(judge, good=[_without_drift(result) for result in judge.good])
    results = study.each([(case.fault, corner) for case, corner in places], stories, play, SECONDS)
    outcomes = [
        _outcome(judge, case, Faulted(case.fault, corner, study.netlist, result))
        for (case, corner), result in zip(places, results, strict=True)
    ]
    return outcomes, list(dict.fromkeys(assumed))


def _without_drift(result: CornerResult) -> CornerResult:
    return replace(
        result, figures={name: value for name, value in result.figures.items() if name not in DRIFTING}
    )


def _outcome(judge: Judge, case: Case, faulted: Faulted) -> Outcome:
    """A board that is not meant to run is judged by what its parts bear alone, and no test at the bench sees
    it."""
    outcome = judge.outcome(faulted)
    if not case.driven or outcome.severity == NOT_SIMULATED:
        return outcome
    severity = OVERSTRESSED if outcome.stresses else HARMLESS
    return replace(outcome, severity=severity, seen=(), figures={}, reason=_driven(faulted.result))


def _driven(result: CornerResult) -> str:
    """What a driven source feeds the board with, and how much of it goes into the pins that take in most."""
    words = f"it drives {_way(result.stresses[DRIVEN])} the board"
    pins = {name: ends for name, ends in result.stresses.items() if name.startswith(PIN)}
    if not pins:
        return words
    most = max(pins, key=lambda name: max(map(abs, pins[name])))
    return f"{words}, {_way(pins[most])} {most.removeprefix(PIN)}"


def _way(ends: Sequence[float]) -> str:
    """The current farther from 0 and its direction."""
    current = max(ends, key=abs)
    return f"{engineering(abs(current), 'A', 3)} {'into' if current >= 0 else 'out of'}"
