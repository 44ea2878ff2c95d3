# SPDX-License-Identifier: GPL-3.0-or-later
"""Corners of two sides, side by side by their axis values: a full outer join, where missing is a word of its
own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.intent.objects import Axis
from harness.report import rounding
from harness.revision.side import Side

NEW, MISSING, NOT_SIMULATED = "new", "missing", "not simulated"
WORSE_STATE, OTHER_STATE = "state worse", "state changed"
_RANK = {"pulsing": 0, "stuck high": 1, "stuck low": 1}
LOST = 2  # rank of a state whose figures are never a pass


@dataclass(frozen=True)
class Joined:
    """``table``: a row a corner of either side: ``corner`` (the name after, where there is one),
    ``name_before``, ``name_after``, a column an axis, ``state_before``, ``state_after``, ``verdict`` (""
    where nothing is to say). ``before``, ``after``: rows of the corner tables of the sides, -1 where there is
    none."""

    table: pd.DataFrame
    axes: tuple[str, ...]
    before: NDArray[np.int64]
    after: NDArray[np.int64]
    places: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def both(self) -> NDArray[np.bool_]:
        """Corners that both sides have."""
        return (self.before >= 0) & (self.after >= 0)


def join(before: Side, after: Side) -> Joined:
    """Every corner of either side, those of ``after`` first and in their order."""
    gone = {name: axis for name, axis in before.axes.items() if after.axis_like(axis) is None}
    axes = {**gone, **after.axes}
    remarks: list[str] = []
    columns = {}
    for late, side in ((False, before), (True, after)):
        read = [side.axis_column(axis) for axis in axes.values()]
        columns[late] = [column for column, _ in read]
        remarks += [sentence for _, sentence in read if sentence]
    keys = {late: list(_keys(columns[late], len(s.corners))) for late, s in ((False, before), (True, after))}
    old = {key: row for row, key in enumerate(keys[False])}
    new = set(keys[True])
    rows = [(old.get(key, -1), row) for row, key in enumerate(keys[True])]
    rows += [(row, -1) for row, key in enumerate(keys[False]) if key not in new]
    row_before, row_after = (np.array([pair[place] for pair in rows], dtype=np.int64) for place in (0, 1))
    names = [side.words("corner", place, "") for side, place in ((before, row_before), (after, row_after))]
    states = [side.words("state", place, "") for side, place in ((before, row_before), (after, row_after))]
    table = pd.DataFrame(
        {
            "corner": np.where(names[1] != "", names[1], names[0]),
            "name_before": names[0],
            "name_after": names[1],
            **{
                name: np.where(
                    row_after >= 0, columns[True][place][row_after], columns[False][place][row_before]
                )
                for place, name in enumerate(axes)
            },
            "state_before": states[0],
            "state_after": states[1],
        }
    )
    table["verdict"] = [_verdict(str(a), str(b)) for a, b in zip(*states, strict=True)]
    renamed = int(((names[0] != names[1]) & (row_before >= 0) & (row_after >= 0)).sum())
    if renamed:
        remarks.append(
            f"{rounding.count(renamed, 'corner')} of the same axis values"
            f" {'has another name' if renamed == 1 else 'have other names'} after than before;"
            " names are those after"
        )
    places = tuple(
        _place(axes, columns[True], late) if late >= 0 else _place(axes, columns[False], early)
        for early, late in rows
    )
    return Joined(table, tuple(axes), row_before, row_after, places, tuple(remarks))


def _keys(columns: list[NDArray[np.float64]], count: int) -> Iterator[tuple[str, ...]]:
    """What makes a corner the same corner: its axis values to nine digits."""
    for row in range(count):
        yield tuple(f"{column[row] + 0.0:.9g}" for column in columns)


def _place(axes: Mapping[str, Axis], columns: list[NDArray[np.float64]], row: int) -> str:
    """``control 5 V, supply 15 V``."""
    return ", ".join(
        f"{axis.name} {axis.text(float(column[row]))}"
        for axis, column in zip(axes.values(), columns, strict=True)
    )


def _verdict(before: str, after: str) -> str:
    """What became of a corner. A state from which figures are no pass, or without a pulse, is worse."""
    if not after:
        return MISSING
    if not before:
        return NOT_SIMULATED if after == "not simulated" else NEW
    if before == after:
        return NOT_SIMULATED if after == "not simulated" else ""
    if after == "not simulated":
        return NOT_SIMULATED
    return WORSE_STATE if rank(after) > rank(before) else OTHER_STATE


def rank(state: str) -> int:
    """0 pulsing, 1 stuck, 2 what is never a pass."""
    return _RANK.get(state, LOST)
