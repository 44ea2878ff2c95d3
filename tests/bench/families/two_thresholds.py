# SPDX-License-Identifier: GPL-3.0-or-later
"""A core whose comparator moves its own threshold: up by one current, down by another, every turn late by
the comparator's RC. Lines and exponentials; the settled cycle is a fixed point."""

from __future__ import annotations

import math

import numpy as np

from families.circuit import ROOM, Circuit, Truth, log_uniform, period_of, uniform
from harness.engine.steps import Plan
from harness.measure.cycle import Probes

DRIVE, HALF = 5.0, 2.5  # V: comparator's swing and the level at which core and threshold turn


def settled(low: float, high: float, up: float, down: float, delay: float) -> tuple[float, float, float]:
    """Foot, top (V) and the time from the top's turn to the foot's (s).

    ``low``, ``high``: thresholds (V); ``up``, ``down``: slopes (V/s); ``delay``: time constant (s).
    """
    rise, fall = (high - low) / up, (high - low) / down
    foot, top = low, high
    for _ in range(200):
        late_up = delay * math.log((DRIVE - HALF * math.exp(-rise / delay)) / HALF)
        late_down = delay * math.log((DRIVE - HALF * math.exp(-fall / delay)) / HALF)
        top, foot = high + up * late_up, low - down * late_down
        rise, fall = (high - foot) / up, (top - low) / down
    return foot, top, (top - foot) / down


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit: the fall 5 to 200 times steeper than the rise, the delay 1/30 000 to 1/500."""
    low, high = uniform(generator, 1.0, 2.0), uniform(generator, 4.0, 8.0)
    period = period_of(generator)
    up = (high - low) / period
    steeper = log_uniform(generator, 5.0, 200.0)
    delay = log_uniform(generator, 1 / 3e4, 1 / 500) * period
    delay = min(delay, 0.15 * low / (up * steeper))
    foot, top, falling = settled(low, high, up, steeper * up, delay)
    period = (top - foot) / up + falling
    threshold = foot + (top - foot) * uniform(generator, 0.03, 0.97)
    capacitance = log_uniform(generator, 3e-10, 3e-8)
    edge = log_uniform(generator, 1e-5, 1e-3) * period
    swing = uniform(generator, 3.0, 10.0)
    deck = (
        f"Bhold hold 0 V = V(gate) > {HALF} ? {low!r} : {high!r}",
        f"Btrip trip 0 V = V(ramp) > V(hold) ? {DRIVE} : 0",
        "Rgate trip gate 2k",
        f"Cgate gate 0 {delay / 2e3!r}",
        f"Bcharge 0 ramp I = V(gate) > {HALF} ? {-steeper * up * capacitance!r} : {up * capacitance!r}",
        f"Cramp ramp 0 {capacitance!r}",
        f"Vthr thr 0 {threshold!r}",
        f"Bslice drive 0 V = V(ramp) < V(thr) ? {swing!r} : 0",
        "Rout drive out 1k",
        f"Cout out 0 {edge / 1e3!r}",
        f".ic v(ramp)={low!r}",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * (low + high), output_level=0.5 * swing, temperature=ROOM,
    )  # fmt: skip
    truth = Truth((threshold - foot) / (top - foot), 1 / period, foot, top, threshold)
    probes = Probes(ramp="ramp", threshold="thr", output="out", swing=(0.0, swing))
    return Circuit(plan, probes, truth)
