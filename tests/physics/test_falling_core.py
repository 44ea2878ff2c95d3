# SPDX-License-Identifier: GPL-3.0-or-later
"""Falling cores and exponential converters against an independent solver and against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from harness.predict.converter import converted, drift, flattening_of_bulk, thermal_voltage, volts_an_octave
from harness.predict.snapped import Follower, LevelTable, SnappedCapacitor, constant, flattening

Array = NDArray[np.float64]
REFERENCE, TRIP, RELEASE, CAPACITANCE = 3.0, 1.2, 2.5, 2.2e-9


def one(value: float) -> Array:
    return np.array([value])


def core(
    current: float, droop: float = 0.0, lag: float = 0.0, slew: float = math.inf, close: float = 0.0,
    hold: float = 0.0, resistance: LevelTable | None = None, inner: float = 0.0, outer: float = 0.0,
) -> SnappedCapacitor:  # fmt: skip
    return SnappedCapacitor(
        one(CAPACITANCE), one(current), one(droop), one(REFERENCE), resistance or constant(one(0.0)),
        one(TRIP), one(RELEASE), Follower(constant(one(0.0)), one(lag), one(slew)), one(inner), one(outer),
        one(0.0), lambda slope: one(close), lambda dwell: one(hold),
    )  # fmt: skip


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.floats(50e-9, 20e-6), st.floats(1e-6, 8e-6))
def test_ideal_core_has_the_textbook_period(current: float, hold: float) -> None:
    """T = C dV / I + t_r, the flattening 1200 log2(T_s / (T_s + T_r))."""
    sweep = CAPACITANCE * (REFERENCE - TRIP) / current
    period = float(core(current, hold=hold).ramp().period[0])
    assert period == pytest.approx(sweep + hold, rel=1e-6)
    assert 1200 * math.log2(sweep / period) == pytest.approx(float(flattening(sweep, hold)), abs=2e-3)
    assert float(core(current, hold=hold).ramp(instant_reset=True).period[0]) == pytest.approx(
        sweep, rel=1e-7
    )


@pytest.mark.parametrize("current", [0.2e-6, 2e-6, 15e-6])
@pytest.mark.parametrize("hold", [0.3e-6, 4e-6])
def test_cycle_against_an_independent_solver(current: float, hold: float) -> None:
    """Resistance that depends on the level, current that does, follower with lag and slew limit, delays: the
    same network of equations put to solve_ivp with located events, from cycle to cycle until it repeats."""
    levels = np.linspace(1.0, 3.0, 5)
    figures = np.array([620.0, 700.0, 640.0, 520.0, 470.0])
    droop, lag, slew, close = 0.02 * current, 60e-9, 2.5e6, 1.5e-6
    table = LevelTable(levels, figures[None, :])
    ramp = core(current, droop, lag, slew, close, hold, table).ramp()

    def follow(store: float, seen: float) -> float:
        return slew * math.tanh((store - seen) / (slew * lag))

    def sweeping(_: float, y: Array) -> list[float]:
        return [-(current + droop * y[0]) / CAPACITANCE, follow(y[0], y[1])]

    def emptying(_: float, y: Array) -> list[float]:
        through = (REFERENCE - y[0]) / float(np.interp(y[0], levels, figures))
        return [(through - current - droop * y[0]) / CAPACITANCE, follow(y[0], y[1])]

    def until(rate: object, start: Array, level: float, way: int) -> tuple[float, Array]:
        def event(_: float, y: Array) -> float:
            return float(y[1] - level)

        event.terminal, event.direction = True, way  # type: ignore[attr-defined]
        found = solve_ivp(rate, (0.0, 1.0), start, events=event, rtol=1e-9, atol=1e-10, method="LSODA",
                          max_step=1e-4)  # fmt: skip
        return float(found.t[-1]), found.y[:, -1]

    def for_a_while(rate: object, start: Array, time: float) -> Array:
        found = solve_ivp(rate, (0.0, time), start, rtol=1e-9, atol=1e-10, method="LSODA")
        return np.asarray(found.y[:, -1], dtype=float)

    state = np.array([REFERENCE, REFERENCE])
    for _ in range(3):
        down, state = until(sweeping, state, TRIP, -1)
        state = for_a_while(sweeping, state, close)
        foot = float(state[1])
        up, state = until(emptying, state, RELEASE, 1)
        state = for_a_while(emptying, state, hold)
        period = down + close + up + hold
    assert 1200 * abs(math.log2(float(ramp.period[0]) / period)) < 0.15
    assert float(ramp.low[0]) == pytest.approx(foot, abs=1e-3)
    assert float(ramp.high[0]) == pytest.approx(float(state[0]), abs=4e-3)  # which the follower comes up to


@pytest.mark.parametrize("place", ["inner", "outer"])
def test_series_resistor_takes_a_dead_time_back(place: str) -> None:
    """R = t / C: the trip comes R C earlier at every pitch, so that with it the period is that of the sweep
    alone; where the reset empties through it, as long as that is quick against the dead time."""
    dead = 4e-6
    series = dead / CAPACITANCE if place == "outer" else 0.04 * dead / CAPACITANCE
    for current in (0.1e-6, 1e-6, 10e-6):
        inner, outer = (series, 0.0) if place == "inner" else (0.0, series)
        plain = float(core(current, hold=dead).ramp().period[0])
        cured = float(core(current, hold=dead, inner=inner, outer=outer).ramp().period[0])
        assert plain - cured == pytest.approx(series * CAPACITANCE, rel=2e-3), current


def test_bulk_resistance_bends_the_law_as_its_first_order_says() -> None:
    """I = I_ref exp((dV - I R) / V_T), solved by brentq, against -1200 I R / (V_T ln 2): within its own
    second order, 3 Ohm at 100 uA."""
    reference, resistance = 1e-6, 3.0
    volts = float(thermal_voltage(25.0))
    drive = volts * math.log(100e-6 / reference)
    real = brentq(
        lambda i: i - reference * math.exp((drive - i * resistance) / volts), 1e-6, 1e-3, xtol=1e-15
    )
    cents = 1200 * math.log2(real / float(converted(one(reference), one(drive), 25.0)[0]))
    assert cents == pytest.approx(float(flattening_of_bulk(100e-6, resistance, 25.0)), rel=0.015)


@settings(derandomize=True, deadline=None)
@given(st.floats(-5, 5), st.floats(-20, 20))
def test_warming_is_what_the_law_does(octaves: float, kelvin: float) -> None:
    """The same drive at two temperatures: cents between the currents are those of the drift."""
    drive = octaves * volts_an_octave(25.0)
    cold, warm = (float(converted(one(1e-6), drive, 25.0 + k)[0]) for k in (0.0, kelvin))
    assert 1200 * math.log2(warm / cold) == pytest.approx(float(drift(octaves, kelvin, 25.0)), abs=1e-6)
