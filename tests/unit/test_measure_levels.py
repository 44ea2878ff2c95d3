# SPDX-License-Identifier: GPL-3.0-or-later
"""State levels: exact for flat tops, untouched by ringing and grids, and open about extremes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure import output_resistance, state_levels
from harness.measure.levels import time_median


def test_dense_points_at_an_edge_do_not_count_more_than_their_time():
    """A thousand points within a millionth of the record, between the levels, do not make a state."""
    edge = np.linspace(0.4, 0.4 + 1e-6, 1000)
    time = np.concatenate([[0.0, 0.2], edge, [0.7, 1.0]])
    wave = np.concatenate([[1.0, 1.0], np.linspace(1.0, 3.0, 1000), [3.0, 3.0]])
    levels = state_levels(time, wave)
    assert (levels.low, levels.high, levels.method) == (1.0, 3.0, "mode")


def test_ringing_moves_the_extreme_and_not_the_level():
    time = np.concatenate([[0.0], np.linspace(0.5, 1.0, 4001)])
    after = time - 0.5
    wave = np.where(after > 0, 5 - 5 * np.exp(-after / 0.02) * np.cos(after / 0.004), 0.0)
    levels = state_levels(time, wave)
    assert wave.max() > 6.0
    assert levels.high == pytest.approx(5.0, abs=2e-3)
    assert levels.low == 0.0


def test_a_pulse_too_narrow_for_a_mode_gives_its_extreme_and_says_so():
    time = np.array([0.0, 0.5, 0.5005, 0.5015, 0.502, 1.0])
    narrow = np.array([0.0, 0.0, 4.0, 4.2, 0.0, 0.0])
    levels = state_levels(time, narrow)
    assert (levels.low, levels.high) == (0.0, 4.2)
    assert (levels.low_method, levels.high_method, levels.method) == ("mode", "extreme", "high extreme")
    assert state_levels(time, -narrow).method == "low extreme"


def test_a_triangle_has_no_state_at_all():
    levels = state_levels(np.array([0.0, 0.4, 1.0]), np.array([-1.0, 2.0, -1.0]))
    assert (levels.low, levels.high, levels.method) == (-1.0, 2.0, "extreme")


def test_a_flat_record_has_one_level():
    levels = state_levels(np.array([0.0, 1.0]), np.array([3.3, 3.3]))
    assert (levels.low, levels.high) == (3.3, 3.3)


def test_a_state_at_the_very_top_is_a_mode_however_the_range_rounds():
    """8 V for half of the time above every kind of dip: the top edge of the histogram must hold it."""
    time = np.array([0.0, 0.5, 0.5, 0.51, 0.52, 1.0])
    for dip in np.linspace(-0.001, -3.2, 500):
        levels = state_levels(time, np.array([8.0, 8.0, 8.0, dip, 0.0, 0.0]))
        assert (levels.low, levels.high, levels.method) == (0.0, 8.0, "mode")


def settling(points: np.ndarray, tail: float) -> np.ndarray:
    """8 V with an RC edge of T/300 and a slow tail (V); low level 0.15 V with a tail of its own."""
    up = 8 - (7.85 - tail) * np.exp(-points * 300) - tail * np.exp(-points / 0.15)
    after = np.maximum(points - 0.45, 0.0)
    down = 0.15 + 7.75 * np.exp(-after * 3000) + 0.05 * np.exp(-after / 0.1)
    return np.where(points <= 0.45, up, down)


@pytest.mark.parametrize("growth", [1.03, 1.1, 1.25])
@pytest.mark.parametrize("longest", [0.05, 0.02, 0.005])
@pytest.mark.parametrize(("tail", "share"), [(0.02, 1e-4), (0.1, 2e-4)])
def test_levels_repeat_between_grids(growth, longest, tail, share):
    """Steps that grow from 1e-9 of the period and stop growing at T/20 or less: within 1e-4 of the swing.

    A tail longer than a bin is wide, sampled at a third of its time constant, is off by its chords.
    """

    def grid(growth: float, longest: float) -> np.ndarray:
        steps = np.minimum(1e-9 * np.exp(np.minimum(np.log(growth) * np.arange(4000), 30.0)), longest)
        points = np.cumsum(steps)
        return np.concatenate([[0.0], points[points < 0.45], [0.45], 0.45 + points[points < 0.55], [1.0]])

    fine, coarse = grid(1.01, 0.001), grid(growth, longest)
    truth, found = state_levels(fine, settling(fine, tail)), state_levels(coarse, settling(coarse, tail))
    assert found.low == pytest.approx(truth.low, abs=share * 7.85)
    assert found.high == pytest.approx(truth.high, abs=share * 7.85)


def test_the_median_of_a_line_is_its_middle_and_of_two_states_the_longer_one():
    assert time_median(np.array([0.0, 2.0]), np.array([1.0, 2.0])) == pytest.approx(1.5)
    assert time_median(np.array([0.0, 0.6, 0.6, 1.0]), np.array([1.0, 1.0, 9.0, 9.0])) == 1.0


def test_output_resistance_by_two_loads():
    """600 Ohm behind 5 V: unloaded 5 V, with 600 Ohm half of it."""
    assert output_resistance(5.0, 2.5, 600.0) == pytest.approx(600.0)


@settings(deadline=None, derandomize=True, max_examples=40)
@given(
    st.floats(0.02, 0.98),
    st.floats(1e-9, 1e-2),
    st.floats(-20.0, 20.0),
    st.floats(1e-3, 30.0),
)
def test_a_trapezoid_gives_its_two_levels_and_upside_down_they_swap(duty, edge, low, swing):
    time = np.array([0.0, edge, duty, duty + edge, 1.0 + 2 * edge])
    wave = low + swing * np.array([0.0, 1.0, 1.0, 0.0, 0.0])
    levels, turned = state_levels(time, wave), state_levels(time, -wave)
    assert (levels.low, levels.high) == pytest.approx((wave.min(), wave.max()), abs=1e-3 * swing)
    assert (-turned.high, -turned.low) == pytest.approx((levels.low, levels.high), abs=1e-9 * swing)


def test_a_level_that_fades_into_the_smallest_numbers_there_are():
    """An edge that decays to 1e-310 V: a segment's rise is then too small to divide by, and nothing warns."""
    time = np.linspace(0.0, 1.0, 1001)
    wave = np.where(time < 0.4, 5.0, 5.0 * np.exp(-1200 * (time - 0.4)))
    assert np.diff(wave)[wave[1:] < 1e-300].any()
    with np.errstate(all="raise", under="ignore"):
        levels = state_levels(time, wave)
    assert levels.high == pytest.approx(5.0)
    assert levels.low == pytest.approx(0.0, abs=1e-6)
