# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a wave crosses a level, on an uneven grid.

Where four neighbouring points look like one smooth curve the crossing is taken on the cubic through them,
otherwise (corners, edges, jumps) on the straight line between the two points around it. A piecewise linear
wave has its corners at points, so that its crossings come out exactly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.measure.window import Array, check

STEP_RATIO = 4.0  # neighbouring steps further apart in length than this do not belong to one smooth stretch
BEND_RATIO = 4.0  # so do bends (second differences): of one sign, and of one size within this factor


def crossings(time: Array, wave: Array, level: float) -> tuple[Array, NDArray[np.int_]]:
    """Instants (s) at which ``wave`` crosses ``level``, and directions (+1 rising, -1 falling), in order.

    A wave that lies exactly on the level counts as below it. Raises ValueError for a broken record.
    """
    check(time, wave)
    segments, directions = crossed_segments(wave, level)
    return np.array([instant_in(time, wave, level, int(k)) for k in segments]), directions


def crossed_segments(wave: Array, level: float) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Indices k of the segments (k, k + 1) that cross ``level``, and their directions."""
    above = wave > level
    segments = np.flatnonzero(above[1:] != above[:-1])
    return segments, np.where(above[segments + 1], 1, -1)


def instant_in(time: Array, wave: Array, level: float, k: int) -> float:
    """Instant (s) at which the segment (k, k + 1) crosses ``level``."""
    begin, end = time[k : k + 2].tolist()  # plain floats: arrays of four cost ten times as much
    first, last = wave[k : k + 2].tolist()
    step = end - begin
    share = (level - first) / (last - first)
    curve = _cubic(time, wave, k)
    if curve is None:
        return float(begin + share * step)
    return float(begin + _time_at(curve, level, share * step, step, last > first))


def _time_at(curve: Cubic, level: float, guess: float, step: float, rising: bool) -> float:
    """When the curve crosses the level between 0 and ``step`` (s): Newton's method, kept inside."""
    low, high, at = 0.0, step, guess
    rounding = 4e-16 * (abs(level) + abs(curve[0]))
    for _ in range(60):
        above = _value(curve, at) - level
        if (above > 0) == rising:
            high = at
        else:
            low = at
        slope = _slope(curve, at)
        following = at - above / slope if slope else low
        if not low < following < high:
            following = (low + high) / 2
        if abs(above) <= rounding or abs(following - at) <= 4e-16 * step:
            break
        at = following
    return at


def value_at(time: Array, wave: Array, instant: float) -> float:
    """Value of ``wave`` at ``instant`` (s) on the same local curve that crossings are taken on."""
    k = int(np.clip(np.searchsorted(time, instant, side="right") - 1, 0, len(time) - 2))
    curve = _cubic(time, wave, k)
    if curve is None:
        return float(np.interp(instant, time, wave))
    return _value(curve, instant - float(time[k]))


def smooth(time: Array, wave: Array, k: int) -> bool:
    """True where the points k - 1 to k + 2 look like one smooth curve: even steps, bends alike at k and k +
    1."""
    return _cubic(time, wave, k) is not None


Cubic = tuple[float, float, float, float, float, float]


def _cubic(time: Array, wave: Array, k: int) -> Cubic | None:
    """Newton's form of the cubic through the points k - 1 to k + 2, in the time since point k; None where not
    smooth."""
    if k < 1 or k + 2 >= len(time):
        return None
    a, b, c, d = time[k - 1 : k + 3].tolist()
    earlier, step, later = b - a, c - b, d - c
    if earlier <= 0 or step <= 0 or later <= 0:
        return None
    for one, other in ((earlier, step), (step, later)):
        if max(one, other) > STEP_RATIO * min(one, other):
            return None
    p, q, r, s = wave[k - 1 : k + 3].tolist()
    first = (r - q) / step
    left = (first - (q - p) / earlier) / (earlier + step)
    right = ((s - r) / later - first) / (step + later)
    if not (left * right > 0 and 1 / BEND_RATIO < left / right < BEND_RATIO):
        return None
    before, beyond = a - b, d - b
    second = ((p - q) / before - first) / (before - step)
    far = (s - q) / beyond
    third = ((far - first) / (beyond - step) - second) / (beyond - before)
    return q, first, second, third, step, before


def _value(curve: Cubic, at: float) -> float:
    start, first, second, third, step, before = curve
    return start + at * (first + (at - step) * (second + (at - before) * third))


def _slope(curve: Cubic, at: float) -> float:
    _, first, second, third, step, before = curve
    bend = second + (at - before) * third
    return first + (at - step) * bend + at * (bend + (at - step) * third)
