# SPDX-License-Identifier: GPL-3.0-or-later
"""Bars from runs a decade apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.engine.bars import all_figures, apart, figure, timing


@given(
    truth=st.floats(0.05, 0.95),
    error=st.floats(1e-7, 1e-3),
    ratio=st.floats(3.3, 4.6),
    sign=st.sampled_from((-1.0, 1.0)),
)
@settings(deadline=None, derandomize=True)
def test_errors_that_fall_as_steered_runs_do_are_covered(
    truth: float, error: float, ratio: float, sign: float
) -> None:
    """Whatever the ratio in the observed range, the truth lies inside the bar, and the bar is no wider than
    needed."""
    errors = [sign * error / ratio**k for k in range(3)]
    values = [(truth + e, 1e3 * (1 + 2 * e)) for e in errors]
    best, bar = timing(values, 0.0, 4, 1e-7)
    assert abs(best[0] - truth) <= bar[0]
    assert abs(best[1] - 1e3) <= bar[1]
    assert bar[0] <= max(1.2 * abs(errors[1]), 1.1e-7)


def test_runs_that_do_not_converge_get_a_wide_bar() -> None:
    """Three values that scatter: the bar is at least the last difference."""
    _, bar = timing([(0.50, 1000.0), (0.51, 1000.0), (0.50, 1000.0)], 0.0, 4, 1e-6)
    assert bar[0] >= 0.01


def test_two_runs_that_agree_by_luck_do_not_give_a_tiny_bar() -> None:
    """A small last difference is not believed below a share of the one before, nor below half the accuracy
    asked."""
    _, bar = timing([(0.50, 1000.0), (0.501, 1000.0), (0.501, 1000.0)], 0.0, 4, 1e-6)
    assert bar[0] > 4e-5
    _, bar = timing([(0.5, 1000.0)] * 3, 0.0, 4, 1e-4)
    assert bar[0] == 5e-5


def test_a_missing_duty_stays_missing() -> None:
    """An output without pulses has a frequency with a bar and no duty."""
    best, bar = timing([(math.nan, 1000.0), (math.nan, 1000.1), (math.nan, 1000.12)], 0.0, 2, 1e-5)
    assert math.isnan(best[0]) and math.isnan(bar[0])
    assert np.isfinite(best[1]) and bar[1] > 0


def test_drift_between_cycles_widens_every_bar() -> None:
    assert figure([1.0, 1.0], 0.0, 1e-3) >= 1e-3
    _, still = timing([(0.5, 1e3)] * 3, 0.0, 2, 1e-6)
    _, moving = timing([(0.5, 1e3)] * 3, 1e-3, 2, 1e-6)
    assert moving[0] >= still[0] + 0.9e-3


def test_figures_that_only_one_run_has_are_not_believed() -> None:
    """A level that a coarser run lacks has an infinite bar; one that the finest lacks has none."""
    best, bar = all_figures([{"frequency": 1.0}, {"frequency": 1.0, "low_level": 0.1}], 0.0, 0, 1e-4, 1e-5)
    assert bar["low_level"] == math.inf
    assert best["low_level"] == 0.1


def test_a_level_near_nothing_is_no_better_known_than_its_swing() -> None:
    """The mean of a coupled output is near 0 V; its bar is a share of the swing, not of itself."""
    table = {"frequency": 1.0, "low_level": -2.0, "high_level": 3.0, "mean_level": 1e-9, "rise_time": 1e-6}
    _, bar = all_figures([table, table], 0.0, 0, 1e-4, 1e-5)
    assert bar["mean_level"] == pytest.approx(0.2 * 1e-5 * 5.0, rel=1e-3)
    assert bar["rise_time"] == pytest.approx(2e-5 * 1e-6)
    assert bar["high_level"] == pytest.approx(2e-5 * 3.0 + 0.2 * 1e-5 * 5.0)


def test_how_far_two_runs_lie_apart() -> None:
    """The larger of duty's difference and frequency's relative one; without a duty the latter."""
    first, last = {"frequency": 100.0, "duty": 0.5}, {"frequency": 100.1, "duty": 0.5004}
    assert apart(first, last) == pytest.approx(1e-3)
    assert apart(first, {"frequency": 100.0, "duty": 0.504}) == pytest.approx(4e-3)
    assert apart({"frequency": 100.0, "duty": math.nan}, last) == pytest.approx(1e-3)
