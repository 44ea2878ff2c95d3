# SPDX-License-Identifier: GPL-3.0-or-later
"""The spectrum and the levels of a pulse, in closed form."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def pulse_harmonics(swing: ArrayLike, duty: ArrayLike, count: int = 16) -> Array:
    """Peak amplitudes of harmonics 1 to ``count`` of a rectangular pulse.

    Law: c_n = 2 A / (n pi) * abs(sin(n pi D)).

    :param swing: A, volts from the low to the high level, shape (corners,).
    :param duty: D, share of the period that is high, shape (corners,).
    :returns: volts, shape (corners, count).
    Valid for edges that are short against the period divided by ``count``.
    Source: Fourier series of a pulse train, any text; checked in tests/physics against numpy's FFT.
    """
    order = np.arange(1, count + 1)
    level, share = np.asarray(swing, dtype=float)[..., None], np.asarray(duty, dtype=float)[..., None]
    return np.asarray(2 * level / (order * np.pi) * np.abs(np.sin(order * np.pi * share)))


def ideal_mean(low: ArrayLike, swing: ArrayLike, duty: ArrayLike) -> Array:
    """Mean level of a rectangular pulse, V_L + A D, in volts."""
    return np.asarray(np.asarray(low) + np.asarray(swing) * np.asarray(duty), dtype=float)


def ideal_ac_rms(swing: ArrayLike, duty: ArrayLike) -> Array:
    """AC r.m.s. level of a rectangular pulse, A sqrt(D (1 - D)), in volts."""
    share = np.asarray(duty, dtype=float)
    return np.asarray(np.asarray(swing) * np.sqrt(np.maximum(share * (1 - share), 0.0)))


def against_square(ac_rms: ArrayLike, swing: ArrayLike) -> Array:
    """AC level against a square wave of the same swing, 20 log10(2 AC / A), in dB.

    For a rectangular pulse this is 20 log10(2 sqrt(D (1 - D))): -7.2 dB at a duty of 5 %. -inf for a flat
    output.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20 * np.log10(2 * np.asarray(ac_rms, dtype=float) / np.asarray(swing, dtype=float)))
