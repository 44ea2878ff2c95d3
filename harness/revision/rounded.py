# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of a reference: written to the digits that their bars justify, and kept where nothing moved."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.revision import shifts
from harness.revision.joined import Joined
from harness.revision.side import Column, Side
from harness.verdict import quantities_of

DIGITS = 9  # of a figure whose bar is not known, or is 0
SIMILAR = 2.0  # bars within this factor of each other are one bar
_UNSAID = ("no limit", "no figure", "no hand figure", "")
Lines = list[tuple[int, dict[str, Any]]]


def figure_lines(side: Side, before: tuple[Side, Joined] | None) -> Iterator[tuple[str, Lines]]:
    """For each quantity its rows of the corner table that have a figure, a prediction or a limit, with what
    is written of each. ``before``: the reference before and its corners against these."""
    rows = np.arange(len(side.corners))
    for name in quantities_of(also=side.quantities):
        simulated, bar = side.figures(name, "simulated", rows), side.figures(name, "bar", rows)
        kinds = {kind: side.figures(name, kind, rows) for kind in ("refined", "solved")}
        kinds["on_drawn"] = side.on_drawn(name, rows)
        limits, words = side.words(f"{name}.limit", rows, "no limit"), side.agreements(name, rows)
        if not np.isfinite(simulated).any() and set(limits) <= {"no limit"}:
            continue
        figures = {"simulated": simulated, "bar": bar} | _first_of(kinds)
        figures = {kind: _rounded(kind, column, simulated, bar) for kind, column in figures.items()}
        if before is not None:
            figures = _kept(name, figures, *before)
        lines: Lines = []
        for row in rows:
            entry: dict[str, Any] = {
                kind: float(column[row]) for kind, column in figures.items() if math.isfinite(column[row])
            }
            entry |= {
                key: str(column[row])
                for key, column in (("limit", limits), ("hand", words))
                if column[row] not in _UNSAID or (key == "limit" and column[row] == "no figure")
            }
            if entry:
                lines.append((int(row), entry))
        yield name, lines


def _first_of(kinds: dict[str, Column]) -> dict[str, Column]:
    """Of the predictions of each corner the first kind alone that has a figure."""
    taken = np.zeros(len(next(iter(kinds.values()))), dtype=bool)
    found = {}
    for kind, column in kinds.items():
        found[kind] = np.where(taken, math.nan, column)
        taken |= np.isfinite(column)
    return found


def _rounded(kind: str, column: Column, simulated: Column, bar: Column) -> Column:
    """Figures down to the second digit of their bar; bars rounded up, with what the rounding took."""
    pairs = zip(column, simulated, bar, strict=True)
    if kind == "bar":
        return np.array([widened(value, abs(figure - cut(figure, value))) for value, figure, _ in pairs])
    return np.array([cut(value, width) for value, _, width in pairs])


def cut(value: float, bar: float) -> float:
    """``value`` to the decade of the second digit of ``bar``; to nine digits where there is none.

    >>> cut(0.4901234, 2.6e-5)
    0.490123
    """
    if not math.isfinite(value):
        return math.nan
    if not (math.isfinite(bar) and bar > 0.0):
        return float(f"{value:.{DIGITS}g}")
    return round(value, 1 - math.floor(math.log10(bar)))


def widened(bar: float, lost: float) -> float:
    """A bar with what rounding its figure lost, rounded up to two digits; NaN stays NaN and 0 stays 0.
    A bar without a figure, which lost nothing that is known, stays as it is."""
    if not (math.isfinite(bar) and bar > 0.0 and math.isfinite(lost)):
        return bar
    whole = bar + lost
    unit = 10.0 ** (math.floor(math.log10(whole)) - 1)
    return float(f"{math.ceil(whole / unit - 1e-12) * unit:.1e}")


def _kept(name: str, figures: dict[str, Column], before: Side, joined: Joined) -> dict[str, Column]:
    """The figures of the reference before, wherever nothing measurable changed: then no line changes."""
    rows = np.full(len(figures["simulated"]), -1, dtype=np.int64)
    here = joined.after >= 0
    rows[joined.after[here]] = joined.before[here]
    old = {kind: before.figures(name, kind, rows) for kind in figures if kind != "on_drawn"}
    old["on_drawn"] = before.on_drawn(name, rows)
    stays = still(old, figures)
    return {kind: np.where(stays, old[kind], column) for kind, column in figures.items()}


def still(old: dict[str, Column], new: dict[str, Column]) -> NDArray[np.bool_]:
    """Where neither figure, nor bar, nor prediction moved measurably."""
    bars = old["bar"] + new["bar"]
    none = np.full(len(bars), math.nan)
    words = shifts.verdicts(old["simulated"], new["simulated"], none, bars, none)
    with np.errstate(invalid="ignore", divide="ignore"):
        similar = (np.abs(np.log(new["bar"] / old["bar"])) <= math.log(SIMILAR)) | (new["bar"] == old["bar"])
    stays = (words == shifts.UNMOVED) & similar
    for kind in ("refined", "solved", "on_drawn"):
        both = np.isfinite(old[kind]) & np.isfinite(new[kind])
        neither = np.isnan(old[kind]) & np.isnan(new[kind])
        with np.errstate(invalid="ignore"):
            stays &= neither | (both & (np.abs(new[kind] - old[kind]) <= bars))
    return np.asarray(stays, dtype=bool)
