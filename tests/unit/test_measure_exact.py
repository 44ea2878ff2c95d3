# SPDX-License-Identifier: GPL-3.0-or-later
"""Errors on waves that are known exactly: below 1e-6 of the period; noise, many cycles and broken cycles.

Every expected figure is the one that the wave was made with.
"""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from harness.measure import (
    harmonics,
    mean_and_ac_rms,
    measure_cycle,
    pulse_figures,
    settled_cycles,
    state_levels,
)
from harness.measure.cycle import Probes

RANGE = (0.0, 8.0)
LOW, HIGH = 0.15, 8.0
GOAL = 1e-6  # of the period


def train(duty: float, edge: float, cycles: int) -> tuple[np.ndarray, np.ndarray]:
    """Period 1; straight edges whose 50 % levels lie at k and k + duty."""
    corners = np.array([-edge / 2, edge / 2, duty - edge / 2, duty + edge / 2])
    time = np.concatenate([k + corners for k in range(cycles + 2)])
    return time, np.tile([LOW, HIGH, HIGH, LOW], cycles + 2)


@pytest.mark.parametrize("duty", [0.001, 0.01, 0.5, 0.99, 0.999])
@pytest.mark.parametrize("cycles", [1, 2, 200])
def test_every_cycle_of_a_train(duty, cycles):
    """Instants, duty, edges and levels of each cycle; the cycles themselves found from the record."""
    edge = 2e-4
    time, wave = train(duty, edge, cycles)
    found = settled_cycles(time, wave, (LOW + HIGH) / 2)
    assert len(found.spans) == cycles + 1
    for number, (begin, end) in enumerate(found.spans[:cycles]):
        assert (begin, end) == pytest.approx((number, number + 1), abs=GOAL)
        pulse = pulse_figures(time, wave, begin + 0.3, end + 0.3, RANGE)
        assert pulse.state == "pulsing"
        assert pulse.duty == pytest.approx(duty, abs=GOAL)
        assert pulse.rising[0] == pytest.approx(number + 1, abs=GOAL)
        assert pulse.falling[0] % 1 == pytest.approx(duty, abs=GOAL)
        assert (pulse.rise_time, pulse.fall_time) == pytest.approx((0.8 * edge, 0.8 * edge), abs=GOAL)
        assert (pulse.low_level, pulse.high_level) == pytest.approx((LOW, HIGH), abs=1e-9)


@pytest.mark.parametrize("duty", [0.001, 0.2, 0.999])
def test_rc_edges_of_narrow_and_wide_pulses(duty):
    """Both edges exponential and settled, 60 points a time constant at first, then ever fewer."""
    tau = min(duty, 1 - duty) / 40
    steps = np.cumsum(np.minimum(tau / 60 * 1.01 ** np.arange(4000), 0.02))
    high, low = (np.concatenate([[0.0], steps[steps < span]]) for span in (duty, 1 - duty))
    grid = np.concatenate([high, duty + low])
    wave = np.concatenate(
        [HIGH - (HIGH - LOW) * np.exp(-high / tau), LOW + (HIGH - LOW) * np.exp(-low / tau)]
    )
    time = np.concatenate([grid, 1 + grid, 2 + grid])
    pulse = pulse_figures(time, np.tile(wave, 3), 0.5 * duty, 1 + 0.5 * duty, RANGE)
    assert pulse.state == "pulsing"
    assert pulse.duty == pytest.approx(duty, abs=GOAL)
    assert pulse.rise_time == pytest.approx(tau * log(9), abs=GOAL)
    assert pulse.fall_time == pytest.approx(tau * log(9), abs=GOAL)


def test_two_hundred_cycles_with_one_missing_and_one_that_chatters():
    """The broken ones are named, and their neighbours stay exact."""
    duty, edge, cycles = 0.3, 1e-4, 200
    time, wave = train(duty, edge, cycles)
    wave[4 * 77 : 4 * 77 + 4] = LOW
    extra = 133 + np.array([0.6, 0.6 + edge, 0.65, 0.65 + edge])
    place = np.searchsorted(time, extra[0])
    time = np.insert(time, place, extra)
    wave = np.insert(wave, place, [LOW, HIGH, HIGH, LOW])
    for number in range(1, cycles):
        pulse = pulse_figures(time, wave, number - 0.2, number + 0.8, RANGE)
        wanted = {77: "stuck low", 133: "chatter"}.get(number, "pulsing")
        assert pulse.state == wanted, number
        if wanted == "pulsing":
            assert pulse.duty == pytest.approx(duty, abs=GOAL)
        elif wanted == "chatter":
            assert pulse.duty == pytest.approx(duty + 0.05, abs=GOAL)


@pytest.mark.parametrize("noise", [1e-4, 1e-3, 5e-3])
@pytest.mark.parametrize("duty", [0.1, 0.5, 0.9])
def test_state_levels_under_noise(noise, duty):
    """Normal noise of up to 0.5 % of the swing, 20 000 samples: levels within a fifth of one sigma.

    The mode's bin is 1 % of the range wide, so that at the largest noise a third of it lies outside.
    """
    draw = np.random.default_rng(77)
    time = np.linspace(0, 1, 20_000)
    clean = np.where(time < duty, HIGH, LOW)
    levels = state_levels(time, clean + noise * (HIGH - LOW) * draw.normal(size=len(time)))
    assert levels.method == "mode"
    assert (levels.low, levels.high) == pytest.approx((LOW, HIGH), abs=0.2 * noise * (HIGH - LOW))


def test_duty_under_noise():
    """Edges of 1e-3, noise of 0.1 %: the 50 % instants move by noise over slope, no further."""
    draw = np.random.default_rng(78)
    edge, noise = 1e-3, 1e-3
    corners, values = train(0.37, edge, 1)
    time = np.unique(np.concatenate([np.linspace(-0.001, 2.5, 50_001), corners]))
    wave = np.interp(time, corners, values) + noise * (HIGH - LOW) * draw.normal(size=len(time))
    pulse = pulse_figures(time, wave, 0.5, 1.5, RANGE)
    assert pulse.state == "pulsing"
    assert pulse.duty == pytest.approx(0.37, abs=6 * noise * edge)


def test_a_whole_cycle_scales_shifts_and_slows_as_one():
    """Every figure of measure_cycle at once: three times the volts, 5 V up, a thousand times slower."""
    time, wave = train(0.3, 1e-3, 2)
    ramp, thr = np.mod(time + 0.4, 1.0), np.full_like(time, 0.5)
    probes = Probes(ramp="ramp", threshold="thr", output="out", swing=RANGE)
    moved = Probes(ramp="ramp", threshold="thr", output="out", swing=(5.0, 29.0))
    one = measure_cycle({"time": time, "out": wave, "ramp": ramp, "thr": thr}, 0.5, 1.5, probes)
    other = measure_cycle(
        {"time": 1e3 * time, "out": 3 * wave + 5, "ramp": 3 * ramp + 5, "thr": 3 * thr + 5},
        500.0,
        1500.0,
        moved,
    )
    levels = {"low_level", "high_level", "mean_level", "ramp_low", "ramp_high", "threshold"}
    times = {"rise_time", "fall_time", "rise_settling", "fall_settling"}
    for name, value in one.items():
        if isinstance(value, str):
            assert other[name] == value
            continue
        wanted = 3 * value + 5 if name in levels else 1e3 * value if name in times else value
        wanted = {"frequency": value / 1e3, "ac_rms": 3 * value}.get(name, wanted)
        assert other[name] == pytest.approx(wanted, rel=1e-9, abs=1e-9, nan_ok=True), name


@pytest.mark.parametrize("cycles", [2, 5])
def test_means_and_spectra_of_concatenated_cycles(cycles):
    """A span of n cycles has the mean and r.m.s. of one; its harmonic n k is the one's harmonic k."""
    time, wave = train(0.3, 1e-2, cycles)
    one, many = (harmonics(time, wave, 0.1, 0.1 + span, count=16 * span) for span in (1, cycles))
    assert many[cycles - 1 :: cycles] == pytest.approx(one, abs=1e-12)
    assert mean_and_ac_rms(time, wave, 0.1, 0.1 + cycles) == pytest.approx(
        mean_and_ac_rms(time, wave, 0.1, 1.1), abs=1e-12
    )
