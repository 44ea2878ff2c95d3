# SPDX-License-Identifier: GPL-3.0-or-later
"""Bars from runs a decade apart."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.engine.bars import all_figures, apart, edge, figure, timing
from harness.measure.aberrations import aberrations
from harness.measure.pulse import pulse_figures
from harness.measure.resolution import Resolution, resolutions, sagittas


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
    """The mean of a coupled output is near 0 V; its bar is a share of the swing, not of itself. Where nothing
    moves the engine comes nearer than its tolerance, and a duration without points keeps a share of it."""
    table = {"frequency": 1.0, "low_level": -2.0, "high_level": 3.0, "mean_level": 1e-9, "rise_time": 1e-6}
    _, bar = all_figures([table, table], 0.0, 0, 1e-4, 1e-5)
    assert bar["mean_level"] == pytest.approx(0.2 * 1e-5 * 5.0, rel=1e-3)
    assert bar["rise_time"] == pytest.approx(2e-5 * 1e-6)
    assert bar["high_level"] == pytest.approx(0.05 * 1e-5 * 5.0)


def test_how_far_two_runs_lie_apart() -> None:
    """The larger of duty's difference and frequency's relative one; without a duty the latter."""
    first, last = {"frequency": 100.0, "duty": 0.5}, {"frequency": 100.1, "duty": 0.5004}
    assert apart(first, last) == pytest.approx(1e-3)
    assert apart(first, {"frequency": 100.0, "duty": 0.504}) == pytest.approx(4e-3)
    assert apart({"frequency": 100.0, "duty": math.nan}, last) == pytest.approx(1e-3)


def edge_by_the_trapezoidal_rule(step: float, phase: float) -> tuple[np.ndarray, np.ndarray]:
    """A cycle of 60 time constants, high for its second half, on steps of ``step`` time constants whose
    ``phase`` against the edges is a share of one; both edges are exponentials."""
    sides = [begin + np.append(0.0, (phase + np.arange(int(29 / step))) * step) for begin in (0.0, 30.0)]
    time = np.unique(np.concatenate((*sides, [60.0])))
    wave = [1.0]
    for before, after in pairwise(time):
        share, goal = (after - before) / 2, float(before >= 30.0)
        wave.append((wave[-1] * (1 - share) + 2 * share * goal) / (1 + share))
    return time, np.array(wave)


@given(st.floats(0.03, 0.3), st.floats(0.1, 1.0))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_an_edge_is_covered_even_where_two_runs_agree_by_luck(step: float, phase: float) -> None:
    """The transition takes ln 9 time constants and settles ln 25 after its middle (closed forms of an
    exponential between levels of 0 and 1). Without any difference between two runs the points alone give a
    bar that holds the error, and one that is narrower than a step."""
    time, wave = edge_by_the_trapezoidal_rule(step, phase)
    pulse = pulse_figures(time, wave, 0.0, 60.0, (0.0, 1.0))
    beside = aberrations(time, wave, 0.0, 60.0, pulse)
    figures = {name: getattr(pulse, name) for name in ("low_level", "high_level", "rise_time", "fall_time")}
    figures |= {name: getattr(beside, name) for name in ("rise_settling", "fall_settling")}
    found = resolutions(time, wave, 0.0, 60.0, figures)
    for name, truth in (
        ("rise_time", math.log(9)),
        ("fall_time", math.log(9)),
        ("rise_settling", math.log(25)),
        ("fall_settling", math.log(25)),
    ):
        bar = edge([figures[name]] * 2, found[name], 0.0, 0.0)
        assert abs(figures[name] - truth) <= bar <= 0.9 * step


def test_what_runs_differ_by_at_an_edge_counts_beside_its_points() -> None:
    """As independent errors add; levels come on top by the slope, drift as a share; a run without the figure
    makes the bar infinite."""
    resolution = Resolution(left_out=7.5, per_volt=2.0)
    assert edge([5.0, 1.0], resolution, 0.0, 0.0) == pytest.approx(5.0)
    assert edge([5.0, 1.0], resolution, 0.5, 1e-2) == pytest.approx(5.0 + 1.0 + 0.01)
    assert edge([math.nan, 1.0], resolution, 0.0, 0.0) == math.inf
    assert math.isnan(edge([1.0, math.nan], resolution, 0.0, 0.0))


def test_what_leaving_out_a_point_costs() -> None:
    """On a parabola of any step: half the second derivative times the product of the steps to either side."""
    time = np.array([0.0, 1.0, 3.0, 3.5])
    assert sagittas(time, 2.0 * time**2) == pytest.approx([0.0, 2.0 * 1.0 * 2.0, 2.0 * 2.0 * 0.5, 0.0])
    assert sagittas(time, 3.0 - time) == pytest.approx([0.0] * 4)


def test_points_of_a_stuck_output_resolve_no_edge() -> None:
    """Without two levels there is nothing to resolve, and of figures only those that exist."""
    time, wave = edge_by_the_trapezoidal_rule(0.2, 0.5)
    assert resolutions(time, wave, 0.0, 60.0, {"low_level": 0.1, "rise_time": math.nan}) == {}
    levels = {"low_level": 0.0, "high_level": 1.0, "fall_time": math.log(9), "rise_time": math.nan}
    assert list(resolutions(time, wave, 0.0, 60.0, levels)) == ["fall_time"]
