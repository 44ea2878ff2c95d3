# SPDX-License-Identifier: GPL-3.0-or-later
"""The closed form of the integrator core against an independent integrator with event location, on random
designs.

Source of the second opinion: scipy.integrate.solve_ivp, method LSODA with events (A. Hindmarsh, ODEPACK;
L. Petzold 1983), on the circuit's differential equations: the capacitor's current is what flows into the
virtual ground less what the switch takes, and the amplifier's output follows at most as fast as it slews.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from harness.predict.integrator import Integrator, resistor_path, sweep_rate

LOOP = 50000.0  # bandwidth of a slewing amplifier's loop times the time constant of the reset
CYCLES = 2


def one(number: float) -> np.ndarray:
    """A column of one corner."""
    return np.array([number])


@dataclass(frozen=True)
class Design:
    """One core in numbers: F, A, V, s, V/s; heights above ``rest`` count away from it. ``curve``: corners of
    the path across the capacitor, V and A."""

    capacitance: float
    current: float
    rest: float
    top: float
    foot: float
    curve: tuple[tuple[float, ...], tuple[float, ...]]
    close_delay: float
    open_delay: float
    slew: float = np.inf

    @property
    def side(self) -> float:
        return -float(np.sign(self.current))

    def through(self, volts: float) -> float:
        """Current (A) of the path."""
        v, a = self.curve
        if volts > v[-1]:
            return a[-1] + (volts - v[-1]) * (a[-1] - a[-2]) / (v[-1] - v[-2])
        return float(np.interp(volts, v, a)) if volts >= 0 else volts * (a[1] - a[0]) / (v[1] - v[0])

    @property
    def time_constant(self) -> float:
        v, a = self.curve
        return self.capacitance * (v[1] - v[0]) / (a[1] - a[0])


def design(seed: int, kind: str) -> Design:
    """A random core, rising or falling; with a ``curved`` path or a ``slewing`` amplifier."""
    draw = np.random.default_rng([seed, len(kind)])
    capacitance, ohms = 10 ** draw.uniform(-9, -6.5), 10 ** draw.uniform(1.5, 3)
    curve: tuple[tuple[float, ...], tuple[float, ...]]
    height, tau = draw.uniform(2, 8), capacitance * ohms
    lasting = tau * draw.uniform(20, 300)
    current = capacitance * height / lasting * draw.choice([-1, 1])
    if kind == "curved":
        volts = (0.0, 0.2 * height, 0.5 * height, 1.2 * height)
        curve = volts, (0.0, 0.2 * height / ohms, 0.4 * height / ohms, 0.6 * height / ohms)
    else:
        curve = (0.0, 1.0), (0.0, 1.0 / ohms)
    slew = height / tau * draw.uniform(0.1, 0.8) if kind == "slewing" else np.inf
    return Design(
        capacitance, current, draw.uniform(-1, 1), height, draw.uniform(0.05, 0.3) * height, curve,
        lasting * draw.uniform(0, 0.01), tau * draw.uniform(0, 0.5), slew,
    )  # fmt: skip


def integrated(case: Design) -> tuple[float, float, float]:
    """(period, lowest and highest height of the output) of the last of some cycles."""
    inflow, on = abs(case.current), [0.0]
    loop = LOOP / case.time_constant

    def law(_: float, state: np.ndarray) -> list[float]:
        charge = (inflow - on[0] * case.through(state[0])) / case.capacitance
        if not np.isfinite(case.slew):
            return [charge, charge]
        return [charge, float(np.clip(loop * (state[0] - state[1]), -case.slew, case.slew))]

    def run(state: np.ndarray, lasting: float, event: Callable[..., float] | None, way: float = 0.0):  # type: ignore[no-untyped-def]
        if lasting <= 0:
            return 0.0, state, np.array([state[1]])
        if event is not None:
            event.terminal, event.direction = True, way  # type: ignore[attr-defined]
        found = solve_ivp(
            law,
            (0.0, lasting),
            state,
            "LSODA",
            events=event,
            rtol=1e-8,
            atol=1e-9 * case.top,
            dense_output=True,
        )
        near = np.concatenate(
            [np.linspace(0.0, min(found.t[-1], 3 * case.time_constant), 2001), found.t[-1:]]
        )
        return float(found.t[-1]), found.y[:, -1], found.sol(near)[1]

    state, figures = np.array([case.foot, case.foot]), (np.nan, np.nan, np.nan)
    longest = 3 * case.top * case.capacitance / inflow
    for _ in range(CYCLES):
        on[0] = 0.0
        swept, state, sweep = run(state, longest, lambda _, y: y[1] - case.top, 1.0)
        late, state, over = run(state, case.close_delay, None)
        on[0] = 1.0
        reset, state, _ = run(state, longest, lambda _, y: y[1] - case.foot, -1.0)
        later, state, under = run(state, case.open_delay, None)
        figures = swept + late + reset + later, min(sweep.min(), under.min()), max(sweep.max(), over.max())
    return figures


def check(case: Design) -> None:

    def level(height: float) -> np.ndarray:
        return one(case.rest + case.side * height)

    volts, amperes = (np.array([row]) for row in case.curve)
    ramp = Integrator(
        one(case.capacitance), one(case.current), one(case.rest), level(case.top), level(case.foot),
        volts, amperes, lambda _: one(case.close_delay), lambda _: one(case.open_delay), slew=one(case.slew),
    ).ramp()  # fmt: skip
    period, lowest, highest = integrated(case)
    assert float(ramp.period[0]) == pytest.approx(period, rel=1e-4)
    heights = sorted(case.side * (float(end[0]) - case.rest) for end in (ramp.low, ramp.high))
    assert heights == pytest.approx([lowest, highest], abs=1e-4 * case.top)


@pytest.mark.parametrize("kind", ["plain", "curved"])
@pytest.mark.parametrize("seed", range(4))
def test_random_designs(seed: int, kind: str) -> None:
    """Frequency and both levels, rising and falling, with a resistor and with a bent curve."""
    check(design(seed, kind))


def test_a_slewing_amplifier() -> None:
    """The amplifier is slower than its capacitor: the output comes down in a straight line first."""
    check(design(1, "slewing"))


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["plain", "curved", "slewing"])
@pytest.mark.parametrize("seed", range(100, 140))
def test_many_random_designs(seed: int, kind: str) -> None:
    check(design(seed, kind))


def test_charge_of_the_gate_moves_the_output() -> None:
    """A charge Q into the virtual ground moves the output by -Q / C: the sweep begins higher, ends alike."""
    volts, amperes = resistor_path(one(100.0), one(10e-9))
    plain, kicked = (
        Integrator(
            one(10e-9), one(-1e-6), one(0.0), one(5.0), one(0.5), volts, amperes, close_charge=one(q),
            open_charge=one(-q),
        ).ramp()
        for q in (0.0, 100e-12)
    )  # fmt: skip
    assert float((kicked.pieces[0].start - plain.pieces[0].start)[0]) == pytest.approx(10e-3, rel=1e-9)
    assert float((kicked.high - plain.high)[0]) == pytest.approx(0.0, abs=1e-12)
    sweeps = [float(ramp.pieces[0].duration[0]) for ramp in (plain, kicked)]
    assert sweeps[0] - sweeps[1] == pytest.approx(10e-9 * 10e-3 / 1e-6, rel=1e-9)


def test_an_ideal_cycle() -> None:
    """Sweep rate V/(R C): 8 V at 2 kOhm and 1 uF fall by 4 V in 1 ms. Source: A. Malvino, D. Bates,
    Electronic Principles, 7th edition, example 22-7, p. 865 (answer -4 V)."""
    assert float(sweep_rate(np.array([8.0 / 2e3]), np.array([1e-6]))[0]) * 1e-3 == pytest.approx(-4.0)


def test_levels_that_stand_the_wrong_way_round_make_no_ramp() -> None:
    volts, amperes = resistor_path(one(100.0), one(10e-9))
    for current, end, start in ((-1e-6, 0.5, 5.0), (1e-6, 5.0, 0.5), (-1e-6, 5.0, 50e-6)):
        ramp = Integrator(one(10e-9), one(current), one(0.0), one(end), one(start), volts, amperes).ramp()
        assert np.isnan(ramp.period).all(), (current, end, start)
