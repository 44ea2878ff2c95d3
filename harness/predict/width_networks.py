# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed forms of the networks that set a width: knobs with their taper, knobs and controls that meet at a
node, end-stop resistors, summing op-amps.

Volts, ohms and amperes throughout; angles and shares from 0 to 1. Every argument is a number or an array
over the corners. An infinite resistance is an open branch: it leaves the sums, whatever level stands at its
far end. The circuits lie in ``netlists/networks/``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def as_array(value: ArrayLike) -> Array:
    """Numbers as an array of floats."""
    return np.asarray(value, dtype=float)


# --- knobs


def two_slope_taper(angle: ArrayLike, middle: ArrayLike = 0.5) -> Array:
    """Share of a track below the wiper, in two straight pieces that meet at half the angle.

    Law: s = 2 m a up to a = 1/2, then m + (1 - m)(2 a - 1), with ``middle`` m; linear where m = 1/2. Printed
    tracks are made of such pieces; m is 0.1 to 0.2 for a logarithmic one (from memory: makers' tables of
    panel potentiometers). Valid for 0 <= angle <= 1.
    """
    turned, share = as_array(angle), as_array(middle)
    return share * np.minimum(2.0 * turned, 1.0) + (1.0 - share) * np.maximum(2.0 * turned - 1.0, 0.0)


def exponential_taper(angle: ArrayLike, middle: ArrayLike = 0.15) -> Array:
    """Share of a track below the wiper, exponential in the angle, ``middle`` at half of it.

    Law: s = (b^a - 1)/(b - 1) with b = (1/m - 1)^2, for then s(1/2) = 1/(sqrt(b) + 1) = m; linear in the
    limit m = 1/2. Valid for 0 <= angle <= 1 and 0 < middle < 1.
    """
    turned, share = np.broadcast_arrays(as_array(angle), as_array(middle))
    logarithm = 2.0 * np.log(1.0 / share - 1.0)
    straight = np.abs(logarithm) < 1e-9
    safe = np.where(straight, 1.0, logarithm)
    return np.where(straight, turned, np.expm1(safe * turned) / np.expm1(safe))


def knob_halves(share: ArrayLike, total: ArrayLike, end: ArrayLike = 0.0) -> tuple[Array, Array]:
    """Resistances (bottom to wiper, wiper to top) of a knob whose taper gives ``share``.

    Law: e + s (R - 2 e) and e + (1 - s)(R - 2 e), ``end`` e left at either end of the ``total`` R.
    """
    below, track, left = as_array(share), as_array(total) - 2.0 * as_array(end), as_array(end)
    return left + below * track, left + (1.0 - below) * track


def wiper(high: ArrayLike, low: ArrayLike, halves: tuple[ArrayLike, ArrayLike]) -> tuple[Array, Array]:
    """What stands at a wiper: level without load, and resistance (Thevenin's theorem).

    ``high`` and ``low``: levels at the ends; ``halves``: as `knob_halves` gives them. Law: V = (V_high
    R_lower + V_low R_upper)/(R_lower + R_upper), R = R_lower R_upper/(R_lower + R_upper).
    """
    lower, upper = (as_array(half) for half in halves)
    whole = lower + upper
    return (as_array(high) * lower + as_array(low) * upper) / whole, lower * upper / whole


def end_stops(
    total: ArrayLike, high: ArrayLike, low: ArrayLike, least: ArrayLike, most: ArrayLike
) -> tuple[Array, Array]:
    """Fixed resistors (below, above) that hold an unloaded wiper between ``least`` and ``most``.

    Law: one current flows through all three, so R_below : total : R_above = (least - low) : (most - least) :
    (high - most). Valid for low <= least < most <= high.
    """
    turn = as_array(most) - as_array(least)
    return (
        as_array(total) * (as_array(least) - as_array(low)) / turn,
        as_array(total) * (as_array(high) - as_array(most)) / turn,
    )


# --- nodes


def _sums(levels: Sequence[ArrayLike], resistances: Sequence[ArrayLike]) -> tuple[Array, Array]:
    """The sums of V_k/R_k and of 1/R_k over the branches that are not open."""
    conductances = [1.0 / as_array(resistance) for resistance in resistances]
    currents = [
        np.where(conductance > 0.0, as_array(level), 0.0) * conductance
        for level, conductance in zip(levels, conductances, strict=True)
    ]
    return as_array(sum(currents)), as_array(sum(conductances))


def node_level(levels: Sequence[ArrayLike], resistances: Sequence[ArrayLike], bias: ArrayLike = 0.0) -> Array:
    """Level of a node to which resistances lead from known levels.

    Law: Millman's theorem, V = (sum V_k/R_k - I_b)/(sum 1/R_k), ``bias`` I_b being what an input takes in
    there. An infinite resistance is an open branch, whose level does not count. NaN where every branch is
    open.
    """
    driven, whole = _sums(levels, resistances)
    entering = driven - as_array(bias)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(whole > 0.0, entering / whole, np.nan)


def knob_and_jack(
    knob: tuple[ArrayLike, ArrayLike],
    of_knob: ArrayLike,
    control: ArrayLike,
    of_control: ArrayLike,
    source: ArrayLike = 0.0,
    bias: ArrayLike = 0.0,
) -> Array:
    """Level where a knob and an external control meet, each behind a resistor of its own.

    ``knob``: level and resistance of its wiper (`wiper`); ``source``: resistance of what drives the jack,
    infinite for an empty one. A jack at 0 V has a control of 0 and a finite source.
    """
    level, resistance = (as_array(part) for part in knob)
    return node_level(
        (level, control), (resistance + as_array(of_knob), as_array(of_control) + as_array(source)), bias
    )


# --- op-amps


def summing_level(
    levels: Sequence[ArrayLike],
    resistances: Sequence[ArrayLike],
    feedback: ArrayLike,
    offset: ArrayLike = 0.0,
    bias: ArrayLike = 0.0,
    gain: ArrayLike = np.inf,
    reference: ArrayLike = 0.0,
) -> Array:
    """Output of an inverting summing op-amp, far from its limits and at rest.

    Law: Kirchhoff's current law at the minus input, V_m = reference - offset - V/gain::

        sum (V_k - V_m)/R_k + (V - V_m)/R_f = I_b

    ``offset``: how far plus lies above minus at rest; ``bias`` I_b: current into the minus input; ``gain``:
    open loop. In the limit of an ideal op-amp V = V_ref - sum (V_k - V_ref) R_f/R_k.
    """
    driven, conductance = _sums(levels, resistances)
    back = 1.0 / as_array(feedback)
    whole = conductance + back
    held = as_array(reference) - as_array(offset)
    return as_array((held * whole - driven + as_array(bias)) / (back + whole / as_array(gain)))
