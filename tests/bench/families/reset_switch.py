# SPDX-License-Identifier: GPL-3.0-or-later
"""A rising ramp that a switch with hysteresis empties: straight line and exponential, in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from families.circuit import ROOM, Circuit, OpenOutput, Truth, log_uniform, period_of, uniform
from harness.engine.steps import Plan


@dataclass(frozen=True)
class Sweep:
    """Current (A) into a capacitor (F) from ``low`` to ``high`` (V), emptied through ``resistance`` (Ohm)."""

    current: float
    capacitance: float
    resistance: float
    low: float
    high: float

    @classmethod
    def random(cls, draw: np.random.Generator) -> Sweep:
        """Resets of 1/5000 to 1/30 of the period."""
        low, high = uniform(draw, 0.2, 0.8), uniform(draw, 3.0, 8.0)
        period, capacitance = period_of(draw), log_uniform(draw, 3e-10, 3e-8)
        current = capacitance * (high - low) / period
        resistance = log_uniform(draw, 2e-4, 3e-2) * period / capacitance / math.log(high / low)
        resistance = min(resistance, 0.5 * low / current)
        return cls(current, capacitance, resistance, low, high)

    def up(self, level: float) -> float:
        """Time from ``low`` to ``level`` on the sweep, s."""
        return self.capacitance * (level - self.low) / self.current

    def down(self, level: float) -> float:
        """Time from ``high`` to ``level`` in the reset, s."""
        end = self.current * self.resistance
        return self.resistance * self.capacitance * math.log((self.high - end) / (level - end))

    @property
    def period(self) -> float:
        return self.up(self.high) + self.down(self.low)

    def deck(self) -> tuple[str, ...]:
        middle, half = 0.5 * (self.low + self.high), 0.5 * (self.high - self.low)
        return (
            f"Icharge 0 ramp {self.current!r}",
            f"Cramp ramp 0 {self.capacitance!r}",
            "Sreset ramp 0 ramp 0 reset",
            f".model reset SW(vt={middle!r} vh={half!r} ron={self.resistance!r} roff=1e15)",
            f".ic v(ramp)={0.5 * self.low!r}",
        )


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit of this family; one in three has a pulse near 0 or 100 %."""
    sweep = Sweep.random(generator)
    output = OpenOutput.random(generator, sweep.period)
    share = uniform(generator, 0.03, 0.97)
    if generator.integers(3) == 0:
        share = log_uniform(generator, 1e-3, 3e-2)
        share = 1 - share if generator.integers(2) else share
        output = replace(output, load=1e-5 * sweep.period / output.pullup)  # so that it settles all the same
    threshold = sweep.low + (sweep.high - sweep.low) * share
    deck = (*sweep.deck(), f"Vthr thr 0 {threshold!r}", *output.deck("ramp", "thr"))
    high = sweep.up(threshold) + output.fall_delay - output.rise_delay
    high += sweep.down(sweep.low) - sweep.down(threshold)
    truth = Truth(high / sweep.period, 1 / sweep.period, sweep.low, sweep.high, threshold)
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=sweep.period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * (sweep.low + sweep.high), output_level=output.middle, temperature=ROOM,
    )  # fmt: skip
    return Circuit(plan, output.probes("ramp", "thr"), truth)
