# SPDX-License-Identifier: GPL-3.0-or-later
"""The slicing stage: how wide the pulse is, and how much room the comparator's inputs have."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.measure.room import CLASSES, ROOM_TEMPERATURE
from harness.predict.core import Delay, no_delay
from harness.predict.ramp import Ramp

Array = NDArray[np.float64]


def ideal_duty(threshold: Array, low: Array, high: Array, high_below: bool) -> Array:
    """Duty factor of a straight ramp from ``low`` to ``high`` (V) that resets at once.

    Law: D = clip((V_th - V_lo) / (V_hi - V_lo), 0, 1) where the output is high below the threshold, 1 - D
    else.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        below = np.clip((threshold - low) / (high - low), 0.0, 1.0)
    return below if high_below else 1.0 - below


def time_below(ramp: Ramp, upward: Array, downward: Array) -> Array:
    """Seconds of the cycle from the ramp's passing ``downward`` (V) on its way down until it passes
    ``upward`` (V) on its way up: the time below a threshold that may have hysteresis.

    Where the ramp does not pass both, the stage stays on one side: 0 or a whole period; where it passes
    neither and lies between the two, either would stay, and what counts is where it is for longer.
    """
    plain = ramp.time_below(upward)
    up, down = ramp.crossing(upward, True).instant, ramp.crossing(downward, False).instant
    both = np.isfinite(up + down)
    with np.errstate(invalid="ignore"):
        between = np.mod(up - down, ramp.period)
    middle = ramp.time_below(0.5 * (upward + downward))
    rest = np.where(~(ramp.high >= upward), ramp.period, np.where(~(ramp.low <= downward), 0.0, middle))
    stuck = np.where(ramp.period > 0, np.round(rest / ramp.period) * ramp.period, np.nan)
    stuck = np.where(np.isfinite(ramp.period + upward + downward), stuck, np.nan)
    return np.where(upward == downward, plain, np.where(both, between, stuck))


def duty(
    ramp: Ramp,
    levels: tuple[Array, Array],
    high_below: bool,
    fall_delay: Delay = no_delay,
    rise_delay: Delay = no_delay,
    fall_edge: Array | float = 0.0,
    rise_edge: Array | float = 0.0,
) -> Array:
    """Duty factor at the 50 % level of the output: sweep, the share of the reset on the right side, and
    delays.

    ``levels``: V at which the comparator turns as the ramp passes on its way up and on its way down, offset
    included; ``fall_delay`` and ``rise_delay``: s from the crossing until the output conducts or lets go,
    against the slope (V/s); ``fall_edge`` and ``rise_edge``: s from there to 50 %. 0 or 1 where the ramp
    never crosses.
    """
    upward, downward = levels
    below = time_below(ramp, upward, downward)
    up, down = np.abs(ramp.crossing(upward, True).slope), np.abs(ramp.crossing(downward, False).slope)
    crossed = ~np.isnan(up) & ~np.isnan(down)
    fall_at, rise_at = (up, down) if high_below else (down, up)
    high = below if high_below else ramp.period - below
    shift = (
        fall_delay(np.where(crossed, fall_at, 1.0))
        + fall_edge
        - rise_delay(np.where(crossed, rise_at, 1.0))
        - rise_edge
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(
            crossed, np.clip((high + shift) / ramp.period, 0.0, 1.0), np.round(high / ramp.period)
        )


def headroom(
    thresholds: tuple[Array, Array], ramp_high: Array, supply: Array, temperature: Array, class_: str | None
) -> Array:
    """Room (V) below the upper common-mode limit at the worst instant of the cycle, by the rule of the class.

    Where one input in range is enough, the lower of the two counts at each instant: the worst one is when the
    ramp is highest. ``thresholds``: V, in either state of the output; ``supply``: V; ``temperature``: degC.
    NaN for a class without a rule.
    """
    threshold = np.maximum(*thresholds)
    rule = CLASSES.get(class_ or "")
    if rule is None:
        return np.full_like(threshold, np.nan)
    at_room = np.abs(temperature - ROOM_TEMPERATURE) < 0.01
    limit = supply - np.where(at_room, rule.upper, rule.upper_elsewhere)
    return limit - (np.minimum(threshold, ramp_high) if rule.one_input else np.maximum(threshold, ramp_high))


def floor_room(thresholds: tuple[Array, Array], ramp_low: Array, ground: Array, class_: str | None) -> Array:
    """Room (V) above the lower common-mode limit, which holds for either input. ``thresholds``: V, in either
    state of the output; ``ground``: V of the lower supply."""
    threshold = np.minimum(*thresholds)
    rule = CLASSES.get(class_ or "")
    if rule is None:
        return np.full_like(threshold, np.nan)
    return np.minimum(threshold, ramp_low) - (ground + rule.lower)
