# SPDX-License-Identifier: GPL-3.0-or-later
"""An ideal ramp, a comparator that is a smooth curve, and an RC at its output: one linear equation driven by
a known function of time, solved as an integral."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq

from families.circuit import ROOM, Circuit, Truth, log_uniform, period_of, uniform
from harness.engine.steps import Plan
from harness.measure.cycle import Probes


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; the comparator turns over within 0.3 to 30 mV."""
    period = period_of(generator)
    low, high = uniform(generator, 0.0, 1.0), uniform(generator, 4.0, 8.0)
    fall = log_uniform(generator, 1 / 2000, 1 / 50) * period
    dwell = fall * uniform(generator, 0.05, 0.3)
    rise = period - fall - dwell
    threshold = low + (high - low) * uniform(generator, 0.04, 0.96)
    width, swing = log_uniform(generator, 3e-4, 3e-2), uniform(generator, 3.0, 10.0)
    edge = min(log_uniform(generator, 3e-5, 1e-3) * period, 2 * fall)

    turn = rise * (threshold - low) / (high - low)
    back = rise + dwell + fall * (high - threshold) / (high - low)
    slow = width * period / (high - low)  # time scale of the comparator's curve, s

    def drive(t: float) -> float:
        """The comparator's curve at an instant (s), as a share of its swing."""
        t %= period
        if t < rise:
            ramp = low + (high - low) * t / rise
        else:
            ramp = high - (high - low) * max(t - rise - dwell, 0.0) / fall
        return 0.5 + 0.5 * math.tanh((threshold - ramp) / width)

    def output(t: float) -> float:
        """The RC's memory of it: the integral of what was, weighted by how long ago it was."""
        kinks = [x + n * period for n in (-1, 0) for x in (turn, rise, rise + dwell, back, period)]
        around = [x + d for x in kinks for d in (-9 * slow, -2 * slow, 0.0, 2 * slow, 9 * slow)]
        ends = sorted({0.0, 40.0, *(u for u in ((t - x) / edge for x in around) if 0 < u < 40)})
        return sum(
            quad(lambda u: drive(t - edge * u) * math.exp(-u), a, b, epsabs=1e-13, epsrel=1e-11, limit=200)[0]
            for a, b in pairwise(ends)
        )

    margin = min(20 * slow, 0.5 * turn, 0.5 * (rise - turn))
    falls = brentq(lambda t: output(t) - 0.5, turn - margin, turn + margin + 5 * edge, xtol=1e-13 * period)
    rises = brentq(
        lambda t: output(t) - 0.5,
        0.5 * (turn + back),
        back + 20 * slow * fall / rise + 5 * edge,
        xtol=1e-13 * period,
    )
    duty = (falls - (rises - period)) / period
    deck = (
        f"Vramp ramp 0 PULSE({low!r} {high!r} 0 {rise!r} {fall!r} {dwell!r} {period!r})",
        f"Vthr thr 0 {threshold!r}",
        f"Bslice drive 0 V = {swing / 2!r} + {swing / 2!r}*tanh((V(thr) - V(ramp))/{width!r})",
        "Rout drive out 1k",
        f"Cout out 0 {edge / 1e3!r}",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period, ramp_level=0.5 * (low + high),
        output_level=0.5 * swing, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(duty, 1 / period, low, high, threshold)
    probes = Probes(ramp="ramp", threshold="thr", output="out", swing=(0.0, swing))
    return Circuit(plan, probes, truth)
