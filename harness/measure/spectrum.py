# SPDX-License-Identifier: GPL-3.0-or-later
"""Harmonics, mean and r.m.s. of one cycle, exact for piecewise linear waves on any grid."""

from __future__ import annotations

from math import log10, sqrt

import numpy as np
from numpy.typing import NDArray

from harness.measure.window import Array, cut, mean, mean_product


def harmonics(time: Array, wave: Array, begin: float, end: float, count: int = 16) -> NDArray[np.complex128]:
    """Complex amplitudes c_1 to c_count (peak, unit of the wave, shape (count,)) of the cycle ``begin`` to
    ``end`` (s).

    w(t) = mean + sum of Re(c_n exp(2 pi j n (t - begin) / T)). By parts, c_n = (2/T) times the integral of w
    exp(-j n w0 t) is a sum over segments of rise times exp(-j n w0 t_middle) times sinc(n f0 step): no
    division by a step, so that a jump is as good as any other segment. Raises ValueError as `cut` does.
    """
    instants, values = cut(time, begin, end, wave)
    period = end - begin
    rises = np.diff(values)
    middles = (instants[1:] + instants[:-1]) / 2 - begin
    order = np.arange(1, count + 1)[:, np.newaxis]
    turns = order * middles / period
    weights = np.exp(-2j * np.pi * turns) * np.sinc(order * np.diff(instants) / period)
    closing = values[0] - values[-1]  # the jump back where the cycle does not close exactly
    total = np.sum(weights * rises, axis=1) + closing  # a product of matrices would wake up threads
    amplitudes: NDArray[np.complex128] = total / (1j * np.pi * order[:, 0])
    return amplitudes


def mean_and_ac_rms(time: Array, wave: Array, begin: float, end: float) -> tuple[float, float]:
    """Mean and r.m.s. value about the mean (unit of the wave) over ``begin`` to ``end`` (s)."""
    instants, values = cut(time, begin, end, wave)
    level = mean(instants, values)
    about = values - level
    return level, sqrt(max(mean_product(instants, about, about), 0.0))


def level_vs_square(ac_rms: float, swing: float) -> float:
    """Level in dB against a symmetrical square wave of the same ``swing``, whose AC r.m.s. value is swing /
    2.

    For a clean pulse 20 log10(2 sqrt(D (1 - D))). Not a number where there is no swing or no AC.
    """
    if not (swing > 0 and ac_rms > 0):
        return float("nan")
    return 20 * log10(2 * ac_rms / swing)
