# SPDX-License-Identifier: GPL-3.0-or-later
"""Preferred values that meet goals: proposed by the closed forms, the best few confirmed by simulation."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.findings import BoardError, Finding, InputError
from harness.finished import open_ledger
from harness.quantities import stem
from harness.run import Only, Progress
from harness.studies.answers import Answer, corner_words, run_record
from harness.studies.choosing import Aim, Candidate, Choice, ClosedForms, choose, coarsely
from harness.studies.goals import Goal, limits_of, margins, read_goals, tolerances
from harness.studies.rows import Outcomes, Study
from harness.studies.settable import Settable, named_parts, with_axes
from harness.studies.tolerated import Tolerated, tolerated
from harness.tolerances import column
from harness.units import engineering
from harness.verdict import limit_words

if TYPE_CHECKING:
    from harness.board import Board
    from harness.engine.workers import Workers
    from harness.netlist import Netlist
    from harness.run import Prepared

COLUMNS = [
    "part", "value", "series", "drawn", "predicted_margin", "simulated_margin", "limit", "corner", "verdict",
    "breaks", "with_tolerances",
]  # fmt: skip
MOST_TOGETHER = 4  # named parts of which all pairs are tried
CONFIRMED = 3
LISTED = 12  # candidates in fit.csv that were not simulated
MEETS = "within"
WORST_FIRST = ("outside", "no figure", "too close to call")


@dataclass(frozen=True)
class Verdict:
    """What became of one setting: the worst word over all goals, the least margin (tolerances) with the
    places of its goal and corner, and the limits that are broken beside the goals."""

    word: str
    margin: float
    goal: int
    corner: int
    broken: tuple[str, ...]


@dataclass(frozen=True)
class Asked:
    """What a study of values was asked: names of parts, goals as texts, and the series of all parts."""

    parts: tuple[str, ...] = ()
    goals: tuple[str, ...] = ()
    series: str | None = None
    confirm: int = CONFIRMED


def fit(
    path: Path,
    asked: Asked,
    only: Only = (),
    jobs: int | Workers | None = None,
    ledger: Path | None = None,
    progress: Progress | None = None,
    within: float | None = None,
) -> Answer:
    """Preferred values for one part, or for two together where several are named, that meet the goals at
    every axis corner. Raises InputError where there is nothing to ask."""
    parts: list[Settable] = []
    files: list[tuple[Board, Netlist]] = []

    def change(prepared: Prepared) -> Board:
        files.append((prepared.board, prepared.netlist))
        parts.extend(named_parts(prepared.board, prepared.netlist, asked.parts, asked.series))
        _askable(prepared.board, asked)
        return with_axes(prepared.board, parts)

    with open_ledger(path, ledger) as book:
        study = Study(path, book, only, jobs, progress=progress, change=change)
        goals = read_goals(study.varied.board, asked.goals) or limits_of(study.varied.board)
        _spoken_of(goals, frozenset(map(str, study.corners["corner"])))
        study.foresee((1 + asked.confirm) * len(study.corners), within)
        return _Fit(study, parts, goals, asked, *files[0]).answer()


def _askable(board: Board, asked: Asked) -> None:
    findings = []
    if not (asked.goals or board.limits):
        message = 'no [limits], so nothing to fit to: give goals such as --goal "duty 0.1..0.9"'
        findings.append(Finding(board.path, message, "limits"))
    if len(asked.parts) > MOST_TOGETHER:
        message = f"{len(asked.parts)} parts named; all pairs are tried of at most {MOST_TOGETHER}"
        findings.append(Finding(board.path, message, "--part"))
    if findings:
        raise BoardError(findings)


def _spoken_of(goals: Sequence[Goal], corners: frozenset[str]) -> None:
    """Raises InputError for a goal that speaks of none of the corners."""
    silent = [goal for goal in goals if goal.corners is not None and not goal.corners & corners]
    if silent:
        message = "speaks of no corner that --only leaves; it would be met by anything"
        raise InputError([Finding(None, f'"{goal}" {message}', "--goal") for goal in silent])


class _Fit:
    """One question, its candidates, and what simulation says of them."""

    def __init__(
        self,
        study: Study,
        parts: Sequence[Settable],
        goals: Sequence[Goal],
        asked: Asked,
        file: Board,
        netlist: Netlist,
    ) -> None:
        """``file`` and ``netlist``: as they are, with tolerances and trimmers."""
        self.study, self.parts, self.asked = study, tuple(parts), asked
        self.file, self.netlist = file, netlist
        board = study.varied.board
        replaced = {goal.quantity for goal in goals if goal.corners is None}
        kept = [goal for goal in limits_of(board) if asked.goals and goal.quantity not in replaced]
        #: goals first, then limits that are no goals but are not to be broken
        self.goals, self.count = (*goals, *kept), len(goals)
        corners = study.corners
        plain = self._simulated([tuple(part.drawn for part in parts)], ["drawn"])
        self.names = [goal.quantity for goal in self.goals]
        figures, bars = _judged(plain, self.names), plain.bars
        self.scale = tolerances(board, self.goals, plain.figures)
        self.closed = ClosedForms(self.parts, self.goals, self.scale, corners, study.predicted, figures, bars)
        known = self.closed.known
        self.aim = Aim(
            tuple(place for place in range(self.count) if place in known),
            tuple(place for place in range(self.count, len(self.goals)) if place in known),
        )
        self.drawn = self._verdict(plain, 0)
        self.drawn_tolerated = self._tolerated({}, plain, 0)

    def _simulated(self, settings: Sequence[Sequence[float]], names: Sequence[str]) -> Outcomes:
        count = len(self.study.corners)
        places = list(range(count)) * len(settings)
        rows = [f"{self.study.corners['corner'][place]}/{name}" for name in names for place in range(count)]
        trims = np.repeat(np.asarray(settings, dtype=float), count, axis=0)
        return self.study.simulated(self.study.rows(places, np.zeros((len(places), 0)), rows, trims))

    def _verdict(self, outcomes: Outcomes, number: int) -> Verdict:
        """Of the numbered setting."""
        count = len(self.study.corners)
        rows = slice(number * count, (number + 1) * count)
        figures = _judged(outcomes, self.names).iloc[rows].reset_index(drop=True)
        bars = outcomes.bars.iloc[rows].reset_index(drop=True)
        corners = [str(name) for name in self.study.corners["corner"]]
        found = margins(self.goals, figures, bars, corners, self.scale)
        words = np.column_stack([_words(goal, figures, bars, corners) for goal in self.goals])
        mine = words[:, : self.count]
        verdict = next((word for word in WORST_FIRST if (mine == word).any()), MEETS)
        corner, goal = np.unravel_index(int(np.argmin(found[:, : self.count])), mine.shape)
        short = [
            stem(self.goals[place].quantity).title
            for place in range(self.count, len(self.goals))
            if np.isin(words[:, place], WORST_FIRST).any()
        ]
        return Verdict(verdict, float(found[corner, goal]), int(goal), int(corner), tuple(short))

    def _tolerated(self, values: Mapping[Settable, float], outcomes: Outcomes, number: int) -> Tolerated:
        """Of the numbered setting."""
        count = len(self.study.corners)
        some = outcomes.part(slice(number * count, (number + 1) * count))
        return tolerated(self.file, self.netlist, values, self.study.known, self.study.corners, some)

    def answer(self) -> Answer:
        """Proposes, confirms, and says it."""
        choices: list[Choice] = [(place,) for place in range(len(self.parts))]
        if self.asked.parts:
            choices += list(combinations(range(len(self.parts)), 2))
        found, near = self._found(choices)
        tried = self._to_confirm(found, near)
        verdicts: dict[int, Verdict] = {}
        held: dict[int, Tolerated] = {}
        if tried:
            settings = [self.closed.setting(found[place].choice, found[place].values) for place in tried]
            outcomes = self._simulated(settings, [self._name(found[place]) for place in tried])
            verdicts = {place: self._verdict(outcomes, number) for number, place in enumerate(tried)}
            held = {
                place: self._tolerated(self._values(found[place]), outcomes, number)
                for number, place in enumerate(tried)
            }
        others = [place for place in range(len(found)) if place not in verdicts][:LISTED]
        rows = [("as drawn", "", "", "", math.nan, *self._words(self.drawn), self.drawn_tolerated.word)]
        rows += [
            (*self._row(found[place], verdicts.get(place)), held.get(place, Tolerated()).word)
            for place in [*verdicts, *others]
        ]
        table = pd.DataFrame(rows, columns=COLUMNS)
        meets = [place for place, verdict in verdicts.items() if verdict.word == MEETS]
        meets.sort(key=lambda place: -coarsely(verdicts[place].margin))
        lines = self._lines(found, verdicts, held, meets, near)
        run = run_record(self.study) | {
            "goals": [str(goal) for goal in self.goals[: self.count]],
            "parts": [part.name for part in self.parts],
            "choices": len(choices),
            "confirmed": len(verdicts),
            "meet_all": len(meets),
            "assumed": self._assumed(),
        }
        return Answer(lines, {"fit.csv": table}, run, not meets and self.drawn.word != MEETS)

    def _found(self, choices: Sequence[Choice]) -> tuple[list[Candidate], int | None]:
        """Candidates, the best first, and the place of the one part's value that is thought to meet every
        goal and is nearest to the drawn one; None where there is none, or where the drawn ones do."""
        if not self.aim.goals:
            return [], None
        found = choose(self.closed, choices, self.aim)
        if self.drawn.word == MEETS:
            return found, None
        singles = [choice for choice in choices if len(choice) == 1]
        near = choose(self.closed, singles, replace(self.aim, close=True))[:1]
        if not near or not self._promising(near[0]):
            return found, None
        known = [place for place, one in enumerate(found) if _same(one, near[0])]
        return (found, known[0]) if known else ([*found, near[0]], len(found))

    def _to_confirm(self, found: Sequence[Candidate], near: int | None) -> list[int]:
        """The best of each choice that is thought to meet every goal, then what ranks next; the last of more
        than one is the nearest to the drawn value."""
        first: dict[Choice, int] = {}
        for place, candidate in enumerate(found):
            if self._promising(candidate):
                first.setdefault(candidate.choice, place)
        order = list(dict.fromkeys([*first.values(), *range(len(found))]))
        if near is None or self.asked.confirm == 1 or near in order[: self.asked.confirm]:
            return order[: self.asked.confirm]
        return [*order[: self.asked.confirm - 1], near]

    # --- words

    def _values(self, candidate: Candidate) -> dict[Settable, float]:
        parts = (self.parts[place] for place in candidate.choice)
        return dict(zip(parts, candidate.values, strict=True))

    def _name(self, candidate: Candidate) -> str:
        return ", ".join(
            f"{self.parts[place].name} {engineering(value, self.parts[place].unit)}"
            for place, value in zip(candidate.choice, candidate.values, strict=True)
        )

    def _row(self, candidate: Candidate, verdict: Verdict | None) -> tuple[Any, ...]:
        parts = [self.parts[place] for place in candidate.choice]
        values = zip(parts, candidate.values, strict=True)
        margin, goal, corner = candidate.worst(self.aim.goals)
        broken = tuple(stem(self.goals[place].quantity).title for place in candidate.breaks)
        said = verdict or Verdict("not simulated", math.nan, goal, corner, broken)
        return (
            ", ".join(part.name for part in parts),
            ", ".join(engineering(value, part.unit) for part, value in values),
            ", ".join(part.series for part in parts),
            ", ".join(engineering(part.drawn, part.unit) for part in parts),
            margin,
            *self._words(said),
        )

    def _words(self, verdict: Verdict) -> tuple[float, str, str, str, str]:
        corner = str(self.study.corners["corner"][verdict.corner])
        goal = self.goals[verdict.goal].quantity
        return verdict.margin, goal, corner, verdict.word, ", ".join(verdict.broken)

    def _lines(
        self,
        found: Sequence[Candidate],
        verdicts: dict[int, Verdict],
        held: dict[int, Tolerated],
        meets: Sequence[int],
        near: int | None,
    ) -> list[str]:
        board, study = self.study.varied.board, self.study
        names = ", ".join(f"{part.name} ({part.series})" for part in self.parts)
        if len(self.parts) > MOST_TOGETHER:
            names = f"any one of {len(self.parts)} parts"
        lines = [
            f"{board.name}, revision {board.revision}: preferred values of {names} at"
            f" {len(study.corners)} axis corners",
            f"{study.simulations} simulations ({study.reused} known from earlier runs)",
            "Goals:",
            *(f"  {goal}" for goal in self.goals[: self.count]),
            f"As drawn: {self._room(self.drawn)}",
            *_with_tolerances(self.drawn_tolerated),
        ]
        if self.drawn.word == MEETS:
            lines.append("No goal needs another value.")
        if meets:
            lines.append(f"Meets every goal with most room, as simulated: {self._name(found[meets[0]])}")
            if near is not None and near in meets and near != meets[0]:
                lines.append(f"Nearest to the drawn value: {self._name(found[near])}")
        elif verdicts:
            lines.append(
                "No value that was simulated meets every goal"
                + (
                    "."
                    if any(self._promising(one) for one in found)
                    else ", and by the closed forms none does."
                )
            )
        else:
            why = "none of these parts moves a goal" if self.aim.goals else "there is no figure for any goal"
            lines.append(f"No value was simulated: by the closed forms {why}.")
        for place, verdict in verdicts.items():
            predicted = found[place].worst(self.aim.goals)[0]
            lines.append(
                f"  {self._name(found[place]):<32} {self._room(verdict)} (predicted {_amount(predicted)})"
                + (f"; falls short of a limit: {', '.join(verdict.broken)}" if verdict.broken else "")
            )
            lines += _with_tolerances(held[place])
        lines += [
            "Margins at the tightest corner, in tolerances of the quantity.",
            "",
            "Assumed:",
            *(f"  {text}" for text in self._assumed()),
        ]
        return lines

    def _promising(self, candidate: Candidate) -> bool:
        return candidate.worst(self.aim.goals)[0] >= 0.0 and not candidate.breaks

    def _room(self, verdict: Verdict) -> str:
        corner = corner_words(self.study, str(self.study.corners["corner"][verdict.corner]))
        title = stem(self.goals[verdict.goal].quantity).title
        return f"{verdict.word}, margin {_amount(verdict.margin)}: {title} in {corner}"

    def _assumed(self) -> list[str]:
        texts = [
            "parts at the values named in verdicts, with tolerances by the closed forms alone:"
            " `ramp-harness worst` simulates them"
        ]
        unknown = [place for place in range(self.count) if place not in self.closed.known]
        if unknown:
            titles = ", ".join(stem(self.goals[place].quantity).title for place in unknown)
            texts.append(f"no closed form of {titles}: it had no say in what was proposed, only in verdicts")
        if self.file.trims:
            names = ", ".join(self.file.trims)
            texts.append(f"trimmers at their drawn values, with tolerances set on each board: {names}")
        texts.append(
            "values up to a decade from the drawn ones; closer ones are tried around the best coarse ones"
        )
        return [*texts, *self.study.ledger.remarks]


def _with_tolerances(found: Tolerated) -> list[str]:
    """What a line adds about tolerances; nothing where none are stated."""
    if not found.word:
        return []
    return [f"    all stated tolerances at their worst, by the closed forms: {found.word}, {found.words}"]


def _same(one: Candidate, other: Candidate) -> bool:
    return one.choice == other.choice and one.values == other.values


def _amount(margin: float) -> str:
    return f"{margin:.3g}" if math.isfinite(margin) else "none, no figure"


def _judged(outcomes: Outcomes, names: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame({name: outcomes.judged(name) for name in dict.fromkeys(names)})


def _words(goal: Goal, figures: pd.DataFrame, bars: pd.DataFrame, corners: Sequence[str]) -> NDArray[np.str_]:
    words, _ = limit_words(column(figures, goal.quantity), column(bars, goal.quantity), goal.limit)
    if goal.corners is None:
        return words
    return np.where(np.isin(corners, list(goal.corners)), words, MEETS)
