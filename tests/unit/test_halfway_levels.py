# SPDX-License-Identifier: GPL-3.0-or-later
"""Levels of an output whose states droop. Source: the exponential of one coupling capacitor, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.measure.levels import halfway_levels
from harness.measure.pulse import pulse_figures


def drooping(tau: float, duty: float = 0.4) -> tuple[np.ndarray, np.ndarray, float, float]:
    """A period of 1 s behind a capacitor, 1 V from edge to edge, and its values half-way through low and
    high: each state begins at a and has decayed by its end, a_high - a_low times what is left = 1 V."""
    kept_high, kept_low = math.exp(-duty / tau), math.exp(-(1 - duty) / tau)
    high = (1 - kept_low) / (1 - kept_high * kept_low)  # high kept_high - 1 = low, low kept_low + 1 = high
    low = high * kept_high - 1
    inside = np.linspace(0, 1, 4001)
    time = np.concatenate((duty * inside, duty + (1 - duty) * inside))
    wave = np.concatenate((high * kept_high**inside, low * kept_low**inside))
    return time, wave, low * math.sqrt(kept_low), high * math.sqrt(kept_high)


@pytest.mark.parametrize("tau", [1.0, 3.0, 100.0])
def test_a_level_is_the_voltage_half_way_through_its_state(tau: float) -> None:
    time, wave, low, high = drooping(tau)
    levels, distinct = halfway_levels(time, wave)
    assert distinct
    assert (levels.low, levels.high) == pytest.approx((low, high), abs=1e-5)


def test_spikes_have_no_level() -> None:
    time, wave, _, _ = drooping(0.1)
    assert not halfway_levels(time, wave)[1]


@pytest.mark.parametrize(("tau", "has_edges"), [(0.45, False), (0.8, False), (3.0, True)])
def test_an_edge_that_the_droop_begins_has_no_duration(tau: float, has_edges: bool) -> None:
    """The droop of the low state has passed 10 % of the swing before the edge comes."""
    time, wave, _, _ = drooping(tau, duty=0.5)
    pulse = pulse_figures(time, wave, 0.0, 1.0, (float(wave.min()), float(wave.max())), drooping=True)
    assert pulse.state == "pulsing"
    assert math.isfinite(pulse.rise_time) == math.isfinite(pulse.fall_time) == has_edges
