# SPDX-License-Identifier: GPL-3.0-or-later
"""Setting the trimmers of drawn boards, as it is done on the bench: one after the other, each at its corner.

Each board is set on the closed forms first, by halving the travel; then it is simulated there, the setting is
corrected by what the simulation says, and simulated again. Where there is no closed form, the ends of the
travel are simulated and the setting is found between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.intent.objects import Trim
from harness.studies.rows import Array, Outcomes, Study
from harness.tolerances import column

HALVINGS = 40
CORRECTIONS = 4
NEAR = 2.0  # bars within which a simulated figure is at its target


@dataclass(frozen=True)
class Trimmed:
    """Settings of every board, shape (boards, trimmers); ``error``: what remains at the corner where each was
    set, simulated minus target, and its ``bar``; ``reached``: whether the target lies within the travel."""

    settings: Array
    error: Array
    bar: Array
    reached: NDArray[np.bool_]

    def left(self, trims: tuple[Trim, ...]) -> Array:
        """Travel left to the nearer end, as a share of the travel; 0 at an end."""
        least = np.array([trim.least for trim in trims])
        most = np.array([trim.most for trim in trims])
        return np.asarray(np.minimum(self.settings - least, most - self.settings) / (most - least))


def trim_boards(study: Study, deviations: Array) -> Trimmed:
    """Sets every trimmer of every board; shapes (boards, deviations)."""
    trims = study.varied.trims
    boards = len(deviations)
    settings = np.tile([0.5 * (trim.least + trim.most) for trim in trims], (boards, 1)).astype(float)
    error, bar = np.full((boards, len(trims)), np.nan), np.full((boards, len(trims)), np.nan)
    for place, trim in enumerate(trims):
        _Setting(study, deviations, settings, place, trim).find(error, bar)
    least = np.array([trim.least for trim in trims])
    most = np.array([trim.most for trim in trims])
    inside = (settings > least) & (settings < most)
    with np.errstate(invalid="ignore"):
        reached = inside | (np.abs(error) <= NEAR * bar)
    return Trimmed(settings, error, bar, reached)


def trim_table(study: Study, trimmed: Trimmed, outcomes: Outcomes) -> pd.DataFrame:
    """One row a board, for each trimmer: its setting, whether it reaches, the travel left, the error where it
    was set, and what remains over one axis at a time.

    ``outcomes``: the boards at every axis corner of the study, corners varying fastest. What remains over an
    axis is the largest departure from the target, with its sign, among the axis corners that differ from the
    trimmer's own in that axis alone; for a frequency in cents, else in the unit of the quantity.
    """
    boards = len(trimmed.settings)
    columns: dict[str, Array | NDArray[np.bool_]] = {}
    for place, trim in enumerate(study.varied.trims):
        columns[f"{trim.name}.setting"] = trimmed.settings[:, place]
        columns[f"{trim.name}.reached"] = trimmed.reached[:, place]
        columns[f"{trim.name}.left"] = trimmed.left(study.varied.trims)[:, place]
        columns[f"{trim.name}.error"] = departure(trim, trimmed.error[:, place] + trim.target)
        figures = outcomes.judged(trim.quantity).reshape(boards, -1)
        for axis, corners in beside(study, trim).items():
            apart = departure(trim, figures[:, corners])
            largest = np.argmax(np.nan_to_num(np.abs(apart), nan=-1.0), axis=1)
            columns[f"{trim.name}.over_{axis}"] = apart[np.arange(boards), largest]
    return pd.DataFrame(columns, index=range(boards))


def beside(study: Study, trim: Trim) -> dict[str, NDArray[np.intp]]:
    """For each axis the axis corners of the study that differ from the trimmer's corner in that axis
    alone."""
    axes = [name for name in study.corners.columns if name in trim.at]
    near = {name: np.isclose(study.corners[name], trim.at[name], rtol=1e-9, atol=1e-15) for name in axes}
    found = {}
    for axis in axes:
        others = [near[name] for name in axes if name != axis]
        alone = np.all([~near[axis], *others], axis=0)
        if alone.any():
            found[axis] = np.flatnonzero(alone)
    return found


def departure(trim: Trim, figures: Array) -> Array:
    """How far figures lie from a trimmer's target: in cents for a frequency, else in their own unit."""
    if trim.quantity == "frequency":
        with np.errstate(all="ignore"):
            return np.asarray(1200.0 * np.log2(figures / trim.target))
    return figures - trim.target


class _Setting:
    """One trimmer on all boards; the others stay where they are."""

    def __init__(self, study: Study, deviations: Array, settings: Array, place: int, trim: Trim) -> None:
        self.study, self.deviations, self.settings = study, deviations, settings
        self.place, self.trim = place, trim
        self.round = 0

    def find(self, error: Array, bar: Array) -> None:
        """Puts the setting, the error that remains and its bar into their columns."""
        trim, boards = self.trim, len(self.deviations)
        ends = (np.full(boards, trim.least), np.full(boards, trim.most))
        at_ends = [self._predicted(end) for end in ends]
        known = np.isfinite(at_ends[0]) & np.isfinite(at_ends[1])
        if known.all():
            self._halve(at_ends)
            slope = (at_ends[1] - at_ends[0]) / (trim.most - trim.least)
        else:
            low, high = (self._simulated(end)[0] for end in ends)
            slope = (high - low) / (trim.most - trim.least)
            self._set(trim.least - low / slope)
        last, setting = (
            self._simulated(self.settings[:, self.place].copy()),
            self.settings[:, self.place].copy(),
        )
        for _ in range(CORRECTIONS):
            off = np.abs(last[0]) > NEAR * np.nan_to_num(last[1])
            if not off.any():
                break
            with np.errstate(all="ignore"):
                wanted = np.where(off, setting - last[0] / slope, setting)
            self._set(np.where(np.isfinite(wanted), wanted, setting))
            following = self.settings[:, self.place].copy()
            if (following == setting).all():
                break
            now = self._simulated(following)
            with np.errstate(all="ignore"):
                steep = (now[0] - last[0]) / (following - setting)
            slope = np.where(np.isfinite(steep) & (steep != 0), steep, slope)
            last, setting = now, following
        error[:, self.place], bar[:, self.place] = last

    def _set(self, values: Array) -> None:
        self.settings[:, self.place] = np.clip(values, self.trim.least, self.trim.most)

    def _halve(self, at_ends: list[Array]) -> None:
        """The root of the closed form between the ends; the nearer end where there is none."""
        low = np.full(len(self.deviations), self.trim.least)
        high = np.full(len(self.deviations), self.trim.most)
        rising = at_ends[1] > at_ends[0]
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            above = (self._predicted(middle) > 0) == rising
            low, high = np.where(above, low, middle), np.where(above, middle, high)
        outside = np.sign(at_ends[0]) == np.sign(at_ends[1])
        nearer = np.where(np.abs(at_ends[0]) <= np.abs(at_ends[1]), self.trim.least, self.trim.most)
        self._set(np.where(outside, nearer, 0.5 * (low + high)))

    def _rows(self, setting: Array, what: str) -> tuple[list[str], Array]:
        settings = self.settings.copy()
        settings[:, self.place] = setting
        width = len(str(len(setting)))
        return [f"{self.trim.name}/{what}/{board + 1:0{width}}" for board in range(len(setting))], settings

    def _predicted(self, setting: Array) -> Array:
        """Closed form minus target."""
        names, settings = self._rows(setting, "closed form")
        table = self.study.predicted(self.study.rows_at(self.trim.at, self.deviations, names, settings))
        return column(table, self.trim.quantity) - self.trim.target

    def _simulated(self, setting: Array) -> tuple[Array, Array]:
        """Simulation minus target, and the bar."""
        self.round += 1
        names, settings = self._rows(setting, f"setting {self.round}")
        outcomes = self.study.simulated(self.study.rows_at(self.trim.at, self.deviations, names, settings))
        return outcomes.judged(self.trim.quantity) - self.trim.target, column(
            outcomes.bars, self.trim.quantity
        )
