# SPDX-License-Identifier: GPL-3.0-or-later
"""What a drawing shows: the witnesses' figures along one axis, the others held, as plain arrays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness import quantities
from harness.board import Board
from harness.report import tables
from harness.verdict import NO_PASS

Array = NDArray[np.float64]
T = TypeVar("T")

PITCH = "pitch_error"
"""Drawn instead of the frequency: cents against the hand figure."""

MOST_POINTS = 200
"""Corners drawn along one line; beyond that every n-th, ends included."""


@dataclass(frozen=True)
class Series:
    """One quantity along one axis. Arrays of shape (n,), SI units (cents for pitch), nan where missing.

    ``unproven``: corners in a state whose figures are never a pass.
    """

    quantity: str
    title: str
    unit: str
    axis: str
    axis_values: tuple[Any, ...]
    hand: Array
    refined: Array
    simulated: Array
    bar: Array
    tolerance: Array
    unproven: NDArray[np.bool_]

    @property
    def positions(self) -> Array:
        """Where the points stand: the axis values, or 0, 1, 2, ... where they are words."""
        if any(isinstance(value, str) for value in self.axis_values):
            return np.arange(len(self.axis_values), dtype=float)
        return np.array([float(value) for value in self.axis_values])

    @property
    def moves(self) -> float:
        """The widest range of any witness along the axis, in tolerances; infinite where none is known."""
        width = _widest((self.hand, self.refined, self.simulated))
        known = self.tolerance[np.isfinite(self.tolerance)]
        if len(known) and np.median(known) > 0.0:
            return width / float(np.median(known))
        return np.inf if width > 0.0 else 0.0

    @property
    def empty(self) -> bool:
        """No witness has a figure."""
        return not any(np.isfinite(part).any() for part in (self.hand, self.refined, self.simulated))


def _widest(parts: Iterable[Array]) -> float:
    finite = (part[np.isfinite(part)] for part in parts)
    return max((float(np.ptp(part)) for part in finite if len(part)), default=0.0)


def along(board: Board, corners: pd.DataFrame, axis: str, held: Mapping[str, object]) -> pd.DataFrame:
    """The corners with every axis in ``held`` at its value, sorted along ``axis``, thinned, one a value."""
    keep = pd.Series(True, index=corners.index)
    for name, value in held.items():
        if name != axis and name in corners:
            keep &= tables.same(corners[name], value)
    rows = corners[keep].drop_duplicates(axis)
    if pd.api.types.is_numeric_dtype(rows[axis]):
        rows = rows.sort_values(axis, kind="stable")
    if len(rows) > MOST_POINTS:
        rows = rows.iloc[np.unique(np.linspace(0, len(rows) - 1, MOST_POINTS).round().astype(int))]
    return rows


def series(rows: pd.DataFrame, quantity: str, axis: str) -> Series:
    """The witnesses' figures of ``quantity`` in the given corners, in their order."""
    values = tuple(rows[axis].tolist())
    unproven = rows["state"].isin(NO_PASS).to_numpy(dtype=bool)
    if quantity == PITCH:
        hand = tables.numbers(rows, "frequency", "hand")
        parts = {}
        for witness in ("hand", "refined", "simulated"):
            ratio = tables.numbers(rows, "frequency", witness) / hand
            parts[witness] = 1200.0 * np.log2(ratio.where(ratio > 0.0))
        to_cents = 1200.0 / np.log(2.0)
        parts["bar"] = to_cents * tables.numbers(rows, "frequency", "bar") / hand
        parts["tolerance"] = to_cents * tables.numbers(rows, "frequency", "tolerance") / hand
        return Series(PITCH, "Pitch against hand", "cent", axis, values, **_arrays(parts), unproven=unproven)
    stem = quantities.stem(quantity)
    names = ("hand", "refined", "simulated", "bar", "tolerance")
    parts = {name: tables.numbers(rows, quantity, name) for name in names}
    return Series(quantity, stem.title, stem.unit, axis, values, **_arrays(parts), unproven=unproven)


def _arrays(parts: Mapping[str, pd.Series]) -> dict[str, Array]:
    return {name: part.to_numpy(dtype=float) for name, part in parts.items()}


def swept_axes(board: Board, corners: pd.DataFrame) -> list[str]:
    """Axes with two values or more while the others are nominal, in the order of the board file."""
    nominals = tables.nominals(board, corners)
    return [name for name in nominals if len(along(board, corners, name, nominals)) > 1]


def leading_axis(board: Board, corners: pd.DataFrame, quantity: str) -> str | None:
    """The axis that moves ``quantity`` most while the others are nominal; the first in doubt; None
    without axes."""
    nominals = tables.nominals(board, corners)
    best, widest = None, 0.0
    for axis in swept_axes(board, corners):
        drawn = series(along(board, corners, axis, nominals), quantity, axis)
        figures = drawn.simulated if np.isfinite(drawn.simulated).sum() > 1 else drawn.hand
        finite = figures[np.isfinite(figures)]
        width = float(np.ptp(finite)) if len(finite) else 0.0
        if best is None or width > widest * (1.0 + 1e-9):
            best, widest = axis, width
    return best


def second_axis(board: Board, corners: pd.DataFrame, first: str) -> str | None:
    """The axis with which ``first`` forms the fullest grid, the others nominal; None where there is none."""
    nominals = tables.nominals(board, corners)
    best, most = None, 0
    for axis in nominals:
        if axis == first:
            continue
        held = {name: value for name, value in nominals.items() if name not in (first, axis)}
        keep = pd.Series(True, index=corners.index)
        for name, value in held.items():
            keep &= tables.same(corners[name], value)
        grid = corners[keep].drop_duplicates([first, axis])
        if grid[axis].nunique() > 1 and len(grid) > max(
            most, grid[first].nunique() + grid[axis].nunique() - 1
        ):
            best, most = axis, len(grid)
    return best


def picked(values: list[T], most: int) -> list[T]:
    """At most ``most`` of the values, ends and middle kept."""
    if len(values) <= most:
        return values
    return [values[index] for index in np.unique(np.linspace(0, len(values) - 1, most).round().astype(int))]


def thinned(time: Array, wave: Array, most: int = 400) -> tuple[Array, Array]:
    """A waveform with at most about 2·``most`` points that keeps the extremes of every stretch of time.

    ``time`` (s) and ``wave``: shape (n,); returns two arrays of one shape.
    """
    if len(time) <= 2 * most:
        return time, wave
    edges = np.searchsorted(time, np.linspace(time[0], time[-1], most + 1))
    keep = {0, len(time) - 1}
    for begin, end in pairwise(edges):
        if end > begin:
            piece = wave[begin:end]
            keep |= {begin + int(np.argmin(piece)), begin + int(np.argmax(piece)), int(begin), int(end) - 1}
    index = np.array(sorted(keep))
    return time[index], wave[index]
