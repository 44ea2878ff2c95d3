# SPDX-License-Identifier: GPL-3.0-or-later
"""Concessions against a run: the one place that decides which deviations lie within a conceded bound.

What is decided here stands in the column ``q.concession`` of the corner table and in ``concession`` of the
tables of parts and of expected figures; everything else reads these columns.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.board import Board
from harness.intent.objects import Concession, Intended
from harness.quantities import stem
from harness.tolerances import Column, absolute_tolerance, column, first_known, scales
from harness.units import parse_si

FAR = 3.0  # an explained difference beyond so many tolerances is a deviation that can be conceded
WITHIN: Final = "within"
BEYOND: Final = "beyond"
NOT_NEEDED: Final = "not needed"
NOT_JUDGED: Final = "not judged"
OFF = ("differs", "not drawn")  # words of parts that are not drawn as intended
_ROUNDING = 1.0 + 1e-9
_WITNESSES = ("simulated", "refined", "hand")
_LEVELS = ("low_level", "high_level", "ramp_low", "ramp_high")

Outcome = Literal["within", "beyond", "not needed", "not judged"]


@dataclass(frozen=True)
class Conceded:
    """What became of one concession in a run.

    ``within``, ``beyond``: the corners of deviations that its bound covers and does not cover. ``corner``:
    where the deviation, error bar included, reaches farthest; ``reach`` and ``bound`` there, in ``unit`` ("%"
    for a part, whose corners are empty).
    """

    concession: Concession
    outcome: Outcome
    within: tuple[str, ...]
    beyond: tuple[str, ...]
    corner: str
    reach: float
    bound: float
    unit: str

    def record(self) -> dict[str, Any]:
        """The same for run.json."""
        one = self.concession
        return {
            "kind": one.kind,
            "name": one.name,
            "most": None if math.isnan(self.bound) else self.bound,
            "unit": "1" if one.kind == "part" else self.unit or "1",  # of a part a share, not its hundredfold
            "at": dict(one.at),
            "reason": one.reason,
            "outcome": self.outcome,
            "within": len(self.within),
            "beyond": len(self.beyond),
            "corner": self.corner,
            "reach": None if math.isnan(self.reach) else self.reach,
        }


def counts(table: pd.DataFrame, name: str = "") -> NDArray[np.bool_]:
    """Which rows count fully: all but those that lie within a concession. ``name``: the quantity of a corner
    table; none for the tables of parts and of expected figures."""
    key = f"{name}.concession" if name else "concession"
    if key not in table.columns:
        return np.ones(len(table), dtype=bool)
    return np.asarray(table[key].to_numpy() != WITHIN)


def parts_off(check: pd.DataFrame) -> pd.DataFrame:
    """The rows of parts that are not drawn as intended, without those that are conceded."""
    return check[check["verdict"].isin(OFF).to_numpy() & counts(check)]


def part_word(board: Board, name: str, intended: Intended, drawn: float) -> str:
    """Whether a concession covers that the part is drawn with another value (``drawn``: SI, NaN where it is
    not drawn); empty where none speaks of it."""
    for one in board.concessions:
        if one.kind == "part" and one.name.lower() == name.lower():
            return WITHIN if within_share(drawn, intended.value, one.bound.value) else BEYOND
    return ""


def within_share(drawn: float, intended: float, share: float) -> bool:
    """Whether a drawn value differs from the intended one by no more than a share of it; not where NaN."""
    return abs(drawn / intended - 1) <= share * _ROUNDING


def with_concessions(board: Board, table: pd.DataFrame) -> pd.DataFrame:
    """The corner table with ``q.concession`` behind the other columns of each quantity that has one."""
    table = table.copy()
    for name in dict.fromkeys(one.name for one in board.concessions if one.kind == "quantity"):
        words = concession_words(board, name, table)
        mine = [place for place, key in enumerate(table.columns) if str(key).startswith(f"{name}.")]
        table.insert(max(mine, default=len(table.columns) - 1) + 1, f"{name}.concession", words)
    return table


def concession_words(board: Board, name: str, table: pd.DataFrame) -> NDArray[np.object_]:
    """``within`` or ``beyond`` for each row where a concession of ``name`` speaks of a deviation, else empty.

    A deviation is a disagreement, or an explained difference of more than three tolerances.
    """
    words = np.full(len(table), "", dtype=object)
    off = _deviates(table, name)
    for one in board.concessions:
        if one.kind == "quantity" and one.name == name:
            reach, bound, _ = reach_and_bound(one, table)
            with np.errstate(invalid="ignore"):
                inside = reach <= bound * _ROUNDING
            words = np.where(off & covered(one, table), np.where(inside, WITHIN, BEYOND), words)
    return words


def literal_word(board: Board, name: str, row: pd.DataFrame, value: float, agreement: str) -> str:
    """The same for a literal figure at its corner, the only row of ``row``."""
    literal = row.assign(**{f"{name}.hand": value, f"{name}.agreement": agreement})
    return str(concession_words(board, name, literal)[0])


def covered(concession: Concession, table: pd.DataFrame) -> NDArray[np.bool_]:
    """Which corners the concession speaks of."""
    speaks = np.ones(len(table), dtype=bool)
    for axis, value in concession.at.items():
        speaks &= np.isclose(table[axis].to_numpy(dtype=float), value, rtol=1e-9, atol=0.0)
    return speaks


def _agreements(table: pd.DataFrame, name: str) -> NDArray[np.object_]:
    key = f"{name}.agreement"
    return table[key].to_numpy(dtype=object) if key in table.columns else np.full(len(table), "no figure")


def _deviates(table: pd.DataFrame, name: str) -> NDArray[np.bool_]:
    words = _agreements(table, name)
    difference = column(table, f"{name}.simulated") - column(table, f"{name}.hand")
    with np.errstate(invalid="ignore"):
        far = np.abs(difference) > FAR * column(table, f"{name}.tolerance")
    return np.asarray((words == "disagrees") | ((words == "explained") & far))


def reach_and_bound(concession: Concession, table: pd.DataFrame) -> tuple[Column, Column, str]:
    """How far simulated and hand are apart at most, error bar included, and the bound of it, at each corner;
    and the unit of both: the quantity's, or cents. NaN where a figure or its bar is missing."""
    name = concession.name
    hand, simulated, bar = (column(table, f"{name}.{kind}") for kind in ("hand", "simulated", "bar"))
    if concession.bound.scale == "cents":
        with np.errstate(invalid="ignore", divide="ignore"):
            ends = np.abs(1200.0 * np.log2(np.array([simulated - bar, simulated + bar]) / hand))
        return ends.max(axis=0), np.full(len(table), concession.bound.value), "cent"
    witnesses = (
        pd.DataFrame({level: column(table, f"{level}.{witness}") for level in _LEVELS})
        for witness in _WITNESSES
    )
    reference = first_known(*(column(table, f"{name}.{witness}") for witness in _WITNESSES))
    bound = absolute_tolerance(concession.bound, reference, *scales(*witnesses))
    return np.abs(simulated - hand) + bar, bound, stem(name).unit


def outcomes(
    board: Board, table: pd.DataFrame, check: pd.DataFrame, expected: pd.DataFrame
) -> tuple[Conceded, ...]:
    """What became of each concession of the board file, in its order."""
    return tuple(
        _of_part(board, one, check) if one.kind == "part" else _of_quantity(board, one, table, expected)
        for one in board.concessions
    )


def _of_part(board: Board, one: Concession, check: pd.DataFrame) -> Conceded:
    rows = check[(check["part"] == one.name).to_numpy()]
    word = next((str(word) for word in rows.get("concession", ()) if word), "")
    reach = math.nan
    if word and (drawn := str(rows["drawn"].iloc[0])):
        reach = abs(parse_si(drawn).value / board.intended[one.name].value - 1)
    outcome: Outcome = WITHIN if word == WITHIN else BEYOND if word == BEYOND else NOT_NEEDED
    return Conceded(
        one,
        outcome,
        ("",) if word == WITHIN else (),
        ("",) if word == BEYOND else (),
        "",
        reach,
        one.bound.value,
        "%",
    )


def _of_quantity(board: Board, one: Concession, table: pd.DataFrame, expected: pd.DataFrame) -> Conceded:
    rows = _with_literals(board, one.name, table, expected)
    rows = rows[covered(one, rows)]
    words, agreements = concession_words(board, one.name, rows), _agreements(rows, one.name)
    reach, bound, unit = reach_and_bound(one, rows)
    within, beyond = (
        tuple(rows["corner"].astype(str).to_numpy()[words == word]) for word in (WITHIN, BEYOND)
    )
    outcome: Outcome = NOT_JUDGED
    if beyond or within:
        outcome = BEYOND if beyond else WITHIN
    elif np.isin(agreements, ("agrees", "explained")).any() and not (agreements == "too coarse").any():
        outcome = NOT_NEEDED
    asked = words != ""
    excess = np.where(asked & np.isfinite(reach - bound), reach - bound, -math.inf)
    if not np.isfinite(excess).any():
        place = int(np.argmax(asked)) if asked.any() else -1
    else:
        place = int(np.argmax(excess))
    if place < 0:
        known = float(bound[0]) if len(bound) and np.all(bound == bound[0]) else math.nan
        return Conceded(one, outcome, within, beyond, "", math.nan, known, unit)
    corner = str(rows["corner"].iloc[place])
    return Conceded(one, outcome, within, beyond, corner, float(reach[place]), float(bound[place]), unit)


def _with_literals(board: Board, name: str, table: pd.DataFrame, expected: pd.DataFrame) -> pd.DataFrame:
    """The corners, and below them once more those of literal figures that stand beside a formula, with the
    literal as the hand figure."""
    pieces = [table]
    if name in board.hand:
        for row in _rows(expected, name):
            literal = {f"{name}.hand": row["expected"], f"{name}.agreement": row["agreement"]}
            pieces.append(table[(table["corner"] == row["corner"]).to_numpy()].assign(**literal))
    return pd.concat(pieces, ignore_index=True) if len(pieces) > 1 else table


def _rows(expected: pd.DataFrame, name: str) -> list[Mapping[Any, Any]]:
    return list(expected[(expected["quantity"] == name).to_numpy()].to_dict("records"))
