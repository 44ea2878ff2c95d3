# SPDX-License-Identifier: GPL-3.0-or-later
"""What the designer's own formulas say at every corner. Reads intended values and axes, never the netlist."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from harness.findings import nearest
from harness.intent.objects import Board

if TYPE_CHECKING:
    import pandas as pd


def _constants(board: Board, values: Mapping[str, float] | None) -> dict[str, float]:
    constants = {name.lower(): part.value for name, part in board.intended.items()}
    for name, value in (values or {}).items():
        if name.lower() not in constants:
            raise KeyError(f'"{name}" is no intended part{nearest(name, board.intended)}')
        constants[name.lower()] = value
    constants.update({name.lower(): quantity.value for name, quantity in board.given.items()})
    return constants


def hand_table(
    board: Board, corners: pd.DataFrame, values: Mapping[str, float] | None = None
) -> pd.DataFrame:
    """One row a corner, index of ``corners``; one column a formula of ``[hand]``, helpers included, in SI
    units.

    ``corners`` has a column for each axis. ``values`` stands in for intended values, by part name. A formula
    without a figure (a division by zero, a root of a negative number) gives nan. Raises KeyError for a value
    of a part that is not intended.
    """
    import numpy as np
    import pandas as pd

    namespace: dict[str, Any] = dict(_constants(board, values))
    for axis in board.axes:
        namespace[axis.lower()] = corners[axis].to_numpy(dtype=np.float64)
    columns = {}
    for name in board.hand_order:
        column = np.broadcast_to(board.hand[name].evaluate(namespace), (len(corners),))
        namespace[name.lower()] = column
        columns[name] = column
    return pd.DataFrame({name: columns[name] for name in board.hand}, index=corners.index)


def hand_substitution(board: Board, row: Mapping[str, float]) -> dict[str, str]:
    """Each formula's text with the figures of one corner put in; ``row`` gives a value (SI) for each axis."""
    namespace = _constants(board, None)
    namespace.update({axis.lower(): float(row[axis]) for axis in board.axes})
    units = {name: part.unit for name, part in board.intended.items()}
    units.update({name: quantity.unit for name, quantity in board.given.items()})
    units.update({name: axis.unit for name, axis in board.axes.items()})
    units.update(board.hand_units)
    for name in board.hand_order:
        namespace[name.lower()] = float(board.hand[name].evaluate(namespace))
    return {name: board.hand[name].with_numbers(namespace, units) for name in board.hand}
