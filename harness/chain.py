# SPDX-License-Identifier: GPL-3.0-or-later
"""The chain of effects from hand to simulated, for all quantities and corners at once.

Its steps: what drawn part values do to the hand formula (a slip in the drawing), the hand formula against the
ideal closed form on drawn values (a wrong formula), named real-part effects with an origin, and a remainder
that is given no name. The rows of one quantity at one corner add up to simulated minus hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api.types import union_categoricals

from harness.predict.refined import EFFECT_COLUMNS

NOISE = 1e-12  # share of a figure below which a step of the chain is rounding
SLIP = "drawn part values instead of intended ones"
FORMULA = "hand formula against the ideal form"
REMAINDER = "remainder without a name"
_ORIGINS = {SLIP: "netlist against board file", FORMULA: "closed form on drawn values", REMAINDER: "none"}

Figures = NDArray[np.float64]
Places = NDArray[np.intp]


@dataclass(frozen=True)
class Witnesses:
    """Figures of shape (quantities, corners), NaN where there is none. ``on_drawn``: hand formulas fed with
    drawn values."""

    hand: Figures
    on_drawn: Figures
    ideal: Figures
    refined: Figures
    simulated: Figures

    def before_effects(self) -> dict[str, Figures]:
        """The steps that no real part makes, by name; 0 where they are no more than rounding."""
        composed, told = np.isfinite(self.ideal) & np.isfinite(self.refined), np.isfinite(self.on_drawn)
        slip = np.where(told, self.on_drawn - self.hand, 0.0)
        formula = np.where(composed, self.ideal - np.where(told, self.on_drawn, self.hand), 0.0)
        noise = NOISE * np.fmax(np.abs(self.hand), np.abs(self.simulated))
        steps = {SLIP: slip, FORMULA: formula}
        return {name: np.where(np.abs(step) > noise, step, 0.0) for name, step in steps.items()}


def chain_of(
    ids: pd.Series, names: Sequence[str], figures: Witnesses, effects: pd.DataFrame
) -> tuple[pd.DataFrame, Figures]:
    """The table of all steps, columns as ``EFFECT_COLUMNS``, by quantity and corner; and what stays without a
    name, slip, formula and remainder together: shape (quantities, corners), NaN where nothing is compared.

    ``ids`` and ``names``: of corners and quantities, as the figures have them. ``effects``: amounts between
    ideal and refined. Texts of the table are categories: there are few, and as many as a million rows.
    """
    known = np.isfinite(figures.hand) & np.isfinite(figures.simulated)
    if not known.any():
        return pd.DataFrame(columns=EFFECT_COLUMNS), np.full(known.shape, np.nan)
    with np.errstate(invalid="ignore"):
        before = figures.before_effects()
    composed = known & np.isfinite(figures.ideal) & np.isfinite(figures.refined)
    own_places, own = _usable(ids, names, composed, effects)
    places = [np.flatnonzero(known & (step != 0)) for step in before.values()]
    amounts = [step.ravel()[mine] for step, mine in zip(before.values(), places, strict=True)]
    own_amounts, gaps = own["amount"].to_numpy(dtype=float), np.flatnonzero(known)
    named = _sums([*places, own_places], [*amounts, own_amounts], gaps)
    rest = (figures.simulated - figures.hand).ravel()[gaps] - np.nan_to_num(named)
    left_open = _sums([*places, gaps], [*amounts, rest], np.arange(known.size)).reshape(known.shape)
    place = np.concatenate([*places, own_places, gaps])
    order = np.argsort(place, kind="stable")
    quantity, corner = np.divmod(place[order], len(ids))
    counts = dict(zip(before, map(len, places), strict=True))
    texts = {
        kind: union_categoricals(
            [
                *(_one(said[name], count) for name, count in counts.items()),
                _held_once(own[kind]),
                _one(said[REMAINDER], len(gaps)),
            ]
        )[order]
        for kind, said in (("effect", {name: name for name in _ORIGINS}), ("origin", _ORIGINS))
    }
    table = pd.DataFrame(
        {
            "corner": pd.Categorical.from_codes(corner, categories=ids),
            "quantity": pd.Categorical.from_codes(quantity, categories=list(names)),
            "amount": np.concatenate([*amounts, own_amounts, rest])[order],
            **texts,
        }
    )
    return table[EFFECT_COLUMNS], left_open


def _usable(
    ids: pd.Series, names: Sequence[str], composed: NDArray[np.bool_], effects: pd.DataFrame
) -> tuple[Places, pd.DataFrame]:
    """The effects that count where a prediction is composed, and their places among the figures."""
    corner, quantity = _numbers(effects["corner"], ids), _numbers(effects["quantity"], names)
    found = (corner >= 0) & (quantity >= 0) & (effects["amount"].to_numpy(dtype=float) != 0)
    found[found] = composed[quantity[found], corner[found]]
    return quantity[found] * len(ids) + corner[found], effects[found]


def _numbers(column: pd.Series, names: Sequence[str] | pd.Series) -> Places:
    """For each entry its place among some names, -1 where it is none of them."""
    codes, texts = pd.factorize(column)
    places = pd.Index(names, dtype=object).get_indexer(texts.astype(object))
    return np.asarray(np.append(places, -1)[codes])


def _sums(places: Sequence[Places], amounts: Sequence[NDArray[np.float64]], wanted: Places) -> Figures:
    """What is at each of the wanted places in all, NaN where nothing is."""
    sums = pd.Series(np.concatenate(amounts)).groupby(np.concatenate(places)).sum()
    return np.asarray(sums.reindex(wanted).to_numpy(dtype=float))


def _one(text: str, count: int) -> pd.Categorical:
    """A column of one text."""
    return pd.Categorical.from_codes(np.zeros(count, dtype=np.int8), categories=[text])


def _held_once(texts: pd.Series) -> pd.Categorical:
    if isinstance(texts.dtype, pd.CategoricalDtype):
        return texts.array
    return pd.Categorical(texts.astype(str))
