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
from scipy.optimize import brentq

from harness.engine.pulses import corner_gaps, jumping, pulse_corners, shortest_sine
from harness.engine.session import EngineError, session

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


JUMPS = [
    # rise, fall, width (s), period 1 ms; (high time below a threshold of share x) = x * a + b, in ms
    pytest.param("1m", "0", "0", (1.0, 0.0), id="back at the end of the period"),
    pytest.param("0.9m", "0.1m", "0", (0.9, 0.0), id="a width of 0 lasts to the end"),
    pytest.param("0.99m", "0", "9u", (0.99, 1e-3), id="falls in no time"),
    pytest.param("0", "0.99m", "2u", (0.99, 8e-3), id="rises in no time"),
]


@pytest.mark.parametrize(("rise", "fall", "width", "line"), JUMPS)
@pytest.mark.parametrize("share", [0.002, 0.37, 0.998])
def test_a_source_that_jumps(
    rise: str, fall: str, width: str, line: tuple[float, float], share: float
) -> None:
    """The truth is the source's own line, a jump taking no time: a pulse of 0.2 % of the period beside it is
    neither stepped over nor drawn out."""
    deck = (
        f"Vramp ramp 0 PULSE(0 5 0 {rise} {fall} {width} 1m)", f"Vthr thr 0 {5 * share!r}", *SLICER,
        "Sslice out 0 ramp thr slicer",
    )  # fmt: skip
    settled = simulate(deck, accuracy=1e-5)
    assert settled.words["state"] == "pulsing"
    assert_inside(settled, {"duty": line[0] * share + line[1], "frequency": 1e3})
    assert settled.reached


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


def test_corners_of_jumps() -> None:
    """A width of 0 lasts until the period is over, and a rise or fall of 0 has one corner instead of two."""
    assert pulse_corners(["v1 a 0 pulse(0 5 0 3m 1m 0 4m)"]) == [(0.0, 4e-3), (3e-3, 4e-3)]
    assert pulse_corners(["v1 a 0 pulse(0 5 0 0 0 2m 4m)"]) == [(0.0, 4e-3), (2e-3, 4e-3)]
    assert jumping(["v1 a 0 pulse(0 5 0 1m 0 2m 4m)"]) and jumping(["i1 a 0 pulse(0 5 0 0 1m 2m 4m)"])
    assert not jumping(["v1 a 0 pulse(0 5 0 3m 0 0 4m)", "v2 b 0 pulse(0 5 0 1m 1m 1m 4m)", "r1 a b 1k"])


def test_a_corner_comes_round_every_period() -> None:
    """The gap changes sign at each corner instant of every period, and nowhere else."""
    (gap,) = corner_gaps([(0.3e-3, 1e-3)], 0, 1e-3)
    time = np.arange(0.0, 5e-3, 1e-6) + 0.37e-6
    signs = np.sign([gap.value([t]) for t in time])
    turns = time[1:][np.diff(signs) != 0]
    assert turns == pytest.approx([0.3e-3, 1.3e-3, 2.3e-3, 3.3e-3, 4.3e-3], abs=1.1e-6)
    assert corner_gaps([(0.0, 1e-6)], 0, 1e-3) == []  # a clock far faster than the ramp
    assert not math.isnan(gap.value([0.0]))


@pytest.mark.parametrize("swing", [0.1, 0.6])
def test_a_fast_sine_on_the_threshold(swing: float) -> None:
    """Thirty turns a cycle: steps of a twentieth of a cycle would see no sine. Crossings by brentq."""
    period, turns, rise = 1e-3, 30, 0.9e-3
    deck = (
        f"Vramp ramp 0 PULSE(0 7 0 {rise!r} {0.09e-3!r} {0.01e-3!r} {period!r})",
        f"Vthr thr 0 SIN(3.6 {swing!r} {turns / period!r})",
        *SLICER, "Sslice out 0 ramp thr slicer",
    )  # fmt: skip
    settled = simulate(deck, period, 3.5)

    def gap(t: float) -> float:
        ramp = 7 * t / rise if t < rise else min(7.0, 7 * (1e-3 - t) / 0.09e-3)
        return 3.6 + swing * math.sin(2 * math.pi * turns * t / period) - ramp

    grid = np.linspace(0.0, period, 20_001)
    signs = np.sign([gap(t) for t in grid])
    instants = [brentq(gap, grid[k], grid[k + 1], xtol=1e-15) for k in np.flatnonzero(np.diff(signs))]
    ends = [0.0, *instants, period]
    high = sum(b - a for a, b in zip(ends[::2], ends[1::2], strict=True))
    assert_inside(settled, {"duty": high / period, "frequency": 1 / period})
    assert settled.words["state"] == ("chatter" if len(instants) > 2 else "pulsing")
    assert settled.reached


def test_sines_are_read() -> None:
    listing = (
        "v1 a 0 sin(0 0.1 20k)",
        "i2 0 b dc 1 sin 0 1 5meg",
        "v3 c 0 5",
        "v4 d 0 pulse(0 1 0 1u 1u 1m 2m)",
    )
    assert shortest_sine(listing) == pytest.approx(2e-7)
    assert math.isinf(shortest_sine(listing[2:]))


@pytest.mark.parametrize("turns", [20, 200])
def test_a_rippled_ramp_is_not_cut_into_ripples(turns: int) -> None:
    """A ripple goes round before the ramp does and crosses the marker several times a cycle, so uniform steps
    have to tell the cycle: state and wide bars, and the reason says why. Crossings by brentq."""
    deck = (
        "Vsaw saw 0 PULSE(0 7 0 980u 10u 10u 1m)", f"Vripple saw ramp SIN(0 0.5 {turns}k)", "Vthr thr 0 2",
        *SLICER, "Sslice out 0 ramp thr slicer",
    )  # fmt: skip
    settled = simulate(deck)

    def gap(t: float) -> float:
        saw = 7 * t / 980e-6 if t < 980e-6 else 7 * (1e-3 - t) / 10e-6
        return 2.0 - saw + 0.5 * math.sin(2 * math.pi * turns * 1e3 * t)

    grid = np.linspace(0.0, 1e-3, 20_001)
    signs = np.sign([gap(t) for t in grid])
    instants = [brentq(gap, grid[k], grid[k + 1], xtol=1e-15) for k in np.flatnonzero(np.diff(signs))]
    high = np.diff([0.0, *instants, 1e-3])[::2].sum()
    assert len(instants) > 2 and settled.words["state"] == "chatter"
    assert any("several times a cycle" in note for note in settled.notes)
    assert_inside(settled, {"duty": high / 1e-3, "frequency": 1e3})
    assert settled.bars["duty"] >= 5e-3 and not settled.reached


def test_a_ripple_too_fast_for_uniform_steps_gives_no_figure() -> None:
    deck = (
        "Vsaw saw 0 PULSE(0 7 0 980u 10u 10u 1m)", "Vripple saw ramp SIN(0 0.05 1.2meg)", "Vthr thr 0 2",
        *SLICER, "Sslice out 0 ramp thr slicer",
    )  # fmt: skip
    with pytest.raises(EngineError, match=r"several times a cycle.*too fast beside the ramp"):
        simulate(deck)
