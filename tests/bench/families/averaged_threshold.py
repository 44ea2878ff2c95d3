# SPDX-License-Identifier: GPL-3.0-or-later
"""A threshold with a memory of many cycles: an RC averages the output into it.

The averager is a linear equation driven by two levels, so each stretch is an exponential; the settled cycle
closes on itself.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

from families.circuit import ROOM, Circuit, Truth, log_uniform, uniform
from families.reset_switch import Sweep
from harness.engine.steps import Plan
from harness.measure.cycle import Probes


def settled(sweep: Sweep, idle: float, lift: float, memory: float) -> tuple[float, float, float]:
    """Instants (s, from the foot) at which the ramp passes the threshold on its way up and down, and the
    threshold (V) at the first.

    ``idle``: where the threshold would rest with the output low; ``lift``: by how much higher with it high;
    ``memory``: time constant (s).
    """
    period = sweep.period
    end = sweep.current * sweep.resistance

    def ramp_down(t: float) -> float:
        return end + (sweep.high - end) * math.exp(-t / (sweep.resistance * sweep.capacitance))

    def relaxed(start: float, target: float, time: float) -> float:
        return target + (start - target) * math.exp(-time / memory)

    def lap(threshold: float) -> tuple[float, float, float]:
        """From the threshold at the crossing on the sweep to that one period on."""
        up = sweep.up(threshold)
        rest = sweep.up(sweep.high) - up
        at_top = relaxed(threshold, idle, rest)
        down = brentq(
            lambda t: ramp_down(t) - relaxed(at_top, idle, t),
            0.0,
            sweep.down(sweep.low),
            xtol=1e-18,
            rtol=1e-14,
        )
        low_time = rest + down
        again = relaxed(relaxed(threshold, idle, low_time), idle + lift, period - low_time)
        return up, sweep.up(sweep.high) + down, again - threshold

    inside = 1e-3 * (sweep.high - sweep.low)
    threshold = brentq(lambda v: lap(v)[2], sweep.low + inside, sweep.high - inside, xtol=1e-14, rtol=1e-14)
    return (*lap(threshold)[:2], threshold)


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; the memory lasts 0.5 to 12 periods."""
    while True:
        sweep = Sweep.random(generator)
        period, swing = sweep.period, uniform(generator, 3.0, 10.0)
        span = sweep.high - sweep.low
        lift = span * uniform(generator, 0.1, 0.6)
        idle = sweep.low + span * uniform(generator, 0.02, 0.9)
        memory = log_uniform(generator, 0.5, 12.0) * period
        try:
            up, down, threshold = settled(sweep, idle, lift, memory)
            break
        except ValueError:
            continue
    high = up + period - down
    resistance = 1e4  # parallel resistance at the threshold node, Ohm
    from_output = resistance * swing / lift
    other = 1 / (1 / resistance - 1 / from_output)
    if other < 0 or from_output < resistance:
        from_output, other = resistance * 2, resistance * 2
        swing = lift * 2
    bias = idle * other / resistance
    deck = (
        *sweep.deck(),
        f"Bslice out 0 V = V(ramp) < V(thr) ? {swing!r} : 0",
        f"Raverage out thr {from_output!r}",
        f"Rbias bias thr {other!r}",
        f"Vbias bias 0 {bias!r}",
        f"Caverage thr 0 {memory / resistance!r}",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * (sweep.low + sweep.high), output_level=0.5 * swing, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(high / period, 1 / period, sweep.low, sweep.high, threshold)
    probes = Probes(ramp="ramp", threshold="thr", output="out", swing=(0.0, swing))
    return Circuit(plan, probes, truth, settling=10 + math.ceil(25 * memory / period))
