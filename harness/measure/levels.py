# SPDX-License-Identifier: GPL-3.0-or-later
"""State levels of a two-level wave, after the histogram method of IEEE Std 181 (second hand), weighted by
time.

The range of the wave is split in two halves and the most frequented bin of each half is a state level. Here
every segment spreads its time over the bins that it passes, so that dense points at an edge do not count more
than the time they cover, and the level is the time median around the bin, not the bin's centre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.measure.window import Array, check

BINS = 100  # common practice: 1 % of the range a bin, widened tenfold once
LEAST_SHARE = 0.01  # share of the time a mode must hold (IEEE Std 181-2011, 5.2.1, second hand)
MOST_ASTRAY = 0.2  # share of a state's time that may lie far from its level; rule of thumb
_NOTHING, _WHOLE = np.array(0.0), np.array(1.0)  # quicker to compare with than plain numbers
_LEAST_RISE = 1e-290  # V: a segment that rises by less counts as flat, since nothing can be divided by it
DISTINCT = 3.0  # a mode holds so many times what an even spread over its half would put there; rule of thumb


@dataclass(frozen=True)
class StateLevels:
    """Low and high state level, in the unit of the wave, and how each was found: "mode", "extreme" or
    "median"."""

    low: float
    high: float
    low_method: str
    high_method: str

    @property
    def method(self) -> str:
        """One word for both: "mode", "extreme", "low extreme" (high by its mode) or "high extreme"."""
        if self.low_method == self.high_method:
            return self.low_method
        return "low extreme" if self.low_method == "extreme" else "high extreme"


def state_levels(time: Array, wave: Array) -> StateLevels:
    """State levels of ``wave`` (shape (n,)) over the whole of ``time`` (s, shape (n,)).

    A half of the range without a distinct mode (a pulse shorter than 1 % of the record, or one that never
    settles) gives its extreme, which is stated. Raises ValueError for a broken record.
    """
    check(time, wave)
    low, high = float(wave.min()), float(wave.max())
    if low == high:
        return StateLevels(low, high, "mode", "mode")
    spread = _Spread(time, wave)
    below = _mode(spread, low, high, upper=False)
    above = _mode(spread, low, high, upper=True)
    return StateLevels(
        low if below is None else below,
        high if above is None else above,
        "extreme" if below is None else "mode",
        "extreme" if above is None else "mode",
    )


def halfway_levels(time: Array, wave: Array) -> tuple[StateLevels, bool]:
    """State levels of a wave that droops in its states, as behind a coupling capacitor, and whether they mean
    anything.

    A drooping state has no most frequented level: its level is taken as the voltage half-way through it,
    which is the time median of what lies above, or below, the middle between the extremes. Where a state
    spends more than :data:`MOST_ASTRAY` of its time farther from there than a quarter of the swing, it has
    no level (rule of thumb). Raises ValueError for a broken record.
    """
    check(time, wave)
    low, high = float(wave.min()), float(wave.max())
    middle = 0.5 * (low + high)
    if low == high:
        return StateLevels(low, high, "median", "median"), True
    spread = _Spread(time, wave)
    below, above = spread.median(low, middle), spread.median(middle, high)
    quarter = 0.25 * (above - below)
    astray = [
        1
        - (spread.below(level + quarter, inclusive=True) - spread.below(level - quarter)) / max(held, 1e-300)
        for level, held in (
            (below, spread.below(middle)),
            (above, spread.total - spread.below(middle)),
        )
    ]
    return StateLevels(below, above, "median", "median"), max(astray) <= MOST_ASTRAY


def _mode(spread: _Spread, low: float, high: float, upper: bool) -> float | None:
    """The mode of one half of the range, or None where there is no distinct one."""
    for bins in (BINS, BINS // 10):
        edges = low + (high - low) / 2 * (np.arange(bins // 2 + 1) / (bins // 2) + upper)
        edges[-1] = high if upper else edges[-1]  # rounding must not leave a state at the very top outside
        held = np.diff(spread.all_below(edges))
        held[-1] += spread.below(float(edges[-1]), inclusive=True) - spread.below(float(edges[-1]))
        best = int(np.argmax(held))
        if held[best] >= LEAST_SHARE * spread.total and held[best] >= DISTINCT * held.sum() / len(held):
            width = (high - low) / bins
            return _settle(spread, float(edges[best] + edges[best + 1]) / 2, width)
    return None


def _settle(spread: _Spread, centre: float, width: float) -> float:
    """Median of the time that the wave spends within half a width of ``centre``, moved until it stays."""
    half = width / 2 * (1 + 1e-6)  # a state that lies exactly on the edge of its bin is inside
    for _ in range(40):
        middle = spread.median(centre - half, centre + half)
        if abs(middle - centre) <= 1e-12 * width:
            break
        centre = middle
    return middle


def time_median(time: Array, wave: Array) -> float:
    """The value that the wave exceeds half of the time (unit of the wave). Raises ValueError for a broken
    record."""
    check(time, wave)
    return _Spread(time, wave).median(float(wave.min()), float(wave.max()))


class _Spread:
    """How the time of a piecewise linear wave spreads over its values."""

    def __init__(self, time: Array, wave: Array) -> None:
        steps = time[1:] - time[:-1]
        moving = steps > 0
        step = steps[moving]
        low = np.minimum(wave[1:], wave[:-1])[moving]
        high = np.maximum(wave[1:], wave[:-1])[moving]
        flat = high - low < _LEAST_RISE
        self.total = float(step.sum())
        self.corners = np.unique(np.concatenate((low, high)))
        sloped = ~flat
        self.step, self.low, self.rise = step[sloped], low[sloped], (high - low)[sloped]
        self.flat_step, self.flat_level = step[flat], low[flat]
        self._rests = len(self.flat_step) > 0
        self._share = np.empty_like(self.step)
        self._known: dict[tuple[float, bool], float] = {}

    def below(self, value: float, inclusive: bool = False) -> float:
        """Time (s) spent below ``value``, or at and below it."""
        at = inclusive and self._rests
        known = self._known.get((value, at))
        if known is not None:
            return known
        share = self._share
        np.subtract(value, self.low, out=share)
        np.divide(share, self.rise, out=share)
        np.maximum(share, _NOTHING, out=share)
        np.minimum(share, _WHOLE, out=share)
        np.multiply(self.step, share, out=share)
        spent = float(np.add.reduce(share))
        if self._rests:
            resting = self.flat_level <= value if inclusive else self.flat_level < value
            spent += float(np.add.reduce(self.flat_step[resting]))
        self._known[value, at] = spent
        return spent

    def all_below(self, values: Array) -> Array:
        """Time (s) spent below each of the values."""
        share = values[:, np.newaxis] - self.low
        share /= self.rise
        np.maximum(share, 0.0, out=share)
        np.minimum(share, 1.0, out=share)
        share *= self.step
        resting = np.where(self.flat_level < values[:, np.newaxis], self.flat_step, 0.0)
        return np.asarray(share.sum(axis=1) + resting.sum(axis=1))

    def median(self, least: float, most: float) -> float:
        """Median over the time spent from ``least`` to ``most``, both included; their middle where there is
        none."""
        before, after = self.below(least), self.below(most, inclusive=True)
        if after <= before:
            return (least + most) / 2
        target = (before + after) / 2
        corners = self.corners
        corners = np.concatenate(([least], corners[(corners > least) & (corners < most)], [most]))
        first, last = 0, len(corners) - 1
        while first < last:  # the first corner at or below which the wave spends the target time
            middle = (first + last) // 2
            if self.below(float(corners[middle]), inclusive=True) >= target:
                last = middle
            else:
                first = middle + 1
        here = float(corners[first])
        up_to = self.below(here)
        if first == 0 or up_to <= target:
            return here
        there = float(corners[first - 1])
        start = self.below(there, inclusive=True)
        return there + (here - there) * (target - start) / (up_to - start)


def output_resistance(unloaded: float, loaded: float, load: float) -> float:
    """Output resistance (Ohm) from a settled level without and with a load of ``load`` Ohm to 0 V.

    R = load (V_unloaded - V_loaded) / V_loaded, the voltage divider solved for its upper part.
    """
    return load * (unloaded - loaded) / loaded
