# SPDX-License-Identifier: GPL-3.0-or-later
"""Open-collector output in closed form against step-by-step integration and limits known by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from harness.predict.output import SinkCurve, fall, low_level, rise_time
from harness.predict.spectrum import against_square, ideal_ac_rms, pulse_harmonics

ONE = np.ones(1)


def resistor_curve(ohms: float, limit: float = np.inf) -> SinkCurve:
    volts = np.concatenate([np.linspace(0, 1.0, 201), np.linspace(1.1, 20.0, 190)])
    return SinkCurve(volts, np.minimum(volts / ohms, limit)[None, :])


def test_low_level_of_a_resistive_switch() -> None:
    """A switch of 37.5 Ohm under 5.1 kOhm to 12 V: a plain divider."""
    got = low_level(ONE * 12.0, ONE * 5.1e3, resistor_curve(37.5))
    assert got[0] == pytest.approx(12 * 37.5 / 5137.5, rel=1e-9)


def test_low_level_where_the_sink_gives_up() -> None:
    """A sink limited to 1 mA under 1 kOhm to 12 V: the output stays at 11 V."""
    assert low_level(ONE * 12.0, ONE * 1e3, resistor_curve(37.5, 1e-3))[0] == pytest.approx(11.0, rel=1e-9)


def test_fall_of_a_limited_sink() -> None:
    """The falling edge against an integrator (scipy.integrate.solve_ivp)."""
    curve = resistor_curve(40.0, 16e-3)
    supply, resistance, load = 8.0, 3.3e3, 1e-9
    low = low_level(ONE * supply, ONE * resistance, curve)
    middle, edge, area, square = fall(ONE * supply, ONE * resistance, ONE * load, low, ONE * supply, curve)

    def law(_: float, v: np.ndarray) -> np.ndarray:
        return ((supply - v) / resistance - min(v[0] / 40.0, 16e-3)) / load

    swing = supply - low[0]
    found = solve_ivp(
        law, (0, 3e-6), [supply], rtol=1e-9, atol=1e-12, max_step=2e-9, dense_output=True,
        events=[lambda _, v, s=s: v[0] - (low[0] + s * swing) for s in (0.9, 0.5, 0.1)],
    )  # fmt: skip
    at90, at50, at10 = (times[0] for times in found.t_events)
    assert middle[0] == pytest.approx(at50, rel=2e-3)
    assert edge[0] == pytest.approx(at10 - at90, rel=2e-3)
    exact = np.trapezoid((found.y[0] - low[0]) / swing, found.t)
    assert area[0] == pytest.approx(exact, rel=2e-3)
    exact = np.trapezoid(((found.y[0] - low[0]) / swing) ** 2, found.t)
    assert square[0] == pytest.approx(exact, rel=2e-3)


def test_ideal_switch_falls_at_once() -> None:
    assert [a[0] for a in fall(ONE * 8, ONE * 1e3, ONE * 1e-9, ONE * 0.0, ONE * 8, None)] == [0.0] * 4


def test_rise_time_by_hand() -> None:
    """3.3 kOhm and 1 nF: ln 9 times 3.3 us."""
    assert rise_time(ONE * 3.3e3, ONE * 1e-9)[0] == pytest.approx(7.2508e-6, rel=1e-4)


def test_harmonics_against_a_transform() -> None:
    """Amplitudes of harmonics 1 to 16 against numpy's FFT of a finely sampled pulse."""
    count, duty = 2**16, 0.3
    wave = (np.arange(count) < duty * count).astype(float)
    transform = 2 * np.abs(np.fft.rfft(wave))[1:17] / count
    assert pulse_harmonics(1.0, np.round(duty * count) / count)[:16] == pytest.approx(transform, abs=2e-5)


def test_quarter_pulse_harmonics_in_print() -> None:
    """Duty 1/4, 0 to 1: 0.45016 0.31831 0.15005 0 0.09003 0.10610 0.06431 0.

    Source: a university's lesson on Fourier series of pulses (Bucknell), values recomputed.
    """
    printed = [0.45016, 0.31831, 0.15005, 0.0, 0.09003, 0.10610, 0.06431, 0.0]
    assert pulse_harmonics(1.0, 0.25, 8) == pytest.approx(printed, abs=1e-5)


def test_narrow_pulses_are_quiet() -> None:
    """Duty 5 %: -7.2 dB against a square wave of the same swing."""
    assert against_square(ideal_ac_rms(1.0, 0.05), 1.0) == pytest.approx(-7.21, abs=0.01)
