# SPDX-License-Identifier: GPL-3.0-or-later
"""The classic two-resistor astable: charged through both resistors, emptied through one; exact
exponentials."""

from __future__ import annotations

import math

import numpy as np

from families.circuit import ROOM, Circuit, OpenOutput, Truth, log_uniform, period_of, uniform
from harness.engine.steps import Plan


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; supply 5 to 15 V, switching levels about one and two thirds of it."""
    supply = uniform(generator, 5.0, 15.0)
    low, high = supply * uniform(generator, 0.2, 0.4), supply * uniform(generator, 0.55, 0.75)
    capacitance = log_uniform(generator, 1e-9, 1e-7)
    total = period_of(generator) / capacitance
    lower = total * log_uniform(generator, 0.01, 0.5)
    upper, switch = total - lower, lower * uniform(generator, 0.002, 0.05)
    slow = total * capacitance
    end = supply * switch / (upper + switch)
    fast = (lower + upper * switch / (upper + switch)) * capacitance

    def up(level: float) -> float:
        return slow * math.log((supply - low) / (supply - level))

    def down(level: float) -> float:
        return fast * math.log((high - end) / (level - end))

    period = up(high) + down(low)
    threshold = low + (high - low) * uniform(generator, 0.03, 0.97)
    output = OpenOutput.random(generator, period)
    above_first = bool(generator.integers(2))
    below = up(threshold) + down(low) - down(threshold)
    above = period - below
    late = output.fall_delay - output.rise_delay
    duty = (below if above_first else above) + late
    deck = (
        f"Vcc vcc 0 {supply!r}",
        f"Rupper vcc tap {upper!r}",
        f"Rlower tap ramp {lower!r}",
        f"Cramp ramp 0 {capacitance!r}",
        "Sempty tap 0 ramp 0 empty",
        f".model empty SW(vt={0.5 * (low + high)!r} vh={0.5 * (high - low)!r} ron={switch!r} roff=1e15)",
        f"Vthr thr 0 {threshold!r}",
        f".ic v(ramp)={0.5 * low!r}",
        *output.deck(*(("ramp", "thr") if above_first else ("thr", "ramp"))),
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * (low + high), output_level=output.middle, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(duty / period, 1 / period, low, high, threshold)
    return Circuit(plan, output.probes("ramp", "thr"), truth)
