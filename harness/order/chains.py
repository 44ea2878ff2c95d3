# SPDX-License-Identifier: GPL-3.0-or-later
"""From hand to simulated, effect by effect, at the corners that tell most: figures and where bars stand."""

from __future__ import annotations

import numpy as np
import pandas as pd

from harness import quantities
from harness.order.records import Chain, ChainStep
from harness.report import charts, rounding, tables
from harness.report.page import SHAPES
from harness.report.story import amount_words
from harness.results import RunResult

MOST_CHAINS = 4
MARGIN = 0.02  # share of the width left free on either side


def chains_of(result: RunResult) -> tuple[Chain, ...]:
    """The chain of the nominal duty, and of each quantity that parts where it parts most, those that disagree
    first; a few in all."""
    corners = result.corners
    wanted: dict[tuple[str, str], tuple[int, float]] = {}
    for quantity in tables.compared(corners):
        share = tables.judged_off(corners, quantity, "simulated").abs()
        if not share.notna().any():
            continue
        row = corners.loc[share.idxmax()]
        word = str(tables.agreements(corners, quantity).loc[share.idxmax()])
        if word != "agrees" or quantity == "duty":
            order = (tables.AGREEMENT_WORDS.index(word), -float(share.max()))
            wanted[(quantity, str(row["corner"]))] = (-1, 0.0) if quantity == "duty" else order
    chosen = sorted(wanted, key=lambda key: wanted[key])[:MOST_CHAINS]
    made = [_chain(result, quantity, corner) for quantity, corner in chosen]
    return tuple(one for one in made if one is not None)


def _chain(result: RunResult, quantity: str, corner: str) -> Chain | None:
    row = result.corners.loc[(result.corners["corner"].astype(str) == corner).idxmax()]
    chain = tables.chain(result.effects, quantity, corner)
    if chain.empty:
        return None
    about = quantities.stem(quantity)
    tolerance = float(row[f"{quantity}.tolerance"])
    hand, bar = float(row[f"{quantity}.hand"]), float(row[f"{quantity}.bar"])
    simulated = float(row[f"{quantity}.simulated"])
    steps = charts.steps_of(chain, tolerance / rounding.FINENESS)
    edges = hand + np.concatenate([[0.0], np.cumsum([step.amount for step in steps])])
    low = min(float(edges.min()), simulated, hand - tolerance)
    high = max(float(edges.max()), simulated, hand + tolerance)

    def place(value: float) -> float:
        return float(MARGIN + (1.0 - 2.0 * MARGIN) * (value - low) / ((high - low) or 1.0))

    word = str(row[f"{quantity}.agreement"])
    return Chain(
        title=about.title,
        corner=corner,
        place=tables.place(result.board, row),
        verdict=word,
        mark=SHAPES[word],
        hand=rounding.figure(hand, about.unit, tolerance / rounding.FINENESS),
        simulated=rounding.figure_with_bar(simulated, bar, about.unit),
        total=_amount(row, quantity, simulated - hand),
        at_hand=place(hand),
        at_simulated=place(simulated),
        band=(place(hand - tolerance), place(hand + tolerance)),
        steps=tuple(
            ChainStep(step.name, _amount(row, quantity, step.amount), step.kind, place(begin), place(end))
            for step, begin, end in zip(steps, edges[:-1], edges[1:], strict=True)
        ),
    )


def _amount(row: pd.Series, quantity: str, amount: float) -> str:
    return amount_words(row, quantity, amount)
