# SPDX-License-Identifier: GPL-3.0-or-later
"""A comparator's output on its load line: levels, and the falling edge of one that only sinks.

What hangs on the output is reduced to its open voltage V and resistance R (Thevenin) with a load capacitance
C across it; the output itself is a measured curve of current against voltage, or an ideal switch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LN9 = float(np.log(9.0))
LN2 = float(np.log(2.0))


@dataclass(frozen=True)
class SinkCurve:
    """Sink current (A, shape (corners, knots)) of the conducting output at rising output voltages (V, shape
    (knots,))."""

    voltage: Array
    current: Array

    def at(self, voltage: Array) -> Array:
        """Current (A) at ``voltage`` (V, shape (corners,) or (corners, points)); the last knot's beyond the
        end."""
        points = np.atleast_2d(voltage.T).T
        place = np.clip(np.searchsorted(self.voltage, points) - 1, 0, len(self.voltage) - 2)
        left, right = self.voltage[place], self.voltage[place + 1]
        share = np.clip((points - left) / (right - left), 0.0, 1.0)
        low = np.take_along_axis(self.current, place, axis=1)
        high = np.take_along_axis(self.current, place + 1, axis=1)
        return np.asarray((low + share * (high - low)).reshape(np.shape(voltage)))


def low_level(open_voltage: Array, resistance: Array, curve: SinkCurve) -> Array:
    """Low level (V): where the sink curve meets the load line (V - V_OL) / R. NaN where they do not meet."""
    return meeting(open_voltage, resistance, curve)[0]


def meeting(open_voltage: Array, resistance: Array, curve: SinkCurve) -> tuple[Array, Array]:
    """Where a curve of current into the output meets the load line (V_open - V) / R: the level (V), and there
    the output's own resistance (Ohm), that of the curve's piece. NaN where they do not meet.

    ``resistance``: Ohm, infinite where nothing loads the output.
    """
    knots = curve.voltage[None, :]
    excess = curve.current - (open_voltage[:, None] - knots) / resistance[:, None]
    above = excess >= 0
    first = np.argmax(above, axis=1)
    rows = np.arange(len(excess))
    before = np.maximum(first - 1, 0)
    after = np.maximum(first, 1)
    e0, e1 = excess[rows, before], excess[rows, first]
    v0, v1 = curve.voltage[before], curve.voltage[first]
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.where(first == 0, v1, v0 - e0 * (v1 - v0) / (e1 - e0))
        slope = (curve.current[rows, after] - curve.current[rows, before]) / (
            curve.voltage[after] - curve.voltage[before]
        )
        own = 1.0 / np.maximum(slope, 1e-9)
    known = above.any(axis=1) & np.isfinite(open_voltage)
    return np.where(known, level, np.nan), np.where(known, own, np.nan)


def rise_time(resistance: Array, capacitance: Array) -> Array:
    """10 % to 90 % of the exponential rise through the pull-up, ln 9 * R * C, in s."""
    return LN9 * resistance * capacitance


def fall(
    open_voltage: Array,
    resistance: Array,
    capacitance: Array,
    low: Array,
    high: Array,
    curve: SinkCurve | None,
) -> tuple[Array, Array, Array, Array]:
    """The falling edge, from the instant the output conducts fully.

    Law: C dV/dt = (V_open - V) / R - I_sink(V), integrated over the measured curve.

    :returns: time to the 50 % level, time from 90 % to 10 %, both in s, the area above the low level that the
        edge adds after that instant divided by the swing (s), and the same of the square (s). All 0 for an
        ideal switch (``curve`` None).
    """
    if curve is None:
        nothing = np.zeros_like(low)
        return nothing, nothing, nothing, nothing
    shares = 1.0 - np.concatenate([np.linspace(0.0, 0.9, 181), 1.0 - np.geomspace(0.1, 1e-4, 60)[1:]])
    levels = low[:, None] + (high - low)[:, None] * shares[None, :]
    net = curve.at(levels) - (open_voltage[:, None] - levels) / resistance[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        pace = np.where(net > 0, capacitance[:, None] * (high - low)[:, None] / net, np.nan)
    steps = -np.diff(shares)[None, :] * 0.5 * (pace[:, 1:] + pace[:, :-1])
    elapsed = np.concatenate([np.zeros((len(low), 1)), np.cumsum(steps, axis=1)], axis=1)
    middle, tenth, ninetieth = (int(np.argmin(np.abs(shares - s))) for s in (0.5, 0.1, 0.9))
    area = np.sum(steps * 0.5 * (shares[1:] + shares[:-1])[None, :], axis=1)
    square = np.sum(steps * 0.5 * (shares[1:] ** 2 + shares[:-1] ** 2)[None, :], axis=1)
    return elapsed[:, middle], elapsed[:, tenth] - elapsed[:, ninetieth], area, square
