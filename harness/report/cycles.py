# SPDX-License-Identifier: GPL-3.0-or-later
"""A record of a settled cycle, turned so that it begins where the ramp's sweep does: corners then look alike.

For drawing alone: kept records and figures stay as they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from harness.report.series import Array

SHOWN = 1.06
"""Cycles that are drawn, as far as the record goes."""

FOOT = 0.02
"""Share of the ramp's height within which it has come back to where its sweep begins."""

MISMATCH = 0.03
"""Share of its range, or of the ramp's where that is larger, by which no wave may differ a cycle later; a
record beyond that is no settled cycle."""


def from_the_sweep(waves: Mapping[str, Array], period: float) -> Mapping[str, Array]:
    """``time`` (s), ``ramp`` and whatever else, shape (n,), begun just behind the ramp's reset.

    ``period``: s. As it was where the record is shorter than a cycle, does not repeat after one, or has no
    ramp.
    """
    time, ramp = waves["time"], waves.get("ramp")
    length = float(time[-1] - time[0])
    if ramp is None or not math.isfinite(period) or not 0.0 < period <= length * (1.0 + 1e-6):
        return waves
    period = min(period, length)
    height = float(np.ptp(ramp))
    if any(_differs(time, wave, period, height) for name, wave in waves.items() if name != "time"):
        return waves
    begin = _behind_the_reset(time, ramp, period)
    if begin is None:
        return waves
    again = time > time[-1] - period
    twice = {name: np.concatenate([wave, wave[again]]) for name, wave in waves.items()}
    twice["time"] = np.concatenate([time, time[again] + period])
    shown = (twice["time"] >= begin) & (twice["time"] <= begin + SHOWN * period)
    return {name: wave[shown] for name, wave in twice.items()}


def _differs(time: Array, wave: Array, period: float, height: float) -> bool:
    """Whether the wave ends elsewhere than it was a cycle before; ``height``: the ramp's, V."""
    before = float(np.interp(time[-1] - period, time, wave))
    return abs(float(wave[-1]) - before) > MISMATCH * max(float(np.ptp(wave)), height)


def _behind_the_reset(time: Array, ramp: Array, period: float) -> float | None:
    """The first moment at which the ramp has come back from its sweep to within :data:`FOOT` of where that
    begins; None where it never does.

    A sweep takes the larger part of a cycle: its direction is the one in which the ramp moves for longer.
    """
    low, height = float(np.min(ramp)), float(np.ptp(ramp))
    if height <= 0.0:
        return None
    steps, moves = np.diff(time), np.diff(ramp)
    rising = float(steps[moves > 0.0].sum()) >= float(steps[moves < 0.0].sum())
    above = (ramp - low) / height if rising else 1.0 - (ramp - low) / height
    back = np.flatnonzero((above[:-1] > FOOT) & (above[1:] <= FOOT))
    places = [place for place in back if time[place + 1] <= time[0] + period]
    return float(time[places[0] + 1]) if places else None
