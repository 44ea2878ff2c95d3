# SPDX-License-Identifier: GPL-3.0-or-later
"""Overshoot, undershoot and settling on waves whose aberrations are known in closed form.

Terms after IEEE Std 181, second hand; the 2 % region is the usual one, from memory. Second order step
response: any control text (overshoot exp(-pi z / sqrt(1 - z^2))).
"""

from __future__ import annotations

from math import exp, isnan, log, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from harness.measure import Aberrations, aberrations, pulse_figures

RANGE = (0.0, 8.0)


def measured(
    time: np.ndarray, wave: np.ndarray, begin: float, period: float = 1.0, swing: tuple[float, float] = RANGE
) -> Aberrations:
    pulse = pulse_figures(time, wave, begin, begin + period, swing)
    assert pulse.state == "pulsing"
    return aberrations(time, wave, begin, begin + period, pulse)


def train(one: list[float], values: list[float], cycles: int = 3) -> tuple[np.ndarray, np.ndarray]:
    return np.concatenate([k + np.array(one) for k in range(cycles)]), np.tile(values, cycles)


@pytest.mark.parametrize("begin", [0.1, 0.4, 0.51, 0.77, 1.05])
def test_an_overshoot_of_five_per_cent(begin):
    """Levels 0 V and 5 V, peak 5.25 V: 5 %; a dip to -0.5 V: 10 % (arithmetic)."""
    one = [0.1, 0.1, 0.12, 0.5, 0.5, 0.54]
    time, wave = train(one, [0.0, 5.25, 5.0, 5.0, -0.5, 0.0])
    found = measured(time, wave, begin, swing=(0.0, 5.0))
    assert found.overshoot == pytest.approx(0.05, abs=1e-12)
    assert found.undershoot == pytest.approx(0.10, abs=1e-12)
    assert found.rise_settling == pytest.approx(0.02 * 0.15 / 0.25, abs=1e-9)  # down to 5.1 V
    assert found.fall_settling == pytest.approx(0.04 * 0.4 / 0.5, abs=1e-9)


@pytest.mark.parametrize("duty", [0.02, 0.5, 0.98])
@pytest.mark.parametrize("edge", [1e-9, 1e-4, 5e-3])
def test_a_trapezoid_neither_overshoots_nor_takes_longer_than_its_edge(duty, edge):
    """From 50 % to 98 % of a straight edge: 0.48 of it."""
    time, wave = train([-edge / 2, edge / 2, duty - edge, duty + edge], [0.15, 8.0, 8.0, 0.15])
    found = measured(time, wave, 0.3)
    assert (found.overshoot, found.undershoot) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.rise_settling == pytest.approx(0.48 * edge, abs=1e-9)
    assert found.fall_settling == pytest.approx(0.48 * 2 * edge, abs=1e-9)


def test_an_rc_edge_settles_in_ln_25_time_constants():
    """From a half to a fiftieth: ln 50 - ln 2."""
    tau, one = 0.01, np.linspace(0, 1, 4001)[:-1]
    wave = np.where(one < 0.5, 8 * (1 - np.exp(-one / tau)), 8 * np.exp(-(one - 0.5) / tau))
    found = measured(np.concatenate([one, 1 + one]), np.tile(wave, 2), 0.25)
    assert found.rise_settling == pytest.approx(tau * log(25), abs=1e-6)
    assert found.fall_settling == pytest.approx(tau * log(25), abs=1e-6)
    assert max(found.overshoot, found.undershoot) < 1e-6


@pytest.mark.parametrize("damping", [0.15, 0.3, 0.5])
def test_a_second_order_step(damping):
    """Overshoot and the last entry into 2 % from the formula, on 20 000 even points a period."""
    turn = 2 * pi / 0.008
    damped = turn * sqrt(1 - damping**2)
    angle = np.arccos(damping)

    def step(t):
        return 1 - np.exp(-damping * turn * t) * np.sin(damped * t + angle) / np.sin(angle)

    one = np.linspace(0, 1, 20001)[:-1]
    wave = np.where(one < 0.5, 8 * step(one), 8 * (1 - step(one - 0.5)))
    found = measured(np.concatenate([one, 1 + one]), np.tile(wave, 2), 0.9)
    share = exp(-pi * damping / sqrt(1 - damping**2))
    assert found.overshoot == pytest.approx(share, rel=1e-5)
    assert found.undershoot == pytest.approx(share, rel=1e-5)
    grid = np.linspace(0, 0.1, 200_001)
    outside = np.flatnonzero(np.abs(step(grid) - 1) > 0.02)[-1]
    entry = brentq(lambda t: abs(step(t) - 1) - 0.02, grid[outside], grid[outside + 1], xtol=1e-15)
    middle = brentq(lambda t: step(t) - 0.5, 0, pi / damped, xtol=1e-15)
    assert found.rise_settling == pytest.approx(entry - middle, abs=1e-6)
    assert found.fall_settling == pytest.approx(entry - middle, abs=1e-6)


def test_a_state_without_a_level_of_its_own_has_no_aberrations():
    """A pulse of 0.1 % with a slanted top: its high level is an extreme, and nothing lies above that."""
    time, wave = train([0.0, 1e-4, 9e-4, 1e-3], [0.0, 7.0, 8.0, 0.0])
    found = measured(time, wave, 0.5)
    assert isnan(found.overshoot) and isnan(found.rise_settling)
    assert found.undershoot == 0.0
    assert found.fall_settling == pytest.approx(0.48e-4, abs=1e-9)


def test_a_state_that_never_settles_has_no_settling():
    """A short high state that ends outside its region, between longer stays at the level."""
    time, wave = train([0.0, 0.0, 0.05, 0.1, 0.1], [0.0, 9.0, 8.6, 8.5, 0.0])
    pulse = pulse_figures(time, wave, 0.5, 1.5, RANGE)
    level = type(pulse)(**{**pulse.__dict__, "high_level": 8.0, "level_method": "mode"})
    found = aberrations(time, wave, 0.5, 1.5, level)
    assert found.overshoot == pytest.approx(1 / 8)
    assert isnan(found.rise_settling)


def test_no_single_pulse_no_aberrations():
    flat = np.full(3, 8.0)
    pulse = pulse_figures(np.array([0.0, 0.5, 2.0]), flat, 0.2, 1.2, RANGE)
    assert all(
        isnan(value) for value in vars(aberrations(np.array([0.0, 0.5, 2.0]), flat, 0.2, 1.2, pulse)).values()
    )


# Laws over pulses with a kick after either edge.

shares = st.integers(0, 400).map(lambda thousandths: thousandths / 1000)
kicked = st.tuples(st.floats(0.1, 0.9), st.floats(1e-6, 1e-2), shares, shares, st.floats(0.0, 0.999))
law = settings(deadline=None, derandomize=True, max_examples=40)


def kick(shape: tuple[float, ...], cycles: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Edges of ``edge``; then a peak of 8 V times ``over`` (or ``under``) that dies within two edges."""
    duty, edge, over, under, _ = shape
    one = [0.0, edge, 3 * edge, duty, duty + edge, duty + 3 * edge]
    return train(one, [0.0, 8 * (1 + over), 8.0, 8.0, -8 * under, 0.0], cycles)


def same(one: Aberrations, other: Aberrations, seconds: float = 1.0) -> bool:
    return (
        (other.overshoot, other.undershoot) == pytest.approx((one.overshoot, one.undershoot), abs=1e-8)
        and other.rise_settling == pytest.approx(seconds * one.rise_settling, abs=1e-7 * seconds)
        and other.fall_settling == pytest.approx(seconds * one.fall_settling, abs=1e-7 * seconds)
    )


@law
@given(kicked)
def test_figures_are_those_the_wave_was_made_of(shape):
    found = measured(*kick(shape), shape[-1])
    assert found.overshoot == pytest.approx(shape[2], abs=1e-8)
    assert found.undershoot == pytest.approx(shape[3], abs=1e-8)


@law
@given(kicked, st.floats(-5.0, 5.0), st.floats(0.01, 100.0), st.floats(-30.0, 30.0))
def test_later_larger_and_elsewhere_is_the_same(shape, delay, volts, offset):
    time, wave = kick(shape)
    swing = (volts * RANGE[0] + offset, volts * RANGE[1] + offset)
    other = measured(time + delay, volts * wave + offset, shape[-1] + delay, swing=swing)
    assert same(measured(time, wave, shape[-1]), other)


@law
@given(kicked, st.floats(1e-7, 1e3))
def test_slower_is_the_same_with_longer_settling(shape, seconds):
    time, wave = kick(shape)
    other = measured(seconds * time, wave, seconds * shape[-1], seconds)
    assert same(measured(time, wave, shape[-1]), other, seconds)


@law
@given(kicked)
def test_upside_down_overshoot_and_undershoot_swap(shape):
    time, wave = kick(shape)
    upright, turned = measured(time, wave, shape[-1]), measured(time, -wave, shape[-1], swing=(-8.0, 0.0))
    swapped = Aberrations(turned.undershoot, turned.overshoot, turned.fall_settling, turned.rise_settling)
    assert same(upright, swapped)


@law
@given(kicked, st.integers(1, 200))
def test_any_cycle_of_a_longer_record_is_the_same(shape, cycles):
    time, wave = kick(shape, cycles + 2)
    assert same(measured(*kick(shape), shape[-1]), measured(time, wave, shape[-1] + cycles - 1))
