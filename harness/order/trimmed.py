# SPDX-License-Identifier: GPL-3.0-or-later
"""Trimmers set by the closed forms alone, on many boards at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from harness.intent.objects import Trim
from harness.studies.rows import Array
from harness.studies.variation import trim_axis
from harness.tolerances import column

HALVINGS = 16
Predict = Callable[[pd.DataFrame], pd.DataFrame]


def trimmed(rows: pd.DataFrame, axes: Sequence[str], trims: Sequence[Trim], predict: Predict) -> pd.DataFrame:
    """The rows with a column a trimmer: its setting on each row's board, one trimmer after the other.

    Rows alike in ``axes`` are one board. The setting is found by halving the travel; it stays in the middle
    where the closed forms have no figure, and at the nearer end where the target is out of reach.
    """
    middles = {trim_axis(trim): 0.5 * (trim.least + trim.most) for trim in trims}
    rows = rows.assign(**middles)
    for trim in trims:
        _, first, which = np.unique(
            rows[list(axes)].to_numpy(dtype=float), axis=0, return_index=True, return_inverse=True
        )
        there = rows.iloc[first].reset_index(drop=True).assign(**trim.at)
        rows[trim_axis(trim)] = _set(there, trim, predict)[which.ravel()]
    return rows


def _set(boards: pd.DataFrame, trim: Trim, predict: Predict) -> Array:
    """The setting on each board, which stands at the corner where the trimmer is set."""

    def off(settings: Array) -> Array:
        figures = predict(boards.assign(**{trim_axis(trim): settings}))
        return column(figures, trim.quantity) - trim.target

    low, high = (np.full(len(boards), end) for end in (trim.least, trim.most))
    at_low, at_high = off(low), off(high)
    known = np.isfinite(at_low) & np.isfinite(at_high)
    nearer = np.where(np.abs(at_low) <= np.abs(at_high), low, high)
    between = np.sign(at_low) != np.sign(at_high)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        beyond = (off(middle) > 0.0) == (at_high > at_low)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    found = np.where(between, 0.5 * (low + high), nearer)
    return np.where(known, found, 0.5 * (trim.least + trim.most))
