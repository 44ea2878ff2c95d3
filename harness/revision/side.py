# SPDX-License-Identifier: GPL-3.0-or-later
"""One of the two states that are compared: its corners, what was drawn, and how it was run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.corners import value_of
from harness.findings import Finding, InputError, nearest
from harness.intent.objects import Axis
from harness.quantities import ROOM_TEMPERATURE, TEMPERATURE, is_stem
from harness.report.tables import NO_HAND_FIGURE
from harness.revision.drawn import UNITS, DrawnPart
from harness.revision.kept import Kept
from harness.units import parse_si

Column = NDArray[np.float64]
CONCEDED = "conceded"
ROUNDED = 4  # digits of a value in check.csv


@dataclass(frozen=True)
class Side:
    """``label``: as the user named it; ``corners``: the corner table of a run; ``axes``: of that table;
    ``kept``: drawing and board file, None for a run folder that holds neither; ``check``: its check.csv;
    ``run``: its run.json; ``file``: the board file, where there is one."""

    label: str
    board: str
    revision: str
    corners: pd.DataFrame
    axes: Mapping[str, Axis]
    kept: Kept | None
    check: pd.DataFrame
    run: Mapping[str, Any]
    file: Path | None = None

    @property
    def title(self) -> str:
        """``kestrel_slicer, revision A``."""
        return f"{self.board}, revision {self.revision}"

    @property
    def quantities(self) -> list[str]:
        """Stems that the corner table has columns of."""
        names = dict.fromkeys(str(key).rpartition(".")[0] for key in self.corners.columns if "." in str(key))
        return [name for name in names if is_stem(name)]

    def figures(self, quantity: str, part: str, rows: NDArray[np.int64]) -> Column:
        """``quantity.part`` at some rows of the corner table, NaN for row -1 and where there is none."""
        key = f"{quantity}.{part}"
        if key not in self.corners.columns:
            return np.full(len(rows), math.nan)
        column = pd.to_numeric(self.corners[key], errors="coerce").to_numpy(dtype=float)
        return np.where(rows >= 0, np.append(column, math.nan)[rows], math.nan)

    def words(self, name: str, rows: NDArray[np.int64], missing: str) -> NDArray[np.object_]:
        """A column of words at some rows, ``missing`` for row -1 and in empty cells."""
        if name not in self.corners.columns:
            return np.full(len(rows), missing, dtype=object)
        column = self.corners[name].astype(object)
        column = column.where(column.notna(), missing).to_numpy(dtype=object)
        return np.where(rows >= 0, np.append(column, missing)[rows], missing)

    def agreements(self, quantity: str, rows: NDArray[np.int64]) -> NDArray[np.object_]:
        """Words of agreement; ``conceded`` where the board file concedes what would count, ``no hand figure``
        where only that lacks."""
        words = self.words(f"{quantity}.agreement", rows, "no figure")
        conceded = self.words(f"{quantity}.concession", rows, "") == "within"
        words = np.where(conceded & np.isin(words, ("disagrees", "too coarse")), CONCEDED, words)
        if f"{quantity}.hand" not in self.corners.columns:
            return words
        hand, simulated = (self.figures(quantity, part, rows) for part in ("hand", "simulated"))
        return np.where(
            (words == "no figure") & np.isnan(hand) & np.isfinite(simulated), NO_HAND_FIGURE, words
        )

    def on_drawn(self, quantity: str, rows: NDArray[np.int64]) -> Column:
        """The hand formula on drawn values at some rows, where it was kept."""
        column = self.kept.on_drawn.get(quantity) if self.kept else None
        if column is None or len(column) != len(self.corners):
            return np.full(len(rows), math.nan)
        return np.where(rows >= 0, np.append(column, math.nan)[rows], math.nan)

    def axis_like(self, axis: Axis) -> Axis | None:
        """The side's own axis of that name, else the one that sets the same source, part or parameter."""
        if axis.name in self.axes or not axis.sets:
            return self.axes.get(axis.name)
        same = (own for own in self.axes.values() if (own.sets or "").lower() == axis.sets.lower())
        return next(same, None)

    def axis_column(self, axis: Axis) -> tuple[Column, str]:
        """The value of an axis at every corner, and a sentence where the side has no such axis: then it is
        what the drawing has in its place, else the other side's nominal value."""
        own = self.axis_like(axis)
        if own is not None:
            said = "" if own.name == axis.name else f"{self.label} calls the axis {axis.name} {own.name}"
            return self.corners[own.name].to_numpy(dtype=float), said
        value, why = axis.nominal, "the nominal value of the other side, which is a guess"
        if axis.name == TEMPERATURE:
            value, why = ROOM_TEMPERATURE, "the temperature where there is no such axis"
        elif self.kept is not None and axis.sets:
            part = self.kept.parts.get(axis.sets.lower())
            drawn = part.value if part is not None else self.kept.parameters.get(axis.sets.lower())
            if drawn is not None:
                value, why = drawn, "as drawn"
        said = f"{self.label} has no axis {axis.name}: its corners count as {axis.text(value)}, {why}"
        return np.full(len(self.corners), value), said


def restricted(side: Side, only: Sequence[tuple[str, float | str]]) -> Side:
    """The side with the corners alone whose axes have the values of ``only``. Raises InputError for an axis
    or a value that it does not have."""
    wanted: dict[str, list[float]] = {}
    for name, value in only:
        if name not in side.axes:
            raise InputError(
                [Finding(None, f'{side.label}: there is no axis "{name}"{nearest(name, side.axes)}')]
            )
        try:
            wanted.setdefault(name, []).append(value_of(side.axes[name], value))
        except ValueError as error:
            raise InputError([Finding(None, f"{side.label}: {name}: {error}")]) from None
    keep = np.ones(len(side.corners), dtype=bool)
    for name, values in wanted.items():
        column = side.corners[name].to_numpy(dtype=float)
        keep &= np.any([np.isclose(column, value, rtol=1e-9, atol=1e-15) for value in values], axis=0)
    if not keep.any():
        asked = " and ".join(f"{name}={value}" for name, value in only)
        raise InputError([Finding(None, f"{side.label}: no corner of it has {asked}")])
    kept = side.kept
    if kept is not None:
        on_drawn = {
            name: [value for value, held in zip(column, keep, strict=True) if held]
            for name, column in kept.on_drawn.items()
            if len(column) == len(keep)
        }
        kept = replace(kept, on_drawn=on_drawn)
    return replace(side, corners=side.corners[keep].reset_index(drop=True), kept=kept)


def checked_parts(side: Side) -> dict[str, DrawnPart]:
    """The drawing as check.csv tells it: values of a few digits, no connections and no models."""
    if side.kept is not None:
        return {
            name: DrawnPart(part.name, float(f"{part.value:.{ROUNDED - 1}e}"))
            for name, part in side.kept.parts.items()
            if part.value is not None
        }
    found = {}
    for row in side.check.to_dict("records"):
        name, drawn = str(row["part"]), row["drawn"]
        if isinstance(drawn, str) and name.rpartition(".")[2][:1].lower() in UNITS:
            try:
                value = parse_si(drawn).value
            except ValueError:
                continue  # nodes of a part that is not connected as its role says
            found[name.lower()] = DrawnPart(name, float(f"{value:.{ROUNDED - 1}e}"))
    return found
