# SPDX-License-Identifier: GPL-3.0-or-later
"""How wide a tolerance is at a corner: its own unit, whatever it was written as a share of."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.intent.objects import Tolerance

Column = NDArray[np.float64]
COARSE_SHARE = 0.25  # a bar above this share of the tolerance cannot show agreement


def column(table: pd.DataFrame, name: str) -> Column:
    """A column as floats; NaN where the table has none."""
    if name in table.columns:
        return np.asarray(table[name].to_numpy(dtype=float))
    return np.full(len(table), math.nan)


def first_known(*columns: Column) -> Column:
    """In each row the first of the figures that is one."""
    result = columns[0].copy()
    for other in columns[1:]:
        result = np.where(np.isfinite(result), result, other)
    return result


def absolute_tolerance(tolerance: Tolerance, reference: Column, swing: Column, ramp: Column) -> Column:
    """The tolerance of each corner in the quantity's own unit.

    ``reference``: the figure a relative tolerance or an interval in cents refers to; ``swing``, ``ramp``:
    V.
    """
    match tolerance.scale:
        case "absolute":
            return np.full(len(reference), tolerance.value)
        case "swing":
            return tolerance.value * np.abs(swing)
        case "ramp":
            return tolerance.value * np.abs(ramp)
        case "cents":
            return np.abs(reference) * (2 ** (tolerance.value / 1200) - 1)
        case _:
            return tolerance.value * np.abs(reference)


def scales(*tables: pd.DataFrame) -> tuple[Column, Column]:
    """Output swing and ramp height (V) of each corner, from the first table that knows them."""
    swing = first_known(*(column(t, "high_level") - column(t, "low_level") for t in tables))
    ramp = first_known(*(column(t, "ramp_high") - column(t, "ramp_low") for t in tables))
    return swing, ramp
