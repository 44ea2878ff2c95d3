# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawings of quantities against axes: hand, refined, and simulated with bars.

Hand is dashed with hollow squares, refined a plain line, simulated filled dots with their bars: each can be
told from the others without colour, and each is named at its end.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator

from harness.board import Board
from harness.report import canvas, rounding, series, tables
from harness.report.canvas import BLUE, FAINT, INK, MUTED, ORANGE, PAPER
from harness.report.series import Series

LEFT, RIGHT = 0.085, 0.865


def draw_witnesses(axes: Axes, drawn: Series) -> None:
    """The three witnesses of one quantity, and a cross at the foot where the simulation gave no figure."""
    x = drawn.positions
    axes.plot(
        x,
        drawn.hand,
        color=INK,
        linestyle=(0, (4, 2.5)),
        linewidth=1.3,
        marker="s",
        markersize=5.5,
        markerfacecolor="none",
        markeredgewidth=1.0,
    )
    axes.plot(x, drawn.refined, color=BLUE, linewidth=1.6)
    if not np.isfinite(drawn.refined).any():
        axes.plot(x, drawn.simulated, color=ORANGE, linewidth=0.8, linestyle=":")
    draw_simulated(axes, drawn, drawn.simulated)
    missing = ~np.isfinite(drawn.simulated)
    axes.plot(
        x[missing],
        np.full(missing.sum(), 0.03),
        color=INK,
        linestyle="none",
        marker="x",
        markersize=6,
        transform=axes.get_xaxis_transform(),
        clip_on=False,
    )


def draw_simulated(axes: Axes, drawn: Series, heights: series.Array) -> None:
    """Simulated dots with their bars at these heights, hollow where the state is never a pass."""
    bars = np.nan_to_num(drawn.bar, nan=0.0)
    for some, face in ((~drawn.unproven, ORANGE), (drawn.unproven, PAPER)):
        if some.any():
            axes.errorbar(
                drawn.positions[some],
                heights[some],
                yerr=bars[some],
                color=ORANGE,
                linestyle="none",
                marker="o",
                markersize=4.2,
                markerfacecolor=face,
                capsize=3.0,
                elinewidth=1.2,
            )


def end_labels(drawn: Series) -> list[tuple[float, str, str]]:
    """The last finite height of each witness with its name."""
    ends = []
    for figures, name, colour in (
        (drawn.hand, "hand", INK),
        (drawn.refined, "refined", BLUE),
        (drawn.simulated, "simulated", ORANGE),
    ):
        finite = np.flatnonzero(np.isfinite(figures))
        if len(finite):
            ends.append((float(figures[finite[-1]]), name, colour))
    return ends


def height(drawn: list[Series], limits: tuple[float | None, float | None]) -> tuple[float, float]:
    """A vertical range that holds every figure, never blown up beyond three tolerances, limits that lie
    near included."""
    figures = np.concatenate([part for one in drawn for part in (one.hand, one.refined, one.simulated)])
    figures = figures[np.isfinite(figures)]
    if not len(figures):
        return 0.0, 1.0
    low, high = float(figures.min()), float(figures.max())
    tolerances = np.concatenate([one.tolerance for one in drawn])
    least = 3.0 * float(np.nanmedian(tolerances)) if np.isfinite(tolerances).any() else 0.0
    least = max(least, 1e-9 * max(abs(low), abs(high)), 1e-15)
    if high - low < least:
        middle = 0.5 * (low + high)
        low, high = middle - 0.5 * least, middle + 0.5 * least
    span = high - low
    for bound in limits:
        if bound is not None and low - 0.6 * span < bound < high + 0.6 * span:
            low, high = min(low, bound), max(high, bound)
    return low - 0.09 * (high - low), high + 0.09 * (high - low)


def draw_limits(axes: Axes, limits: tuple[float | None, float | None], unit: str, named: bool) -> None:
    """Limits inside the view: a line of dashes and dots, the side beyond it hatched."""
    low, high = axes.get_ylim()
    for bound, word, edge in ((limits[0], "least", low), (limits[1], "most", high)):
        if bound is None or not low <= bound <= high:
            continue
        axes.axhspan(
            min(bound, edge), max(bound, edge), facecolor="none", hatch="////", edgecolor=FAINT, linewidth=0
        )
        axes.axhline(bound, color=MUTED, linestyle="-.", linewidth=1.0)
        if named:
            words = f"{word} {rounding.figure(bound, unit)}"
            above = word == "least"
            axes.annotate(
                words,
                (0.012, bound),
                xycoords=("axes fraction", "data"),
                xytext=(0, 2 if above else -3),
                textcoords="offset points",
                fontsize=8.5,
                color=INK,
                va="bottom" if above else "top",
            )


def horizontal(axes: Axes, board: Board, drawn: Series, labelled: bool = True) -> None:
    """Ticks at the corners' own values where there are few, a log scale where they span more
    than 1 to 5."""
    axis = board.axes[drawn.axis]
    x = drawn.positions
    words = any(isinstance(value, str) for value in drawn.axis_values)
    if not words and not axis.names and x.min() > 0.0 and x.max() / x.min() > 12.0:
        axes.set_xscale("log")
    if len(x) <= 6:
        axes.xaxis.set_major_locator(FixedLocator(list(x)))
    elif axes.get_xscale() == "linear":
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    if words:
        names = [str(value) for value in drawn.axis_values]
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: names[round(value) % len(names)]))
        unit = ""
    elif axis.names:
        axes.xaxis.set_major_locator(FixedLocator(list(x)))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: axis.text(float(value))))
        unit = ""
    else:
        factor, unit = canvas.common_prefix(float(np.abs(x).max()), axis.unit)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: canvas.tick(value / factor, "")))
    axes.margins(x=0.09)
    axes.tick_params(axis="x", labelsize=9)
    if labelled:
        axes.set_xlabel(f"{drawn.axis} in {unit}" if unit else drawn.axis)


def limits_of(board: Board, quantity: str) -> tuple[float | None, float | None]:
    """(least, most) of a quantity in SI, None where not set."""
    limit = board.limits.get(quantity)
    if limit is None:
        return None, None
    return limit.least, limit.most


def against_axes(board: Board, rows: list[tuple[str, list[Series]]], name: str, named: bool = True) -> str:
    """Rows of quantities, columns of axes, every other axis at its nominal value. Returns SVG.

    ``rows``: (quantity, one Series an axis), the axes in the same order in each row; ``named``: each titled.
    """
    columns = max(len(drawn) for _, drawn in rows)
    tall = 0.75 + 1.75 * len(rows)
    with canvas.style():
        figure = Figure(figsize=(canvas.WIDTH, tall))
        panels = figure.subplots(len(rows), columns, squeeze=False, sharey="row")
        figure.subplots_adjust(
            left=LEFT, right=RIGHT, top=1.0 - 0.30 / tall, bottom=0.52 / tall, hspace=0.42, wspace=0.10
        )
        for line, (quantity, drawn) in enumerate(rows):
            limits = limits_of(board, quantity)
            low, high = height(drawn, limits)
            for position, one in enumerate(drawn):
                axes = panels[line][position]
                draw_witnesses(axes, one)
                axes.set_ylim(low, high)
                draw_limits(axes, limits, one.unit, named=position == 0)
                horizontal(axes, board, one, labelled=line == len(rows) - 1)
            canvas.engineering_axis(panels[line][0].yaxis, drawn[0].unit, 5)
            if named:
                panels[line][0].set_title(drawn[0].title, fontweight="bold", color=INK)
            canvas.label_ends(panels[line][len(drawn) - 1], end_labels(drawn[-1]))
        return canvas.to_svg(figure, name)


def with_differences(board: Board, quantity: str, panels: list[tuple[str, Series]], name: str) -> str:
    """Figures above, below them differences from hand where there are any, one panel a value of a second
    axis. Returns SVG.

    ``panels``: (words for the panel, Series along the first axis).
    """
    drawn = [one for _, one in panels]
    shares = [1.75, 1.0] if compared(panels) else [1.75]
    limits = limits_of(board, quantity)
    low, high = height(drawn, limits)
    with canvas.style():
        tall = 4.7 if len(shares) == 2 else 3.2
        figure = Figure(figsize=(canvas.WIDTH, tall))
        grid = figure.subplots(
            len(shares), len(panels), squeeze=False, sharey="row", sharex=True, height_ratios=shares
        )
        figure.subplots_adjust(
            left=LEFT, right=RIGHT, top=1 - 0.33 / tall, bottom=0.54 / tall, hspace=0.16, wspace=0.10
        )
        for position, (words, one) in enumerate(panels):
            upper = grid[0][position]
            draw_witnesses(upper, one)
            upper.set_ylim(low, high)
            draw_limits(upper, limits, one.unit, named=position == 0)
            upper.set_title(words)
            horizontal(grid[-1][position], board, one)
        canvas.engineering_axis(grid[0][0].yaxis, drawn[0].unit, 6)
        grid[0][0].set_ylabel(drawn[0].title)
        canvas.label_ends(grid[0][-1], end_labels(drawn[-1]))
        for row in grid[1:]:
            _fill_differences(row, drawn)
        figure.align_ylabels(list(grid[:, 0]))
        return canvas.to_svg(figure, name)


def compared(panels: list[tuple[str, Series]]) -> bool:
    """Whether there is a hand figure in any panel."""
    return any(np.isfinite(one.hand).any() for _, one in panels)


def _fill_differences(row: Sequence[Axes], drawn: Sequence[Series]) -> None:
    """A row of panels with differences from hand, and the room beyond the tolerance hatched."""
    reach = max(draw_differences(axes, one) for axes, one in zip(row, drawn, strict=True)) or 1.0
    row[0].set_ylim(-1.18 * reach, 1.18 * reach)
    for axes, one in zip(row, drawn, strict=True):
        known = one.tolerance[np.isfinite(one.tolerance)]
        edge = float(np.median(known)) if len(known) else 1.18 * reach
        for low, high in ((-1.18 * reach, -edge), (edge, 1.18 * reach)):
            axes.axhspan(low, high, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0)
    canvas.engineering_axis(row[0].yaxis, drawn[0].unit, 4)
    row[0].set_ylabel("minus hand")
    canvas.label_ends(row[-1], _difference_labels(drawn[-1]))


def draw_differences(axes: Axes, one: Series) -> float:
    """Refined and simulated minus hand with the tolerance as a pair of dotted lines. Returns the reach
    needed."""
    x = one.positions
    refined, simulated = one.refined - one.hand, one.simulated - one.hand
    axes.axhline(0.0, color=INK, linestyle=(0, (4, 2.5)), linewidth=1.0)
    axes.plot(x, refined, color=BLUE, linewidth=1.5)
    draw_simulated(axes, one, simulated)
    for sign in (-1.0, 1.0):
        axes.plot(x, sign * one.tolerance, color=MUTED, linestyle=":", linewidth=1.2)
    sizes = np.abs(np.concatenate([refined, simulated, 1.3 * one.tolerance]))
    sizes = sizes[np.isfinite(sizes)]
    return float(sizes.max()) if len(sizes) else 0.0


def _difference_labels(one: Series) -> list[tuple[float, str, str]]:
    ends = []
    for figures, words, colour in (
        (one.tolerance, "tolerance", MUTED),
        (one.refined - one.hand, "refined", BLUE),
        (one.simulated - one.hand, "simulated", ORANGE),
    ):
        finite = np.flatnonzero(np.isfinite(figures))
        if len(finite):
            ends.append((float(figures[finite[-1]]), words, colour))
    return ends


def panel_words(board: Board, axis: str, value: object) -> str:
    """``supply 15 V``."""
    return f"{axis} {tables.axis_value(board, axis, value)}"


def rows_against_axes(
    board: Board, corners: pd.DataFrame, names: list[str], axes: list[str]
) -> list[tuple[str, list[Series]]]:
    """For each quantity with a figure one Series an axis, the others nominal."""
    nominals = tables.nominals(board, corners)
    rows = []
    for quantity in names:
        drawn = [series.series(series.along(board, corners, axis, nominals), quantity, axis) for axis in axes]
        if any(not one.empty for one in drawn):
            rows.append((quantity, drawn))
    return rows
