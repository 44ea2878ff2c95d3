# SPDX-License-Identifier: GPL-3.0-or-later
"""Corners of PULSE sources: the engine loses some, the steps do not.

Source: the source's own line states its levels and instants.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.engine.pulses import corner_gaps, pulse_corners
from harness.engine.session import session

sys.path.insert(0, str(Path(__file__).parent))  # the circuits lie beside the tests
from sawtooth_circuits import SLICER, assert_inside, simulate


def drawn(seed: int) -> tuple[tuple[str, ...], dict[str, float]]:
    """A random ramp source with a slicer, and what is true of it."""
    draw = np.random.default_rng(seed)
    period = float(10 ** draw.uniform(-4, -0.5))
    low, high = float(draw.uniform(-1, 1)), float(draw.uniform(4, 9))
    rise, plateau = float(draw.uniform(0.6, 0.97)) * period, 1e-4 * period
    fall = period - rise - plateau
    threshold = low + (high - low) * float(draw.uniform(0.1, 0.9))
    share = (threshold - low) / (high - low)
    deck = (
        f"Vramp ramp 0 PULSE({low!r} {high!r} 0 {rise!r} {fall!r} {plateau!r} {period!r})",
        f"Vthr thr 0 {threshold!r}", *SLICER, "Sslice out 0 ramp thr slicer",
    )  # fmt: skip
    truth = {"duty": share * (rise + fall) / period, "frequency": 1 / period}
    return deck, {**truth, "ramp_low": low, "ramp_high": high}


@pytest.mark.parametrize("seed", range(12))
def test_ends_of_a_source_are_found(seed: int) -> None:
    """Duty, frequency and both ends of random ramp sources, the ends to 1e-4 of their height."""
    deck, truth = drawn(seed)
    settled = simulate(deck, 1 / truth["frequency"], 3.0)
    assert_inside(settled, truth)
    assert settled.reached
    height = truth["ramp_high"] - truth["ramp_low"]
    assert settled.figures["ramp_low"] == pytest.approx(truth["ramp_low"], abs=1e-4 * height)
    assert settled.figures["ramp_high"] == pytest.approx(truth["ramp_high"], abs=1e-4 * height)


def test_corners_are_read_as_the_engine_flattens_them() -> None:
    """Parameters put in, brackets or none, delays; sources without a period are left to the engine."""
    engine = session()
    engine.load(
        [
            ".param top=8", "V1 a 0 PULSE(0 {top} 1m 2m 3m 4m 20m)", "V2 b 0 dc 1 pulse 0 1 1u 1n 1n 5m 10m",
            "V3 c 0 PULSE(0 1)", "I4 0 d SIN(0 1 1k)", "R1 a b 1k", "R2 c d 1k", "R3 d 0 1k",
        ],
        "corners",
    )  # fmt: skip
    listing = [line.split(" : ", 1)[-1] for line in engine.listing()]
    corners = dict(enumerate(pulse_corners(listing)))
    assert [at for at, period in corners.values() if period == 20e-3] == pytest.approx(
        [1e-3, 3e-3, 7e-3, 10e-3]
    )
    assert [at for at, period in corners.values() if period == 10e-3] == pytest.approx(
        [1e-6, 1.001e-6, 5.001001e-3, 5.001002e-3]
    )
    assert len(corners) == 8


def test_a_corner_comes_round_every_period() -> None:
    """The gap changes sign at each corner instant of every period, and nowhere else."""
    (gap,) = corner_gaps([(0.3e-3, 1e-3)], 0, 1e-3)
    time = np.arange(0.0, 5e-3, 1e-6) + 0.37e-6
    signs = np.sign([gap.value([t]) for t in time])
    turns = time[1:][np.diff(signs) != 0]
    assert turns == pytest.approx([0.3e-3, 1.3e-3, 2.3e-3, 3.3e-3, 4.3e-3], abs=1.1e-6)
    assert corner_gaps([(0.0, 1e-6)], 0, 1e-3) == []  # a clock far faster than the ramp
    assert not math.isnan(gap.value([0.0]))
