# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables as CSV text, column by column: a run writes more cells than it computes."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

CELLS = 100_000  # that are held as text at once
_TO_QUOTE = re.compile(r'[",\r\n]')

Texts = Callable[[slice], list[str]]  # of some rows of a column


def write_table(table: pd.DataFrame, path: Path) -> None:
    """Writes a table as CSV: floats with all their digits, nothing where a figure or a text is missing."""
    columns = [_texts_of(table.iloc[:, place]) for place in range(table.shape[1])]
    rows = max(1, CELLS // max(1, len(columns)))
    with path.open("w", encoding="utf-8", newline="") as stream:
        stream.write(",".join(_quoted(str(name)) for name in table.columns) + "\n")
        for begin in range(0, len(table), rows):
            part = slice(begin, begin + rows)
            lines = map(",".join, zip(*(texts(part) for texts in columns), strict=True))
            stream.write("\n".join(lines) + "\n")


def _texts_of(column: pd.Series) -> Texts:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return _picked(column.cat.codes.to_numpy(), map(_quoted, column.cat.categories))
    if isinstance(column.dtype, pd.StringDtype):
        codes, kinds = pd.factorize(column)
        return _picked(codes, map(_quoted, kinds))
    values = column.to_numpy()
    if values.dtype == np.float64:
        codes, bits = pd.factorize(values.view(np.int64))  # to the bit: 0 and -0 are two figures
        if 2 * len(bits) < len(values):
            return _picked(codes, _figures(bits.view(np.float64)))
        return lambda part: _figures(values[part])
    missing = column.isna().to_numpy()
    return lambda part: [
        "" if nothing else _quoted(str(value))
        for value, nothing in zip(values[part].tolist(), missing[part], strict=True)
    ]


def _picked(codes: NDArray[np.integer], texts: Iterable[str]) -> Texts:
    """Of a column with few kinds of cells: each is put into text once. A code of -1 is a missing one."""
    known = np.array([*texts, ""], dtype=object)
    return lambda part: list(known[codes[part]])


def _figures(values: NDArray[np.float64]) -> list[str]:
    texts = list(map(repr, values.tolist()))
    for place in np.flatnonzero(np.isnan(values)):
        texts[place] = ""
    return texts


def _quoted(text: str) -> str:
    """A text as it stands in a cell."""
    if not _TO_QUOTE.search(text):
        return text
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerow((text, ""))
    return stream.getvalue()[: -len(",\n")]
