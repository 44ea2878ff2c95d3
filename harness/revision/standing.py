# SPDX-License-Identifier: GPL-3.0-or-later
"""Limits and hand figures before and after: what newly falls short or disagrees, what no longer does."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.board import Limit
from harness.revision.joined import Joined
from harness.revision.side import Column, Side
from harness.verdict import NO_PASS, ROOMS, limit_words, quantities_of

SHORT, NEW_CORNER_SHORT, OLD_LIMIT = "newly short", "short at a new corner", "short of the limit before"
FARTHER, NO_FIGURE = "farther outside", "no figure any more"
MET, NO_LIMIT = "newly met", "no limit any more"
WORSE_LIMITS = (SHORT, NEW_CORNER_SHORT, OLD_LIMIT, FARTHER, NO_FIGURE)
DISAGREES, COARSE, LOST = "newly disagrees", "newly too coarse", "no longer compared"
ENDED = "disagreement ended"
WORSE_AGREEMENTS = (DISAGREES, COARSE, LOST)
COLUMNS = ["name", "row", "before", "after", "verdict"]
RATINGS = "ratings"
_BAD = ("disagrees", "too coarse")
_COMPARED = ("agrees", "explained", "conceded")


def limit_changes(before: Side, after: Side, joined: Joined) -> pd.DataFrame:
    """A row a limit and corner whose standing changed; ``before`` and ``after`` are limit words."""
    rows: list[tuple[str, int, str, str, str]] = []
    for name in quantities_of(also={*before.quantities, *after.quantities}):
        old = before.words(f"{name}.limit", joined.before, "no limit")
        new = after.words(f"{name}.limit", joined.after, "no limit")
        if set(old) | set(new) == {"no limit"}:
            continue
        sterner = _by_limit_before(before, after, name, joined)
        old_margin, new_margin = (
            side.figures(name, "margin", place)
            for side, place in ((before, joined.before), (after, joined.after))
        )
        bars = before.figures(name, "bar", joined.before) + after.figures(name, "bar", joined.after)
        with np.errstate(invalid="ignore"):
            sinks = new_margin < old_margin - bars
        for row in range(len(joined.table)):
            if joined.after[row] < 0:
                continue  # a missing corner is told as such
            had = str(old[row]) if joined.before[row] >= 0 else ""
            word = _limit_word(had, str(new[row]), str(sterner[row]), bool(sinks[row]))
            if word:
                rows.append((name, row, had, str(new[row]), word))
    return pd.DataFrame(rows + _ratings(before, after, joined), columns=COLUMNS)


def _limit_word(before: str, after: str, by_limit_before: str, sinks: bool) -> str:
    """What became of one limit at one corner; "" where nothing did. ``before`` is "" for a new corner."""
    short = after not in ("within", "no limit")
    if before == "":
        return NEW_CORNER_SHORT if short else ""
    if before in ("within", "no limit"):
        if short:
            return SHORT
        return OLD_LIMIT if before == "within" and by_limit_before not in ("within", "") else ""
    if after == "within":
        return MET
    if after == "no limit":
        return NO_LIMIT
    if after == "no figure":
        return "" if before == "no figure" else NO_FIGURE
    return FARTHER if sinks else ""


def _by_limit_before(before: Side, after: Side, name: str, joined: Joined) -> NDArray[np.object_]:
    """The figures after by the limit before, so that a loosened limit hides nothing; "" where it is not
    known."""
    limit = before.kept.limits.get(name) if before.kept else None
    if limit is None:
        return np.full(len(joined.table), "", dtype=object)
    return words_by(limit, after, name, joined.after).astype(object)


def words_by(limit: Limit, side: Side, name: str, rows: NDArray[np.int64]) -> NDArray[np.str_]:
    """Limit words of a side's figures by a limit of another; states that are never a pass have no figure."""
    figures: Column = side.figures(name, "simulated", rows)
    if name not in ROOMS:
        figures = np.where(np.isin(side.words("state", rows, ""), NO_PASS), math.nan, figures)
    return limit_words(figures, side.figures(name, "bar", rows), limit)[0]


def _ratings(before: Side, after: Side, joined: Joined) -> list[tuple[str, int, str, str, str]]:
    old, new = (
        side.words(RATINGS, rows, "") for side, rows in ((before, joined.before), (after, joined.after))
    )
    found = []
    for row in range(len(joined.table)):
        breached = [str(word[row]).startswith("breached") for word in (old, new)]
        if joined.after[row] >= 0 and breached[0] != breached[1]:
            fresh = joined.before[row] < 0
            verdict = MET if breached[0] else NEW_CORNER_SHORT if fresh else SHORT
            found.append((RATINGS, row, str(old[row]), str(new[row]), verdict))
    return found


def agreement_changes(before: Side, after: Side, joined: Joined) -> pd.DataFrame:
    """A row a quantity and corner that newly disagrees with its hand figure, no longer does, or is not
    compared any more."""
    rows = []
    for name in quantities_of(also={*before.quantities, *after.quantities}):
        old, new = before.agreements(name, joined.before), after.agreements(name, joined.after)
        rows += list(_agreement_rows(name, old, new, joined))
    return pd.DataFrame(rows, columns=COLUMNS)


def _agreement_rows(
    name: str, old: NDArray[np.object_], new: NDArray[np.object_], joined: Joined
) -> Iterator[tuple[str, int, str, str, str]]:
    for row in np.flatnonzero(joined.after >= 0):
        first, last = str(old[row]) if joined.before[row] >= 0 else "", str(new[row])
        verdict = ""
        if last in _BAD and first not in _BAD:
            verdict = DISAGREES if last == "disagrees" else COARSE
        elif first in _BAD and last in _COMPARED:
            verdict = ENDED
        elif first in (*_COMPARED, *_BAD) and last not in (*_COMPARED, *_BAD):
            verdict = LOST
        if verdict:
            yield name, int(row), first, last, verdict
