# SPDX-License-Identifier: GPL-3.0-or-later
"""Choosing preferred values by the closed forms, on top of what was simulated of the board as drawn.

A candidate's figure is what the closed forms say of it, shifted by what they miss of the board as drawn at
that corner: by the difference for voltages and shares, by the ratio for times, frequencies, currents and
resistances. So a candidate that changes nothing has the simulated figure.

A choice is one part, or two together. Its values, a decade to either side of the drawn ones, are tried about
six a decade first, then closer and closer around the best, at the corners where goals have least room; the
best few then at all corners. Where another corner turns out to be worse, it counts from the start and the
search is repeated. So a value far from the best of the coarse ones may be missed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.preferred import SERIES, nearest_place, preferred_value
from harness.quantities import stem
from harness.studies.goals import Goal, in_range, margins
from harness.studies.rows import Array
from harness.studies.settable import Settable
from harness.studies.variation import TRIM_COLUMN
from harness.tolerances import column

STRIDES = {
    "E6": (1,),
    "E12": (2, 1),
    "E24": (4, 1),
    "E48": (8, 2, 1),
    "E96": (16, 4, 1),
    "E192": (32, 8, 2, 1),
}
KEPT = 4  # values of a choice that are looked at at all corners
NEAREST = 8  # values nearest to the drawn ones that are looked at at all corners
ROUNDS = 3  # searches, each with the corners that were worst in the one before
SLACK = 1e-9
Choice = tuple[int, ...]  # places of parts
Places = tuple[int, ...]  # places in their series


@dataclass(frozen=True)
class Aim:
    """What a choice is for: goals to meet and goals that it must not break, by their places.

    ``close``: of the values that meet the goals the one nearest to the drawn one, else the one with the
    largest margin.
    """

    goals: tuple[int, ...]
    keeps: tuple[int, ...]
    close: bool = False


@dataclass(frozen=True)
class Candidate:
    """Values of the parts of a choice and their margins (tolerances), shape (corners, goals).

    ``kept``: the least room to goals that it must not break, counted from 0 or from what the board as drawn
    has, where that is less; ``breaks``: places of those without such room.
    """

    choice: Choice
    values: tuple[float, ...]
    margins: Array
    kept: float
    breaks: tuple[int, ...]

    def worst(self, goals: Sequence[int]) -> tuple[float, int, int]:
        """(margin, goal, corner) of the goal with least room; infinite without goals."""
        if not goals:
            return math.inf, -1, 0
        some = self.margins[:, list(goals)]
        corner, place = np.unravel_index(int(np.argmin(some)), some.shape)
        return float(some[corner, place]), goals[int(place)], int(corner)


class OnTop:
    """What goals get from settings of some axes, by the closed forms on top of what was simulated.

    ``axes``: the columns that are set, ``drawn`` their values on the board that was simulated; ``corners``:
    the axis corners; ``predict``: figures of rows of a table with these columns; ``figures``, ``bars``: what
    was simulated of that board, judged, a row a corner; ``scale``: of :func:`goals.tolerances`.
    """

    def __init__(
        self,
        axes: Sequence[str],
        drawn: Sequence[float],
        goals: Sequence[Goal],
        scale: Array,
        corners: pd.DataFrame,
        predict: Callable[[pd.DataFrame], pd.DataFrame],
        figures: pd.DataFrame,
        bars: pd.DataFrame,
    ) -> None:
        self.axes, self.drawn = tuple(axes), tuple(drawn)
        self.goals, self.scale = tuple(goals), scale
        self.corners, self.predict, self.figures, self.bars = corners, predict, figures, bars
        self.plain = in_range(predict(self.table([self.drawn], range(len(corners)))))
        names = [str(name) for name in corners["corner"]]
        self.as_drawn = margins(self.goals, figures, bars, names, scale)
        #: places of goals that the closed forms have a figure for, wherever there is a simulated one
        self.known = tuple(place for place, goal in enumerate(goals) if self._knows(goal))

    def _knows(self, goal: Goal) -> bool:
        predicted = np.isfinite(column(self.plain, goal.quantity))
        simulated = np.isfinite(column(self.figures, goal.quantity))
        return bool(predicted.any() and (predicted | ~simulated).all())

    def table(self, settings: Sequence[Sequence[float]], places: Sequence[int]) -> pd.DataFrame:
        """A row a setting of all axes and a corner, corners varying fastest."""
        return self.rows(
            np.repeat(np.asarray(settings, dtype=float), len(places), axis=0),
            np.tile(np.asarray(places, dtype=int), len(settings)),
        )

    def rows(self, settings: Array, places: NDArray[np.int_]) -> pd.DataFrame:
        """A row a setting, shape (rows, axes), each at the corner of its own place."""
        table = self.corners.iloc[places].reset_index(drop=True)
        return pd.concat([table, pd.DataFrame(settings, columns=list(self.axes), index=table.index)], axis=1)

    def margins(self, settings: Sequence[Sequence[float]], places: Sequence[int]) -> Array:
        """Margins in tolerances, shape (settings, places, goals)."""
        some = np.tile(np.asarray(places, dtype=int), len(settings))
        found = self.margins_of(self.predict(self.table(settings, places)), some)
        return found.reshape(len(settings), len(places), len(self.goals))

    def margins_of(self, predicted: pd.DataFrame, places: NDArray[np.int_]) -> Array:
        """Margins in tolerances of predicted rows at corners, shape (rows, goals)."""
        predicted = in_range(predicted)
        shifted = {
            goal.quantity: self._shifted(goal.quantity, column(predicted, goal.quantity), places)
            for goal in self.goals
        }
        return margins(
            self.goals,
            pd.DataFrame(shifted, index=predicted.index),
            self.bars.iloc[places].reset_index(drop=True),
            [str(name) for name in self.corners["corner"].to_numpy()[places]],
            self.scale[places],
        )

    def _shifted(self, quantity: str, figures: Array, rows: NDArray[np.int_]) -> Array:
        plain, simulated = column(self.plain, quantity)[rows], column(self.figures, quantity)[rows]
        with np.errstate(all="ignore"):
            if stem(quantity).unit in ("V", "", "dB"):
                return figures + np.where(np.isfinite(simulated - plain), simulated - plain, 0.0)
            ratio = simulated / plain
            return figures * np.where(np.isfinite(ratio) & (ratio > 0.0), ratio, 1.0)


class ClosedForms(OnTop):
    """A board with its settable parts as axes, and what its goals get from any values of them; the rest as
    in :class:`OnTop`."""

    def __init__(
        self,
        parts: Sequence[Settable],
        goals: Sequence[Goal],
        scale: Array,
        corners: pd.DataFrame,
        predict: Callable[[pd.DataFrame], pd.DataFrame],
        figures: pd.DataFrame,
        bars: pd.DataFrame,
    ) -> None:
        self.parts = tuple(parts)
        axes = [TRIM_COLUMN + part.name for part in parts]
        drawn = [part.drawn for part in parts]
        super().__init__(axes, drawn, goals, scale, corners, predict, figures, bars)

    def setting(self, choice: Choice, values: Sequence[float]) -> tuple[float, ...]:
        """The values of all parts with those of a choice put in."""
        put = dict(zip(choice, values, strict=True))
        return tuple(put.get(place, drawn) for place, drawn in enumerate(self.drawn))


def choose(closed: ClosedForms, choices: Sequence[Choice], aim: Aim) -> list[Candidate]:
    """The best candidates of every choice at all corners, the best of all first; none that keeps the drawn
    value of one of its parts, and no two parts that do no better together than one of them."""
    count = len(closed.corners)
    places = _tight_corners(closed, aim)
    candidates: list[Candidate] = []
    for _ in range(ROUNDS):
        searches = [_Search(closed, choice, aim, places) for choice in choices]
        for step in range(max((search.steps for search in searches), default=0)):
            searches = [search for search in searches if step == 0 or search.matters()]
            _look(closed, searches, [search.around(step) for search in searches], places)
        finalists = _finalists(searches, aim)
        if not finalists:  # what does not do at some corners does not do at all of them
            return sorted(
                (search.seen[search.sorted()[0]] for search in searches),
                key=lambda candidate: rank(closed, candidate, aim),
            )
        candidates = _everywhere(closed, finalists, aim)
        tightest = [candidate.worst((*aim.goals, *candidate.breaks)) for candidate in candidates]
        worse = {corner for margin, _, corner in tightest if margin < 0.0} - set(places)
        if not worse or len(places) == count:
            break
        places = sorted({*places, *worse})
    new = [candidate for candidate in candidates if not _as_drawn(closed, candidate)]
    ranked = sorted(new, key=lambda candidate: rank(closed, candidate, aim))
    singles = {one.choice: rank(closed, one, aim)[:2] for one in reversed(ranked) if len(one.choice) == 1}
    return [
        candidate
        for candidate in ranked
        if len(candidate.choice) == 1
        or all(
            rank(closed, candidate, aim)[:2] < singles[part,]
            for part in candidate.choice
            if (part,) in singles
        )
    ]


def rank(closed: ClosedForms, candidate: Candidate, aim: Aim) -> tuple[float, ...]:
    """What candidates are sorted by, the best first. What breaks nothing and meets no goal either comes
    first only where it does better than the board as drawn."""
    drawn = [closed.drawn[part] for part in candidate.choice]
    distance = sum(abs(math.log(value / at)) for value, at in zip(candidate.values, drawn, strict=True))
    worst = candidate.worst(aim.goals)[0]
    better = not aim.close and worst > float(closed.as_drawn[:, list(aim.goals)].min(initial=math.inf))
    if not candidate.breaks and (worst >= 0.0 or better):
        return (0, distance) if aim.close else (0, coarsely(-worst), distance)
    return (1, coarsely(-min(worst, candidate.kept)), distance)


def _as_drawn(closed: ClosedForms, candidate: Candidate) -> bool:
    """True where a part has the value that it has already: then the choice is none, or one of fewer parts."""
    pairs = zip(candidate.values, (closed.drawn[part] for part in candidate.choice), strict=True)
    return any(math.isclose(value, drawn, rel_tol=1e-9) for value, drawn in pairs)


def coarsely(value: float) -> float:
    """Three digits: what differs by less counts as alike."""
    return float(f"{value:.3g}")


def _tight_corners(closed: ClosedForms, aim: Aim) -> list[int]:
    """For each goal the corner where the board as drawn has least room, and the two ends of the table."""
    concerned = [*aim.goals, *aim.keeps]
    tight = {int(place) for place in np.argmin(closed.as_drawn[:, concerned], axis=0)} if concerned else set()
    return sorted({0, len(closed.corners) - 1, *tight})


def _candidate(
    closed: ClosedForms,
    choice: Choice,
    values: tuple[float, ...],
    found: Array,
    places: Sequence[int],
    aim: Aim,
) -> Candidate:
    """``found``: margins, shape (places, goals)."""
    drawn = closed.as_drawn[list(places)]
    spare = {
        goal: float(found[:, goal].min()) - min(0.0, float(drawn[:, goal].min()) - SLACK)
        for goal in aim.keeps
        if np.isfinite(drawn[:, goal]).any()
    }
    spare = {goal: 0.0 if math.isnan(room) else room for goal, room in spare.items()}  # infinite on both
    broken = tuple(goal for goal, room in spare.items() if room < 0.0)
    return Candidate(choice, values, found, min(spare.values(), default=math.inf), broken)


class _Search:
    """The values of one choice that were looked at so far."""

    def __init__(self, closed: ClosedForms, choice: Choice, aim: Aim, places: Sequence[int]) -> None:
        self.closed, self.choice, self.aim, self.places = closed, choice, aim, places
        self.parts = [closed.parts[place] for place in choice]
        self.middle = tuple(nearest_place(part.series, part.drawn) for part in self.parts)
        self.strides = [STRIDES[part.series] for part in self.parts]
        self.steps = max(len(strides) for strides in self.strides)
        self.seen: dict[Places, Candidate] = {}

    def around(self, step: int) -> list[Places]:
        """What is to be looked at next, as far as it was not looked at before."""
        best = self.middle if not self.seen else self.sorted()[0]
        lines = []
        for place, part in enumerate(self.parts):
            strides, decade = self.strides[place], len(SERIES[part.series])
            stride = strides[min(step, len(strides) - 1)]
            reach = decade if step == 0 else strides[min(step, len(strides)) - 1]
            low, high = self.middle[place] - decade, self.middle[place] + decade
            line = range(best[place] - reach, best[place] + reach + 1, stride)
            lines.append([at for at in line if low <= at <= high])
        return [at for at in product(*lines) if at not in self.seen]

    def values(self, at: Places) -> tuple[float, ...]:
        """Preferred values at places of the series."""
        return tuple(preferred_value(part.series, p) for part, p in zip(self.parts, at, strict=True))

    def add(self, at: Places, found: Array) -> None:
        """Keeps what was found at places, shape (corners, goals)."""
        self.seen[at] = _candidate(self.closed, self.choice, self.values(at), found, self.places, self.aim)

    def does(self, at: Places) -> bool:
        """Whether the values meet the goals, and break none, as far as was looked."""
        candidate = self.seen[at]
        return candidate.worst(self.aim.goals)[0] >= 0.0 and not candidate.breaks

    def matters(self) -> bool:
        """Whether what was looked at differs in any goal."""
        some = [candidate.margins[:, list(self.aim.goals)] for candidate in self.seen.values()]
        return any(not np.allclose(one, some[0], rtol=1e-6, atol=1e-9) for one in some[1:])

    def sorted(self) -> list[Places]:
        """All that was looked at, the best first."""
        return sorted(self.seen, key=lambda at: rank(self.closed, self.seen[at], self.aim))


def _look(
    closed: ClosedForms, searches: Sequence[_Search], wanted: Sequence[list[Places]], places: Sequence[int]
) -> None:
    """Looks at what every search wants, in one go."""
    settings = [
        closed.setting(search.choice, search.values(at))
        for search, some in zip(searches, wanted, strict=True)
        for at in some
    ]
    if not settings:
        return
    found = iter(closed.margins(settings, places))
    for search, some in zip(searches, wanted, strict=True):
        for at in some:
            search.add(at, next(found))


def _finalists(searches: Sequence[_Search], aim: Aim) -> list[tuple[_Search, Places]]:
    """What is worth a look at all corners: the best few of every search; of those that are to be near the
    drawn value the nearest of all, and none that falls short already."""
    if not aim.close:
        return [(search, at) for search in searches for at in search.sorted()[:KEPT]]
    doing = [(search, at) for search in searches for at in search.sorted() if search.does(at)]
    doing.sort(key=lambda pair: rank(pair[0].closed, pair[0].seen[pair[1]], aim))
    return doing[:NEAREST]


def _everywhere(
    closed: ClosedForms, finalists: Sequence[tuple[_Search, Places]], aim: Aim
) -> list[Candidate]:
    """The finalists at all corners."""
    every = range(len(closed.corners))
    found = closed.margins([closed.setting(s.choice, s.values(at)) for s, at in finalists], every)
    return [
        _candidate(closed, search.choice, search.values(at), one, every, aim)
        for (search, at), one in zip(finalists, found, strict=True)
    ]
