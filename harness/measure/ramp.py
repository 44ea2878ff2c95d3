# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of the ramp: its extremes, and where it passes the threshold in its sweep and on the way back."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np

from harness.measure.crossings import crossed_segments, instant_in, smooth, value_at
from harness.measure.window import Array, cut, mean, thrice

RETURN_SHARE = 0.005  # of the ramp: thresholds nearer to each other than this count as one


@dataclass(frozen=True)
class Threshold:
    """Voltage (V) of the slicing node where the ramp passes it.

    ``sweep``: at the end of the sweep; ``back``: in the reset, not a number unless it differs by 0.5 % of the
    ramp. ``method``: "crossing", or "mean" where the ramp does not pass the threshold and the mean of the
    node is given.
    """

    sweep: float
    back: float
    method: str


def ramp_figures(time: Array, ramp: Array, begin: float, end: float) -> tuple[float, float]:
    """Lowest and highest level (V) of ``ramp`` from ``begin`` to ``end`` (s).

    Of a parabola where the wave turns smoothly, of the points themselves at a corner. Raises ValueError as
    `cut` does.
    """
    return -highest(time, -ramp, begin, end), highest(time, ramp, begin, end)


def highest(time: Array, wave: Array, begin: float, end: float) -> float:
    """Highest level of ``wave`` (its unit) from ``begin`` to ``end`` (s), as in `ramp_figures`."""
    values = cut(time, begin, end, wave)[1]
    top = float(values.max())
    k = int(np.argmax(np.where((time > begin) & (time < end), wave, -np.inf)))
    if wave[k] < top or not (smooth(time, wave, k - 1) and smooth(time, wave, k)):
        return top
    before, after = float(time[k - 1] - time[k]), float(time[k + 1] - time[k])
    left, right = float(wave[k - 1] - wave[k]) / before, float(wave[k + 1] - wave[k]) / after
    bend = (right - left) / (after - before)
    slope = left - bend * before
    return top - slope * slope / (4 * bend) if bend < 0 else top


def rises_slowly(time: Array, ramp: Array) -> bool:
    """True where the sweep, the slower part of a cut cycle, is the rising one."""
    rise = np.diff(ramp)
    step = np.diff(time)
    return float(np.sum(step[rise > 0])) >= float(np.sum(step[rise < 0]))


def threshold_figures(time: Array, ramp: Array, threshold: Array, begin: float, end: float) -> Threshold:
    """Voltages of ``threshold`` (V) where ``ramp`` (V) passes it, within the cycle ``begin`` to ``end`` (s).

    The sweep is the slower direction of the ramp; of several crossings in that direction the first after the
    ramp's turning point counts. Raises ValueError as `cut` does.
    """
    instants, slope, node = cut(time, begin, end, ramp, threshold)
    sign = 1.0 if rises_slowly(instants, slope) else -1.0
    start = float(instants[int(np.argmin(sign * slope))])
    period = end - begin
    around, gap, level = thrice(period, instants, sign * (slope - node), node)
    segments, directions = crossed_segments(gap, 0.0)
    passed = [instant_in(around, gap, 0.0, int(k)) for k in segments]
    sweeps = [x for x, way in zip(passed, directions, strict=True) if way > 0 and x >= start]
    backs = [x for x, way in zip(passed, directions, strict=True) if way < 0]
    if not sweeps:
        return Threshold(mean(instants, node), nan, "mean")
    sweep = value_at(around, level, sweeps[0])
    after = [x for x in backs if sweeps[0] < x <= sweeps[0] + period]
    back = value_at(around, level, after[0]) if after else nan
    if abs(back - sweep) < RETURN_SHARE * float(np.ptp(slope)):
        back = nan
    return Threshold(sweep, back, "crossing")
