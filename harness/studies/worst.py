# SPDX-License-Identifier: GPL-3.0-or-later
"""Guided worst case: the extreme figures over all deviations, with far fewer simulations than all vertices.

At every axis corner each deviation is tried alone in either direction, by simulation. What a quantity does
then gives the sign of each deviation; the vertex of these signs, and the one that the closed forms call
worst, are simulated for either end. A deviation on whose sign the two do not agree, or that is not monotone,
is undecided: all combinations of the undecided ones are simulated, as far as the budget goes. So the result
is right where every quantity is monotone in each deviation with the same sign over the whole box, and it
says where that was not so. Absolute maximum ratings are watched at all that is simulated, but guide nothing.
A duty that is cut off (0 or 1) with any of the deviations alone is guided by what is not, threshold and
ramp; the sign of what moves neither, such as an offset, is then that of axis corners where none is cut off.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.quantities import stem
from harness.studies.borne import Bearing, HalfEffects, Watched
from harness.studies.rows import Array, Outcomes, Study
from harness.studies.trimming import trim_boards
from harness.tolerances import column

ENDS = ("least", "most")
MOST_UNDECIDED = 4  # of which all combinations are simulated
SMALL = 0.02  # share of the largest effect below which the sign of a deviation is not worth a simulation
NOTHING = 1e-4  # share of the largest effect below which a deviation has none
Vertex = tuple[int, ...]


def budget(count: int) -> int:
    """Simulations for each axis corner that are thought to be enough for ``count`` deviations."""
    return 4 * count + 8


@dataclass
class Place:
    """One axis corner: the vertices simulated there (signs -1, 0, 1 a deviation) and what they gave."""

    name: str
    vertices: list[Vertex] = field(default_factory=list)
    figures: list[dict[str, float]] = field(default_factory=list)
    bars: list[dict[str, float]] = field(default_factory=list)
    states: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def guide(self, quantity: str, sense: float) -> Array:
        """What guides the search for a quantity's extremes, one value a vertex."""
        return guide_of(pd.DataFrame(self.figures), quantity, sense)


@dataclass(frozen=True)
class Extreme:
    """The extreme figure of a quantity at one axis corner."""

    quantity: str
    end: str
    corner: str
    value: float
    bar: float
    vertex: Vertex
    state: str
    rss: float


def guide_of(figures: pd.DataFrame, quantity: str, sense: float, corners: int = 1) -> Array:
    """A continuous stand-in for a quantity where it is cut off; the quantity itself elsewhere. Threshold and
    ramp stand in for a duty: a scale of its own, and what moves neither of them does not show in it.

    ``sense``: 1 where the duty grows with the threshold, -1 where it shrinks; ``corners``: how many axis
    corners the rows are of, corners varying fastest; each has one of the two scales.
    """
    values = column(figures, quantity)
    if quantity != "duty":
        return values
    threshold, low, high = (column(figures, name) for name in ("threshold", "ramp_low", "ramp_high"))
    with np.errstate(all="ignore"):
        uncut = sense * (threshold - low) / (high - low)
        known = np.isfinite(uncut).reshape(-1, corners).all(axis=0)
        cut_off = ~((values > 0.0) & (values < 1.0)).reshape(-1, corners).all(axis=0)
    return np.where(np.tile(known & cut_off, len(values) // corners), uncut, values)


class Worst:
    """The search over all axis corners of a study; :meth:`run` does it."""

    def __init__(self, study: Study, quantities: Sequence[str]) -> None:
        self.study, self.quantities = study, tuple(quantities)
        self.places = [Place(str(name)) for name in study.corners["corner"]]
        self.sense = -1.0 if study.varied.board.roles.ramp_input == "plus" else 1.0
        self.watched: Watched[tuple[str, Vertex]] = Watched(study.rated)
        self._half_effects = HalfEffects(len(study.rated), study.count)
        self.undecided: dict[str, set[str]] = {}
        self.over_budget = 0
        self._predictions: dict[tuple[int, str, int], Vertex | None] = {}
        self._trims: dict[Vertex, Array] = {}
        self.trimming = 0

    def run(self) -> None:
        """Simulates what is needed."""
        count = self.study.count
        alone = [tuple([0] * count), *_one_at_a_time(count)]
        self._simulate([alone for _ in self.places])
        self._simulate([list(self._candidates(number)) for number in range(len(self.places))])
        self._simulate([list(self._undecided(number)) for number in range(len(self.places))])
        self._simulate([list(self._beside_cut_off(number)) for number in range(len(self.places))])

    # --- rounds

    def _simulate(self, wanted: Sequence[Sequence[Vertex]]) -> None:
        """Simulates the vertices wanted at each place that were not simulated there before."""
        places: list[int] = []
        vertices: list[Vertex] = []
        for number, (place, some) in enumerate(zip(self.places, wanted, strict=True)):
            for vertex in dict.fromkeys(some):
                if vertex not in place.vertices:
                    places.append(number)
                    vertices.append(vertex)
        if not vertices:
            return
        names = [
            f"{self.places[number].name}{_signs(vertex)}"
            for number, vertex in zip(places, vertices, strict=True)
        ]
        deviations = np.array(vertices) * self.study.widths
        rows = self.study.rows(places, deviations, names, self._trimmed(vertices))
        outcomes = self.study.simulated(rows)
        labels = [(self.places[number].name, vertex) for number, vertex in zip(places, vertices, strict=True)]
        self.watched.take(outcomes, labels)
        self._half_effects.take(outcomes, labels)
        judged = _judged(outcomes)
        for row, (number, vertex) in enumerate(zip(places, vertices, strict=True)):
            place = self.places[number]
            place.vertices.append(vertex)
            place.states.append(str(outcomes.states[row]))
            place.figures.append(judged.iloc[row].to_dict())
            place.bars.append(outcomes.bars.iloc[row].to_dict())

    def _trimmed(self, vertices: Sequence[Vertex]) -> Array:
        """Settings of the trimmers on boards with these deviations, each set once."""
        new = [vertex for vertex in dict.fromkeys(vertices) if vertex not in self._trims]
        if new:
            before = self.study.simulations
            trimmed = trim_boards(self.study, np.array(new) * self.study.widths)
            self.trimming += self.study.simulations - before
            self._trims.update(zip(new, trimmed.settings, strict=True))
        return np.array([self._trims[vertex] for vertex in vertices])

    def _candidates(self, number: int) -> Iterator[Vertex]:
        """Vertices of the simulated signs and those that the closed forms call extreme."""
        for quantity in self.quantities:
            signs = self._signs(number, quantity)
            for direction in (-1, 1):
                if signs is not None:
                    yield tuple(int(direction * sign) if sign else direction for sign in signs)
                vertex = self._predicted(number, quantity, direction)
                if vertex is not None:
                    yield vertex

    def _undecided(self, number: int) -> Iterator[Vertex]:
        """All combinations of the deviations whose sign is in doubt, around the best vertex so far."""
        room = budget(self.study.count) - len(self.places[number].vertices)
        for quantity in self.quantities:
            doubtful = self._doubtful(number, quantity)
            if not doubtful:
                continue
            names = self.study.varied.deviations
            self.undecided.setdefault(quantity, set()).update(names[part].name for part in doubtful)
            for best in (self._best(number, quantity, end) for end in ENDS):
                if best is None:
                    continue
                for signs in product((-1, 1), repeat=len(doubtful[:MOST_UNDECIDED])):
                    vertex = list(best)
                    for part, sign in zip(doubtful, signs, strict=False):
                        vertex[part] = sign
                    if tuple(vertex) not in self.places[number].vertices:
                        room -= 1
                    yield tuple(vertex)
        self.over_budget += room < 0

    def _beside_cut_off(self, number: int) -> Iterator[Vertex]:
        """Where some vertices have no duty, the extreme one that has lies beside those: the nearest ones by
        the closed forms."""
        place = self.places[number]
        stuck = [state.startswith("stuck") for state in place.states]
        if "duty" not in self.quantities or not any(stuck) or self.study.count > 12:
            return
        vertices = list(product((-1, 1), repeat=self.study.count))
        predicted = self._predict(number, vertices)
        duty = column(predicted, "duty")
        for order in (_ranked(duty), _ranked(1.0 - duty)):
            for row in order[:2]:
                yield vertices[int(row)]

    # --- signs

    def _signs(self, number: int, quantity: str) -> NDArray[np.int_] | None:
        """Sign of each deviation's effect as simulated alone; 0 where there is none to speak of, so that
        quantities can share a vertex; None without figures."""
        guide = self._guide_alone(number, quantity)
        if not np.isfinite(guide[0]):
            return None
        signs = self._clear_signs(guide)
        if quantity == "duty" and not np.isfinite(self._figures_alone(number, quantity)).all():
            elsewhere = [self._figures_alone(place, quantity) for place in range(len(self.places))]
            votes = [self._clear_signs(values) for values in elsewhere if np.isfinite(values).all()]
            signs = np.where(signs == 0, np.sign(np.sum(votes, axis=0, dtype=int)), signs)
        return signs

    def _clear_signs(self, guide: Array) -> NDArray[np.int_]:
        """Sign of each deviation's effect on a guide at the deviations alone, 0 where it has next to none."""
        up, down = self._alone(guide)
        both = np.nan_to_num(up) - np.nan_to_num(down)
        return np.where(np.abs(both) > NOTHING * np.abs(both).max(initial=0.0), np.sign(both), 0).astype(int)

    def _figures_alone(self, number: int, quantity: str) -> Array:
        """A quantity at the deviations alone: as drawn, each upwards, each downwards."""
        return column(pd.DataFrame(self.places[number].figures[: 1 + 2 * self.study.count]), quantity)

    def _guide_alone(self, number: int, quantity: str) -> Array:
        """What guides the search at the deviations alone, in the same order."""
        figures = pd.DataFrame(self.places[number].figures[: 1 + 2 * self.study.count])
        return guide_of(figures, quantity, self.sense)

    def _alone(self, guide: Array) -> tuple[Array, Array]:
        """Changes of a guide by each deviation alone, (upwards, downwards)."""
        count = self.study.count
        return guide[1 : 1 + count] - guide[0], guide[1 + count : 1 + 2 * count] - guide[0]

    def _doubtful(self, number: int, quantity: str) -> list[int]:
        """Deviations that are not monotone as simulated alone, or whose sign at the best vertices, by the
        closed forms, is another one; the largest first."""
        place = self.places[number]
        guide = self._guide_alone(number, quantity)
        if not np.isfinite(guide[0]):
            return []
        up, down = self._alone(guide)
        size = np.nan_to_num(np.maximum(np.abs(up), np.abs(down)))
        bar = 2 * np.nan_to_num(np.array([bars.get(quantity, np.nan) for bars in place.bars[:1]]))[0]
        large = (size > SMALL * size.max(initial=0.0)) & (size > bar)
        bent = large & (np.nan_to_num(up) * np.nan_to_num(down) > 0)
        signs = np.sign(np.nan_to_num(up) - np.nan_to_num(down))
        turned = np.zeros(self.study.count, dtype=bool)
        for direction in (-1, 1):
            vertex = self._predicted(number, quantity, direction)
            if vertex is not None:
                turned |= large & (np.array(vertex) * direction != signs) & (signs != 0)
        doubtful = np.flatnonzero(bent | turned)
        return [int(part) for part in doubtful[np.argsort(-size[doubtful], kind="stable")]]

    # --- closed forms

    def _predict(self, number: int, vertices: Sequence[Vertex]) -> pd.DataFrame:
        names = [str(row) for row in range(len(vertices))]
        rows = self.study.rows([number] * len(vertices), np.array(vertices) * self.study.widths, names)
        return self.study.predicted(rows)

    def _predicted(self, number: int, quantity: str, direction: int) -> Vertex | None:
        """The vertex that the closed forms call extreme: from the signs at the middle, each deviation turned
        as long as that makes it more extreme; what they do not know of has the simulated sign. None where
        there is no prediction."""
        key = (number, quantity, direction)
        if key not in self._predictions:
            self._predictions[key] = self._climb(number, quantity, direction)
        return self._predictions[key]

    def _climb(self, number: int, quantity: str, direction: int) -> Vertex | None:
        count = self.study.count
        middle = [tuple([0] * count), *_one_at_a_time(count)]
        guide = guide_of(self._predict(number, middle), quantity, self.sense)
        if not np.isfinite(guide).all():
            return None
        signs, simulated = self._clear_signs(guide), self._signs(number, quantity)
        if simulated is not None:
            signs = np.where(signs == 0, simulated, signs)
        vertex = np.where(signs == 0, direction, direction * signs)
        for _ in range(count):
            around = [tuple(int(s) for s in vertex)]
            for part in range(count):
                turned = vertex.copy()
                turned[part] *= -1
                around.append(tuple(int(s) for s in turned))
            values = direction * guide_of(self._predict(number, around), quantity, self.sense)
            if not np.isfinite(values).all() or np.argmax(values) == 0:
                break
            vertex[int(np.argmax(values)) - 1] *= -1
        return tuple(int(sign) for sign in vertex)

    # --- results

    def _best(self, number: int, quantity: str, end: str) -> Vertex | None:
        place = self.places[number]
        guide = place.guide(quantity, self.sense)
        if not np.isfinite(guide).any():
            return None
        return place.vertices[int(np.nanargmin(guide) if end == "least" else np.nanargmax(guide))]

    def extremes(self) -> list[Extreme]:
        """The extreme figures of every quantity at every axis corner, from all that was simulated there."""
        found: list[Extreme] = []
        for place in self.places:
            figures = pd.DataFrame(place.figures)
            for quantity in self.quantities:
                values = column(figures, quantity)
                rss = self._root_sum_square(values)
                for end in ENDS:
                    if np.isfinite(values).any():
                        row = int(np.nanargmin(values) if end == "least" else np.nanargmax(values))
                        value, bar = float(values[row]), float(place.bars[row].get(quantity, np.nan))
                    else:
                        row, value, bar = 0, np.nan, np.nan
                    found.append(
                        Extreme(
                            quantity, end, place.name, value, bar, place.vertices[row], place.states[row],
                            float(values[0] + (rss if end == "most" else -rss)),
                        )
                    )  # fmt: skip
        return found

    def _root_sum_square(self, values: Array) -> float:
        """Root of the sum of squares of the half effects of each deviation alone."""
        up, down = self._alone(values)
        return float(np.sqrt(np.sum((0.5 * (up - down)) ** 2)))

    def blame(self, quantity: str) -> list[tuple[str, float]]:
        """(deviation, largest half effect alone over the axis corners), the largest first."""
        sizes = np.zeros(self.study.count)
        for place in self.places:
            up, down = self._alone(column(pd.DataFrame(place.figures), quantity))
            sizes = np.fmax(sizes, np.abs(0.5 * (up - down)))
        return self._ranked_parts(sizes)

    def blame_of_rating(self, bearing: Bearing[tuple[str, Vertex]]) -> list[tuple[str, float]]:
        """The same for a rating; 0 where a half effect is below the accuracy asked for."""
        sizes = self._half_effects.sizes[self.watched.worst.index(bearing)]
        least = self.study.varied.board.simulation.accuracy * abs(bearing.bound)
        return self._ranked_parts(np.where(sizes < least, 0.0, sizes))

    def _ranked_parts(self, sizes: Array) -> list[tuple[str, float]]:
        order = np.argsort(-sizes, kind="stable")
        names = [deviation.name for deviation in self.study.varied.deviations]
        return [(names[part], float(sizes[part])) for part in order]

    def assumed(self, quantity: str) -> str:
        """What the extremes of a quantity rest on, in words."""
        doubtful = sorted(self.undecided.get(quantity, ()))
        text = f"{stem(quantity).title}: monotone in each deviation over its whole range"
        if not doubtful:
            return text
        tried = f"up to {MOST_UNDECIDED} of these tried in all combinations"
        return f"{text}; not so, or in doubt, for {', '.join(doubtful)}: {tried}"


def _one_at_a_time(count: int) -> Iterator[Vertex]:
    for sign in (1, -1):
        for part in range(count):
            yield tuple(sign if place == part else 0 for place in range(count))


def _signs(vertex: Vertex) -> str:
    return "".join("-0+"[sign + 1] for sign in vertex)


def _ranked(values: Array) -> NDArray[np.intp]:
    """Places of the values above 0, the smallest first."""
    above = np.flatnonzero(np.isfinite(values) & (values > 0.0))
    return above[np.argsort(values[above], kind="stable")]


def _judged(outcomes: Outcomes) -> pd.DataFrame:
    return pd.DataFrame({name: outcomes.judged(str(name)) for name in outcomes.figures.columns})
