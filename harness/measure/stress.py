# SPDX-License-Identifier: GPL-3.0-or-later
"""What parts have to bear: extremes of voltages and currents, and mean dissipation, over a settled cycle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from harness.measure.window import Array, cut, mean, mean_product

GROUND = "0"


@dataclass(frozen=True)
class Watch:
    """One thing to watch in a record, by its ``name``.

    ``across``: two nodes, for the voltage (V) from the first to the second. ``through``: (vector, sign) of
    saved currents, which add up to one current (A). With both it is the power (W). ``averaged``: the
    mean over the cycle counts, of the size of a current; else the lowest and the highest instant do.
    """

    name: str
    across: tuple[str, str] | None = None
    through: tuple[tuple[str, float], ...] = ()
    averaged: bool = False


def stresses(
    record: Mapping[str, Array], begin: float, end: float, watches: Sequence[Watch]
) -> dict[str, list[float]]:
    """Lowest and highest value of each watch within ``begin`` to ``end`` (s), or its mean, twice.

    A watch whose vectors the record does not hold is left out.
    """
    found: dict[str, list[float]] = {}
    for watch in watches:
        waves = _waves(record, watch)
        if not waves:
            continue
        time, *parts = cut(np.asarray(record["time"], dtype=np.float64), begin, end, *waves)
        if len(parts) == 2:
            found[watch.name] = [mean_product(time, *parts)] * 2
        elif watch.averaged:
            found[watch.name] = [mean(time, np.abs(parts[0]))] * 2
        else:
            found[watch.name] = [float(parts[0].min()), float(parts[0].max())]
    return found


def _waves(record: Mapping[str, Array], watch: Watch) -> list[Array]:
    """The voltage, the current or both of a watch; nothing where a vector is not there."""
    names = [node for node in watch.across or () if node != GROUND] + [name for name, _ in watch.through]
    if any(name not in record for name in names):
        return []
    waves = []
    zero = np.zeros(len(record["time"]))
    if watch.across:
        upper, lower = (zero if node == GROUND else np.asarray(record[node]) for node in watch.across)
        waves.append(upper - lower)
    if watch.through:
        waves.append(sum((sign * np.asarray(record[name]) for name, sign in watch.through), zero))
    return waves
