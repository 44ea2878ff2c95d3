# SPDX-License-Identifier: GPL-3.0-or-later
"""Sweeps whose duty moves in steps, and everything that only looks a little like it."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from harness.smoothness import LEAST_VALUES, distrusted, stepped_sweeps

BAR = 5e-5


def tables(duty: np.ndarray, threshold: np.ndarray | None = None) -> tuple[pd.DataFrame, ...]:
    """Corners, figures and bars of one sweep of the control from 0 to 10 V."""
    control = np.linspace(0.0, 10.0, len(duty))
    corners = pd.DataFrame({"control": control, "state": "pulsing"})
    figures = pd.DataFrame({"duty": duty, "threshold": 1 + 0.6 * control if threshold is None else threshold})
    bars = pd.DataFrame({"duty": np.full(len(duty), BAR), "threshold": np.full(len(duty), 1e-3)})
    return corners, figures, bars


def smooth(count: int) -> np.ndarray:
    """An exponential ramp's duty: bent to one side by much more than the bars."""
    return 0.1 + 0.8 * (1 - np.exp(-np.linspace(0.0, 2.0, count)))


def steps(count: int, size: float) -> np.ndarray:
    return size * np.round(smooth(count) / size)


@pytest.mark.parametrize("size", [0.06, 0.01, 0.005])
def test_a_duty_in_steps(size: float) -> None:
    """44, 50, 56 %: what a control swept over a starved simulation shows."""
    corners, figures, bars = tables(steps(21, size))
    (found,) = stepped_sweeps(["control"], corners, figures, bars)
    assert found.rows == tuple(range(21))
    assert 0.2 * size < found.off < 1.1 * size
    assert "over control: up to" in found.sentence()
    wider = distrusted(bars, [found])
    assert np.isinf(wider.to_numpy()).all() and not np.isinf(bars.to_numpy()).any()


def test_what_bends_is_no_step() -> None:
    """Bent to one side; an S; one and two corners, as where a range ends or a knob's end stop begins."""
    x = np.linspace(-1.0, 1.0, 21)
    shapes = (
        smooth(21),
        0.5 + 0.4 * np.tanh(3 * x),
        0.5 + 0.3 * np.abs(x),
        0.5 + 0.4 * np.clip(2 * x, -1, 1),
    )
    for duty in shapes:
        assert not stepped_sweeps(["control"], *tables(duty))


def test_steps_within_the_bars_are_known() -> None:
    noise = np.random.default_rng(5).uniform(-BAR, BAR, 21)
    assert not stepped_sweeps(["control"], *tables(smooth(21) + noise))


def test_a_threshold_that_moves_in_steps_too_explains_them() -> None:
    """A control from a converter of a few bits."""
    threshold = np.round(np.linspace(1.0, 7.0, 21) / 0.5) * 0.5
    assert not stepped_sweeps(["control"], *tables(steps(21, 0.05), threshold))


def test_short_sweeps_and_missing_figures_say_nothing() -> None:
    assert not stepped_sweeps(["control"], *tables(steps(LEAST_VALUES - 1, 0.06)))
    corners, figures, bars = tables(steps(21, 0.06))
    assert not stepped_sweeps(["control"], corners, figures.drop(columns="threshold"), bars)
    corners["state"] = "stuck high"
    assert not stepped_sweeps(["control"], corners, figures, bars)


def test_only_the_sweep_that_does_it_is_named() -> None:
    """Two axes, in any order of rows: the starved half alone."""
    rows = [(c, t) for t, c in product((0.0, 50.0), np.linspace(0.0, 10.0, 21))]
    corners = pd.DataFrame(rows, columns=["control", "temperature"])
    corners["state"] = "pulsing"
    duty = np.concatenate((smooth(21), steps(21, 0.06)))
    figures = pd.DataFrame({"duty": duty, "threshold": 1 + 0.6 * corners["control"]})
    bars = pd.DataFrame({"duty": np.full(42, BAR), "threshold": np.full(42, 1e-3), "rise_time": np.nan})
    order = np.random.default_rng(1).permutation(42)
    shuffled = [table.iloc[order].reset_index(drop=True) for table in (corners, figures, bars)]
    (found,) = stepped_sweeps(["control", "temperature"], *shuffled)
    assert dict(found.at) == {"temperature": 50.0}
    assert set(shuffled[0]["temperature"].iloc[list(found.rows)]) == {50.0}
    wider = distrusted(shuffled[2], [found])
    assert np.isinf(wider["duty"]).sum() == 21 and wider["rise_time"].isna().all()
