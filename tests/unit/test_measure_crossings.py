# SPDX-License-Identifier: GPL-3.0-or-later
"""Crossings on uneven grids: exact at straight lines, on the curve at curves, and no rounding of corners."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.measure.crossings import crossings, value_at


def test_straight_lines_give_exact_instants_in_order():
    time = np.array([0.0, 1.0, 1.5, 4.0])
    wave = np.array([0.0, 4.0, -4.0, 1.0])
    instants, directions = crossings(time, wave, 0.5)
    assert instants == pytest.approx([0.125, 1.0 + 0.5 * 3.5 / 8, 1.5 + 2.5 * 4.5 / 5], abs=1e-15)
    assert directions.tolist() == [1, -1, 1]


def test_a_wave_that_only_touches_the_level_does_not_cross_it():
    time = np.arange(5.0)
    assert len(crossings(time, np.array([0.0, 1.0, 0.0, 1.0, 0.0]), 1.0)[0]) == 0


def test_a_jump_in_no_time_is_crossed_at_its_instant():
    instants, directions = crossings(np.array([0.0, 1.0, 1.0, 2.0]), np.array([0.0, 0.0, 5.0, 5.0]), 2.0)
    assert instants.tolist() == [1.0]
    assert directions.tolist() == [1]


def test_a_curve_is_followed_between_coarse_points():
    """Twenty uneven points on an exponential: straight lines err at least ten times as much."""
    time = 3 * np.linspace(0, 1, 20) ** 1.5
    wave = 1 - np.exp(-time)
    for level in (0.3, 0.5, 0.7, 0.9):
        truth = -np.log(1 - level)
        found = crossings(time, wave, level)[0][0]
        straight = np.interp(level, wave, time)
        assert abs(found - truth) < 2e-4
        assert abs(found - truth) < 0.1 * abs(straight - truth)


def test_a_corner_beside_the_crossing_is_not_rounded():
    """Flat, then a slope, on an even grid: the cubic through a corner would miss by per cents of a step."""
    time = np.arange(8.0)
    wave = np.maximum(0.0, time - 3.0)
    assert crossings(time, wave, 0.25)[0] == pytest.approx([3.25], abs=1e-15)
    trapezoid = np.clip(time - 3.0, 0.0, 1.0)
    assert crossings(time, trapezoid, 0.25)[0] == pytest.approx([3.25], abs=1e-15)


def test_values_are_read_on_the_same_curve():
    time = np.linspace(0, 3, 16)
    wave = np.sin(time)
    assert value_at(time, wave, 1.23) == pytest.approx(np.sin(1.23), abs=3e-5)
    assert value_at(time, np.abs(time - 1.0), 0.9) == pytest.approx(0.1, abs=1e-12)


@pytest.mark.parametrize(
    ("time", "wave", "words"),
    [
        ([0.0, 1.0, 0.5], [0.0, 1.0, 2.0], "never run back"),
        ([0.0, 1.0], [0.0, np.nan], "not finite"),
        ([0.0, 1.0], [0.0, 1.0, 2.0], "shape"),
        ([0.0], [0.0], "two points"),
    ],
)
def test_a_broken_record_is_refused_in_words(time, wave, words):
    with pytest.raises(ValueError, match=words):
        crossings(np.array(time), np.array(wave), 0.5)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(
    st.lists(st.tuples(st.floats(1e-6, 1.0), st.floats(-1.0, 1.0)), min_size=3, max_size=40),
    st.floats(-0.9, 0.9),
)
def test_crossings_lie_where_the_sign_changes_and_turn_round_with_the_wave(points, level):
    """As many crossings as changes of side, in order; upside down, the same instants the other way."""
    time = np.cumsum([step for step, _ in points])
    wave = np.array([value for _, value in points])
    instants, directions = crossings(time, wave, level)
    above = wave > level
    assert len(instants) == np.count_nonzero(above[1:] != above[:-1])
    assert np.all(np.diff(instants) >= 0)
    assert np.all(directions[1:] == -directions[:-1])
    if not np.any(wave == level):
        turned, back = crossings(time, -wave, -level)
        assert np.allclose(turned, instants, rtol=0, atol=1e-12 * time[-1])
        assert back.tolist() == (-directions).tolist()
