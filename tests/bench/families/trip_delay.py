# SPDX-License-Identifier: GPL-3.0-or-later
"""A ramp whose reset begins and ends by a comparator's delay: an RC behind an ideal comparator drives the
switch. Each stretch is a line or an exponential; the foot of the ramp is the root of one equation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from families.circuit import ROOM, Circuit, OpenOutput, Truth, log_uniform, period_of, uniform
from harness.engine.steps import Plan

DRIVE, CLOSES, OPENS = 5.0, 3.0, 2.0  # V: comparator's swing, switch levels


@dataclass(frozen=True)
class Core:
    """``slope`` in V/s, ``delay`` and ``reset`` are time constants (s), ``trip`` in V, ``rest`` (V): where
    the reset would end."""

    slope: float
    trip: float
    delay: float
    reset: float

    @property
    def rest(self) -> float:
        return self.slope * self.reset

    def cycle(self, foot: float) -> dict[str, float]:
        """Instants (s) from the opening of the switch at the level ``foot`` to its next opening."""
        trips = (self.trip - foot) / self.slope
        gate = OPENS * math.exp(-trips / self.delay)
        closes = trips + self.delay * math.log((DRIVE - gate) / (DRIVE - CLOSES))
        top = foot + self.slope * closes
        back = closes + self.reset * math.log((top - self.rest) / (self.trip - self.rest))
        peak = DRIVE - (DRIVE - gate) * math.exp(-(back - trips) / self.delay)
        opens = back + self.delay * math.log(peak / OPENS)
        end = self.rest + (top - self.rest) * math.exp(-(opens - closes) / self.reset)
        return {"closes": closes, "top": top, "opens": opens, "end": end}

    def foot(self) -> float:
        """The level (V) at which the switch opens in the settled cycle."""
        return float(brentq(lambda v: self.cycle(v)["end"] - v, 0.0, 0.98 * self.trip, xtol=1e-14))


def _fits(core: Core) -> bool:
    try:
        return 0.0 < core.foot() < 0.4 * core.trip and core.rest < 0.3 * core.trip
    except ValueError:
        return False


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; time constants of the delay from 1/30 000 to 1/500 of the period."""
    while True:
        period, trip = period_of(generator), uniform(generator, 3.0, 8.0)
        delay = log_uniform(generator, 1 / 3e4, 1 / 500) * period
        core = Core(trip / period, trip, delay, delay * uniform(generator, 0.15, 0.7))
        if _fits(core):
            break
    foot = core.foot()
    cycle = core.cycle(foot)
    period = cycle["opens"]
    output = OpenOutput.random(generator, period)
    threshold = foot + (trip - foot) * uniform(generator, 0.04, 0.96)
    back = cycle["closes"] + core.reset * math.log((cycle["top"] - core.rest) / (threshold - core.rest))
    high = (threshold - foot) / core.slope + period - back + output.fall_delay - output.rise_delay
    capacitance = log_uniform(generator, 3e-10, 3e-8)
    deck = (
        f"Icharge 0 ramp {capacitance * core.slope!r}",
        f"Cramp ramp 0 {capacitance!r}",
        f"Btrip trip 0 V = V(ramp) > {trip!r} ? {DRIVE} : 0",
        "Rgate trip gate 1k",
        f"Cgate gate 0 {core.delay / 1e3!r}",
        "Sreset ramp 0 gate 0 reset",
        f".model reset SW(vt={(CLOSES + OPENS) / 2} vh={(CLOSES - OPENS) / 2}"
        f" ron={core.reset / capacitance!r} roff=1e15)",
        f"Vthr thr 0 {threshold!r}",
        f".ic v(ramp)={0.3 * trip!r}",
        *output.deck("ramp", "thr"),
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * trip, output_level=output.middle, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(high / period, 1 / period, foot, cycle["top"], threshold)
    return Circuit(plan, output.probes("ramp", "thr"), truth)
