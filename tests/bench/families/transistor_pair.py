# SPDX-License-Identifier: GPL-3.0-or-later
"""A comparator of four transistors on an ideal ramp: pair, PNP, open-collector NPN, with a capacitor at every
node, so that it is a plain differential equation of the transistor currents (Ebers and Moll)."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from scipy.integrate import solve_ivp

from families.circuit import LEAKAGE, ROOM, THERMAL_VOLTAGE, Circuit, Truth, log_uniform, uniform
from harness.engine.steps import Plan
from harness.measure.cycle import Probes

SUPPLY = 12.0


def transport(saturation: float, gain: float, reverse: float, vbe: float, vbc: float) -> tuple[float, float]:
    """Collector and base current (A) of an NPN at its junction voltages (V)."""
    forward = saturation * math.expm1(min(vbe / THERMAL_VOLTAGE, 60.0)) + LEAKAGE * vbe
    backward = saturation * math.expm1(min(vbc / THERMAL_VOLTAGE, 60.0)) + LEAKAGE * vbc
    return forward - backward - backward / reverse, forward / gain + backward / reverse


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; period 0.1 to 5 ms, delays of some 0.1 µs to µs."""
    period = log_uniform(generator, 1e-4, 5e-3)
    low, high = uniform(generator, 2.0, 3.0), uniform(generator, 7.0, 9.0)
    fall = log_uniform(generator, 1 / 1000, 1 / 50) * period
    dwell = 0.1 * fall
    rise = period - fall - dwell
    threshold = low + (high - low) * uniform(generator, 0.05, 0.95)
    tail_current, collector = log_uniform(generator, 1e-4, 4e-4), uniform(generator, 8e3, 15e3)
    saturation, gain, reverse = log_uniform(generator, 1e-15, 1e-14), uniform(generator, 80, 200), 4.0
    bleed = log_uniform(generator, 3e3, 1e4)
    rail, pullup = uniform(generator, 4.0, 12.0), log_uniform(generator, 1e3, 1e4)
    shares = [log_uniform(generator, 2e-12, 1e-11) for _ in range(3)]
    load = log_uniform(generator, 1e-5, 1e-3) * period / pullup

    def ramp(t: float) -> float:
        t %= period
        if t < rise:
            return low + (high - low) * t / rise
        return high if t < rise + dwell else high - (high - low) * (t - rise - dwell) / fall

    def slope(t: float, y: np.ndarray) -> list[float]:
        tail, second, third, out = (float(x) for x in y)
        v = ramp(t)
        c1, b1 = transport(saturation, gain, reverse, v - tail, v - SUPPLY)
        c2, b2 = transport(saturation, gain, reverse, threshold - tail, threshold - second)
        c3, b3 = transport(saturation, gain, reverse, SUPPLY - second, third - second)  # the PNP, mirrored
        c4, b4 = transport(saturation, gain, reverse, third, third - out)
        return [
            (c1 + b1 + c2 + b2 - tail_current) / shares[0],
            ((SUPPLY - second) / collector + b3 - c2) / shares[1],
            (c3 - third / bleed - b4) / shares[2],
            ((rail - out) / pullup - c4) / load,
        ]

    turn = rise * (threshold - low) / (high - low)
    back = rise + dwell + fall * (high - threshold) / (high - low)
    span = min(5e-3 * period + 40 * pullup * load, 0.3 * min(turn, rise - turn, period))
    corners = sorted({0.0, turn - span, turn, turn + span, rise, rise + dwell, back, period})
    state = np.array([max(low, threshold) - 0.65, SUPPLY - 0.75, 0.75, 0.05])
    record: list[tuple[np.ndarray, np.ndarray]] = []
    for lap in range(2):
        record = []
        for begin, end in pairwise(corners):
            solution = solve_ivp(
                slope, (begin, end), state, method="BDF", rtol=1e-10, atol=1e-10, dense_output=lap == 1,
                first_step=1e-10,
            )  # fmt: skip
            state = solution.y[:, -1]
            record.append((solution, (begin, end)))
    bottom = float(record[0][0].sol(0.5 * turn)[3])
    peak = float(record[4][0].y[3].max())
    middle = 0.5 * (bottom + peak)
    rises, falls = _passages(record, middle)
    deck = (
        f"Vramp ramp 0 PULSE({low!r} {high!r} 0 {rise!r} {fall!r} {dwell!r} {period!r})",
        f"Vthr thr 0 {threshold!r}",
        f"Vcc vcc 0 {SUPPLY}",
        "Qone vcc ramp tail npn_all",
        "Qtwo second thr tail npn_all",
        f"Itail tail 0 {tail_current!r}",
        f"Rsecond vcc second {collector!r}",
        "Qthree third second vcc pnp_all",
        f"Rbleed third 0 {bleed!r}",
        "Qfour out third 0 npn_all",
        f"Vrail rail 0 {rail!r}",
        f"Rpull rail out {pullup!r}",
        f"Ctail tail 0 {shares[0]!r}",
        f"Csecond second 0 {shares[1]!r}",
        f"Cthird third 0 {shares[2]!r}",
        f"Cload out 0 {load!r}",
        f".model npn_all npn(is={saturation!r} bf={gain!r} br={reverse!r})",
        f".model pnp_all pnp(is={saturation!r} bf={gain!r} br={reverse!r})",
        f".ic v(tail)={threshold - 0.65!r} v(second)={SUPPLY - 0.75!r} v(third)=0.75 v(out)=0.1",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", threshold="thr", period=period, ramp_level=0.5 * (low + high),
        output_level=0.5 * rail, temperature=ROOM,
    )  # fmt: skip
    truth = Truth((falls - rises) % period / period, 1 / period, low, high, threshold)
    probes = Probes(ramp="ramp", threshold="thr", output="out", pullup_nodes=("rail", "out"))
    return Circuit(plan, probes, truth)


def _passages(record: list, level: float) -> tuple[float, float]:  # type: ignore[type-arg]
    """The one rising and the one falling passage of the output through ``level`` (V), s."""
    from scipy.optimize import brentq

    found: dict[int, list[float]] = {1: [], -1: []}
    for solution, _ in record:
        out = solution.y[3] - level
        for k in np.flatnonzero((out[:-1] < 0) != (out[1:] < 0)):
            instant = brentq(
                lambda t, s=solution: s.sol(t)[3] - level, solution.t[k], solution.t[k + 1], xtol=1e-15
            )
            found[1 if out[k] < 0 else -1].append(float(instant))
    if not len(found[1]) == len(found[-1]) == 1:
        raise RuntimeError(f"{found} passages")
    return found[1][0], found[-1][0]
