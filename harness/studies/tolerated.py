# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a board with chosen values also keeps its limits with all tolerances at their worst, by the closed
forms on top of what was simulated of it: the reckoning of the order document (`order.tolerances`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from harness.findings import BoardError
from harness.intent.objects import Trim
from harness.order.tolerances import at_stated_worst
from harness.quantities import stem
from harness.studies.settable import with_axes
from harness.studies.variation import varied
from harness.tolerances import column

if TYPE_CHECKING:
    from harness.board import Board
    from harness.characterise import Characteristics
    from harness.netlist import Netlist
    from harness.studies.rows import Outcomes
    from harness.studies.settable import Settable

KEPT, SHORT, NO_FORM, NOT_RECKONED = "within", "outside", "no closed form", "not reckoned"
WORDS = (KEPT, SHORT, NO_FORM, NOT_RECKONED)
CHOSEN = "chosen "  # what the names of chosen values begin with, so that no trimmer has the same


@dataclass(frozen=True)
class Tolerated:
    """A word of :data:`WORDS`, empty where no tolerance or no limit is stated, and what it means."""

    word: str = ""
    words: str = ""


def tolerated(
    board: Board,
    netlist: Netlist,
    values: Mapping[Settable, float],
    known: Characteristics,
    corners: pd.DataFrame,
    outcomes: Outcomes,
) -> Tolerated:
    """Of the board of the file with these values (SI). ``outcomes``: what was simulated of it, a row an axis
    corner of ``corners``."""
    drawn = with_values(board, netlist, values)
    try:
        deviations = varied(board, drawn).deviations
    except BoardError as error:  # of a part whose tolerance nothing can follow; the values stand all the same
        return Tolerated(NOT_RECKONED, "; ".join(finding.message for finding in error.findings))
    if not board.limits or not deviations:
        return Tolerated()
    found = at_stated_worst(board, drawn, known, corners, _judged(board, outcomes))
    if found.open_corners:
        titles = dict.fromkeys(stem(quantity).title for quantity, _, _ in found.open_corners)
        falls = "fall" if len(titles) > 1 else "falls"
        return Tolerated(SHORT, f"{', '.join(titles)} {falls} short already without tolerances")
    if not found.bounds:
        return Tolerated(NO_FORM, "no closed form of any limit")
    tightest = min(found.bounds, key=lambda bound: bound.room)
    title = stem(tightest.quantity).title
    where = f"margin {tightest.room:.3g}: {title} in {tightest.corner}"
    aside = [stem(quantity).title for quantity in found.without]
    if tightest.room >= 0.0 and aside:
        where += f"; {', '.join(aside)} aside"
    return Tolerated(KEPT if tightest.room >= 0.0 else SHORT, where)


def with_values(board: Board, netlist: Netlist, values: Mapping[Settable, float]) -> Netlist:
    """The netlist with parts at other values (SI)."""
    chosen = with_axes(board, list(values))
    trims = {
        f"{CHOSEN}{part.name}": Trim(f"{CHOSEN}{part.name}", part.name, value, value, part.unit, "", 0.0, {})
        for part, value in values.items()
    }
    return varied(replace(chosen, trims=trims), netlist).netlist


def _judged(board: Board, outcomes: Outcomes) -> pd.DataFrame:
    """The corner table of a run, as far as the reckoning reads it."""
    pieces = {"state": pd.Series(outcomes.states)}
    names = dict.fromkeys([*board.limits, *map(str, outcomes.figures.columns)])
    for name in names:
        pieces[f"{name}.simulated"] = pd.Series(column(outcomes.figures, name))
        pieces[f"{name}.bar"] = pd.Series(column(outcomes.bars, name))
        pieces[f"{name}.refined"] = pd.Series(np.full(len(outcomes.states), np.nan))
    return pd.DataFrame(pieces)
