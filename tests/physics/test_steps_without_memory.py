# SPDX-License-Identifier: GPL-3.0-or-later
"""Slicers without any memory on an ideal ramp: nothing but the crossing itself tells where points belong.

Source: the circuit's own equations. The output is a smooth function of ramp and threshold at each instant, so
the crossing of its middle is where the ramp equals threshold minus offset, and the ramp is a straight line.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.engine.session import session
from harness.engine.steps import Plan, Settled, settle
from harness.measure.cycle import Probes, measure_cycle

PERIOD, FALL, TOP = 1e-3, 1e-5, 8.0
PROBES = Probes(ramp="ramp", threshold="thr", output="out", plus="thr", minus="ramp", swing=(0.0, 5.0))


def simulate(
    threshold: float, gain: float, offset: float, accuracy: float = 1e-4, hint: str = "thr"
) -> Settled:
    deck = (
        f"Vramp ramp 0 PULSE(0 {TOP} 0 {PERIOD - FALL - 1e-7!r} {FALL} 1e-7 {PERIOD})",
        f"Vthr thr 0 {threshold!r}",
        f"Bout out 0 V=2.5+2.5*tanh({gain!r}*(V(thr)-V(ramp)-{offset!r}))",
        "Rout out 0 1k",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", threshold=hint, period=PERIOD, ramp_level=4.0,
        output_level=2.5, accuracy=accuracy,
    )  # fmt: skip
    return settle(session(), plan, lambda record, begin, end: measure_cycle(record, begin, end, PROBES))


def duty(threshold: float, offset: float) -> float:
    """Share of the period that the ramp lies below threshold - offset."""
    share = (threshold - offset) / TOP
    return (share * (PERIOD - FALL - 1e-7) + share * FALL) / PERIOD


CASES = [
    (float(t), float(g), float(o))
    for t, g, o in zip(
        np.random.default_rng(5).uniform(0.2, 7.8, 12),
        10.0 ** np.random.default_rng(6).uniform(1, 4, 12),
        [0.0, 5e-3, -8e-3] * 4,
        strict=True,
    )
]


@pytest.mark.parametrize(("threshold", "gain", "offset"), CASES)
def test_the_crossing_is_found_and_the_bar_holds(threshold: float, gain: float, offset: float) -> None:
    """Duty lies within its bar, and the bar asked for is reached."""
    settled = simulate(threshold, gain, offset)
    assert abs(settled.figures["duty"] - duty(threshold, offset)) <= settled.bars["duty"]
    assert settled.bars["duty"] <= 1e-4 and settled.reached


@pytest.mark.parametrize(("threshold", "gain", "offset"), CASES)
def test_without_a_hint_the_bar_knows_what_it_does_not_know(
    threshold: float, gain: float, offset: float
) -> None:
    """Not told where the ramp is sliced, a run may miss the edge by a step; the bar then holds that step."""
    settled = simulate(threshold, gain, offset, hint="")
    figure = settled.figures.get("duty", math.nan)
    assert math.isnan(figure) or abs(figure - duty(threshold, offset)) <= settled.bars["duty"]


@pytest.mark.parametrize("threshold", [0.004, 7.996])
def test_the_narrowest_pulses_are_not_missed(threshold: float) -> None:
    """A pulse of 0.05 % or 99.95 % of the period is found, not called stuck."""
    settled = simulate(threshold, 1e4, 0.0)
    assert settled.words["state"] == "pulsing"
    assert abs(settled.figures["duty"] - duty(threshold, 0.0)) <= settled.bars["duty"]
