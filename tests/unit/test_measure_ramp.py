# SPDX-License-Identifier: GPL-3.0-or-later
"""Ramp levels, thresholds in both directions and the room to the common-mode limits, on analytic waves."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure import ramp_figures, threshold_figures
from harness.measure.room import room


def saw(cycles: int = 3, reset: float = 0.02) -> tuple[np.ndarray, np.ndarray]:
    """A rising saw of period 1 from 0.5 V to 7.5 V, three points a sweep."""
    one = np.array([0.0, 0.4 * (1 - reset), 1 - reset])
    time = np.concatenate([[k + one] for k in range(cycles)], axis=None)
    return time, np.tile([0.5, 0.5 + 7 * 0.4, 7.5], cycles)


@pytest.mark.parametrize("begin", [0.0, 0.2, 0.98, 0.99, 1.0])
def test_corners_of_a_saw_are_its_extremes(begin):
    time, ramp = saw()
    assert ramp_figures(time, ramp, begin, begin + 1) == pytest.approx((0.5, 7.5), abs=1e-12)


def test_a_round_top_is_found_between_points():
    """40 points a period of a sine: the highest of them is up to 3 mV below the top, the parabola 0.01 mV."""
    time = np.linspace(0, 2, 81) + 0.011
    low, high = ramp_figures(time, np.sin(2 * np.pi * time), 0.1, 1.1)
    assert (low, high) == pytest.approx((-1, 1), abs=2e-5)
    assert np.sin(2 * np.pi * time).max() < 1 - 1e-3


@pytest.mark.parametrize("begin", [0.0, 0.3, 0.5, 0.985, 1.2])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_threshold_is_read_at_the_end_of_the_sweep(begin, sign):
    """A threshold that climbs 1 V a period meets the ramp where both lines meet; rising and falling cores."""
    time, ramp = saw(4)
    climb = np.mod(time, 1.0) / 0.98
    found = threshold_figures(time, sign * ramp, sign * (3.0 + climb), begin, begin + 1)
    share = 2.5 / 6  # 0.5 + 7 s = 3 + s
    assert found.sweep == pytest.approx(sign * (3 + share), abs=1e-12)
    assert found.back == pytest.approx(sign * (3 + 2.5 / 6), abs=1e-12) or isnan(found.back)
    assert found.method == "crossing"


def test_hysteresis_shows_as_a_second_threshold():
    time = np.array([0.0, 0.5, 0.5, 0.9, 1.0, 1.5, 1.5, 1.9, 2.0])
    ramp = np.array([0.0, 5.0, 5.0, 9.0, 0.0, 5.0, 5.0, 9.0, 0.0])
    threshold = np.array([5.2, 5.2, 4.5, 4.5, 4.5, 5.2, 4.5, 4.5, 4.5])
    threshold[[0, 1, 5]] = 4.9999999
    found = threshold_figures(time, ramp, threshold, 0.1, 1.1)
    assert found.sweep == pytest.approx(5.0, abs=1e-6)
    assert found.back == pytest.approx(4.5, abs=1e-6)


def test_one_threshold_is_not_given_twice():
    time, ramp = saw()
    found = threshold_figures(time, ramp, np.full_like(time, 2.25), 0.3, 1.3)
    assert found.sweep == pytest.approx(2.25)
    assert isnan(found.back)


def test_a_threshold_out_of_the_ramps_reach_keeps_its_level_and_says_how():
    time, ramp = saw()
    found = threshold_figures(time, ramp, np.full_like(time, 8.4), 0.3, 1.3)
    assert (found.sweep, found.method) == (pytest.approx(8.4), "mean")
    assert isnan(found.back)


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.floats(0.6, 7.4), st.floats(0.0, 0.999), st.floats(0.1, 10.0), st.floats(-20.0, 20.0))
def test_thresholds_scale_and_shift_with_the_board(level, begin, volts, offset):
    time, ramp = saw()
    node = np.full_like(time, level)
    found = threshold_figures(time, volts * ramp + offset, volts * node + offset, begin, begin + 1)
    assert found.sweep == pytest.approx(volts * level + offset, abs=1e-9 * volts + 1e-12)
    low, high = ramp_figures(time, volts * ramp + offset, begin, begin + 1)
    assert (low, high) == pytest.approx(
        (volts * 0.5 + offset, volts * 7.5 + offset), abs=1e-9 * volts + 1e-12
    )


# Room to the common-mode limits.


def test_the_lower_input_counts_for_a_393_and_may_be_worst_between_points():
    """Two lines that cross at 6 V between two points: the lower of the inputs is highest there."""
    time = np.array([0.0, 1.0])
    up, down = np.array([2.0, 10.0]), np.array([10.0, 2.0])
    headroom, floor_room = room(time, up, down, np.full(2, 8.0), 0.0, 1.0, "393", temperature=25.0)
    assert headroom == pytest.approx(8.0 - 1.5 - 6.0)
    assert floor_room == pytest.approx(2.3)


def test_a_ramp_that_jumps_through_the_threshold_is_not_taken_above_it():
    """Ramp on the non-inverting input, falling from 9 V to 1 V in no time past a threshold of 4 V."""
    time = np.array([0.0, 0.5, 0.5, 1.0])
    ramp, threshold = np.array([1.0, 9.0, 1.0, 9.0]), np.full(4, 4.0)
    supply = np.full(4, 10.0)
    assert room(time, ramp, threshold, supply, 0.0, 1.0, "393")[0] == pytest.approx(4.5)
    assert room(time, threshold, ramp, supply, 0.0, 1.0, "393")[0] == pytest.approx(4.5)


def test_either_input_counts_for_a_311():
    time = np.array([0.0, 1.0])
    up, down = np.array([2.0, 10.0]), np.array([10.0, 2.0])
    supply, ground = np.full(2, 12.0), np.full(2, 1.0)
    assert room(time, up, down, supply, 0.0, 1.0, "311", ground=ground) == pytest.approx((0.0, 0.5))


def test_an_input_far_above_the_supply_does_no_harm_to_a_393_while_the_other_is_in_range():
    time = np.array([0.0, 1.0])
    high, low = np.full(2, 30.0), np.full(2, 3.0)
    headroom, _ = room(time, high, low, np.full(2, 15.0), 0.0, 1.0, "393")
    assert headroom == pytest.approx(10.5)
    assert room(time, low, high, np.full(2, 15.0), 0.0, 1.0, "393")[0] == pytest.approx(headroom)


def test_an_unknown_class_is_refused_with_the_known_ones():
    time = np.array([0.0, 1.0])
    with pytest.raises(ValueError, match=r"class \"741\" \(known: 393, 311"):
        room(time, time, time, time, 0.0, 1.0, "741")
