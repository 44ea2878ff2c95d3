# SPDX-License-Identifier: GPL-3.0-or-later
"""Pulse terms and figures against published words and numbers; the source stands beside each check."""

from __future__ import annotations

from math import asin, log, pi

import numpy as np
import pytest

from harness.measure import pulse_figures, state_levels
from harness.measure.crossings import crossings


def reaching(level: float, wave: np.ndarray, time: np.ndarray) -> float:
    return float(crossings(time, wave, level)[0][0])


def test_a_two_valued_record_returns_the_two_values():
    """Histogram method of IEEE Std 181-2011, 5.2.1, second hand (the standard itself was not seen)."""
    time = np.array([0.0, 1.0, 1.0, 4.0])
    levels = state_levels(time, np.array([5.1848, 5.1848, 0.0138, 0.0138]))
    assert (levels.low, levels.high, levels.method) == (0.0138, 5.1848, "mode")


def test_reference_levels_lie_at_10_50_and_90_per_cent_of_the_state_difference():
    """Reference levels after IEEE Std 181, second hand; numbers by arithmetic.

    States of 0.0138 V and 5.1848 V give 0.5309 V, 2.5993 V and 4.6677 V. An edge of 1 V per second passes
    these at as many seconds.
    """
    time = np.array([-10.0, 0.0138, 5.1848, 15.0, 15.0, 20.0])
    wave = np.array([0.0138, 0.0138, 5.1848, 5.1848, 0.0138, 0.0138])
    pulse = pulse_figures(time, wave, -10.0, 20.0, (0.0, 5.2))
    assert pulse.rising[0] == pytest.approx(2.5993, abs=1e-9)
    assert pulse.rise_time == pytest.approx(4.6677 - 0.5309, abs=1.1e-4)


@pytest.mark.parametrize("begin", [0.0, 0.3, 0.9, 2.0, 3.9])
def test_one_microsecond_on_and_three_off_is_a_quarter(begin):
    """Duty factor is pulse duration over period (IEEE Std 181, second hand); arithmetic: 1 / (1 + 3)."""
    edges = np.array([-0.001, 0.001, 0.999, 1.001])
    time = 1e-6 * np.concatenate([4 * k + edges for k in range(3)])
    wave = np.tile([0.0, 5.0, 5.0, 0.0], 3)
    pulse = pulse_figures(time, wave, begin * 1e-6, (begin + 4) * 1e-6, (0.0, 5.0))
    assert pulse.duty == pytest.approx(0.25, abs=1e-9)


def test_overshoot_of_five_per_cent_leaves_the_state_level_alone():
    """Overshoot is a share of the state difference (IEEE terms, second hand): 0 V, 5 V, peak 5.25 V: 5 %."""
    time = np.array([0.0, 4.0, 4.0, 4.2, 4.4, 9.0])
    wave = np.array([0.0, 0.0, 5.25, 5.0, 5.0, 5.0])
    levels = state_levels(time, wave)
    assert (wave.max() - levels.high) / (levels.high - levels.low) == pytest.approx(0.05, abs=1e-12)


def test_half_level_and_1v4_level_of_an_rc_edge():
    """5.1 kOhm and 15 pF: TI SLCS005Y 8.2.2.4 gives tau = R C, here 76.5 ns.

    Recomputed: 10 % to 90 % in 168.1 ns, half of the swing after 53.0 ns, 1.4 V of 5 V after 25.1 ns.
    """
    tau = 5100 * 15e-12
    time = np.linspace(0, 12 * tau, 400)
    wave = 5 * (1 - np.exp(-time / tau))
    assert tau == pytest.approx(76.5e-9)
    assert reaching(2.5, wave, time) == pytest.approx(53.0e-9, abs=0.05e-9)
    assert reaching(1.4, wave, time) == pytest.approx(25.1e-9, abs=0.05e-9)
    assert reaching(4.5, wave, time) - reaching(0.5, wave, time) == pytest.approx(168.1e-9, abs=0.05e-9)


def test_rise_time_of_one_kilohm_and_100_picofarad():
    """219.7 ns: an oscilloscope maker's question page 53721 (2.3 tau - 0.105 tau), exactly ln 9 tau."""
    tau = 1000 * 100e-12
    one = np.concatenate([np.linspace(0, 12 * tau, 300), [50 * tau, 50.001 * tau, 100 * tau]])
    wave = np.where(one <= 50 * tau, 8 * (1 - np.exp(-one / tau)), 0.0)
    pulse = pulse_figures(one, wave, 0.0, 100 * tau, (0.0, 8.0))
    assert pulse.rise_time == pytest.approx(219.7e-9, abs=0.05e-9)
    assert pulse.rise_time == pytest.approx(log(9) * tau, rel=2e-5)


def test_a_sine_of_ten_volt_sliced_at_five_gives_a_third():
    """33.3 %: Malvino and Bates, Electronic Principles, 7th ed., example 22-5, p. 855; on 40 points."""
    time = np.linspace(0, 1, 41)
    instants, directions = crossings(time, 10 * np.sin(2 * pi * time), 5.0)
    assert directions.tolist() == [1, -1]
    assert instants[1] - instants[0] == pytest.approx(1 / 3, abs=2e-5)
    assert instants[0] == pytest.approx(asin(0.5) / (2 * pi), abs=1e-5)


@pytest.mark.parametrize(("control", "duty"), [(2.0, 0.400), (5.0, 1.0), (0.0, 0.0)])
def test_an_ideal_ramp_sliced_at_a_level(control, duty):
    """0 V to 5 V sliced at 2 V: 0.400, or 0.600 the other way round (geometry)."""
    time = np.linspace(0, 1, 12)
    instants, _ = crossings(time, 5 * time, control)
    width = instants[0] if len(instants) else (1.0 if control >= 5 else 0.0)
    assert width == pytest.approx(duty, abs=1e-12)


def test_response_time_as_a_share_of_the_period():
    """1.3 us of response (TI SLCS005Y 6.8) adds 0.13 % of the period at 1 kHz, 1.3 % at 10 kHz."""
    for frequency, share in ((1e3, 0.0013), (1e4, 0.013)):
        period = 1 / frequency
        time = np.array([0.0, 0.0, 0.4 * period, 0.4 * period + 1.3e-6, 0.4 * period + 1.3e-6, period])
        wave = np.array([0.0, 5.0, 5.0, 5.0, 0.0, 0.0])
        pulse = pulse_figures(time, wave, 0.0, period, (0.0, 5.0))
        assert pulse.duty - 0.4 == pytest.approx(share, rel=1e-9)
