# SPDX-License-Identifier: GPL-3.0-or-later
"""The closed form of the charged-capacitor core against an independent integrator with event location.

Source of the second opinion: scipy.integrate.solve_ivp, method DOP853 with events (E. Hairer, S. P. Norsett,
G. Wanner, Solving Ordinary Differential Equations I, section II.10).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from harness.predict.core import ChargedCapacitor
from harness.predict.stage import duty


@dataclass(frozen=True)
class Case:
    """One core in numbers: F, A, V, Ohm, S, s."""

    capacitance: float
    current: float
    trip_high: float
    trip_low: float
    resistance: float
    droop: float
    close_delay: float
    open_delay: float


CASES = [
    Case(3.3e-9, 10e-6, 7.5, 0.6, 1e3, 0.0, 1e-6, 0.5e-6),
    Case(3.3e-9, 40e-6, 8.25, 0.7, 1.003e3, 2e-8, 0.8e-6, 0.4e-6),
    Case(1e-9, 5e-6, 6.8, 0.5, 150.0, 1e-7, 2e-6, 0.05e-6),
    Case(10e-9, 100e-6, 5.0, 1.0, 470.0, 0.0, 0.3e-6, 3e-6),
]


def integrate(case: Case, level: float) -> dict[str, float]:
    """Two cycles by solve_ivp: state machine of sweep, delay, reset, delay; figures of the second cycle."""

    def charge(_: float, v: np.ndarray) -> np.ndarray:
        return (case.current - case.droop * v) / case.capacitance

    def discharge(_: float, v: np.ndarray) -> np.ndarray:
        return (case.current - case.droop * v - v / case.resistance) / case.capacitance

    def run(law, start: float, length: float, target: float | None):  # type: ignore[no-untyped-def]
        event = None if target is None else (lambda _, v: v[0] - target)
        if event is not None:
            event.terminal = True  # type: ignore[attr-defined]
        watch = lambda _, v: v[0] - level  # noqa: E731
        found = solve_ivp(
            law,
            (0.0, length),
            [start],
            method="DOP853",
            rtol=1e-11,
            atol=1e-12,
            events=[e for e in (event, watch) if e],
        )
        passed = found.t_events[-1]
        return found.t[-1], found.y[0, -1], (passed[0] if len(passed) else np.nan)

    v, long = case.trip_low, 10 * case.capacitance * case.trip_high / case.current
    figures: dict[str, float] = {}
    for _ in range(2):
        foot = v
        sweep, v, up = run(charge, v, long, case.trip_high)
        over, v, _ = run(charge, v, case.close_delay, None)
        top = v
        reset, v, down = run(discharge, v, long, case.trip_low)
        rest, v, late = run(discharge, v, case.open_delay, None)
        begin = sweep + over
        low_at = begin + (down if np.isfinite(down) else reset + late)
        period = begin + reset + rest
        figures = {"low": v, "high": top, "period": period, "below": period - (low_at - up), "foot": foot}
    return figures


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_charged_capacitor_agrees_with_an_integrator(case: Case, share: float) -> None:
    """Ramp ends, period and the share below a level agree to 1e-6."""
    level = case.trip_low + share * (case.trip_high - case.trip_low)
    expected = integrate(case, level)
    one = np.ones(1)
    ramp = ChargedCapacitor(
        one * case.capacitance,
        one * case.current,
        one * case.trip_high,
        one * case.trip_low,
        one * case.resistance,
        one * case.droop,
        lambda slope: np.full_like(slope, case.close_delay),
        lambda slope: np.full_like(slope, case.open_delay),
    ).ramp()
    assert ramp.low[0] == pytest.approx(expected["low"], rel=1e-6)
    assert ramp.high[0] == pytest.approx(expected["high"], rel=1e-6)
    assert ramp.period[0] == pytest.approx(expected["period"], rel=1e-6)
    assert duty(ramp, (one * level, one * level), True)[0] == pytest.approx(
        expected["below"] / expected["period"], abs=1e-6
    )
    assert duty(ramp, (one * level, one * level), False)[0] == pytest.approx(
        1 - expected["below"] / expected["period"], abs=1e-6
    )


def test_reset_towards_a_level_above_the_trip_never_ends() -> None:
    """A reset resistor whose drop exceeds the lower trip level leaves the core stuck: no figure."""
    one = np.ones(1)
    ramp = ChargedCapacitor(one * 1e-9, one * 1e-3, one * 7.0, one * 0.5, one * 1e3).ramp()
    assert np.isnan(ramp.period[0])


def test_sawtooth_with_dead_time_goes_flat() -> None:
    """Dead time of 570 ns: f = f0 / (1 + f0 t), -0.434 cents at 440 Hz, -4.93 at 5 kHz, -9.84 at 10 kHz.

    Common practice, no source (cents recomputed).
    """
    dead, capacitance, height = 570e-9, 1e-9, 5.0
    frequency = np.array([440.0, 1e3, 5e3, 10e3])
    every = np.ones(4)
    ramp = ChargedCapacitor(
        every * capacitance,
        capacitance * height * frequency,
        every * height,
        every * 1e-9,
        every * 0.0,
        open_delay=lambda slope: np.full_like(slope, dead),
    ).ramp()
    got = 1200 * np.log2(1.0 / ramp.period / frequency)
    assert got == pytest.approx([-0.434, -0.987, -4.93, -9.84], abs=0.006)
