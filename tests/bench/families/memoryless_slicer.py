# SPDX-License-Identifier: GPL-3.0-or-later
"""An ideal ramp and a comparator without any memory: nothing but the crossing itself asks for points there.

The output's middle is crossed where the ramp, two straight lines, passes threshold plus offset.
"""

from __future__ import annotations

import numpy as np

from families.circuit import ROOM, Circuit, Truth, log_uniform, period_of, uniform
from harness.engine.steps import Plan
from harness.measure.cycle import Probes


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; the comparator turns over within 0.1 to 100 mV, up to 10 mV off the threshold, and
    always far enough from the ramp's ends to reach both of its levels: their middle is then the curve's."""
    period = period_of(generator)
    low, high = uniform(generator, 0.0, 1.0), uniform(generator, 4.0, 8.0)
    fall = log_uniform(generator, 1 / 2000, 1 / 50) * period
    dwell = fall * uniform(generator, 0.05, 0.3)
    rise = period - fall - dwell
    threshold = low + (high - low) * uniform(generator, 0.02, 0.98)
    width, offset = log_uniform(generator, 1e-4, 1e-1), uniform(generator, -1e-2, 1e-2)
    width = min(width, min(threshold + offset - low, high - threshold - offset) / 15)
    swing, inverted = uniform(generator, 3.0, 10.0), generator.uniform() < 0.5
    share = (threshold + offset - low) / (high - low)
    below = share * (rise + fall) / period
    above = f"{'-' if inverted else ''}(V(thr) + {offset!r} - V(ramp))"
    deck = (
        f"Vramp ramp 0 PULSE({low!r} {high!r} 0 {rise!r} {fall!r} {dwell!r} {period!r})",
        f"Vthr thr 0 {threshold!r}",
        f"Bslice out 0 V = {swing / 2!r} + {swing / 2!r}*tanh({above}/{width!r})",
        "Rout out 0 1k",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", threshold="thr", period=period, ramp_level=0.5 * (low + high),
        output_level=0.5 * swing, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(1.0 - below if inverted else below, 1 / period, low, high)
    return Circuit(plan, Probes(ramp="ramp", threshold="thr", output="out", swing=(0.0, swing)), truth)
