# SPDX-License-Identifier: GPL-3.0-or-later
"""Pulse figures of analytic waves: exact for straight edges wherever the cycle begins; failures are named."""

from __future__ import annotations

from math import isnan, log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure import Pulse, pulse_figures

RANGE = (0.0, 8.0)


def train(duty: float, rise: float, fall: float, low: float = 0.15, high: float = 8.0, cycles: int = 3):
    """A pulse train of period 1: edges of straight lines whose 50 % levels lie at k and k + duty."""
    corners = [-rise / 2, rise / 2, duty - fall / 2, duty + fall / 2]
    time = np.concatenate([k + np.array(corners) for k in range(cycles)])
    return time, np.tile([low, high, high, low], cycles)


@pytest.mark.parametrize("duty", [0.001, 0.3, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("begin", [0.0, 1e-4, 0.2, 0.3, 0.5, 0.9997, 0.9999999])
def test_a_straight_pulse_is_exact_wherever_the_cycle_begins(duty, begin):
    time, wave = train(duty, 4e-4, 2e-4)
    pulse = pulse_figures(time, wave, begin, begin + 1, RANGE)
    assert pulse.state == "pulsing"
    assert pulse.duty == pytest.approx(duty, abs=1e-12)
    assert (pulse.low_level, pulse.high_level) == pytest.approx((0.15, 8.0), abs=1e-9)
    assert pulse.rise_time == pytest.approx(0.8 * 4e-4, abs=1e-12)
    assert pulse.fall_time == pytest.approx(0.8 * 2e-4, abs=1e-12)
    assert len(pulse.rising) == len(pulse.falling) == 1
    assert begin <= pulse.rising[0] < begin + 1 and begin <= pulse.falling[0] < begin + 1


def test_edges_of_a_few_billionths_of_the_period_are_resolved():
    time, wave = train(0.4, 4e-9, 2e-9)
    pulse = pulse_figures(time, wave, 0.7, 1.7, RANGE)
    assert pulse.duty == pytest.approx(0.4, abs=1e-12)
    assert pulse.rise_time == pytest.approx(3.2e-9, rel=1e-5)
    assert pulse.fall_time == pytest.approx(1.6e-9, rel=1e-5)


def rc_pulse(phase: np.ndarray, duty: float, tau: float) -> np.ndarray:
    """8 V pulse that rises through an RC of time constant tau and falls ten times as fast."""
    top = 1 - np.exp(-duty / tau)
    up = 1 - np.exp(-phase / tau)
    down = top * np.exp(-np.maximum(phase - duty, 0) / (tau / 10))
    return 8 * np.where(phase < duty, up, down)


@pytest.mark.parametrize("begin", [0.1, 0.9, 1.0 + 0.01 * log(2), 1.003, 0.41])
def test_an_rc_edge_takes_ln_9_time_constants_and_delays_by_ln_2(begin):
    """Also where the cycle begins in the middle of the edge and at no point of the grid."""
    duty, tau = 0.4, 0.01
    steps = np.cumsum(np.minimum(1e-9 * 1.5 ** np.minimum(np.arange(2000), 60), tau / 40))
    one = np.concatenate([[0.0], steps[steps < duty], duty + np.concatenate([[0.0], steps / 10])])
    one = np.unique(one[one < 1])
    time = np.concatenate([one, 1 + one, 2 + one])
    pulse = pulse_figures(time, rc_pulse(np.tile(one, 3), duty, tau), begin, begin + 1, RANGE)
    assert pulse.high_level == pytest.approx(8.0, abs=2e-5)
    assert pulse.rise_time == pytest.approx(tau * log(9), rel=2e-4)
    assert pulse.fall_time == pytest.approx(tau / 10 * log(9), rel=2e-4)
    assert pulse.duty == pytest.approx(duty - log(2) * tau * 0.9, abs=1e-6)


def test_ringing_after_an_edge_is_no_second_edge():
    one = np.linspace(0, 1, 8001)[:-1]
    phase = np.where(one < 0.5, one, one - 0.5)
    ring = np.exp(-phase / 0.01) * np.cos(2 * np.pi * phase / 0.01)
    wave = np.where(one < 0.5, 8 - 8 * ring, 8 * ring)
    time = np.concatenate([one, 1 + one])
    pulse = pulse_figures(time, np.tile(wave, 2), 0.25, 1.25, RANGE)
    assert pulse.state == "pulsing"
    assert (pulse.low_level, pulse.high_level) == pytest.approx((0.0, 8.0), abs=0.01)
    assert pulse.duty == pytest.approx(0.5, abs=1e-5)


@pytest.mark.parametrize(("level", "state"), [(0.15, "stuck low"), (7.9, "stuck high")])
def test_a_flat_output_is_stuck_and_keeps_its_level(level, state):
    pulse = pulse_figures(np.array([0.0, 0.5, 2.0]), np.full(3, level), 0.2, 1.2, RANGE)
    assert pulse.state == state
    assert (pulse.low_level if state == "stuck low" else pulse.high_level) == level
    assert isnan(pulse.high_level if state == "stuck low" else pulse.low_level)
    assert isnan(pulse.duty) and isnan(pulse.rise_time) and pulse.rising == pulse.falling == ()


def test_a_runt_below_half_of_the_range_is_no_pulse_and_is_mentioned():
    time, wave = train(0.01, 0.002, 0.002, low=0.15, high=3.9)
    pulse = pulse_figures(time, wave, 0.5, 1.5, RANGE)
    assert pulse.state == "stuck low"
    assert pulse.low_level == 0.15
    assert pulse.note == "it moves by 3.75 V without passing 4 V"
    assert pulse_figures(time, wave + 0.2, 0.5, 1.5, RANGE).state == "pulsing"


def test_an_output_that_hovers_about_the_middle_is_stuck():
    time, wave = train(0.5, 0.01, 0.01, low=3.8, high=4.3)
    assert pulse_figures(time, wave, 0.2, 1.2, RANGE).state == "stuck high"


def test_a_missing_pulse_is_stuck_in_its_own_cycle_only():
    time, wave = train(0.3, 0.01, 0.01, cycles=5)
    wave[8:12] = 0.15
    states = [pulse_figures(time, wave, k + 0.7, k + 1.7, RANGE).state for k in range(3)]
    assert states == ["pulsing", "stuck low", "pulsing"]


def test_two_pulses_in_a_cycle_are_chatter_with_the_time_that_both_are_high():
    time = np.array([0.0, 0.1, 0.1, 0.2, 0.2, 0.25, 0.25, 0.6, 0.6, 1.2])
    wave = np.array([0.0, 0.0, 8.0, 8.0, 0.0, 0.0, 8.0, 8.0, 0.0, 0.0])
    pulse = pulse_figures(time, wave, 0.0, 1.0, RANGE)
    assert pulse.state == "chatter"
    assert pulse.duty == pytest.approx(0.45)
    assert (len(pulse.rising), len(pulse.falling)) == (2, 2)
    assert pulse.note == "2 rising and 2 falling edges in one cycle"
    astride = pulse_figures(
        time, wave, 0.15, 1.15, RANGE
    )  # ends in the first pulse of the next cycle, missing here
    assert astride.state == "chatter"


def test_a_runt_beside_a_pulse_is_mentioned():
    time = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 1.2])
    wave = np.array([0.0, 0.0, 8.0, 8.0, 0.0, 0.0, 2.0, 0.0, 0.0])
    pulse = pulse_figures(time, wave, 0.0, 1.0, RANGE)
    assert pulse.state == "pulsing"
    assert pulse.note == "1 excursion(s) past 10 % that fall short of 50 % are not counted"


def test_a_cycle_that_does_not_quite_close_in_the_middle_of_an_edge_is_one_pulse():
    """Begin and end sit on the 50 % level of two rises that differ in the last digits."""
    for slip in (-1e-9, 1e-9):
        time, wave = train(0.4, 0.001, 0.001)
        wave[4:6] += slip
        pulse = pulse_figures(time, wave, 0.0, 1.0, RANGE)
        assert pulse.state == "pulsing"
        assert pulse.duty == pytest.approx(0.4, abs=1e-9)


def test_senseless_requests_are_refused_in_words():
    time, wave = train(0.4, 0.001, 0.001)
    with pytest.raises(ValueError, match="from a lower to a higher level"):
        pulse_figures(time, wave, 0.0, 1.0, (8.0, 8.0))
    with pytest.raises(ValueError, match="does not cover the cycle"):
        pulse_figures(time, wave, 2.0, 3.0, RANGE)
    with pytest.raises(ValueError, match="must end after it begins"):
        pulse_figures(time, wave, 1.0, 1.0, RANGE)


# Laws over random piecewise linear pulses.

shapes = st.tuples(st.floats(0.01, 0.99), st.floats(1e-8, 4e-3), st.floats(1e-8, 4e-3), st.floats(0.0, 0.999))
law = settings(deadline=None, derandomize=True, max_examples=40)


def figures(shape: tuple[float, float, float, float]) -> tuple[np.ndarray, np.ndarray, Pulse]:
    duty, rise, fall, begin = shape
    time, wave = train(duty, rise, fall)
    return time, wave, pulse_figures(time, wave, begin, begin + 1, RANGE)


def same(one: Pulse, other: Pulse, seconds: float = 1.0, volts: float = 1.0, offset: float = 0.0) -> bool:
    return (
        one.state == other.state
        and other.duty == pytest.approx(one.duty, abs=1e-10)
        and other.low_level == pytest.approx(volts * one.low_level + offset, abs=1e-8 * volts)
        and other.high_level == pytest.approx(volts * one.high_level + offset, abs=1e-8 * volts)
        and other.rise_time == pytest.approx(seconds * one.rise_time, abs=1e-10 * seconds)
        and other.fall_time == pytest.approx(seconds * one.fall_time, abs=1e-10 * seconds)
    )


@law
@given(shapes)
def test_the_figures_are_those_the_wave_was_made_of(shape):
    duty, rise, fall, _ = shape
    pulse = figures(shape)[2]
    assert pulse.duty == pytest.approx(duty, abs=1e-9)
    assert pulse.rise_time == pytest.approx(0.8 * rise, abs=1e-9)
    assert pulse.fall_time == pytest.approx(0.8 * fall, abs=1e-9)


@law
@given(shapes, st.floats(-5.0, 5.0))
def test_later_is_the_same(shape, delay):
    time, wave, pulse = figures(shape)
    begin = shape[3] + delay
    assert same(pulse, pulse_figures(time + delay, wave, begin, begin + 1, RANGE))


@law
@given(shapes, st.floats(0.01, 100.0), st.floats(-30.0, 30.0))
def test_larger_and_elsewhere_is_the_same(shape, volts, offset):
    time, wave, pulse = figures(shape)
    scaled = tuple(volts * level + offset for level in RANGE)
    other = pulse_figures(time, volts * wave + offset, shape[3], shape[3] + 1, scaled)
    assert same(pulse, other, volts=volts, offset=offset)


@law
@given(shapes, st.floats(1e-7, 1e3))
def test_slower_is_the_same_with_longer_edges(shape, seconds):
    time, wave, pulse = figures(shape)
    begin = seconds * shape[3]
    other = pulse_figures(seconds * time, wave, begin, begin + seconds, RANGE)
    assert same(pulse, other, seconds=seconds)


@law
@given(shapes)
def test_upside_down_duty_becomes_the_rest_and_levels_and_edges_swap(shape):
    time, wave, pulse = figures(shape)
    turned = pulse_figures(time, -wave, shape[3], shape[3] + 1, (-8.0, 0.0))
    assert turned.duty == pytest.approx(1 - pulse.duty, abs=1e-10)
    assert (-turned.high_level, -turned.low_level) == pytest.approx(
        (pulse.low_level, pulse.high_level), abs=1e-8
    )
    assert (turned.fall_time, turned.rise_time) == pytest.approx(
        (pulse.rise_time, pulse.fall_time), abs=1e-10
    )


@law
@given(shapes, st.integers(1, 60))
def test_any_cycle_of_a_longer_record_gives_the_same(shape, cycles):
    duty, rise, fall, begin = shape
    time, wave = train(duty, rise, fall, cycles=cycles + 2)
    pulse = figures(shape)[2]
    assert same(pulse, pulse_figures(time, wave, begin + cycles - 1, begin + cycles, RANGE))


@law
@given(shapes, st.integers(0, 60), st.randoms(use_true_random=False))
def test_further_points_on_the_lines_change_nothing(shape, count, random):
    time, wave, pulse = figures(shape)
    more = np.unique(np.concatenate([time, [random.uniform(time[0], time[-1]) for _ in range(count)]]))
    assert same(pulse, pulse_figures(more, np.interp(more, time, wave), shape[3], shape[3] + 1, RANGE))
