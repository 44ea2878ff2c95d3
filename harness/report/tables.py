# SPDX-License-Identifier: GPL-3.0-or-later
"""Looking things up in the tables of a run: which quantities are there, columns that may be missing, words
for rows."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from harness import quantities
from harness.board import Board
from harness.report import rounding
from harness.results import RunResult

LIMIT_WORDS = ("outside", "no figure", "too close to call", "within", "no limit")
"""Verdicts on limits, the worst first."""

NO_HAND_FIGURE = "no hand figure"
"""Verdict where only the hand figure lacks."""

AGREEMENT_WORDS = ("disagrees", "too coarse", "explained", "agrees", NO_HAND_FIGURE, "no figure")
"""Verdicts on hand against simulated, those to look at first."""

JUDGED = AGREEMENT_WORDS[:4]
"""Verdicts that compare two figures."""

_FIGURE = re.compile(r"[-+]?\d[\d.]*(e[-+]?\d+)?( [a-zA-Z]?(V|s|Hz|A)\b)?")


def present(corners: pd.DataFrame) -> list[str]:
    """Quantities with at least one finite figure, predicted or simulated, in the order of the list of
    stems."""
    names = {column.rpartition(".")[0] for column in corners.columns if "." in column}
    known = [name for name in quantities.STEMS if name in names]
    known += sorted(name for name in names if name not in quantities.STEMS and quantities.is_stem(name))
    return [
        name
        for name in known
        if any(is_known(corners, name, witness) for witness in ("simulated", "refined", "hand"))
    ]


def in_state(corners: pd.DataFrame, state: str) -> Iterator[tuple[list[str], str]]:
    """The corners in one state by what they are in it for: names, and the reason in words.

    Reasons that differ in their figures alone go together, and the first one stands for all.
    """
    rows = corners[corners["state"].astype(str) == state]
    reasons = _words_of(rows)
    for _, group in reasons.groupby([_FIGURE.sub("#", reason) for reason in reasons], sort=True):
        names = rows.loc[group.index, "corner"].astype(str).tolist()
        told = group.iloc[0]
        yield names, f"{names[0]}: {told}" if group.nunique() > 1 else told


def _words_of(rows: pd.DataFrame) -> pd.Series:
    if "reason" not in rows:
        return pd.Series("", index=rows.index)
    return rows["reason"].fillna("").astype(str)


def asked_or_measured(result: RunResult) -> list[str]:
    """Those present that a hand figure or a limit asks for, or that were simulated somewhere: what is only
    predicted, and that nobody asked for, tells nothing."""
    corners = result.corners
    return [
        name
        for name in present(corners)
        if name in result.board.limits
        or any(is_known(corners, name, witness) for witness in ("simulated", "hand"))
    ]


def compared(corners: pd.DataFrame) -> list[str]:
    """Quantities with a hand figure somewhere."""
    return [name for name in present(corners) if is_known(corners, name, "hand")]


def column(corners: pd.DataFrame, quantity: str, part: str, missing: object) -> pd.Series:
    """``quantity.part``; a column full of ``missing`` where the table has none, and in its empty cells."""
    name = f"{quantity}.{part}"
    if name not in corners:
        return pd.Series([missing] * len(corners), index=corners.index, dtype=object)
    words, known = corners[name].astype(object), corners[name].notna()
    return words if known.all() else words.where(known, missing)


def number_of(corners: pd.DataFrame, quantity: str, part: str, word: str) -> int:
    """In how many corners ``quantity.part`` is that word."""
    return int((column(corners, quantity, part, "") == word).sum())


def numbers(corners: pd.DataFrame, quantity: str, part: str) -> pd.Series:
    """``quantity.part`` as floats, nan where there is none or it is infinite."""
    name = f"{quantity}.{part}"
    if name not in corners:
        return pd.Series(np.nan, index=corners.index)
    return finite(corners[name])


def is_known(corners: pd.DataFrame, quantity: str, part: str) -> bool:
    """Whether ``quantity.part`` has a finite figure in any corner."""
    return bool(np.isfinite(numbers(corners, quantity, part).to_numpy()).any())


def finite(column: pd.Series) -> pd.Series:
    """A column as floats, nan for what is no number or infinite."""
    values = column
    if values.dtype != np.float64:
        values = pd.to_numeric(values, errors="coerce").astype(float)
    infinite = np.isinf(values.to_numpy())
    return values.mask(infinite) if infinite.any() else values


def tolerances_off(corners: pd.DataFrame, quantity: str, witness: str) -> pd.Series:
    """(witness - hand) / tolerance, dimensionless, nan where one of the three is missing."""
    tolerance = numbers(corners, quantity, "tolerance")
    off = numbers(corners, quantity, witness) - numbers(corners, quantity, "hand")
    return off / tolerance.where(tolerance > 0.0)


def agreements(corners: pd.DataFrame, quantity: str) -> pd.Series:
    """Verdicts on hand against simulated; where only the hand figure lacks, the words say so."""
    words = column(corners, quantity, "agreement", "no figure")
    silent = words == "no figure"
    if not silent.any():
        return words
    hand, simulated = (numbers(corners, quantity, witness) for witness in ("hand", "simulated"))
    return words.mask(silent & hand.isna() & simulated.notna(), NO_HAND_FIGURE)


CONCESSION_WORDS = {"within": "conceded", "beyond": "beyond its concession"}
"""What stands beside a verdict that a concession speaks of."""


def agreement_words(corners: pd.DataFrame, quantity: str) -> pd.Series:
    """The same for a cell of a table: ``disagrees, conceded``."""
    conceded = column(corners, quantity, "concession", "").map(CONCESSION_WORDS)
    words = agreements(corners, quantity)
    return words.where(conceded.isna(), words + ", " + conceded.fillna("").astype(str))


def judged_off(corners: pd.DataFrame, quantity: str, witness: str) -> pd.Series:
    """(witness - hand) / tolerance where a verdict compares the two, nan elsewhere: a figure out of range or
    of a chattering output counts for nothing."""
    judged = agreements(corners, quantity).isin(JUDGED)
    return tolerances_off(corners, quantity, witness).where(judged)


def left_out(result: RunResult) -> int:
    """Corners of the board's table that were not asked for."""
    return int(result.run.get("left_out", 0) or 0)


def counted(numbers: Sequence[tuple[str, int]]) -> str:
    """``outside in 2 corners, within in 7``: words with their numbers of corners, the noun said once."""
    words = [
        f"{word} in {rounding.count(number, 'corner') if place == 0 else number}"
        for place, (word, number) in enumerate(numbers)
    ]
    return ", ".join(words)


def step(corners: pd.DataFrame, quantity: str) -> float:
    """The size below which a hand or refined figure is not worth writing: a fiftieth of the usual
    tolerance."""
    tolerance = numbers(corners, quantity, "tolerance")
    return float(tolerance.median()) / rounding.FINENESS if tolerance.notna().any() else float("nan")


def simulated_and_bar(row: pd.Series, quantity: str) -> tuple[float, float]:
    """The simulated figure of a row and its bar (SI; nan where missing)."""
    return float(row.get(f"{quantity}.simulated", np.nan)), float(row.get(f"{quantity}.bar", np.nan))


def chain(effects: pd.DataFrame, quantity: str, corner: str) -> pd.DataFrame:
    """The rows of the effect table for one quantity of one corner, in their own order."""
    if effects.empty:
        return effects
    mine = (effects["quantity"] == quantity).to_numpy() & (effects["corner"] == corner).to_numpy()
    return effects[mine]


def place(board: Board, row: pd.Series) -> str:
    """The axis values of a corner in words: ``control 4 V, supply 15 V``."""
    return ", ".join(
        f"{name} {axis_value(board, name, row[name])}" for name in board.axes if name in row.index
    )


def axis_value(board: Board, axis: str, value: Any) -> str:
    """One axis value with its unit."""
    if isinstance(value, str):
        return value
    if board.axes[axis].names:
        return board.axes[axis].text(float(value))
    return rounding.figure(float(value), board.axes[axis].unit)


def limit_words(limit: Any, unit: str) -> str:
    """``least 50 mV, most 2 V``."""
    parts = [
        f"{word} {rounding.figure(float(bound), unit)}"
        for word, bound in (("least", limit.least), ("most", limit.most))
        if bound is not None
    ]
    return ", ".join(parts)


def value_text(value: object) -> str:
    """A part value of the check table for the eye; a dash where there is none."""
    return str(value) if isinstance(value, str) and value else "\N{EN DASH}"


def flat(mapping: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    """A nested mapping as one level of ``a.b`` keys and texts, in the order given."""
    out: dict[str, str] = {}
    for key, value in mapping.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            out.update(flat(value, f"{name}."))
        elif isinstance(value, (list, tuple)):
            out[name] = ", ".join(str(item) for item in value) or "none"
        elif isinstance(value, float):
            out[name] = f"{value:.6g}"
        else:
            out[name] = "none" if value is None else str(value)
    return out


def nominal_row(board: Board, corners: pd.DataFrame) -> pd.Series | None:
    """The corner nearest to every axis at its nominal value; the first row where no axis has one."""
    if corners.empty:
        return None
    distance = pd.Series(0, index=corners.index)
    for name, nominal in nominals(board, corners).items():
        distance = distance + (~same(corners[name], nominal)).astype(int)
    return corners.loc[distance.idxmin()]


def nominals(board: Board, corners: pd.DataFrame) -> dict[str, object]:
    """Axis name -> nominal value, for the axes that the corner table holds."""
    return {name: axis.nominal for name, axis in board.axes.items() if name in corners}


def same(values: pd.Series, value: Any) -> pd.Series:
    """Which entries equal ``value``, numbers to a part in 1e9."""
    if isinstance(value, str) or not pd.api.types.is_numeric_dtype(values):
        return values.astype(object) == value
    close = np.isclose(values.astype(float), float(value), rtol=1e-9, atol=0.0)
    return pd.Series(close, index=values.index)
