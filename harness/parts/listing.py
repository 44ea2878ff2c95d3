# SPDX-License-Identifier: GPL-3.0-or-later
"""The rows of device models as lines for people: published beside measured, model by model."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from harness.parts.rows import BAD, NOT_MEASURED, TRIED
from harness.report.rounding import count
from harness.sheets import TYPICAL_FACTOR

_SHOWN = ("quantity", "published", "limit", "measured", "verdict", "condition")
_HEADS = ["typical" if name == "published" else name for name in _SHOWN]
_WIDEST = 34  # characters of a column; behaviours in words would make the table unreadable


def part_lines(table: pd.DataFrame, whole: bool = False) -> Iterator[str]:
    """A block for each model, and what all of them come to; ``whole``: no cell is cut."""
    for model, rows in table.groupby("model", sort=False):
        yield str(model)
        cells = ([row[name] if whole else _cut(row[name]) for name in _SHOWN] for _, row in rows.iterrows())
        lines = [_HEADS, *cells]
        widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
        yield from (_line(cells, widths) for cells in lines)
        yield ""
    yield from closing_lines(table)


def closing_lines(table: pd.DataFrame) -> Iterator[str]:
    """How many rows there are of which verdict, each that is bad with its source, and how they are judged."""
    bad = table[table["verdict"].isin(BAD)]
    for row in bad.itertuples():
        head = f"{row.model}: {row.quantity}: {row.verdict}"
        if row.source == TRIED:
            yield f"{head}: {row.measured} ({row.condition}); its class: {row.published}"
            continue
        published = " and ".join(text for text in (row.published, row.limit) if text)
        yield f"{head}: measured {row.measured}, published {published}"
        yield f"    {row.source}"
    if any(_is_beyond(row.quantity, row.measured) for row in table.itertuples()):
        yield (
            "A room below 0 V: the inputs work until that far beyond the supply (-500 mV: until 0.5 V above"
            " it, or farther, where nothing was tried)."
        )
    counts = table["verdict"].value_counts().to_dict()
    total = ", ".join(f"{number} {word}" for word, number in sorted(counts.items()))
    figures, models = count(len(table), "figure"), count(table["model"].nunique(), "model")
    yield f"{figures} of {models}: {total}."
    yield f"Typical figures are to be met within a factor of {TYPICAL_FACTOR} or the sheet's own, both ours."
    if NOT_MEASURED in counts:
        yield "A row that is not measured says why in its place."


def falls_short(table: pd.DataFrame) -> bool:
    """True where a row is outside, off the typical figure, or has no figure."""
    return bool(table["verdict"].isin(BAD).any())


def _is_beyond(quantity: str, measured: str) -> bool:
    """Whether this row is a room from the common-mode limit to a supply, and negative."""
    return "common_mode_room" in quantity and measured.startswith("-")


def _cut(text: str) -> str:
    return text if len(text) <= _WIDEST else text[: _WIDEST - 3] + "..."


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    padded = [cell.ljust(width) for cell, width in zip(cells, widths, strict=True)]
    return ("  " + "  ".join(padded)).rstrip()
