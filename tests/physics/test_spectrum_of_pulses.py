# SPDX-License-Identifier: GPL-3.0-or-later
"""Predicted and measured spectra of pulses against numpy's FFT of finely sampled waves.

Source of the second opinion: numpy.fft.rfft. A transform of N samples of a wave with edges folds what lies
above N / 2 back; sampling each edge where it falls (or its mean over a sample) leaves errors of the order of
1 / N, which sets each tolerance. Closed forms and the piecewise linear integral know no samples.
"""

from __future__ import annotations

import numpy as np
import pytest

from harness.engine.session import session
from harness.measure import harmonics, mean_and_ac_rms
from harness.predict.spectrum import ideal_ac_rms, ideal_mean, pulse_harmonics

SAMPLES = 2**16
ORDER = np.arange(1, 17)


def averaged(time: np.ndarray, wave: np.ndarray, count: int = SAMPLES) -> np.ndarray:
    """Mean of a piecewise linear wave of period 1 over each of ``count`` equal slices: nothing falls between
    samples."""
    step = np.diff(time)
    area = np.concatenate(([0.0], np.cumsum(step * (wave[1:] + wave[:-1]) / 2)))
    ticks = np.linspace(0.0, 1.0, count + 1)
    k = np.clip(np.searchsorted(time, ticks, side="right") - 1, 0, len(step) - 1)
    part = ticks - time[k]
    slope = (wave[k + 1] - wave[k]) / np.where(step[k] > 0, step[k], 1.0)
    return np.diff(area[k] + part * (wave[k] + slope * part / 2)) * count


def transform(samples: np.ndarray) -> np.ndarray:
    """Complex amplitudes of harmonics 1 to 16; the slices' own sinc and half-slice delay taken back out."""
    share = ORDER / len(samples)
    return 2 * np.fft.rfft(samples)[1:17] / len(samples) / np.sinc(share) * np.exp(-1j * np.pi * share)


def trapezoid(duty: float, edge: float, low: float, high: float) -> tuple[np.ndarray, np.ndarray]:
    """Period 1, edges of ``edge`` from 0 % to 100 %, ``duty`` at 50 %; the rise begins at 0."""
    return np.array([0.0, edge, duty, duty + edge, 1.0]), np.array([low, high, high, low, low])


@pytest.mark.parametrize("duty", [0.001, 0.05, 0.25, 0.4321, 0.5, 0.999])
@pytest.mark.parametrize("edge", [0.0, 1e-6, 5e-4])
def test_closed_form_integral_and_transform_agree(duty: float, edge: float) -> None:
    """One pulse, three ways to its spectrum: predicted in closed form, measured exactly, and by FFT.

    Straight edges of t_r multiply harmonic n by sinc(n f t_r): textbook form, from memory.
    """
    low, high = 0.15, 8.0
    time, wave = trapezoid(duty, edge, low, high)
    predicted = pulse_harmonics(high - low, duty) * np.sinc(ORDER * edge)
    measured = harmonics(time, wave, 0.0, 1.0)
    fft = transform(averaged(time, wave))
    assert np.abs(measured) == pytest.approx(predicted, abs=1e-12 * high)
    assert measured == pytest.approx(fft, abs=1e-8 * high)  # what 2^16 slices fold back: orders near 65 536


@pytest.mark.parametrize("duty", [0.001, 0.1, 0.5, 0.9])
def test_mean_and_rms_agree_with_sums_of_samples(duty: float) -> None:
    """Predicted mean and AC r.m.s. of a rectangular pulse, the measured ones, and sums over samples."""
    low, high, count = 0.15, 8.0, 1000
    time, wave = trapezoid(duty, 0.0, low, high)
    samples = np.where(np.arange(count) < round(duty * count), high, low)
    level, ac_rms = mean_and_ac_rms(time, wave, 0.0, 1.0)
    assert level == pytest.approx(samples.mean(), abs=1e-12)
    assert ac_rms == pytest.approx(samples.std(), abs=1e-12)
    assert ideal_mean(low, high - low, duty) == pytest.approx(samples.mean(), abs=1e-12)
    assert ideal_ac_rms(high - low, duty) == pytest.approx(samples.std(), abs=1e-12)


def test_spectrum_of_an_engine_run() -> None:
    """Harmonics of a simulated RC pulse on the engine's uneven grid against an FFT of the same record, and
    against the closed form of the driving pulse times the RC's response."""
    period, duty, edge, tau = 1e-3, 0.3, 1e-6, 20e-6
    engine = session()
    engine.load(
        [
            f"Vin in 0 PULSE(0 5 0 {edge!r} {edge!r} {duty * period - edge!r} {period!r})",
            "Rload in out 20k",
            "Cload out 0 1n",
            ".options reltol=1e-6 trtol=0.01",
        ],
        "spectrum",
    )
    record = engine.transient(period / 2000, 3 * period, period / 2000)
    time, wave = record["time"], record["out"]
    begin = 1.5 * period
    measured = harmonics(time, wave, begin, begin + period)
    inside = (time > begin) & (time < begin + period)
    ends = np.interp([begin, begin + period], time, wave)
    instants = np.concatenate(([0.0], (time[inside] - begin) / period, [1.0]))
    fft = transform(averaged(instants, np.concatenate((ends[:1], wave[inside], ends[1:]))))
    assert measured == pytest.approx(fft, abs=1e-8 * 5)
    response = 1 / np.sqrt(1 + (2 * np.pi * ORDER * tau / period) ** 2)
    closed = pulse_harmonics(5.0, duty) * np.sinc(ORDER * edge / period) * response
    assert np.abs(measured) == pytest.approx(closed, abs=2e-5 * 5)
