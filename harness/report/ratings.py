# SPDX-License-Identifier: GPL-3.0-or-later
"""Absolute maximum ratings on the first screen: what was watched, what was breached, where, by how much."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from harness.ratings import BREACHED, NO_FIGURE, breached
from harness.report import rounding, tables
from harness.results import RunResult
from harness.units import engineering

DIGITS = 3  # of a figure that has no bar
NONE_KNOWN = "No absolute maximum rating is known for any part of this board."


@dataclass(frozen=True)
class RatingRow:
    """One rating at its worst corner, figures as text."""

    part: str
    rating: str
    verdict: str
    value: str
    allowed: str
    corner: str
    place: str
    source: str

    @property
    def words(self) -> str:
        """The record as one sentence without a full stop."""
        return (
            f"{self.part}: {self.rating} {self.value}, rating {self.allowed}, in {self.corner} ({self.place})"
        )


@dataclass(frozen=True)
class RatingStory:
    """One sentence on all ratings, and each of them, those breached first."""

    words: str
    rows: tuple[RatingRow, ...]

    @property
    def breaches(self) -> tuple[RatingRow, ...]:
        """The ratings that are breached somewhere."""
        return tuple(row for row in self.rows if row.verdict == BREACHED)


def rating_story(result: RunResult) -> RatingStory:
    """What a run has to tell of ratings."""
    corners = result.corners
    named = corners[corners["corner"].isin(result.ratings.get("corner", ()))]
    by_name = {str(row["corner"]): row for _, row in named.iterrows()}
    rows = [_row(result, record, by_name) for record in result.ratings.to_dict("records")]
    order = {BREACHED: 0, NO_FIGURE: 1}
    rows.sort(key=lambda row: order.get(row.verdict, 2))
    if not rows:
        return RatingStory(NONE_KNOWN, ())
    silent = int((corners["ratings"] == NO_FIGURE).sum()) if "ratings" in corners else 0
    open_ = silent if silent or any(row.verdict == NO_FIGURE for row in rows) else None
    words = watched_words(len(rows), len(corners), "corner", breached(corners), open_)
    return RatingStory(words, tuple(rows))


def watched_words(ratings: int, total: int, noun: str, number: int, silent: int | None) -> str:
    """How many ratings were watched in how many of something, in how many of them one is breached, and how
    many have no figure, where that is to be said."""
    watched = f"{rounding.count(ratings, 'absolute maximum rating')} watched in {rounding.count(total, noun)}"
    words = f"{watched}: {f'breached in {number}' if number else 'none is breached'}"
    if silent is not None:
        words += f"; without a figure: {rounding.count(silent, noun)}"
    return f"{words}."


def _row(result: RunResult, record: dict[str, object], by_name: dict[str, pd.Series]) -> RatingRow:
    corner, unit = str(record["corner"]), str(record["unit"])
    value, least, most = (float(str(record[key])) for key in ("value", "least", "most"))
    return RatingRow(
        part=str(record["part"]),
        rating=str(record["rating"]),
        verdict=str(record["verdict"]),
        value=rounding.NO_FIGURE if math.isnan(value) else engineering(float(f"{value:.{DIGITS}g}"), unit),
        allowed=allowed(least, most, unit),
        corner=corner,
        place=tables.place(result.board, by_name[corner]) if corner in by_name else "",
        source=str(record["source"]),
    )


def allowed(least: float, most: float, unit: str) -> str:
    """``-0.3 V to 36 V``, ``20 mA or less``, ``-35 V or more``."""
    low, high = engineering(least, unit), engineering(most, unit)
    if math.isnan(most):
        return f"{low} or more"
    return f"{high} or less" if math.isnan(least) else f"{low} to {high}"
