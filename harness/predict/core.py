# SPDX-License-Identifier: GPL-3.0-or-later
"""How a ramp comes about: a source that draws it, or a capacitor swept by a current and emptied by a
switch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.predict.ramp import Piece, Ramp, straight

Array = NDArray[np.float64]
#: delay of a comparator (s) against the slope at its input (V/s)
Delay = Callable[[Array], Array]
_SHORTEST = 1e-15  # s: time constant of an ideal switch without a resistor


def no_delay(slope: Array) -> Array:
    """A comparator that answers at once."""
    return np.zeros_like(slope)


def pulse_source(
    first: Array,
    second: Array,
    rise: Array,
    width: Array,
    fall: Array,
    period: Array,
    instant_reset: bool = False,
) -> Ramp:
    """The cycle of a PULSE source: ``first`` to ``second`` (V) in ``rise``, held for ``width``, back in
    ``fall``, held until ``period`` (all in s).

    The longer of the two flanks is the sweep. With ``instant_reset`` everything else takes no time and the
    sweep fills the period.
    """
    nothing = np.zeros_like(first)
    if instant_reset:
        sweep_up = rise >= fall
        low = np.where(sweep_up, first, second)
        high = np.where(sweep_up, second, first)
        return Ramp((straight(low, high, period), straight(high, low, nothing)))
    rest = np.maximum(period - rise - width - fall, 0.0)
    return Ramp(
        (
            straight(first, second, rise),
            straight(second, second, width),
            straight(second, first, fall),
            straight(first, first, rest),
        )
    )


@dataclass(frozen=True)
class ChargedCapacitor:
    """A capacitor swept upwards by a current until a comparator closes a switch across it.

    The current into the capacitor is ``current`` - ``droop`` * V (A, S): a real current source loses some at
    a higher voltage, bias currents of comparator inputs add to ``current``. The reset goes through
    ``resistance`` (Ohm, switch included). The comparator trips at ``trip_high`` (V) on the way up and
    ``trip_low`` on the way down; ``close_delay`` and ``open_delay`` give the time (s) from there until the
    switch closes or opens, against the slope (V/s, positive).
    """

    capacitance: Array
    current: Array
    trip_high: Array
    trip_low: Array
    resistance: Array
    droop: Array | float = 0.0
    close_delay: Delay = no_delay
    open_delay: Delay = no_delay

    def ramp(self, instant_reset: bool = False) -> Ramp:
        """The settled cycle.

        Sweep: C dV/dt = I - g V. Trip delay t_d overshoots by I t_d / C. Reset: towards V_R = I R / (1 + g R)
        with time constant R C / (1 + g R), until the lower trip level and for the opening delay beyond it.
        With ``instant_reset`` the reset reaches the same level but takes no time. NaN where the reset cannot
        reach the lower trip level or the sweep not the upper one.
        """
        droop = np.broadcast_to(np.asarray(self.droop, dtype=float), self.current.shape)
        sweep_decay = droop / self.capacitance
        slope_high = (self.current - droop * self.trip_high) / self.capacitance
        beyond = Piece(self.trip_high, slope_high, sweep_decay, self.close_delay(np.abs(slope_high)))
        top = beyond.end

        resistance = np.maximum(self.resistance, _SHORTEST / self.capacitance)
        decay = (droop + 1.0 / resistance) / self.capacitance
        falling = Piece(
            top, (self.current - droop * top - top / resistance) / self.capacitance, decay, np.zeros_like(top)
        )
        to_trip = falling.time_to(self.trip_low)
        slope_low = np.abs(falling.rate_at(to_trip))
        reset_time = to_trip + self.open_delay(slope_low)
        reset = Piece(top, falling.rate, decay, reset_time)
        foot = reset.end

        start = Piece(foot, (self.current - droop * foot) / self.capacitance, sweep_decay, np.zeros_like(top))
        sweep_time = start.time_to(beyond.end)
        works = (sweep_time > 0) & (to_trip >= 0) & (slope_high > 0)
        sweep = Piece(foot, start.rate, sweep_decay, np.where(works, sweep_time, np.nan))
        if instant_reset:
            reset = straight(top, foot, np.zeros_like(top))
        return Ramp((sweep, reset))
