# SPDX-License-Identifier: GPL-3.0-or-later
"""What parts have to bear on the boards of a study: of each rating the worst of all rows, and no more."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from harness.ratings import BREACHED, NO_FIGURE, UNKNOWN, WITHIN, Rated
from harness.report.ratings import NONE_KNOWN, watched_words

if TYPE_CHECKING:
    from harness.studies.rows import Outcomes

Array = NDArray[np.float64]
Label = TypeVar("Label")


def borne(
    rated: Sequence[Rated], stresses: Sequence[Mapping[str, Sequence[float]]]
) -> tuple[Array, NDArray[np.bool_]]:
    """The figure of each rating that is nearest to a breach, NaN where a row has none, and whether it is
    breached; shapes (rows, ratings). ``stresses``: extremes by the name of the watch, a mapping a row."""
    values = np.full((len(stresses), len(rated)), np.nan)
    breaches = np.zeros(values.shape, dtype=np.bool_)
    for row, extremes in enumerate(stresses):
        for place, one in enumerate(rated):
            values[row, place], word = one.verdict(extremes.get(one.watch.name))
            breaches[row, place] = word == BREACHED
    return values, breaches


@dataclass(eq=False)
class Bearing(Generic[Label]):
    """The worst of one rating among the rows seen: its ``value``, word, and what its row is called; NaN and
    None before there is a figure. ``rows``: in how many it is breached."""

    rated: Rated
    value: float = math.nan
    verdict: str = NO_FIGURE
    label: Label | None = None
    state: str = ""
    rows: int = 0

    @property
    def end(self) -> str:
        """``least`` or ``most``: which bound the worst is nearest to; ``most`` where there is no figure and
        the rating has one."""
        return "least" if self.bound == self.rated.least else "most"

    @property
    def bound(self) -> float:
        """The bound that counts."""
        if math.isnan(self.value):
            return self.rated.least if math.isnan(self.rated.most) else self.rated.most
        return self.rated.bound(self.value)

    @property
    def margin(self) -> float:
        """Room to the bound, negative beyond it; NaN without a figure."""
        return -self.rated.beyond(self.value) if math.isfinite(self.value) else math.nan


class Watched(Generic[Label]):
    """Every rating of a board, followed over the rows of a study. Rows are not kept."""

    def __init__(self, rated: Sequence[Rated]) -> None:
        self.worst: tuple[Bearing[Label], ...] = tuple(Bearing(one) for one in rated)
        self.total = self.breached = self.silent = 0

    @property
    def breaches(self) -> list[Bearing[Label]]:
        """Those that are breached somewhere."""
        return [bearing for bearing in self.worst if bearing.verdict == BREACHED]

    def take(self, outcomes: Outcomes, labels: Sequence[Label]) -> None:
        """Looks at rows, each with what it is called."""
        self.total += len(labels)
        self.breached += int(outcomes.breaches.any(axis=1).sum())
        self.silent += int(np.isnan(outcomes.borne).any(axis=1).sum())
        for place, bearing in enumerate(self.worst):
            bearing.rows += int(outcomes.breaches[:, place].sum())
            for row, value in enumerate(outcomes.borne[:, place].tolist()):
                if math.isnan(value):
                    continue
                if math.isnan(bearing.value) or bearing.rated.beyond(value) > -bearing.margin:
                    bearing.value, bearing.label = value, labels[row]
                    bearing.verdict = BREACHED if outcomes.breaches[row, place] else WITHIN
                    bearing.state = str(outcomes.states[row])

    def words(self, noun: str) -> str:
        """One sentence on all of them; rows are called ``noun``."""
        if not self.worst:
            return NONE_KNOWN
        return watched_words(len(self.worst), self.total, noun, self.breached, self.silent or None)


class HalfEffects:
    """Of each rating and deviation the largest half effect of the deviation alone over the axis corners,
    ``sizes`` of shape (ratings, deviations)."""

    def __init__(self, ratings: int, count: int) -> None:
        self.sizes = np.zeros((ratings, count))
        self._other: dict[tuple[str, int], Array] = {}

    def take(self, outcomes: Outcomes, labels: Sequence[tuple[str, tuple[int, ...]]]) -> None:
        """Looks at rows, each called by its axis corner and vertex; what comes first waits for its twin."""
        for row, (corner, vertex) in enumerate(labels):
            moved = np.flatnonzero(vertex)
            if len(moved) != 1:
                continue
            key = corner, int(moved[0])
            twin = self._other.pop(key, None)
            if twin is None:
                self._other[key] = outcomes.borne[row]
            else:
                half = 0.5 * np.abs(outcomes.borne[row] - twin)
                self.sizes[:, key[1]] = np.fmax(self.sizes[:, key[1]], half)


def board_words(rated: Sequence[Rated], outcomes: Outcomes, boards: int) -> list[tuple[str, int]]:
    """Of each board its word, with the worst of every rating that it breaches behind it, and the place of the
    axis corner where the first of these is worst, -1 where none is. Axis corners vary fastest in the rows."""
    found = []
    values = outcomes.borne.reshape(boards, -1, len(rated))
    breached = outcomes.breaches.reshape(boards, -1, len(rated))
    for some, bad in zip(values, breached, strict=True):
        texts: list[str] = []
        where = -1
        for place, one in enumerate(rated):
            corners = np.flatnonzero(bad[:, place])
            if len(corners):
                worst = max(corners, key=lambda corner: one.beyond(float(some[corner, place])))
                texts.append(one.text(float(some[worst, place])))
                where = where if where >= 0 else int(worst)
        silent = bool(np.isnan(some).any())
        kept = UNKNOWN if not rated else NO_FIGURE if silent else WITHIN
        found.append((f"{BREACHED}: {'; '.join(texts)}" if texts else kept, where))
    return found
