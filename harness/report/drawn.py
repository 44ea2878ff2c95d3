# SPDX-License-Identifier: GPL-3.0-or-later
"""How much of a gap between hand and simulated is there because parts are drawn otherwise than intended."""

from __future__ import annotations

from harness.board import Board
from harness.chain import SLIP
from harness.conceded import OFF
from harness.report import rounding, tables
from harness.results import RunResult

LEAST_SHARE = 0.05
"""Share of the gap below which the drawing is not worth a word."""


def drawing_words(result: RunResult, quantity: str, corner: str) -> str:
    """``the drawing differs (Rpull), which accounts for 109 % of the gap``, from the chain of one corner;
    empty where the drawing has no part in the gap."""
    chain = tables.chain(result.effects, quantity, corner)
    if chain.empty:
        return ""
    gap, slip = float(chain["amount"].sum()), float(chain.loc[chain["effect"] == SLIP, "amount"].sum())
    if slip == 0.0 or abs(slip) < LEAST_SHARE * abs(gap):
        return ""
    parts = parts_behind(result, quantity)
    start = f"the drawing differs{f' ({rounding.listed(parts)})' if parts else ''}"
    share = slip / gap if gap else 0.0
    if share <= 0.0:
        return f"{start}, which works against the gap"
    return f"{start}, which accounts for {share:.0%} of the gap".replace("%", " %")


def parts_behind(result: RunResult, quantity: str) -> list[str]:
    """The parts drawn otherwise that the hand formula of ``quantity`` uses, itself or through others."""
    used = _names_used(result.board, quantity)
    rows = result.check[result.check["verdict"].isin(OFF).to_numpy()]
    return [str(part) for part in dict.fromkeys(rows["part"]) if str(part).lower() in used]


def _names_used(board: Board, quantity: str) -> set[str]:
    """Every name, in small letters, that the formula of ``quantity`` comes down to."""
    formulas = {name.lower(): formula for name, formula in board.hand.items()}
    used: set[str] = set()
    waiting = [quantity.lower()]
    while waiting:
        name = waiting.pop()
        if name in used:
            continue
        used.add(name)
        if name in formulas:
            waiting += [each.lower() for each in formulas[name].names]
    return used
