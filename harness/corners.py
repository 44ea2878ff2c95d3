# SPDX-License-Identifier: GPL-3.0-or-later
"""Corner tables: every combination of axis values at which a board is looked at."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import product
from typing import TYPE_CHECKING

from harness.findings import BoardError, Finding, nearest
from harness.intent import Axis, Board
from harness.units import parse_si, parse_unit

if TYPE_CHECKING:
    import pandas as pd

MOST_CORNERS = 1_000_000


def corner_count_bound(axes: Mapping[str, Axis], grids: Sequence[Sequence[str]]) -> int:
    """The number of corners before those that grids share are merged."""
    return sum(math.prod(len(axes[name].values) for name in grid) for grid in grids) if grids else 1


def corner_rows(axes: Mapping[str, Axis], grids: Sequence[Sequence[str]]) -> list[tuple[float, ...]]:
    """The union of full grids, one value for each axis in the order of ``axes``; axes outside a grid at nominal.

    The last axis varies fastest, whatever the order of names in a grid. A corner that two grids share comes once, at
    its first place. Without axes there is one row with no values.
    """
    rows: dict[tuple[float, ...], None] = {}
    for grid in grids or [()]:
        choices = [axis.values if axis.name in grid else (axis.nominal,) for axis in axes.values()]
        rows.update(dict.fromkeys(product(*choices)))
    return list(rows)


def corner_names(count: int) -> list[str]:
    """``c001``, ``c002``, ...; as many digits as the last one needs, three at least."""
    width = max(3, len(str(count)))
    return [f"c{number:0{width}d}" for number in range(1, count + 1)]


def corner_table(board: Board, only: Sequence[tuple[str, float | str]] = ()) -> pd.DataFrame:
    """One row a corner: ``corner``, then one float column an axis (SI units, temperature in degC).

    ``only`` keeps the rows where each named axis has one of the values named for it; a text may carry a unit. Names of
    corners do not depend on ``only``. Raises BoardError for an axis or a value that the table does not have.
    """
    import pandas as pd

    rows = corner_rows(board.axes, board.grids)
    table = pd.DataFrame(rows, columns=list(board.axes), index=range(len(rows)), dtype=float)
    table.insert(0, "corner", corner_names(len(rows)))
    findings: list[Finding] = []
    wanted: dict[str, list[float]] = {}
    for name, value in only:
        if name not in board.axes:
            findings.append(Finding(board.path, f'there is no axis "{name}"{nearest(name, board.axes)}', "--only"))
            continue
        axis = board.axes[name]
        present = list(dict.fromkeys(table[name]))
        try:
            number = _value_of(axis, value)
        except ValueError as error:
            findings.append(Finding(board.path, f"{name}: {error}", "--only"))
            continue
        match = next((known for known in present if math.isclose(known, number, rel_tol=1e-9, abs_tol=1e-15)), None)
        if match is None:
            valid = ", ".join(axis.text(known) for known in present)
            message = f'no corner has {name} at {axis.text(number)} (valid: {valid})'
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


def _value_of(axis: Axis, value: float | str) -> float:
    if not isinstance(value, str):
        return float(value)
    quantity = parse_si(value)
    if quantity.unit == "":
        return quantity.value * parse_unit(axis.written_unit or axis.unit).value
    if quantity.unit != axis.unit:
        raise ValueError(f'expected a figure in {axis.unit or "no unit"}, got "{value}"')
    return quantity.value


def nominal_row(board: Board) -> dict[str, float]:
    """The nominal value of every axis."""
    return {axis.name: axis.nominal for axis in board.axes.values()}
