# SPDX-License-Identifier: GPL-3.0-or-later
"""What a pulse does beside its levels and edges: overshoot, undershoot and settling.

Terms after IEEE Std 181 (second hand: the standard itself was not seen): an aberration above the upper
boundary of a state is an overshoot, one below the lower boundary an undershoot, and a state is settled from
the last instant on at which the wave enters a tolerance region around its level.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isnan, nan

import numpy as np

from harness.measure.crossings import crossed_segments, instant_in
from harness.measure.pulse import Pulse
from harness.measure.ramp import highest
from harness.measure.window import Array, cut, thrice

REGION = 0.02  # of the difference of the levels, to either side: usual (from memory)

ROUNDING = 1e-9  # of a state's duration: an instant this far outside belongs to its end


@dataclass(frozen=True)
class Aberrations:
    """Overshoot above the high level and undershoot below the low level, as shares of their difference.

    ``rise_settling``, ``fall_settling``: from the 50 % instant of an edge until the output stays within 2 %
    of its new level (s). Not a number where the state has no level of its own (an extreme stands for it),
    where it is never settled, and where the output does not pulse once a cycle.
    """

    overshoot: float = nan
    undershoot: float = nan
    rise_settling: float = nan
    fall_settling: float = nan


def aberrations(time: Array, output: Array, begin: float, end: float, pulse: Pulse) -> Aberrations:
    """Aberrations of ``output`` (V) over the cycle ``begin`` to ``end`` (s), whose figures are ``pulse``.

    Raises ValueError as `cut` does.
    """
    if pulse.state != "pulsing":
        return Aberrations()
    period = end - begin
    around, wave = thrice(period, *cut(time, begin, end, output))
    rise, fall = pulse.rising[0], pulse.falling[0]
    until_fall, until_rise = rise + (fall - rise) % period, fall + (rise - fall) % period
    low, high = pulse.low_level, pulse.high_level
    above = rise_settling = below = fall_settling = nan
    if pulse.level_method in ("mode", "low extreme"):
        above, rise_settling = _of_state(around, wave, rise, until_fall, high, high - low)
    if pulse.level_method in ("mode", "high extreme"):
        below, fall_settling = _of_state(around, -wave, fall, until_rise, -low, high - low)
    return Aberrations(above, below, rise_settling, fall_settling)


def _of_state(
    time: Array, wave: Array, begin: float, end: float, level: float, swing: float
) -> tuple[float, float]:
    """Largest excursion above a state that begins with a rise (share of ``swing``), and its settling (s).

    The state is settled from the last entry into its region on, if it then stays there for longer than the
    next edge takes from leaving the region to 50 %; a wave that only falls through is not.
    """
    own = slice(max(int(np.searchsorted(time, begin)) - 3, 0), int(np.searchsorted(time, end, "right")) + 3)
    time, wave = time[own], wave[own]
    peak = highest(time, wave, begin, end)
    lower, upper = level - REGION * swing, level + REGION * swing
    slack = ROUNDING * (end - begin)

    def passing(bound: float, way: int, until: float = inf) -> float:
        """The last instant at which the state's wave passes a bound, up to some instant."""
        segments, ways = crossed_segments(wave, bound)
        instants = (instant_in(time, wave, bound, k) for k in segments[ways == way][::-1].tolist())
        valid = (x for x in instants if begin - slack <= x <= end + slack and x <= until)
        return next(valid, nan)

    leaving = passing(lower, -1)
    entries = passing(lower, 1, leaving), passing(upper, -1, leaving)
    entry = max((x for x in entries if not isnan(x)), default=nan)
    settled = leaving - entry > end - leaving + slack
    return max(peak - level, 0.0) / swing, max(entry - begin, 0.0) if settled else nan
