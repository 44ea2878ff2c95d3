# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures that were measured at some conditions, read between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Table:
    """A figure over a grid of conditions.

    ``axes``: name -> rising knots; ``figures``: shape of the knots in that order, SI units; ``unit``: of the
    figure; ``origin``: what it was measured on, for the reader.
    """

    axes: Mapping[str, Array]
    figures: Array
    unit: str
    origin: str

    def at(self, **conditions: Array | float) -> Array:
        """The figure between the knots (multilinear), beyond them that of the last knot.

        Conditions by axis name, of one shape; an axis with a single knot needs none. Raises KeyError for an
        axis that is missing.
        """
        shape = np.broadcast_shapes(*(np.shape(conditions[name]) for name in self.axes if name in conditions))
        places: list[NDArray[np.intp]] = []
        shares: list[Array] = []
        for name, knots in self.axes.items():
            if len(knots) == 1:
                places.append(np.zeros(shape, dtype=np.intp))
                shares.append(np.zeros(shape))
                continue
            value = np.clip(np.broadcast_to(conditions[name], shape), knots[0], knots[-1])
            place = np.clip(np.searchsorted(knots, np.nan_to_num(value), side="right") - 1, 0, len(knots) - 2)
            places.append(place)
            shares.append((value - knots[place]) / (knots[place + 1] - knots[place]))
        total = np.zeros(shape)
        for corner in product((0, 1), repeat=len(places)):
            weight = np.ones(shape)
            index = []
            for bit, place, share, knots in zip(corner, places, shares, self.axes.values(), strict=True):
                weight = weight * (share if bit else 1.0 - share)
                index.append(np.minimum(place + bit, len(knots) - 1))
            total = total + np.where(weight == 0, 0.0, weight * self.figures[tuple(index)])
        return total

    def along(self, name: str, **conditions: Array | float) -> tuple[Array, Array]:
        """The knots of the axis ``name`` and, for every corner, the figures at them: shape (corners,
        knots)."""
        knots = np.asarray(self.axes[name])
        columns = [
            self.at(**{**conditions, name: np.broadcast_to(k, np.shape(_first(conditions)))}) for k in knots
        ]
        return knots, np.stack(columns, axis=-1)


def _first(conditions: Mapping[str, Array | float]) -> Array | float:
    return next(iter(conditions.values()), 0.0)
