# SPDX-License-Identifier: GPL-3.0-or-later
"""The report's drawings for paper: their colours and fonts named, and inks that a grey print keeps apart."""

from __future__ import annotations

import re

from harness.order.records import Figure
from harness.report import pictures
from harness.report.canvas import Picture
from harness.results import RunResult

INKS = {
    "ink": "#000000",
    "muted": "#5f5f5f",
    "faint": "#d9d9d9",
    "paper": "#ffffff",
    "blue": "#1d4f86",
    "orange": "#b4560a",
}
FONT = "'DejaVu Sans'"


def figures_of(result: RunResult) -> tuple[Figure, ...]:
    """Where limits are not met, and the duty along its main axis."""
    made = [*pictures.limit_maps(result), *pictures.duty_picture(result)]
    return tuple(_on_paper(picture) for picture in made)


def _on_paper(picture: Picture) -> Figure:
    svg = re.sub(r"var\(--(\w+)\)", lambda match: INKS.get(match[1], FONT), picture.svg)
    svg = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    return Figure(picture.title, picture.caption, picture.alternative, svg)
