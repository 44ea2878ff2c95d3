# SPDX-License-Identifier: GPL-3.0-or-later
"""A falling ramp behind an emitter follower: a switch fills the capacitor, a current and the follower's base
empty it. In terms of the follower's emitter everything is explicit, so times are integrals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad

from families.circuit import (
    LEAKAGE,
    ROOM,
    THERMAL_VOLTAGE,
    Circuit,
    OpenOutput,
    Truth,
    log_uniform,
    period_of,
    uniform,
)
from harness.engine.steps import Plan


@dataclass(frozen=True)
class Core:
    """SI units; ``sink``: current out of the capacitor; ``load``: emitter resistor; ``top``: source behind
    the switch."""

    capacitance: float
    sink: float
    load: float
    saturation: float
    gain: float
    top: float
    switch: float
    rail: float

    def capacitor(self, emitter: float) -> float:
        """Voltage (V) at the base for a voltage at the emitter: a transistor far from saturation."""
        share = emitter / self.load / self.saturation / (1 + 1 / self.gain)
        return emitter + THERMAL_VOLTAGE * math.log1p(share)

    def drain(self, emitter: float) -> float:
        """Current (A) that leaves the capacitor while the switch is open."""
        base = emitter / self.load / (self.gain + 1)
        return self.sink + base + LEAKAGE * (self.capacitor(emitter) - self.rail)

    def _slope(self, emitter: float) -> float:
        """d capacitor / d emitter."""
        scale = self.load * self.saturation * (1 + 1 / self.gain)
        return 1 + THERMAL_VOLTAGE / (scale + emitter)

    def fall(self, high: float, low: float) -> float:
        """Time (s) from one emitter level (V) down to another."""
        function = lambda e: self.capacitance * self._slope(e) / self.drain(e)  # noqa: E731
        return float(quad(function, low, high, epsabs=0, epsrel=1e-12)[0])

    def rise(self, low: float, high: float) -> float:
        """Time (s) from one emitter level (V) up to another, the switch closed."""

        def function(emitter: float) -> float:
            through = (self.top - self.capacitor(emitter)) / self.switch
            return self.capacitance * self._slope(emitter) / (through - self.drain(emitter))

        return float(quad(function, low, high, epsabs=0, epsrel=1e-12, limit=200)[0])


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit."""
    period = period_of(generator)
    low, high = uniform(generator, 0.5, 1.5), uniform(generator, 4.0, 7.0)
    sink = log_uniform(generator, 2e-5, 5e-4)
    capacitance = sink * period / (high - low)
    reset = log_uniform(generator, 1 / 5000, 1 / 30) * period
    top = high + uniform(generator, 1.3, 3.0)
    core = Core(
        capacitance, sink, log_uniform(generator, 2e3, 2e4), log_uniform(generator, 1e-16, 1e-13),
        uniform(generator, 80.0, 400.0), top,
        reset / capacitance / math.log((top - low - 0.6) / (top - high - 0.6)), top + 2.0,
    )  # fmt: skip
    period = core.fall(high, low) + core.rise(low, high)
    threshold = low + (high - low) * uniform(generator, 0.03, 0.97)
    output = OpenOutput.random(generator, period)
    above = core.fall(high, threshold) + core.rise(threshold, high)  # the output is high above the threshold
    duty = (above + output.fall_delay - output.rise_delay) / period
    deck = (
        f"Vcc vcc 0 {core.rail!r}",
        f"Vtop top 0 {core.top!r}",
        f"Isink cap 0 {core.sink!r}",
        f"Ccap cap 0 {core.capacitance!r}",
        "Sfill top cap 0 ramp fill",  # closed while the ramp is low
        f".model fill SW(vt={-0.5 * (low + high)!r} vh={0.5 * (high - low)!r} ron={core.switch!r} roff=1e15)",
        "Qfollow vcc cap ramp npn_follower",
        f".model npn_follower npn(is={core.saturation!r} bf={core.gain!r} br=1)",
        f"Remitter ramp 0 {core.load!r}",
        f"Vthr thr 0 {threshold!r}",
        f".ic v(cap)={core.capacitor(high)!r} v(ramp)={high!r}",
        *output.deck("thr", "ramp"),
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * (low + high), output_level=output.middle, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(duty, 1 / period, low, high, threshold)
    started = (f".ic v(vcc)={core.rail!r} v(top)={core.top!r}",)
    return Circuit(plan, output.probes("ramp", "thr"), truth, started=started)
