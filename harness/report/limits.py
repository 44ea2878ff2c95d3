# SPDX-License-Identifier: GPL-3.0-or-later
"""What became of each limit: how many corners keep it, and the corner with the least room."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import pandas as pd

from harness import quantities
from harness.report import rounding, tables
from harness.results import RunResult


@dataclass(frozen=True)
class LimitStory:
    """One limited quantity: the limit in words, the verdict, and the corner with the least room.

    ``counts`` tells every verdict with its number of corners. ``figure``, ``margin``, ``corner`` and
    ``place`` are empty where no corner has a figure to judge. ``cure``: of a limit that is outside, which
    part would cure it by the closed forms.
    """

    quantity: str
    title: str
    limit: str
    verdict: str
    counts: str
    corner: str
    place: str
    figure: str
    margin: str
    cure: str = ""

    @property
    def words(self) -> str:
        """The record as one sentence without a full stop."""
        start = f"{self.title} ({self.limit}): "
        if not self.corner:
            return start + self.counts
        there = f"in {self.corner} ({self.place})"
        if self.verdict == "within":
            return f"{start}within, least room {self.margin} {there}"
        return f"{start}{self.counts}; least room {there}: {self.figure}, margin {self.margin}"


def limit_stories(result: RunResult) -> tuple[LimitStory, ...]:
    """One record a limited quantity, the worst verdict first, in the order of the board file within a
    verdict."""
    stories = [_story(result, quantity) for quantity in result.board.limits]
    return tuple(sorted(stories, key=lambda story: tables.LIMIT_WORDS.index(story.verdict)))


def _story(result: RunResult, quantity: str) -> LimitStory:
    corners, unit = result.corners, quantities.stem(quantity).unit
    verdicts = tables.column(corners, quantity, "limit", "no figure")
    found = Counter(verdicts)
    numbers = {word: found[word] for word in tables.LIMIT_WORDS}
    verdict = next((word for word in tables.LIMIT_WORDS[:3] if numbers[word]), "within")
    corner = place = figure = margin = ""
    label = _least_room(corners, quantity, verdicts)
    if label is not None:
        row = corners.loc[label]
        corner, place = str(row["corner"]), tables.place(result.board, row)
        simulated, bar = tables.simulated_and_bar(row, quantity)
        room = float(tables.numbers(corners, quantity, "margin").loc[label])
        figure = rounding.figure_with_bar(simulated, bar, unit)
        margin = rounding.margin(room, unit, bar) if room == room else "not known"
    return LimitStory(
        quantity=quantity,
        title=quantities.stem(quantity).title,
        limit=tables.limit_words(result.board.limits[quantity], unit),
        verdict=verdict,
        counts=_counts(numbers, len(corners)),
        corner=corner,
        place=place,
        figure=figure,
        margin=margin,
        cure=_cure(result, quantity),
    )


def _cure(result: RunResult, quantity: str) -> str:
    """What the closed forms say that cures a limit; it has to be read as a prediction."""
    if result.cures.empty:
        return ""
    rows = result.cures[result.cures["limit"] == quantity]
    if rows.empty:
        return ""
    row = rows.iloc[0]
    confirm = "; confirm with `ramp-harness fit`" if row["part"] else ""
    return f"by the closed forms, {row['words']}{confirm}"


def _least_room(corners: pd.DataFrame, quantity: str, verdicts: pd.Series) -> int | None:
    """The row with the least margin; where no bar is known, and so no margin, the first that was judged."""
    margins = tables.numbers(corners, quantity, "margin")
    if margins.notna().any():
        return int(margins.idxmin())
    judged = corners.index[verdicts.isin(("outside", "too close to call", "within"))]
    return int(judged[0]) if len(judged) else None


def _counts(numbers: dict[str, int], total: int) -> str:
    """``outside in 2 corners, within in 7``; a verdict that holds everywhere says so."""
    found = [(word, number) for word, number in numbers.items() if number]
    if len(found) == 1:
        (word, _), where = found[0], "the only corner" if total == 1 else f"all {total} corners"
        return f"{word} in {where}"
    return tables.counted(found)
