# SPDX-License-Identifier: GPL-3.0-or-later
"""What each quantity did at each corner: simulated before and after, beside what the closed forms say that
the change should do."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.revision.joined import Joined
from harness.revision.side import Column, Side
from harness.verdict import quantities_of

UNMOVED = "no measurable change"
AS_PREDICTED, NOT_PREDICTED, UNPREDICTED = "as predicted", "not as predicted", "no prediction"
APPEARED, LOST, UNKNOWN_BAR = "new figure", "figure lost", "bar not known"
VERDICTS = (NOT_PREDICTED, LOST, UNKNOWN_BAR, UNPREDICTED, AS_PREDICTED, APPEARED, UNMOVED)
"""Words on a shift, those to look at first."""
MOVED = (NOT_PREDICTED, UNPREDICTED, AS_PREDICTED)
"""Words of a shift beyond the bars."""

COLUMNS = [
    "name", "row", "before", "after", "predicted_change", "simulated_change", "bar", "tolerance", "verdict",
]  # fmt: skip
ROUNDING = 1e-12  # of a figure: what the arithmetic leaves of no difference


def shifts_of(before: Side, after: Side, joined: Joined, formulas_stand: bool) -> pd.DataFrame:
    """A row a quantity and corner that both sides have, where either has a figure; ``row`` is that of the
    joined table. ``formulas_stand``: the hand formulas are the same on both sides, so that what they say on
    drawn values can be set against each other."""
    both = np.flatnonzero(joined.both)
    old, new = joined.before[both], joined.after[both]
    blocks = []
    for name in quantities_of(also={*before.quantities, *after.quantities}):
        first, last = before.figures(name, "simulated", old), after.figures(name, "simulated", new)
        known = np.isfinite(first) | np.isfinite(last)
        if not known.any():
            continue
        bar = before.figures(name, "bar", old) + after.figures(name, "bar", new)
        tolerance = np.fmin(before.figures(name, "tolerance", old), after.figures(name, "tolerance", new))
        predicted = predicted_change(before, after, name, (old, new), formulas_stand)
        with np.errstate(invalid="ignore"):
            change = last - first
        block = pd.DataFrame(
            {
                "name": name, "row": both, "before": first, "after": last, "predicted_change": predicted,
                "simulated_change": change, "bar": bar, "tolerance": tolerance,
                "verdict": verdicts(first, last, predicted, bar, tolerance),
            }
        )  # fmt: skip
        blocks.append(block[known])
    return pd.concat(blocks, ignore_index=True) if blocks else pd.DataFrame(columns=COLUMNS)


def predicted_change(
    before: Side,
    after: Side,
    quantity: str,
    rows: tuple[NDArray[np.int64], NDArray[np.int64]],
    formulas_stand: bool,
) -> Column:
    """Prediction after minus prediction before, both of one kind: refined, else what the resistive network
    says, else the hand formula on drawn values. NaN where no kind has both."""
    change = np.full(len(rows[0]), math.nan)
    for kind in ("refined", "solved"):
        step = after.figures(quantity, kind, rows[1]) - before.figures(quantity, kind, rows[0])
        change = np.where(np.isfinite(change), change, step)
    if formulas_stand:
        step = after.on_drawn(quantity, rows[1]) - before.on_drawn(quantity, rows[0])
        change = np.where(np.isfinite(change), change, step)
    return change


def verdicts(
    before: Column, after: Column, predicted: Column, bar: Column, tolerance: Column
) -> NDArray[np.object_]:
    """A word a corner; ``bar``: the bars of both figures added; all in the quantity's unit.

    A change within the bars is no measurable one. A larger one is not as predicted where predicted and
    simulated change differ by more than the bar, and by more than the tolerance or half the simulated change:
    a tolerance is made for figures, and wider than many a shift.
    """
    with np.errstate(invalid="ignore"):
        change = after - before
        noise = ROUNDING * np.fmax(np.abs(before), np.abs(after))
        still = (np.abs(change) <= np.where(np.isfinite(bar), bar, 0.0) + noise) & np.isfinite(change)
        off = np.abs(change - predicted)
        apart = off > np.fmax(bar, np.minimum(tolerance, np.abs(change) / 2))
    conditions = [
        np.isnan(after) & np.isnan(before), np.isnan(after), np.isnan(before), still, np.isnan(bar),
        np.isnan(predicted), apart,
    ]  # fmt: skip
    words = ["", LOST, APPEARED, UNMOVED, UNKNOWN_BAR, UNPREDICTED, NOT_PREDICTED]
    return np.select(conditions, words, AS_PREDICTED).astype(object)


def unseen(shifts: pd.DataFrame) -> pd.Series:
    """Rows where a change was predicted, beyond bar and tolerance, that does not show."""
    size = shifts["predicted_change"].abs()
    off = (shifts["predicted_change"] - shifts["simulated_change"]).abs()
    beyond = off > np.fmax(shifts["bar"], shifts["tolerance"])
    return (shifts["verdict"] == UNMOVED) & beyond & (size > shifts["tolerance"])


def shares(shifts: pd.DataFrame) -> pd.Series:
    """Size of each simulated change in tolerances; in units of its bar where no tolerance is known; -1 where
    there is none."""
    scale = (
        shifts["tolerance"].where(shifts["tolerance"] > 0.0).fillna(shifts["bar"].where(shifts["bar"] > 0))
    )
    return (shifts["simulated_change"].abs() / scale).fillna(-1.0)
