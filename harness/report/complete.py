# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables of a run as the report reads them: every column there, figures as floats, verdicts as words.

A column without a single figure may be missing or hold anything that stands for nothing. Here, and nowhere
else, that becomes NaN or a word, so that everything behind can count on it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pandas as pd

from harness import quantities
from harness.report.tables import finite
from harness.results import RunResult

FIGURES = ("hand", "solved", "refined", "simulated", "bar", "difference", "margin", "tolerance")


def completed(result: RunResult) -> RunResult:
    """The same run with whole tables: float columns (NaN also for infinite ones), words where verdicts lack.

    Steps of the effect table without an amount are left out; they say nothing.
    """
    effects = floated(result.effects, ("amount",))
    return replace(
        result,
        corners=_corners(result),
        effects=effects[effects["amount"].notna()],
        expected=_worded(floated(result.expected, ("expected", "simulated", "bar")), "agreement"),
        harmonics=floated(result.harmonics, ("harmonic", "amplitude", "phase")),
    )


def floated(table: pd.DataFrame, columns: Iterable[str]) -> pd.DataFrame:
    """``table`` with these columns as floats; NaN where a column is missing, no number or infinite."""
    return table.assign(**{name: _floats(table, name) for name in columns})


def _floats(table: pd.DataFrame, name: str) -> pd.Series:
    if name not in table:
        return pd.Series(np.nan, index=table.index)
    return finite(table[name])


def _worded(table: pd.DataFrame, name: str, missing: str = "no figure") -> pd.DataFrame:
    return table.assign(**{name: _words(table, name, missing)})


def _words(table: pd.DataFrame, name: str, missing: str) -> pd.Series:
    if name not in table:
        return pd.Series(missing, index=table.index)
    words, known = table[name], table[name].notna()
    if isinstance(words.dtype, pd.StringDtype) and known.all():
        return words
    return words.astype(object).where(known, missing).astype(str)


def _corners(result: RunResult) -> pd.DataFrame:
    corners = result.corners
    heads = {str(column).rpartition(".")[0] for column in corners.columns}
    names = sorted(name for name in heads if quantities.is_stem(name))
    columns: dict[str, pd.Series] = {}
    for name in names:
        columns |= {f"{name}.{part}": _floats(corners, f"{name}.{part}") for part in FIGURES}
        for part, missing in (
            ("agreement", "no figure"),
            ("limit", "no figure" if name in result.board.limits else "no limit"),
        ):
            columns[f"{name}.{part}"] = _words(corners, f"{name}.{part}", missing)
        if f"{name}.concession" in corners:
            columns[f"{name}.concession"] = _words(corners, f"{name}.concession", "")
    for axis in result.board.axes:
        if axis in corners and pd.to_numeric(corners[axis], errors="coerce").notna().all():
            columns[axis] = corners[axis].astype(float)
    columns["corner"] = corners["corner"].astype(str)
    columns["state"] = _words(corners, "state", "not simulated")
    columns["reason"] = _words(corners, "reason", "")
    kept = [name for name in corners.columns if name not in columns]
    order = [*corners.columns, *(name for name in columns if name not in corners.columns)]
    return pd.concat([corners[kept], pd.DataFrame(columns, index=corners.index)], axis=1)[order]
