# SPDX-License-Identifier: GPL-3.0-or-later
"""A guard over whole sweeps: a duty that moves in steps where everything around it moves smoothly.

Where the simulator takes too few points the edges fall on its own steps: over a sweep of the control the duty
then stands still and jumps, by far more than its bars say. One corner alone cannot show that; neighbours can.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

LEAST_VALUES = 8  # of a sweep
FAR = 10.0  # times the bars: so far off the line between its neighbours a figure counts as out of place
LEAST_CHANGES = 2  # of side, from one such figure to the next: one bend has none, an S has one

Values = NDArray[np.float64]


@dataclass(frozen=True)
class SteppedSweep:
    """A sweep whose duty moves in steps. ``rows``: places of its corners in the table; ``off``: the largest
    distance from a line between neighbours, share of the period; ``bar``: the largest bar."""

    axis: str
    at: Mapping[str, float]
    rows: tuple[int, ...]
    off: float
    bar: float

    def sentence(self) -> str:
        """What the report says."""
        where = "".join(f", {name} {value:g}" for name, value in self.at.items())
        return (
            f"duty moves in steps over {self.axis}{where}: up to {self.off:.2g} off the line between its"
            f" neighbours, with bars of {self.bar:.2g}, while the threshold moves smoothly. There were"
            f" too few points there: no bar of these {len(self.rows)} corners is believed"
        )


def stepped_sweeps(
    axes: Sequence[str], corners: pd.DataFrame, figures: pd.DataFrame, bars: pd.DataFrame
) -> list[SteppedSweep]:
    """Every sweep of one axis, the others fixed, in which the duty of pulsing corners moves in steps and the
    threshold does not. The three tables have the same rows; ``corners`` holds the axes and ``state``."""
    needed = {"duty", "threshold"}
    if not needed <= set(figures.columns) or not needed <= set(bars.columns):
        return []
    usable = corners["state"].eq("pulsing").to_numpy(copy=True)
    for table in (figures, bars):
        usable &= np.isfinite(table[list(needed)].to_numpy(dtype=float)).all(axis=1)
    places = pd.Series(np.arange(len(corners)))[usable]
    known = {name: [table[name].to_numpy(dtype=float) for table in (figures, bars)] for name in needed}
    values = {axis: corners[axis].to_numpy(dtype=float) for axis in axes}

    def off(name: str, x: Values, rows: NDArray[np.intp]) -> float:
        figure, width = (column[rows] for column in known[name])
        return _out_of_line(x, figure, width)

    found = []
    for axis in axes:
        others = [name for name in axes if name != axis]
        keys = [values[name][usable] for name in others] or [np.zeros(len(places))]
        sizes = places.groupby(keys).transform("size")
        for _, group in places[sizes >= LEAST_VALUES].groupby([key[sizes >= LEAST_VALUES] for key in keys]):
            rows = group.to_numpy()[np.argsort(values[axis][group], kind="stable")]
            x = values[axis][rows]
            if np.any(np.diff(x) <= 0):
                continue
            duty = off("duty", x, rows)
            if duty and not off("threshold", x, rows):
                at = {name: float(corners[name].iloc[rows[0]]) for name in others}
                bar = float(known["duty"][1][rows].max())
                found.append(SteppedSweep(axis, at, tuple(int(row) for row in rows), duty, bar))
    return found


def distrusted(bars: pd.DataFrame, sweeps: Sequence[SteppedSweep]) -> pd.DataFrame:
    """The bars with those of every stepped sweep infinite."""
    rows = sorted({row for sweep in sweeps for row in sweep.rows})
    changed = bars.copy()
    changed.iloc[rows] = bars.iloc[rows].where(bars.iloc[rows].isna(), math.inf)
    return changed


def _out_of_line(x: Values, y: Values, bars: Values) -> float:
    """The largest distance of a figure from the line between its neighbours where figures lie far off such
    lines to both sides by turns, more than bends explain; else 0."""
    share = (x[1:-1] - x[:-2]) / (x[2:] - x[:-2])
    off = y[1:-1] - ((1 - share) * y[:-2] + share * y[2:])
    known = bars[1:-1] + (1 - share) * bars[:-2] + share * bars[2:]
    far = off[np.abs(off) > FAR * known]
    changes = int(np.count_nonzero(np.diff(np.sign(far))))
    return float(np.abs(far).max()) if changes >= LEAST_CHANGES else 0.0
