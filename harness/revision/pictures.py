# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawings of shifts: a quantity before and after along its leading axis, beside the predicted and the
simulated change.

Before is dashed with hollow squares, after filled dots; the predicted change is a plain line, the simulated
one dots with bars: each can be told from the others without colour, and each is named at its end.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator

from harness.intent.objects import Axis
from harness.quantities import stem
from harness.report.canvas import (
    BLUE,
    INK,
    MUTED,
    ORANGE,
    WIDTH,
    Picture,
    common_prefix,
    engineering_axis,
    label_ends,
    style,
    to_svg,
)
from harness.report.series import MOST_POINTS, picked
from harness.revision import shifts
from harness.revision.comparison import Comparison

MOST_PICTURES = 6


def shift_pictures(comparison: Comparison, quantities: list[str]) -> list[Picture]:
    """A drawing for each of the first quantities that have two corners along an axis."""
    found: list[Picture] = []
    for name in quantities:
        picture = _picture(comparison, name) if len(found) < MOST_PICTURES else None
        if picture is not None:
            found.append(picture)
    return found


def _picture(comparison: Comparison, name: str) -> Picture | None:
    mine = comparison.shifts[comparison.shifts["name"] == name]
    mine = mine[np.isfinite(mine["simulated_change"])]
    if not len(mine):
        return None
    top = int(mine.loc[shifts.shares(mine).idxmax(), "row"])
    axis = _leading(comparison, mine, top)
    if axis is None:
        return None
    table = comparison.joined.table
    line = mine[mine["row"].isin(_along(comparison, axis.name, top))]
    x = table[axis.name].iloc[line["row"]].to_numpy(dtype=float)
    order = picked(list(np.argsort(x, kind="stable")), MOST_POINTS)
    line, x = line.iloc[order], x[order]
    held = _held(comparison, axis.name, top)
    title = stem(name).title
    with style():
        figure = Figure(figsize=(WIDTH, 2.9))
        levels, changes = figure.subplots(1, 2)
        figure.subplots_adjust(left=0.075, right=0.885, bottom=0.18, top=0.9, wspace=0.62)
        _levels(levels, x, line, name)
        _changes(changes, x, line, name)
        for axes in (levels, changes):
            _horizontal(axes, axis)
        svg = to_svg(figure, f"shift-{name}")
    row = line.loc[shifts.shares(line).idxmax()]
    unit = stem(name).unit
    foreseen = row["predicted_change"]
    predicted = f"predicted {foreseen:.4g} {unit}".rstrip() if np.isfinite(foreseen) else "no prediction"
    simulated = f"largest simulated change {row['simulated_change']:.4g} {unit}".rstrip()
    alternative = f"{title} along {axis.name}: {simulated}, {predicted}"
    return Picture(title, f"Over {axis.name}{f'; {held}' if held else ''}.", alternative, svg)


def _along(comparison: Comparison, axis: str, row: int) -> set[int]:
    """Rows of the joined table that differ from one in one axis alone."""
    table = comparison.joined.table
    keep = np.ones(len(table), dtype=bool)
    for other in comparison.joined.axes:
        if other != axis:
            keep &= np.isclose(table[other], table[other].iloc[row], rtol=1e-9, atol=0.0)
    return {int(place) for place in np.flatnonzero(keep)}


def _leading(comparison: Comparison, mine: pd.DataFrame, row: int) -> Axis | None:
    """The axis along which the change varies most through one corner, beyond its bars; else the one along
    which the quantity itself does. None where none has two corners."""
    widths: dict[str, tuple[float, float]] = {}
    for name in comparison.joined.axes:
        line = mine[mine["row"].isin(_along(comparison, name, row))]
        if len(line) > 1:
            change = float(np.ptp(line["simulated_change"]))
            widths[name] = (change if change > line["bar"].max() else 0.0, float(np.ptp(line["after"])))
    if not widths:
        return None
    name = max(widths, key=lambda each: widths[each])
    side = comparison.after if name in comparison.after.axes else comparison.before
    return side.axes[name]


def _held(comparison: Comparison, axis: str, row: int) -> str:
    """The other axes at the corner of the largest shift: ``supply 15 V, temperature 25 degC``."""
    pieces = comparison.joined.places[row].split(", ")
    return ", ".join(piece for piece in pieces if not piece.startswith(f"{axis} "))


def _levels(axes: Axes, x: np.ndarray, line: pd.DataFrame, name: str) -> None:
    before, after = (line[part].to_numpy(dtype=float) for part in ("before", "after"))
    axes.plot(
        x, before, color=INK, linestyle=(0, (4, 2.5)), linewidth=1.3, marker="s", markersize=5.5,
        markerfacecolor="none", markeredgewidth=1.0,
    )  # fmt: skip
    axes.plot(x, after, color=ORANGE, linewidth=1.3, marker="o", markersize=4.2)
    axes.set_title("before and after")
    engineering_axis(axes.yaxis, stem(name).unit, 5)
    axes.margins(y=0.12)
    label_ends(axes, [(before[-1], "before", INK), (after[-1], "after", ORANGE)])


def _changes(axes: Axes, x: np.ndarray, line: pd.DataFrame, name: str) -> None:
    predicted, simulated = (
        line[part].to_numpy(dtype=float) for part in ("predicted_change", "simulated_change")
    )
    bars = np.nan_to_num(line["bar"].to_numpy(dtype=float), nan=0.0)
    largest = float(np.nanmax(np.abs([*predicted, *simulated, *bars])))
    factor, unit = common_prefix(largest, stem(name).unit)
    axes.axhline(0.0, color=MUTED, linewidth=0.8)
    axes.plot(x, predicted / factor, color=BLUE, linewidth=1.6)
    axes.errorbar(
        x, simulated / factor, yerr=bars / factor, color=ORANGE, linestyle="none", marker="o", markersize=4.2,
        capsize=3.0, elinewidth=1.2,
    )  # fmt: skip
    axes.set_title(f"change{f' in {unit}' if unit else ''}, with the bars of both")
    axes.margins(y=0.15)
    ends = [(simulated[-1] / factor, "simulated", ORANGE)]
    known = np.flatnonzero(np.isfinite(predicted))
    if len(known):
        ends.insert(0, (predicted[known[-1]] / factor, "predicted", BLUE))
    label_ends(axes, ends)


def _horizontal(axes: Axes, axis: Axis) -> None:
    axes.set_xlabel(axis.name)
    if axis.names:
        axes.xaxis.set_major_locator(FixedLocator(list(axis.values)))
        axes.xaxis.set_major_formatter(FixedFormatter(list(axis.names)))
    else:
        engineering_axis(axes.xaxis, axis.unit, 5)
