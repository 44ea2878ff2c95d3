# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables as CSV text, column by column: a run writes more cells than it computes."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
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
        return _of_kinds(column.cat.codes.to_numpy(), column.cat.categories)
    if isinstance(column.dtype, pd.StringDtype):
        return _of_kinds(*pd.factorize(column))
    values = column.to_numpy()
    if values.dtype == np.float64:
        return lambda part: _figures(values[part])
    missing = column.isna().to_numpy()
    return lambda part: [
        "" if nothing else _quoted(str(value))
        for value, nothing in zip(values[part].tolist(), missing[part], strict=True)
    ]


def _of_kinds(codes: NDArray[np.integer], kinds: pd.Index) -> Texts:
    """Of a column with few texts: each is put into quotes once. A code of -1 is a missing text."""
    texts = np.array([*map(_quoted, kinds), ""], dtype=object)
    return lambda part: list(texts[codes[part]])


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
