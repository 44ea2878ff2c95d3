# SPDX-License-Identifier: GPL-3.0-or-later
"""Harmonics, means and r.m.s. values against published series, numpy's FFT and scipy's quadrature."""

from __future__ import annotations

from itertools import pairwise
from math import log10, pi, sqrt

import numpy as np
import pytest
from scipy.integrate import quad

from harness.measure import harmonics, level_vs_square, mean_and_ac_rms


def pulse(duty: float, low: float = 0.0, high: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """A pulse of period 1 with edges in no time, from its rising edge on."""
    return np.array([0.0, duty, duty, 1.0]), np.array([high, high, low, low])


def test_pulse_of_a_quarter():
    """Fourier series of a pulse from 0 to 1, D = 1/4: a university e-lesson (Bucknell), also recomputed."""
    printed = [0.45016, 0.31831, 0.15005, 0, 0.09003, 0.10610, 0.06431, 0]
    found = harmonics(*pulse(0.25), 0.0, 1.0, count=8)
    assert np.abs(found) == pytest.approx(printed, abs=1e-5)
    cosine, sine = found.real, -found.imag
    assert (cosine[0], sine[0]) == pytest.approx((0.3183, 0.3183), abs=5e-5)
    assert (cosine[4], sine[4]) == pytest.approx((0.06366, 0.06366), abs=5e-6)
    order = np.arange(1, 9)
    assert cosine == pytest.approx(np.sin(order * pi / 2) / (order * pi), abs=1e-14)
    assert sine == pytest.approx((1 - np.cos(order * pi / 2)) / (order * pi), abs=1e-14)


def test_square_wave():
    """Harmonics 1 to 9 of +-1: Kuphaldt, Lessons in Electric Circuits, vol. II, listing of a simulation."""
    found = np.abs(harmonics(*pulse(0.5, -1.0, 1.0), 0.0, 1.0, count=9))
    assert found[::2] == pytest.approx([1.27324, 0.424413, 0.254648, 0.181891, 0.141471], rel=5e-6)
    assert found[1::2] == pytest.approx(0, abs=1e-15)


def test_square_of_half_and_triangle_of_one():
    """(2/pi)(1, 1/3, 1/5 ...) and (8/pi^2)(1, 1/9, 1/25 ...).

    Puckette, The Theory and Technique of Electronic Music, Fourier series of the square and the triangle.
    """
    odd = np.arange(1, 16, 2)
    square = np.abs(harmonics(*pulse(0.5, -0.5, 0.5), 0.0, 1.0))
    assert square[::2] == pytest.approx(2 / pi / odd, rel=1e-13)
    triangle = harmonics(np.array([0.0, 0.25, 0.75, 1.0]), np.array([0.0, 1.0, -1.0, 0.0]), 0.0, 1.0)
    assert np.abs(triangle)[::2] == pytest.approx(8 / pi**2 / odd**2, rel=1e-12)
    assert np.abs(triangle)[1::2] == pytest.approx(0, abs=1e-15)


@pytest.mark.parametrize("duty", [0.01, 0.05, 0.25, 1 / 3, 0.5, 0.9])
def test_pulse_of_any_width(duty):
    """|c_n| = (2A / n pi) |sin(n pi D)|, A the swing: textbook form, from memory."""
    order = np.arange(1, 17)
    found = np.abs(harmonics(*pulse(duty, -0.3, 7.7), 0.0, 1.0))
    assert found == pytest.approx(16 / (order * pi) * np.abs(np.sin(order * pi * duty)), abs=1e-13)


def test_equal_edges_add_a_sinc():
    """Trapezoid with edges of t_r at both sides: times sinc(n f t_r); textbook form, from memory."""
    duty, edge, order = 0.3, 0.02, np.arange(1, 17)
    time = np.array([-edge / 2, edge / 2, duty - edge / 2, duty + edge / 2, 1 - edge / 2])
    wave = np.array([0.0, 5.0, 5.0, 0.0, 0.0])
    found = np.abs(harmonics(time, wave, -edge / 2, 1 - edge / 2))
    plain = 10 / (order * pi) * np.abs(np.sin(order * pi * duty))
    assert found == pytest.approx(plain * np.sinc(order * edge), abs=1e-12)


def random_wave(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A closed wave of straight lines on an uneven grid, two edges of 1e-9 of the period among them."""
    random = np.random.default_rng(seed)
    time = np.sort(random.uniform(0, 1, 12))
    time = np.concatenate([[0.0], time, time[[3, 8]] + 1e-9, [1.0]])
    time.sort()
    wave = random.uniform(-5, 5, len(time))
    wave[-1] = wave[0]
    return time, wave


@pytest.mark.parametrize("seed", range(4))
def test_against_numpy_fft(seed):
    """numpy.fft.rfft of 2^18 samples; what it lacks is aliasing, of the order of its step."""
    time, wave = random_wave(seed)
    count = 2**18
    samples = np.interp((np.arange(count) + 0.5) / count, time, wave)
    reference = 2 * np.fft.rfft(samples)[1:17] / count * np.exp(-1j * pi * np.arange(1, 17) / count)
    assert np.abs(harmonics(time, wave, 0.0, 1.0) - reference).max() < 10 / count


@pytest.mark.parametrize("seed", range(3))
def test_against_quadrature(seed):
    """scipy.integrate.quad (QUADPACK) over each segment of the defining integral."""
    time, wave = random_wave(seed)
    found = harmonics(time, wave, 0.0, 1.0)

    def integral(function) -> float:
        return sum(quad(function, a, b, epsabs=1e-13)[0] for a, b in pairwise(time))

    for order in (1, 2, 5, 16):
        angle = 2 * pi * order
        cosine = integral(lambda t, w=angle: np.interp(t, time, wave) * np.cos(w * t))
        sine = integral(lambda t, w=angle: np.interp(t, time, wave) * np.sin(w * t))
        assert found[order - 1] == pytest.approx(2 * (cosine - 1j * sine), abs=1e-10)
    level, ac_rms = mean_and_ac_rms(time, wave, 0.0, 1.0)
    assert level == pytest.approx(integral(lambda t: np.interp(t, time, wave)), abs=1e-12)
    square = integral(lambda t: (np.interp(t, time, wave) - level) ** 2)
    assert ac_rms == pytest.approx(sqrt(square), abs=1e-11)


def test_power_of_all_harmonics_is_the_ac_power():
    """Parseval's theorem on a trapezoid, 4 000 harmonics."""
    time, wave = np.array([0.0, 0.02, 0.3, 0.33, 1.0]), np.array([0.0, 5.0, 5.0, 0.0, 0.0])
    found = harmonics(time, wave, 0.0, 1.0, count=4000)
    assert sqrt(np.sum(np.abs(found) ** 2) / 2) == pytest.approx(
        mean_and_ac_rms(time, wave, 0, 1)[1], rel=1e-8
    )


def test_where_the_cycle_begins_turns_phases_only():
    """Shift theorem: a begin later by d turns harmonic n by 2 pi n d."""
    time, wave = np.array([0.0, 0.02, 0.3, 0.33, 1.0]), np.array([0.0, 5.0, 5.0, 0.0, 0.0])
    twice, again = np.concatenate([time, 1 + time[1:]]), np.concatenate([wave, wave[1:]])
    order = np.arange(1, 17)
    later = harmonics(twice, again, 0.137, 1.137)
    assert later == pytest.approx(harmonics(time, wave, 0, 1) * np.exp(2j * pi * order * 0.137), abs=1e-13)
    both = harmonics(twice, again, 0.0, 2.0, count=32)
    assert both[1::2] == pytest.approx(harmonics(time, wave, 0, 1), abs=1e-13)
    assert np.abs(both[::2]).max() < 1e-13


@pytest.mark.parametrize(
    ("duty", "rms", "ac"), [(0.25, 0.5, 0.4330), (0.5, 0.7071, 0.5), (0.05, 0.2236, 0.2179)]
)
def test_rms_of_a_pulse(duty, rms, ac):
    """sqrt(D), sqrt(D (1 - D)); D = 1/4: 0.5, 0.4330, crest factor 2 (formulas, recomputed)."""
    level, ac_rms = mean_and_ac_rms(*pulse(duty), 0.0, 1.0)
    assert level == pytest.approx(duty, abs=1e-15)
    assert ac_rms == pytest.approx(ac, abs=5e-5)
    assert sqrt(level**2 + ac_rms**2) == pytest.approx(rms, abs=5e-5)


def test_a_pulse_of_5_per_cent_is_7_decibels_below_the_square():
    """20 log10(2 sqrt(D (1 - D))), recomputed: -7.2 dB at 5 %. The narrower, the quieter: common practice."""
    levels = []
    for duty in (0.5, 0.25, 0.05, 0.01):
        ac_rms = mean_and_ac_rms(*pulse(duty, 0.15, 8.0), 0.0, 1.0)[1]
        levels.append(level_vs_square(ac_rms, 8.0 - 0.15))
        assert levels[-1] == pytest.approx(20 * log10(2 * sqrt(duty * (1 - duty))), abs=1e-12)
    assert levels[2] == pytest.approx(-7.2, abs=0.05)
    assert levels == sorted(levels, reverse=True)


def test_saw_and_triangle():
    """Saw and triangle of peak A: A / sqrt 3 = 0.5774 A (Kuphaldt, Lessons in Electric Circuits, vol. II).

    Bird, Electrical Circuit Theory, problem 14.04 prints 114.6 V for a triangle of 200 V, by four
    mid-ordinates; the true value is 115.47 V and the printed one must not come out.
    """
    for peak, where in ((1.0, 0.999999999), (200.0, 0.5)):
        level, ac_rms = mean_and_ac_rms(np.array([0.0, where, 1.0]), np.array([0.0, peak, 0.0]), 0.0, 1.0)
        assert sqrt(level**2 + ac_rms**2) == pytest.approx(0.57735 * peak, rel=1e-5)
    assert sqrt(level**2 + ac_rms**2) == pytest.approx(115.47, abs=0.005)
    assert abs(sqrt(level**2 + ac_rms**2) - 114.6) > 0.8


def test_means_with_ends_between_points():
    """A line read from 1.25 to 3.75: mean 2.5, r.m.s. about it 2.5 / sqrt 12 (spread of a uniform value)."""
    level, ac_rms = mean_and_ac_rms(np.array([0.0, 2.0, 10.0]), np.array([0.0, 2.0, 10.0]), 1.25, 3.75)
    assert (level, ac_rms) == pytest.approx((2.5, 2.5 / sqrt(12)), abs=1e-14)
