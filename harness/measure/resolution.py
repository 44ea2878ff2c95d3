# SPDX-License-Identifier: GPL-3.0-or-later
"""How well the points of a record resolve the edges of an output.

A wave is known at its points only. How far a point lies from the straight line between its neighbours, its
sagitta, is what leaving it out would cost: half the square of the step times the second derivative. What
interpolation errs by is a part of it (an eighth of that product on straight lines), and so is what the
trapezoidal rule leaves in a step, summed over a time constant (a twelfth; both textbook, from memory).
Divided by the wave's slope it is a time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from harness.measure.crossings import crossed_segments, instant_in
from harness.measure.window import Array, cut, thrice

NEAR = 4  # points to either side of a crossing whose largest sagitta counts: one alone may vanish by chance
_SAME = 1e-12  # of the period: points nearer than this are one


@dataclass(frozen=True)
class Resolution:
    """How well one figure of an edge is resolved.

    ``left_out``: what leaving out a point changes, in the figure's unit. ``per_volt``: what a state level
    that is wrong by 1 V changes, in the figure's unit a volt.
    """

    left_out: float
    per_volt: float


def resolutions(
    time: Array, output: Array, begin: float, end: float, figures: Mapping[str, float]
) -> dict[str, Resolution]:
    """By name, how well the points of ``output`` (V) over the cycle ``begin`` to ``end`` (s) resolve its
    transition durations, settling times, overshoot and undershoot, as far as ``figures`` holds them.

    Durations rest on the sagitta at both of their ends, overshoot and undershoot on that at the peak. Raises
    ValueError as `cut` does.
    """
    found: dict[str, Resolution] = {}
    low, high = figures.get("low_level", nan), figures.get("high_level", nan)
    if not low < high:
        return found
    instants, values = cut(time, begin, end, output)
    distinct = np.append(np.diff(instants) > _SAME * (end - begin), False)  # the end is the next one's begin
    count = int(distinct.sum())
    around, wave = thrice(end - begin, instants[distinct], values[distinct])
    bends = sagittas(around, wave)
    half, tenth, ninetieth = (low + share * (high - low) for share in (0.5, 0.1, 0.9))
    for edge, peak, way in (("rise", "overshoot", 1), ("fall", "undershoot", -1)):
        if isfinite(figures.get(peak, nan)):
            top = count + int(np.argmax(way * wave[count : 2 * count]))
            found[peak] = Resolution(float(bends[top]) / (high - low), 1 / (high - low))
        middle = _segment(wave, half, way, count, after=True)
        if middle is None:
            continue
        levels = (tenth, ninetieth) if way > 0 else (ninetieth, tenth)
        start = _segment(wave, levels[0], way, middle, after=False)
        stop = _segment(wave, levels[1], way, middle, after=True)
        if isfinite(figures.get(f"{edge}_time", nan)) and start is not None and stop is not None:
            found[f"{edge}_time"] = _between(around, wave, bends, start, stop)
        settling = figures.get(f"{edge}_settling", nan)
        if isfinite(settling):
            at = int(around.searchsorted(instant_in(around, wave, half, middle) + settling)) - 1
            entry = min(max(at, middle), len(around) - 2)
            found[f"{edge}_settling"] = _between(around, wave, bends, middle, entry)
    return found


def sagittas(time: Array, wave: Array) -> Array:
    """How far each point of ``wave`` lies from the line between its neighbours (its unit, shape (n,)); 0 at
    both ends. ``time`` (s) must advance."""
    found = np.zeros(len(time))
    share = (time[1:-1] - time[:-2]) / (time[2:] - time[:-2])
    found[1:-1] = np.abs(wave[1:-1] - wave[:-2] - share * (wave[2:] - wave[:-2]))
    return found


def _segment(wave: Array, level: float, way: int, start: int, after: bool) -> int | None:
    """The segment nearest to ``start``, itself included, that passes a level in one direction."""
    segments, ways = crossed_segments(wave, level)
    own = segments[ways == way]
    own = own[own >= start] if after else own[own <= start]
    return int(own[0 if after else -1]) if len(own) else None


def _between(time: Array, wave: Array, bends: Array, first: int, last: int) -> Resolution:
    """Of a duration that begins in one segment and ends in another."""
    left_out = per_volt = 0.0
    for k in (first, last):
        slope = max(abs(float(wave[k + 1] - wave[k])), 1e-300) / float(time[k + 1] - time[k])
        left_out += float(bends[max(k - NEAR, 0) : k + 2 + NEAR].max()) / slope
        per_volt += 1 / slope
    return Resolution(left_out, per_volt)
