# SPDX-License-Identifier: GPL-3.0-or-later
"""For each limit that falls short, the part and the nearest preferred value that the closed forms say cures
it. Nothing is simulated here: a cure is a proposal, to be confirmed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from harness.predict.refined import best_figures
from harness.results import CURE_COLUMNS
from harness.studies.choosing import Aim, ClosedForms, choose
from harness.studies.goals import limits_of, tolerances
from harness.studies.settable import settable_parts, with_axes
from harness.studies.variation import varied
from harness.units import engineering
from harness.verdict import NO_PASS, ROOMS

if TYPE_CHECKING:
    from harness.board import Board
    from harness.characterise import Characteristics
    from harness.netlist import Netlist


def cures_of(
    board: Board, netlist: Netlist, known: Characteristics, corners: pd.DataFrame, judged: pd.DataFrame
) -> pd.DataFrame:
    """One row a limit that is outside somewhere, columns of :data:`CURE_COLUMNS`; ``part`` is empty where no
    single part cures it. ``corners``: the axis corners; ``judged``: the corner table with its verdicts."""
    short = [name for name in board.limits if (judged[f"{name}.limit"] == "outside").any()]
    parts = settable_parts(board, netlist) if short else ()
    if not parts:
        words = "no part of [intended] could be chosen anew"
        return pd.DataFrame([(name, "", "", "", "", np.nan, words) for name in short], columns=CURE_COLUMNS)
    changed = varied(with_axes(board, parts), netlist)

    def predict(rows: pd.DataFrame) -> pd.DataFrame:
        with np.errstate(all="ignore"):
            return best_figures(changed.board, changed.netlist, rows, known)

    goals = limits_of(board)
    simulated, bars = (judged_figures(judged, board, kind) for kind in ("simulated", "bar"))
    scale = tolerances(board, goals, figures_known(judged))
    closed = ClosedForms(parts, goals, scale, corners, predict, simulated, bars)
    rows = []
    for place, goal in enumerate(goals):
        if goal.quantity in short:
            rows.append((goal.quantity, *_cure(closed, place)))
    return pd.DataFrame(rows, columns=CURE_COLUMNS)


def _cure(closed: ClosedForms, goal: int) -> tuple[str, str, str, str, float, str]:
    if goal not in closed.known:
        return "", "", "", "", np.nan, "no cure is known, since none of them gives this quantity there"
    others = tuple(place for place in closed.known if place != goal)
    choices = [(part,) for part in range(len(closed.parts))]
    found = choose(closed, choices, Aim((goal,), others, close=True))
    best = found[0] if found else None
    margin = best.worst((goal,))[0] if best else -np.inf
    if best is None or margin < 0.0 or best.breaks:
        kept = " and keeps the other limits" if others else ""
        words = f"no single part cures it{kept}; `ramp-harness fit --part A --part B` tries two together"
        return "", "", "", "", np.nan, words
    part, value = closed.parts[best.choice[0]], best.values[0]
    drawn, chosen = engineering(part.drawn, part.unit), engineering(value, part.unit)
    words = f"{part.name} {chosen} ({part.series}) instead of {drawn} cures it"
    return part.name, drawn, chosen, part.series, margin, words


def figures_known(judged: pd.DataFrame) -> pd.DataFrame:
    """Simulated figures, refined ones where there are none: what tolerances are shares of."""
    names = [name.removesuffix(".simulated") for name in judged.columns if name.endswith(".simulated")]
    columns = {name: judged[f"{name}.simulated"].fillna(judged[f"{name}.refined"]) for name in names}
    return pd.DataFrame(columns, index=judged.index)


def judged_figures(judged: pd.DataFrame, board: Board, kind: str) -> pd.DataFrame:
    """A column a limited quantity, NaN where a figure would be no pass."""
    beyond = judged["state"].isin(NO_PASS)
    return pd.DataFrame(
        {
            name: judged[f"{name}.{kind}"] if name in ROOMS else judged[f"{name}.{kind}"].mask(beyond)
            for name in board.limits
        }
    )
