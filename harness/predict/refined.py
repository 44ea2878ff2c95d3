# SPDX-License-Identifier: GPL-3.0-or-later
"""The predictions of a board as tables over its corners, and the amount of each real-part effect.

Every effect is a switch of one composition. ``ideal`` has all of them off, ``refined`` all that have an
origin on; the amount of an effect is refined minus refined without it, and what these amounts leave open is
the interaction.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.predict.composition import Composition, Figures
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect

if TYPE_CHECKING:
    from harness.board import Board
    from harness.characterise import Characteristics
    from harness.netlist import Netlist

Array = NDArray[np.float64]
INTERACTION = "interaction of the named effects"
EFFECT_COLUMNS = ["corner", "quantity", "effect", "amount", "origin"]


@dataclass(frozen=True)
class Prediction:
    """What the drawing predicts, with the index and the order of rows of the corner table.

    ``solved``: what the resistive network alone says; ``ideal``: closed forms on drawn values with ideal
    parts; ``refined``: the same with every effect that has an origin. A column a quantity, SI units, NaN
    where nothing can be known. ``effects``: corner, quantity, effect, amount, origin; the amounts of a
    quantity add up to refined minus ideal. ``origins``: (name, value text, origin) of the real-part values
    used; ``reused``: how many of these were measured by an earlier run.
    """

    solved: pd.DataFrame
    ideal: pd.DataFrame
    refined: pd.DataFrame
    effects: pd.DataFrame
    origins: tuple[tuple[str, str, str], ...]
    reused: int = 0


def predict(
    board: Board, netlist: Netlist, corners: pd.DataFrame, characteristics: Characteristics
) -> Prediction:
    """All predictions for the corners of a table. Never raises for what a board leaves out: that has no
    figure."""
    predictor = Predictor(board, netlist, corners, characteristics)
    return replace(predictor.without_effects(), effects=predictor.effects())


class Predictor:
    """Predicts for the corners of a table, figures first; what these and the effects have in common, networks
    above all, is worked out once."""

    def __init__(
        self, board: Board, netlist: Netlist, corners: pd.DataFrame, characteristics: Characteristics
    ) -> None:
        self.corners, self.characteristics = corners, characteristics
        parts = ((corners[rows], known) for rows, known in characteristics.by_rows(corners))
        self._parts = [(own, Composition(Drawn(board, netlist, own), known)) for own, known in parts]

    @cached_property
    def _figures(self) -> list[tuple[Figures, Figures]]:
        """Ideal and refined ones of each part of the table."""
        return [(composition.ideal(), composition.refined()) for _, composition in self._parts]

    def without_effects(self) -> Prediction:
        """Figures with an empty table of effects: these cost far more, and are not needed before the figures
        are judged."""
        tables: list[tuple[pd.DataFrame, ...]] = []
        declined: dict[tuple[str, str, str], None] = {}
        for (own, composition), figures in zip(self._parts, self._figures, strict=True):
            tables.append(tuple(_table(each, own) for each in (composition.solved(), *figures)))
            declined |= dict.fromkeys(composition.declined())
        solved, ideal, refined = (_in_order(each, self.corners) for each in zip(*tables, strict=True))
        return Prediction(
            solved,
            ideal,
            refined,
            pd.DataFrame(columns=EFFECT_COLUMNS),
            (*declined, *self.characteristics.summary()),
            self.characteristics.reused,
        )

    def effects(self) -> pd.DataFrame:
        """Amounts by removal from the full refined form, and the interaction that closes each sum; columns as
        :data:`EFFECT_COLUMNS`."""
        tables = [
            _effects(own, composition, composition.usable(), *figures)
            for (own, composition), figures in zip(self._parts, self._figures, strict=True)
        ]
        if len(tables) == 1:
            return tables[0]
        place = dict(zip(self.corners["corner"], range(len(self.corners)), strict=True))
        return pd.concat(tables).sort_values(
            "corner", key=lambda names: names.map(place), kind="stable", ignore_index=True
        )


def best_figures(
    board: Board, netlist: Netlist, corners: pd.DataFrame, characteristics: Characteristics
) -> pd.DataFrame:
    """Refined figures where there are any, ideal ones elsewhere, and nothing else: a column a quantity."""
    tables = []
    for rows, known in characteristics.by_rows(corners):
        own = corners[rows]
        composition = Composition(Drawn(board, netlist, own), known)
        tables.append(_table(composition.refined(), own).combine_first(_table(composition.ideal(), own)))
    return _in_order(tables, corners)


def _in_order(tables: Sequence[pd.DataFrame], corners: pd.DataFrame) -> pd.DataFrame:
    """Tables over parts of the corners as one, with the index and the order of the corner table."""
    return tables[0] if len(tables) == 1 else pd.concat(tables).reindex(corners.index)


def _table(figures: Mapping[str, Array], corners: pd.DataFrame) -> pd.DataFrame:
    known = {name: column for name, column in figures.items() if np.isfinite(column).any()}
    return pd.DataFrame(known, index=corners.index)


def _effects(
    corners: pd.DataFrame,
    composition: Composition,
    usable: tuple[Effect, ...],
    ideal: Figures,
    refined: Figures,
) -> pd.DataFrame:
    everything = frozenset(usable)
    without = {effect: composition.figures(everything - {effect}) for effect in usable}
    origins = {effect: composition.origin(effect) for effect in usable}
    steps: list[tuple[tuple[str, str, str], Array]] = []  # quantity, effect and origin; amount at each corner
    for quantity, full in refined.items():
        gap = full - ideal[quantity]
        if not np.isfinite(gap).any():
            continue
        rest = gap.copy()
        for effect in usable:
            amount = np.where(np.isfinite(gap), full - without[effect][quantity], np.nan)
            amount = np.where(np.abs(amount) < 1e-12 * np.abs(full), 0.0, amount)
            if np.isfinite(amount).any() and (amount[np.isfinite(amount)] != 0).any():
                rest = rest - np.nan_to_num(amount)
                steps.append(((quantity, effect.name, origins[effect]), amount))
        rest = np.where(np.abs(rest) < 1e-12 * np.abs(full), 0.0, rest)
        steps.append(((quantity, INTERACTION, "difference of the refined and the ideal form"), rest))
    return _stacked(corners, steps)


def _stacked(corners: pd.DataFrame, steps: Sequence[tuple[tuple[str, str, str], Array]]) -> pd.DataFrame:
    """Steps as one table, those of a corner in their own order, without amounts that are zero or no number.

    Texts are categories, since there are few of them and as many as a million rows.
    """
    places = [np.flatnonzero(np.isfinite(amount) & (amount != 0)) for _, amount in steps]
    if not sum(map(len, places)):
        return pd.DataFrame(columns=EFFECT_COLUMNS)
    place = np.concatenate(places)
    order = np.argsort(place, kind="stable")
    step = np.repeat(np.arange(len(steps)), [len(mine) for mine in places])[order]
    amount = np.concatenate([amounts[mine] for (_, amounts), mine in zip(steps, places, strict=True)])
    columns = {"corner": pd.Categorical.from_codes(place[order], categories=corners["corner"])}
    for number, name in enumerate(("quantity", "effect", "origin")):
        texts = list(dict.fromkeys(names[number] for names, _ in steps))
        codes = np.array([texts.index(names[number]) for names, _ in steps])
        columns[name] = pd.Categorical.from_codes(codes[step], categories=texts)
    return pd.DataFrame({**columns, "amount": amount[order]})[EFFECT_COLUMNS]
