# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawing style and the way from a matplotlib figure to SVG that a page may hold.

Colours are placeholders until the SVG is written; then they become the page's own colour variables, so one
drawing serves light, dark and print. Nothing depends on the clock or on what was drawn before.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from harness.report import rounding

INK, MUTED, FAINT, PAPER, BLUE, ORANGE = "#010101", "#767671", "#d1d1d3", "#fefefd", "#0a5aa1", "#b85a02"
VARIABLES = {INK: "ink", MUTED: "muted", FAINT: "faint", PAPER: "paper", BLUE: "blue", ORANGE: "orange"}

WIDTH = 10.0
"""Width of a drawing in inches; the page scales it to its column."""

LEADER = 0.2
"""Inches from the right edge of a panel to its labels: enough for leaders that fan out to be told apart."""

_STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "ramp-harness",
    "font.family": "sans-serif",
    "font.size": 9.5,
    "text.color": INK,
    "text.parse_math": False,  # names of users may hold dollars
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.facecolor": "none",
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
    "axes.labelsize": 9.5,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.color": MUTED,
    "hatch.linewidth": 0.5,
    "figure.facecolor": "none",
    "lines.linewidth": 1.6,
    "path.simplify": True,
}


@dataclass(frozen=True)
class Picture:
    """A drawing with its words. ``alternative`` says in a sentence what a reader who cannot see it
    should know."""

    title: str
    caption: str
    alternative: str
    svg: str


@contextmanager
def style() -> Iterator[None]:
    """Our settings, and only ours, whatever the user's matplotlib is set to."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_STYLE)  # type: ignore[arg-type]
        yield


def to_svg(figure: Figure, name: str) -> str:
    """The figure as an ``<svg>`` element. ``name`` goes before every id, so that drawings share a page."""
    buffer = io.StringIO()
    metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(buffer, format="svg", metadata=metadata)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'\s*xmlns(:\w+)?="[^"]*"', "", text)
    text = re.sub(
        r'<svg [^>]*viewBox="([^"]*)"[^>]*>', r'<svg viewBox="\1" aria-hidden="true">', text, count=1
    )
    text = text.replace("xlink:href=", "href=")
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'href="#', f'href="#{name}-', text)
    text = text.replace("url(#", f"url(#{name}-")
    text = re.sub(r"font: ([^;\"]*?px) [^;\"]*", r"font: \1 var(--font)", text)
    for colour, variable in VARIABLES.items():
        text = text.replace(colour, f"var(--{variable})")
    return re.sub(r"\n\s*", "\n", text).strip()


def common_prefix(largest: float, unit: str) -> tuple[float, str]:
    """(factor, unit with prefix) with which figures up to ``largest`` read best: (1e-6, "uA") for 150e-6
    A."""
    power = rounding.prefix_power(largest, unit)
    return 10.0**power, f"{rounding.PREFIXES[power]}{unit}"


def engineering_axis(axis: Axis, unit: str, most: int = 6) -> None:
    """Ticks of a matplotlib axis in engineering notation with their unit."""
    axis.set_major_formatter(FuncFormatter(lambda value, _: tick(value, unit)))
    axis.set_major_locator(MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]))


def tick(value: float, unit: str) -> str:
    """A tick label: rounding noise of tick positions taken off, a minus sign that screens show well."""
    clean = float(f"{value:.8g}")
    return rounding.figure(clean, unit).replace("-", "\N{MINUS SIGN}")


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Positions at least ``gap`` apart, in the order of the wanted ones and with the least sum of squared
    distances from them, inside ``low`` to ``high`` as far as that goes.

    Those that are too near each other become groups around their common middle (isotonic regression by
    pooling neighbours).
    """
    order = sorted(range(len(wanted)), key=lambda index: (wanted[index], index))
    groups: list[tuple[float, int]] = []  # mean and number of the positions, each less its place times gap
    for place, index in enumerate(order):
        mean, number = min(max(wanted[index], low), high) - place * gap, 1
        while groups and groups[-1][0] > mean:
            before, many = groups.pop()
            mean, number = (before * many + mean * number) / (many + number), many + number
        groups.append((mean, number))
    levels = [mean for mean, number in groups for _ in range(number)]
    most = high - gap * (len(order) - 1)
    placed = [0.0] * len(wanted)
    for place, index in enumerate(order):
        placed[index] = min(max(levels[place], low), max(most, low)) + place * gap
    return placed


def label_ends(axes: Axes, ends: Sequence[tuple[float, str, str]], size: float = 9.5) -> None:
    """Direct labels at the right edge: (height in data, words, colour), moved apart, with a thin leader
    each."""
    if not ends:
        return
    low, high = axes.get_ylim()
    heights = [(end[0] - low) / (high - low) for end in ends]
    extent = axes.get_window_extent()
    gap = 1.25 * size / 72.0 * axes.figure.dpi / extent.height
    aside = 1.0 + LEADER * axes.figure.dpi / extent.width
    for (value, words, colour), place in zip(ends, spread(heights, gap, 0.02, 0.98), strict=True):
        start = (value - low) / (high - low)
        axes.annotate(
            words,
            xy=(1.0, min(max(start, 0.0), 1.0)),
            xytext=(aside, place),
            xycoords="axes fraction",
            textcoords="axes fraction",
            color=colour,
            fontsize=size,
            va="center",
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "color": MUTED,
                "linewidth": 0.6,
                "shrinkA": 0,
                "shrinkB": 1,
                "relpos": (0.0, 0.5),
            },
        )
