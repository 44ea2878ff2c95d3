# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed forms of what stands between a ramp and its slicer: shifted, scaled, turned over, folded to a
triangle.

Volts, ohms, seconds; every argument is a number or an array over the corners. Op-amps are ideal here. The
circuits lie in ``netlists/networks/``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from harness.predict.width_networks import Array, as_array


def inverted(
    ramp: ArrayLike, level: ArrayLike, of_ramp: ArrayLike, of_level: ArrayLike, feedback: ArrayLike
) -> Array:
    """Output of an inverting op-amp: -(R_f/R_ramp) ramp - (R_f/R_level) level.

    Law: both input resistors end at 0 V, and what they bring flows on through the feedback.
    """
    return -as_array(feedback) * (as_array(ramp) / as_array(of_ramp) + as_array(level) / as_array(of_level))


def shifted(
    ramp: ArrayLike,
    level: ArrayLike,
    divider: tuple[ArrayLike, ArrayLike],
    of_level: ArrayLike,
    feedback: ArrayLike,
) -> Array:
    """Output of an op-amp that leaves the ramp upright: (1 + R_f/R_level) share ramp - (R_f/R_level) level.

    ``divider``: resistors (above, below) in front of the plus input, share = below/(above + below). Law:
    both inputs are at the divided ramp; the same current flows through R_level and the feedback.
    """
    above, below = (as_array(part) for part in divider)
    ratio = as_array(feedback) / as_array(of_level)
    return (1.0 + ratio) * below / (above + below) * as_array(ramp) - ratio * as_array(level)


def scaling(
    low: ArrayLike, high: ArrayLike, wanted_low: ArrayLike, wanted_high: ArrayLike
) -> tuple[Array, Array]:
    """Factor and shift (V) that bring a ramp from ``low`` .. ``high`` to ``wanted_low`` .. ``wanted_high``:
    output = factor ramp + shift. A negative factor asks for an inverting op-amp."""
    factor = (as_array(wanted_high) - as_array(wanted_low)) / (as_array(high) - as_array(low))
    return factor, as_array(wanted_low) - factor * as_array(low)


def folded(ramp: ArrayLike, fold: ArrayLike) -> Array:
    """A ramp folded at a level: fold + |ramp - fold|."""
    return as_array(fold) + np.abs(as_array(ramp) - as_array(fold))


@dataclass(frozen=True)
class Triangle:
    """What becomes of a ramp that is folded.

    ``bottom``: its lowest level, the fold; ``at_low``, ``at_high``: its levels where the ramp is lowest and
    highest (V); ``falling``: share of the sweep in which it falls.
    """

    bottom: Array
    at_low: Array
    at_high: Array
    falling: Array

    @property
    def mismatch(self) -> Array:
        """How much higher (V) the triangle ends than it begins: the step that the reset leaves."""
        return self.at_high - self.at_low

    @property
    def skew(self) -> Array:
        """How far the falling share of a sweep is from one half."""
        return self.falling - 0.5


def triangle(low: ArrayLike, high: ArrayLike, fold: ArrayLike) -> Triangle:
    """The triangle of a straight ramp from ``low`` to ``high`` folded at a level between them.

    Law: output = fold + |ramp - fold|, so its ends are 2 fold - low and high, and the ramp reaches the fold
    after the share (fold - low)/(high - low) of its sweep. Symmetric, and without a step, where fold = (low
    + high)/2.
    """
    least, most, level = as_array(low), as_array(high), as_array(fold)
    return Triangle(level, folded(least, level), folded(most, level), (level - least) / (most - least))


def reset_glitch(
    low: ArrayLike, high: ArrayLike, fold: ArrayLike, reset: ArrayLike, slew: ArrayLike = np.inf
) -> Array:
    """How deep (V) the glitch in the folded ramp is while the ramp falls back in a straight line within
    ``reset``.

    Law: the fold is passed after the share (high - fold)/(high - low) of the reset; until then the ideal
    output falls by high - fold, an op-amp by no more than ``slew`` (V/s) times that while. An upper bound
    for an op-amp, which first has to leave its feedback.
    """
    least, most, level = as_array(low), as_array(high), as_array(fold)
    until = as_array(reset) * (most - level) / (most - least)
    with np.errstate(invalid="ignore"):
        limited = np.where(np.isinf(as_array(slew)), np.inf, as_array(slew) * until)
    return np.minimum(most - level, limited)
