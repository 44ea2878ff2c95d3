# SPDX-License-Identifier: GPL-3.0-or-later
"""Corner tables: every combination of axis values at which a board is looked at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.findings import BoardError, Finding, nearest
from harness.intent.axes import corner_names, corner_rows
from harness.intent.objects import Axis, Board
from harness.units import parse_si, parse_unit

if TYPE_CHECKING:
    import pandas as pd


def corner_table(board: Board, only: Sequence[tuple[str, float | str]] = ()) -> pd.DataFrame:
    """One row a corner: ``corner``, then one float column an axis (SI units, temperature in degC).

    ``only`` keeps the rows where each named axis has one of the values named for it; a text may carry a unit.
    Names of corners do not depend on ``only``. Raises BoardError for an axis or a value that the table does
    not have.
    """
    import pandas as pd

    rows = corner_rows(board.axes, board.grids)
    table = pd.DataFrame(rows, columns=list(board.axes), index=range(len(rows)), dtype=float)
    table.insert(0, "corner", corner_names(len(rows)))
    findings: list[Finding] = []
    wanted: dict[str, list[float]] = {}
    for name, value in only:
        if name not in board.axes:
            findings.append(
                Finding(board.path, f'there is no axis "{name}"{nearest(name, board.axes)}', "--only")
            )
            continue
        axis = board.axes[name]
        present = list(dict.fromkeys(table[name]))
        try:
            number = value_of(axis, value)
        except ValueError:
            valid = ", ".join(axis.text(known) for known in present)
            message = f'"{value}" is no value of {name} (valid: {valid})'
            findings.append(Finding(board.path, message, "--only"))
            continue
        match = next(
            (known for known in present if math.isclose(known, number, rel_tol=1e-9, abs_tol=1e-15)), None
        )
        if match is None:
            valid = ", ".join(axis.text(known) for known in present)
            message = f"no corner has {name} at {axis.text(number)} (valid: {valid})"
            findings.append(Finding(board.path, message, "--only"))
            continue
        wanted.setdefault(name, []).append(match)
    if findings:
        raise BoardError(findings)
    for name, values in wanted.items():
        table = table[table[name].isin(values)]
    if table.empty:
        asked = " and ".join(f"{name}={value}" for name, value in only)
        raise BoardError([Finding(board.path, f"no corner of the table has {asked}", "--only")])
    return table.reset_index(drop=True)


def corner_columns(board: Board) -> dict[str, NDArray[np.float64] | list[str]]:
    """The columns of the whole corner table by name, for who needs no table."""
    rows = corner_rows(board.axes, board.grids)
    columns = np.array(rows, dtype=float).reshape(len(rows), len(board.axes)).T
    return {"corner": corner_names(len(rows)), **dict(zip(board.axes, columns, strict=True))}


def value_of(axis: Axis, value: float | str) -> float:
    """A value of an axis as typed: a number, one with a unit, or a name. Raises ValueError in words."""
    if not isinstance(value, str):
        return float(value)
    named = axis.named(value.strip())
    if named is not None:
        return named
    quantity = parse_si(value)
    if quantity.unit == "":
        return quantity.value * _counted_in(axis)
    if quantity.unit != axis.unit:
        raise ValueError(f'expected a figure in {axis.unit or "no unit"}, got "{value}"')
    return quantity.value


def typed(axis: Axis, value: float) -> str:
    """A value of an axis (SI) as the command line takes it: a plain number in the axis's own unit."""
    return f"{value / _counted_in(axis):g}"


def _counted_in(axis: Axis) -> float:
    return parse_unit(axis.written_unit or axis.unit).value


def nominal_row(board: Board) -> dict[str, float]:
    """The nominal value of every axis."""
    return {axis.name: axis.nominal for axis in board.axes.values()}
