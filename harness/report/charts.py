# SPDX-License-Identifier: GPL-3.0-or-later
"""The other drawings: all differences at a glance, where limits fall short, effect chains, waveforms,
harmonics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullFormatter, NullLocator

from harness.board import Board
from harness.chain import FORMULA, REMAINDER, SLIP
from harness.report import canvas, rounding, series, tables
from harness.report.canvas import BLUE, FAINT, INK, MUTED, ORANGE, PAPER
from harness.report.series import Array
from harness.results import Waveforms

HATCHES = {"effect": None, "slip": "///", "remainder": "xxx"}
"""Named effects are filled; a slip or wrong formula is hatched; the remainder crossed."""

MOST_STEPS = 10
"""Bars of an effect chain; smaller ones beyond that are drawn as one."""


@dataclass(frozen=True)
class Span:
    """One quantity's differences from hand in tolerances: least, median and greatest over all corners,
    per witness."""

    title: str
    simulated: tuple[float, float, float]
    refined: tuple[float, float, float] | None
    words: str


def spans_chart(spans: Sequence[Span], name: str) -> str:
    """Every quantity's spread of differences on one axis that counts in tolerances. Returns SVG."""
    tall = 0.85 + 0.46 * len(spans)
    with canvas.style():
        figure = Figure(figsize=(canvas.WIDTH, tall))
        axes = figure.add_axes((0.27, 0.48 / tall, 0.41, 1.0 - 0.83 / tall))
        axes.axvspan(-1.0, 1.0, facecolor=FAINT, alpha=0.55, linewidth=0)
        axes.axvline(0.0, color=INK, linestyle=(0, (4, 2.5)), linewidth=1.0)
        reach = 1.6
        for line, span in enumerate(spans):
            for figures, colour, mark, offset, width in (
                (span.simulated, ORANGE, "o", -0.14, 2.6),
                (span.refined, BLUE, "^", 0.18, 1.4),
            ):
                if figures is None:
                    continue
                low, middle, high = figures
                axes.plot(
                    [low, high],
                    [line + offset] * 2,
                    color=colour,
                    linewidth=width,
                    marker="|",
                    markersize=8,
                    markeredgewidth=1.4,
                    solid_capstyle="butt",
                )
                axes.plot([middle], [line + offset], color=colour, marker=mark, markersize=5.5)
                reach = max(reach, abs(low), abs(high))
            axes.text(1.02, line, span.words, transform=axes.get_yaxis_transform(), va="center", fontsize=8.5)
        axes.set_xscale("symlog", linthresh=1.0, linscale=1.0)
        axes.set_xlim(-1.25 * reach, 1.25 * reach)
        ticks = [value for value in (0, 1, 3, 10, 30, 100, 1000, 10000) if value <= 1.25 * reach]
        axes.xaxis.set_major_locator(
            FixedLocator(sorted({sign * value for value in ticks for sign in (-1, 1)}))
        )
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: canvas.tick(value, "")))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.set_ylim(len(spans) - 0.5, -0.5)
        axes.set_yticks(range(len(spans)), [span.title for span in spans])
        axes.grid(axis="y", visible=False)
        axes.set_xlabel("difference from hand, in tolerances (grey: one tolerance either way)")
        axes.text(
            0.0,
            1.0 + 0.08 / (tall - 0.83),
            "dot and thick line: simulated; triangle and thin line: refined",
            transform=axes.transAxes,
            fontsize=9,
            va="bottom",
        )
        return canvas.to_svg(figure, name)


VERDICT_MARKS: dict[str, dict[str, object]] = {
    "outside": {"marker": "X", "s": 62, "c": ORANGE, "linewidths": 0.0},
    "no figure": {"marker": "o", "s": 34, "facecolors": "none", "edgecolors": INK, "linewidths": 1.1},
    "too close to call": {"marker": "D", "s": 34, "facecolors": "none", "edgecolors": INK, "linewidths": 1.1},
    "within": {"marker": "o", "s": 9, "c": BLUE, "linewidths": 0.0},
}


def limit_map(
    board: Board, corners: pd.DataFrame, maps: Sequence[tuple[str, str]], first: str, second: str, name: str
) -> str:
    """Where limits fall short: one small map a limited quantity, the worst verdict of all corners at
    each place.

    ``maps``: (quantity, title). Returns SVG.
    """
    x_values, y_values = (_ordered(corners[axis]) for axis in (first, second))
    tall = 1.15 + 0.27 * len(y_values)
    with canvas.style():
        figure = Figure(figsize=(canvas.WIDTH, tall))
        panels = figure.subplots(1, len(maps), squeeze=False, sharey=True)[0]
        figure.subplots_adjust(
            left=0.115, right=0.985, top=1.0 - 0.32 / tall, bottom=0.56 / tall, wspace=0.08
        )
        for axes, (quantity, title) in zip(panels, maps, strict=True):
            worst = _worst(corners, quantity, first, second)
            for wanted, look in VERDICT_MARKS.items():
                places = [
                    (x_values.index(x), y_values.index(y)) for (x, y), word in worst.items() if word == wanted
                ]
                if places:
                    axes.scatter(*zip(*places, strict=True), zorder=3, **look)
            axes.set_title(title)
            shown = series.picked(list(range(len(x_values))), 6)
            axes.set_xticks(
                shown, [tables.axis_value(board, first, x_values[index]) for index in shown], fontsize=8.5
            )
            axes.set_xlabel(first)
            axes.set_xlim(-0.6, len(x_values) - 0.4)
        panels[0].set_ylim(-0.6, len(y_values) - 0.4)
        shown = series.picked(list(range(len(y_values))), 12)
        panels[0].set_yticks(shown, [tables.axis_value(board, second, y_values[index]) for index in shown])
        panels[0].set_ylabel(second)
        return canvas.to_svg(figure, name)


def _ordered(values: pd.Series) -> list[object]:
    found = values.drop_duplicates()
    return list(found.sort_values() if pd.api.types.is_numeric_dtype(found) else found)


def _worst(corners: pd.DataFrame, quantity: str, first: str, second: str) -> dict[tuple[object, object], str]:
    verdicts = tables.column(corners, quantity, "limit", "no figure").astype(str)
    rank = verdicts.map({word: index for index, word in enumerate(tables.LIMIT_WORDS)})
    grouped = rank.groupby([corners[first], corners[second]], sort=True).min()
    return {place: tables.LIMIT_WORDS[int(index)] for place, index in grouped.items()}


@dataclass(frozen=True)
class Step:
    """One bar of an effect chain: name, amount (unit of the quantity), kind: ``effect``, ``slip``,
    ``remainder``."""

    name: str
    amount: float
    kind: str


def steps_of(chain: pd.DataFrame, least: float) -> list[Step]:
    """The chain's rows as steps; those below ``least`` and those beyond the ten largest drawn as one."""
    rows = [
        Step(str(row["effect"]), float(row["amount"]), _kind(str(row["effect"])))
        for row in chain.to_dict("records")
    ]
    sizes = sorted((abs(step.amount) for step in rows if step.kind == "effect"), reverse=True)
    cut = max(least, sizes[MOST_STEPS] * (1 + 1e-12) if len(sizes) > MOST_STEPS else 0.0)
    small = [step for step in rows if step.kind != "remainder" and abs(step.amount) < _cut(step, cut, least)]
    if len(small) < 2:
        return rows
    kept = [step for step in rows if step not in small]
    merged = Step(f"{len(small)} smaller steps", sum(step.amount for step in small), "effect")
    kept.insert(sum(step.kind != "remainder" for step in kept), merged)
    return kept


def _cut(step: Step, effects: float, others: float) -> float:
    return effects if step.kind == "effect" else others


def _kind(name: str) -> str:
    if name == REMAINDER:
        return "remainder"
    return "slip" if name in (SLIP, FORMULA) else "effect"


def chain_chart(
    hand: float, simulated: float, tolerance: float, unit: str, steps: Sequence[Step], name: str
) -> str:
    """From hand to simulated, step by step, each labelled with its amount. Returns SVG."""
    lines = len(steps) + 2
    tall = 0.75 + 0.30 * lines
    edges = hand + np.concatenate([[0.0], np.cumsum([step.amount for step in steps])])
    low, high = min(edges.min(), simulated), max(edges.max(), simulated)
    low, high = min(low, hand - 1.15 * tolerance), max(high, hand + 1.15 * tolerance)
    span = (high - low) or abs(hand) or 1.0
    with canvas.style():
        figure = Figure(figsize=(canvas.WIDTH, tall))
        axes = figure.add_axes((0.33, 0.42 / tall, 0.63, 1.0 - 0.50 / tall))
        axes.axvspan(hand - tolerance, hand + tolerance, facecolor=FAINT, alpha=0.55, linewidth=0)
        axes.plot([hand], [0], color=INK, marker="s", markerfacecolor="none", markersize=7)
        axes.plot([simulated], [lines - 1], color=ORANGE, marker="o", markersize=7)
        names = ["hand"]
        for line, (step, begin, end) in enumerate(zip(steps, edges[:-1], edges[1:], strict=True), start=1):
            plain = step.kind == "effect"
            axes.barh(
                line,
                end - begin,
                left=begin,
                height=0.58,
                facecolor=BLUE if plain else PAPER,
                edgecolor=BLUE if plain else INK,
                hatch=HATCHES[step.kind],
                linewidth=1.0,
            )
            axes.plot([begin, begin], [line - 1, line + 0.29], color=MUTED, linewidth=0.8)
            axes.annotate(
                rounding.amount(step.amount, unit, tolerance).replace("-", "\N{MINUS SIGN}"),
                (max(begin, end), line),
                xytext=(5, 0),
                textcoords="offset points",
                va="center",
                fontsize=9,
            )
            names.append(step.name)
        axes.plot([edges[-1]] * 2, [lines - 2, lines - 1], color=MUTED, linewidth=0.8)
        for value, line in ((hand, 0), (simulated, lines - 1)):
            axes.annotate(
                rounding.figure(value, unit, tolerance / rounding.FINENESS).replace("-", "\N{MINUS SIGN}"),
                (value, line),
                xytext=(8, 0),
                textcoords="offset points",
                va="center",
                fontsize=9.5,
                fontweight="bold",
            )
        axes.set_yticks(range(lines), [*names, "simulated"])
        axes.set_ylim(lines - 0.5, -0.5)
        axes.set_xlim(low - 0.04 * span, high + 0.16 * span)
        axes.grid(axis="y", visible=False)
        canvas.engineering_axis(axes.xaxis, unit, 6)
        return canvas.to_svg(figure, name)


def waveform_chart(waves: Waveforms, name: str) -> str:
    """Ramp and threshold above, pulse below, on one time axis. Returns SVG."""
    time = np.asarray(waves["time"], dtype=float)
    time = time - time[0]
    with canvas.style():
        figure = Figure(figsize=(canvas.WIDTH, 3.5))
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[1.5, 1.0])
        figure.subplots_adjust(left=0.085, right=0.885, top=0.97, bottom=0.14, hspace=0.14)
        looks: dict[str, dict[str, object]] = {
            "ramp": {"color": BLUE, "linewidth": 1.6},
            "threshold": {"color": ORANGE, "linewidth": 1.4, "linestyle": (0, (6, 2))},
            "output": {"color": INK, "linewidth": 1.5},
        }
        room = float(max(np.max(waves[wave]) for wave in looks if wave in waves))
        for axes, names in ((upper, ("ramp", "threshold")), (lower, ("output",))):
            ends = []
            for wave in names:
                if wave not in waves:
                    continue
                shown_time, shown = series.thinned(time, np.asarray(waves[wave], dtype=float))
                axes.plot(shown_time, shown, **looks[wave])
                ends.append(
                    (float(shown[-1]), "pulse" if wave == "output" else wave, str(looks[wave]["color"]))
                )
            canvas.engineering_axis(axes.yaxis, "V", 5)
            axes.margins(y=0.08)
            low, high = axes.get_ylim()
            axes.set_ylim(min(low, -0.06 * room), max(high, ends[0][0] + 0.06 * room, 0.25 * room))
            canvas.label_ends(axes, ends)
        lower.set_xlim(0.0, float(time[-1]))
        canvas.engineering_axis(lower.xaxis, "s", 8)
        lower.set_xlabel("time")
        return canvas.to_svg(figure, name)


def harmonics_chart(numbers: Array, amplitudes: Array, ideal: Array, name: str) -> str:
    """Peak amplitudes of harmonics (V) as dots on stems, a rectangular pulse of equal duty and swing as
    squares."""
    floor = 10.0 ** np.floor(np.log10(max(float(np.nanmax(amplitudes)) * 1e-4, 1e-9)))
    with canvas.style():
        figure = Figure(figsize=(canvas.WIDTH, 2.9))
        axes = figure.add_axes((0.085, 0.165, 0.76, 0.80))
        axes.set_yscale("log")
        shown = np.maximum(amplitudes, floor)
        axes.vlines(numbers, floor, shown, color=ORANGE, linewidth=2.0)
        axes.plot(numbers, shown, color=ORANGE, marker="o", linestyle="none", markersize=5)
        axes.plot(
            numbers,
            np.maximum(ideal, floor),
            color=INK,
            marker="s",
            markerfacecolor="none",
            linestyle="none",
            markersize=8,
        )
        axes.set_ylim(floor, 2.0 * float(np.nanmax([np.nanmax(amplitudes), np.nanmax(ideal)])))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: canvas.tick(value, "V")))
        axes.yaxis.set_minor_formatter(NullFormatter())
        axes.set_xticks(numbers)
        axes.set_xlabel("harmonic")
        axes.text(
            1.015, 0.94, "square: rectangle\ndot: simulated", transform=axes.transAxes, va="top", fontsize=9
        )
        return canvas.to_svg(figure, name)
