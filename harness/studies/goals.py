# SPDX-License-Identifier: GPL-3.0-or-later
"""Goals: what a quantity is to keep to, everywhere or at some corners, and by how much a figure keeps to it.

Margins of different quantities are compared in tolerances: the room to the nearer end of a goal, less the
error bar, as a multiple of the quantity's tolerance (that of ``[tolerance]``, or its usual one).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from harness.board import Board
from harness.corners import corner_table
from harness.findings import BoardError, Finding, InputError, nearest
from harness.intent.objects import Limit
from harness.quantities import STEMS, is_stem, stem
from harness.studies.rows import Array
from harness.tolerances import absolute_tolerance, column, first_known, scales
from harness.units import engineering, parse_si
from harness.verdict import ROOMS, limit_words

_GOAL = re.compile(r"\s*(\w+)\s+(.*?)\s*\.\.\s*((?:(?!\bat\s).)*?)\s*(?:\bat\s+(.+))?", re.DOTALL)
_BARE = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_WITH_UNIT = re.compile(rf"({_BARE.pattern})?(\s*[^\d\s.+-][^\d]*)")
_FORM = 'expected a goal such as "duty 0.1..0.9", "rise_time ..5us" or "threshold 2..2.1 V at control=4"'


@dataclass(frozen=True)
class Goal:
    """What a quantity is to keep to. ``corners``: names of the axis corners it speaks of, None for all."""

    quantity: str
    limit: Limit
    corners: frozenset[str] | None = None
    where: str = ""

    def __str__(self) -> str:
        about = stem(self.quantity)
        ends = (self.limit.least, self.limit.most)
        least, most = ("" if end is None else engineering(end, about.unit) for end in ends)
        span = f"{least} to {most}" if least and most else f"at least {least}" if least else f"at most {most}"
        return f"{about.title} {span}{f' at {self.where}' if self.where else ''}"


def limits_of(board: Board) -> tuple[Goal, ...]:
    """The limits of a board file as goals."""
    return tuple(Goal(quantity, limit) for quantity, limit in board.limits.items())


def read_goals(board: Board, texts: Sequence[str]) -> tuple[Goal, ...]:
    """Goals as they are typed. Raises InputError with a finding for each that is none."""
    goals, findings = [], []
    for text in texts:
        try:
            goals.append(_read(board, text))
        except ValueError as error:
            findings.append(Finding(None, f'"{text}": {error}', "--goal"))
    if findings:
        raise InputError(findings)
    return tuple(goals)


def _read(board: Board, text: str) -> Goal:
    parts = _GOAL.fullmatch(text)
    if parts is None or not (parts[2] or parts[3]):
        raise ValueError(_FORM)
    name, where = parts[1], parts[4]
    least, most = (_end(name, end) for end in _with_one_unit(parts[2], parts[3]))
    if least is not None and most is not None and least >= most:
        raise ValueError("the first end is not below the second; no figure can be within")
    return Goal(name, Limit(least, most), _corners(board, where) if where else None, where or "")


def _with_one_unit(first: str, second: str) -> tuple[str, str]:
    """Both ends of a span, the unit behind the second one also behind a first one that is a bare number:
    ``5..6 kHz``, ``-3.. dB``."""
    unit = _WITH_UNIT.fullmatch(second)
    if unit is None or not _BARE.fullmatch(first):
        return first, second
    return first + unit[2], second if unit[1] else ""


def _end(name: str, text: str) -> float | None:
    if not is_stem(name):
        raise ValueError(f'there is no quantity "{name}"{nearest(name, STEMS)}')
    if not text:
        return None
    end, unit = parse_si(text), stem(name).unit
    if end.unit not in ("", unit) and (end.unit, unit) != ("%", ""):
        raise ValueError(f'expected a figure {f"in {unit}" if unit else "without a unit"}, got "{text}"')
    return end.value


def _corners(board: Board, where: str) -> frozenset[str]:
    pairs = []
    for setting in where.split(","):
        axis, sign, value = (word.strip() for word in setting.partition("="))
        if not (sign and axis and value):
            raise ValueError(f'expected AXIS=VALUE behind "at", got "{setting.strip()}"')
        pairs.append((axis, value))
    try:
        return frozenset(corner_table(board, pairs)["corner"])
    except BoardError as error:
        raise ValueError("; ".join(finding.message for finding in error.findings)) from None


def tolerances(board: Board, goals: Sequence[Goal], figures: pd.DataFrame) -> Array:
    """The tolerance of each goal's quantity at rows of ``figures``, shape (rows, goals), in its own unit.

    Where the figures do not give the scale, the goal's own ends do.
    """
    swing, ramp = scales(figures)
    found = np.empty((len(figures), len(goals)))
    for place, goal in enumerate(goals):
        ends = [abs(end) for end in (goal.limit.least, goal.limit.most) if end]
        bound = np.full(len(figures), max(ends, default=1.0))
        reference = first_known(column(figures, goal.quantity), bound)
        with np.errstate(all="ignore"):
            wide = absolute_tolerance(board.tolerance_of(goal.quantity), reference, swing, ramp)
        found[:, place] = np.where(np.isfinite(wide) & (wide > 0.0), wide, bound)
    return found


def margins(
    goals: Sequence[Goal], figures: pd.DataFrame, bars: pd.DataFrame, corners: Sequence[str], scale: Array
) -> Array:
    """By how many tolerances rows keep to goals, shape (rows, goals): minus infinite where there is no
    figure, infinite where a goal does not speak of the row's corner.

    ``scale``: of :func:`tolerances`; ``bars``: half-widths of the figures, none where they are NaN.
    """
    found = np.empty(scale.shape)
    for place, goal in enumerate(goals):
        figure = column(figures, goal.quantity)
        bar = np.nan_to_num(column(bars, goal.quantity), nan=0.0)
        _, room = limit_words(figure, bar, goal.limit)
        spoken = np.ones(len(figures), dtype=bool)
        if goal.corners is not None:
            spoken = np.isin(np.asarray(corners, dtype=str), list(goal.corners))
        share = np.where(np.isfinite(room), room / scale[:, place], -np.inf)
        found[:, place] = np.where(spoken, share, np.inf)
    return found


def in_range(figures: pd.DataFrame) -> pd.DataFrame:
    """Predicted figures that may count as a pass: none where the comparator's inputs leave its range."""
    with np.errstate(invalid="ignore"):
        beyond = np.any([column(figures, name) < 0.0 for name in ROOMS], axis=0)
    others = [name for name in figures.columns if name not in ROOMS]
    return figures.assign(**{name: figures[name].mask(beyond) for name in others})
