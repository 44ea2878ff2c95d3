# SPDX-License-Identifier: GPL-3.0-or-later
"""Steered runs on sawtooth boards of every shape against closed forms: figures inside bars that are small.

Source: the circuit equations, see sawtooth_circuits.py.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from harness.engine.decades import Decades
from harness.engine.session import session
from harness.engine.steps import NoCycle, Plan
from harness.measure.cycle import measure_cycle
from harness.netlist import read_netlist
from harness.resources import netlists_folder

sys.path.insert(0, str(Path(__file__).parent))  # the circuits lie beside the tests
from sawtooth_circuits import PROBES, SLICER, DelayedTrip, Sawtooth, assert_inside, simulate

RISING = Sawtooth()
FALLING = Sawtooth(falling=True, rest=8.0)


def truth_of(core: Sawtooth) -> dict[str, float]:
    return {"duty": core.duty, "frequency": 1 / core.period, "ramp_low": core.low, "ramp_high": core.high}


@pytest.mark.parametrize("resistance", [30.0, 300.0, 3e3, 3e4])
@pytest.mark.parametrize("inverted", [False, True])
def test_falling_sweeps(resistance: float, inverted: bool) -> None:
    """A sweep that falls, with resets from 1/10 000 to 1/8 of the period: at first the marker's rising
    crossing lies in the reset."""
    core = Sawtooth(falling=True, rest=8.0, resistance=resistance, inverted=inverted)
    settled = simulate(core.deck(), core.period, 4.0)
    assert_inside(settled, truth_of(core))
    assert settled.reached


def test_the_marker_moves_to_the_slow_side_of_the_ramp() -> None:
    plan = Plan(FALLING.deck(), "ramp", "out", FALLING.period, 4.0, 2.5)
    decades = Decades(session(), plan, lambda record, begin, end: measure_cycle(record, begin, end, PROBES))
    decades.run()
    assert decades.way == -1


@pytest.mark.parametrize("core", [RISING, FALLING], ids=["rising", "falling"])
@pytest.mark.parametrize("factor", [1e-3, 1e-2, 30.0, 1e3, math.nan])
def test_hints_wrong_by_a_thousand_or_missing(core: Sawtooth, factor: float) -> None:
    """The same figures within the bars whatever the period was thought to be."""
    settled = simulate(core.deck(), factor * core.period, 4.0)
    assert_inside(settled, truth_of(core))
    assert settled.reached
    assert factor > 1 or "a pilot run found it" in settled.notes[0]


@pytest.mark.parametrize("period", [1e-5, 1e-4, 1e-2, 1.0, 10.0])
@pytest.mark.parametrize("hinted", [True, False])
def test_periods_from_microseconds_to_seconds(period: float, hinted: bool) -> None:
    capacitance = 1e-9 if period < 1e-3 else 1e-6
    current = capacitance * 7.0 / period
    core = Sawtooth(current=current, capacitance=capacitance, resistance=period / 300 / capacitance)
    core = core if core.current * core.resistance < 0.3 else Sawtooth(current, capacitance, 0.2 / current)
    settled = simulate(core.deck(), core.period, 4.0) if hinted else simulate(core.deck())
    assert_inside(settled, truth_of(core))
    assert settled.reached


@pytest.mark.parametrize("share", [0.0005, 0.005, 0.5, 0.995, 0.9995])
@pytest.mark.parametrize("core", [RISING, FALLING], ids=["rising", "falling"])
def test_pulses_near_nothing_and_near_everything(core: Sawtooth, share: float) -> None:
    """Duty factors of 0.05 % and 99.95 % are pulses, not stuck outputs."""
    core = Sawtooth(
        core.current, core.capacitance, core.resistance, 0.5, 7.5, 0.5 + 7 * share, core.rest, core.falling
    )
    settled = simulate(core.deck(), core.period, 4.0)
    assert settled.words["state"] == "pulsing"
    assert_inside(settled, truth_of(core))
    assert abs(settled.figures["duty"] - core.duty) < 1e-6


@pytest.mark.parametrize(
    ("threshold", "state"), [(0.2, "stuck low"), (0.499999, "stuck low"), (7.8, "stuck high")]
)
def test_an_output_beyond_the_ramp_is_stuck(threshold: float, state: str) -> None:
    core = Sawtooth(threshold=threshold)
    settled = simulate(core.deck(), core.period, 4.0)
    assert settled.words["state"] == state
    assert math.isnan(settled.figures["duty"])
    assert_inside(settled, {"frequency": 1 / core.period, "ramp_low": core.low, "ramp_high": core.high})


def test_a_threshold_with_ripples_chatters() -> None:
    """Several pulses a cycle: the state says so, and the share above is still right (scipy's brentq)."""
    core = Sawtooth()
    deck = (*core.deck(threshold=False), "Bthr thr 0 V = 4 + 1.5*sin(10*V(ramp))")
    settled = simulate(deck, core.period, 4.0)
    assert settled.words["state"] == "chatter"
    grid = np.linspace(core.low, core.high, 4000)
    gap = grid - 4 - 1.5 * np.sin(10 * grid)
    levels = [
        brentq(lambda v: v - 4 - 1.5 * math.sin(10 * v), grid[k], grid[k + 1], xtol=1e-13)
        for k in np.flatnonzero(gap[:-1] * gap[1:] < 0)
    ]
    assert len(levels) > 2
    ends = [core.low, *levels]  # high below the first, low above the last
    high = sum(
        core.capacitance * (top - bottom) / core.current + core.snap(top, bottom)
        for bottom, top in zip(ends[::2], ends[1::2], strict=True)
    )
    assert_inside(settled, {"duty": high / core.period, "frequency": 1 / core.period})


def test_two_comparators_on_one_ramp() -> None:
    """A second slicer with an edge of its own neither disturbs nor stands in for the first."""
    core = Sawtooth()
    second = (
        "Vother other 0 5",
        "Sother aside 0 ramp other slicer",
        "Raside rail aside 2k",
        "Caside aside 0 100p",
    )
    settled = simulate((*core.deck(), *second), core.period, 4.0)
    assert_inside(settled, truth_of(core))


@pytest.mark.parametrize("delay", [1 / 500, 1 / 3000, 1 / 30_000])
@pytest.mark.parametrize("reset", [1 / 300, 1 / 30_000, 1 / 100_000])
@pytest.mark.parametrize("accuracy", [1e-4, 1e-5])
def test_trip_delays_and_resets_of_a_tiny_share_of_the_period(
    delay: float, reset: float, accuracy: float
) -> None:
    board = DelayedTrip(delay, reset)
    settled = simulate(board.deck(), board.period, 2.5, accuracy)
    assert_inside(settled, board.truth())
    assert settled.reached
    assert settled.bars["duty"] >= accuracy / 2  # two runs may agree by luck


def test_a_finer_accuracy_is_reached_or_said_not_to_be() -> None:
    """A hard residue asked for 1e-7: ``reached`` says what the bar is, and the truth is inside either way."""
    board = DelayedTrip(1 / 500, 1 / 3000)
    settled = simulate(board.deck(), board.period, 2.5, 1e-7)
    assert_inside(settled, board.truth())
    relative = settled.bars["frequency"] / settled.figures["frequency"]
    assert settled.reached == (max(settled.bars["duty"], relative) <= 1e-7)


def test_a_ramp_that_goes_nowhere_is_named() -> None:
    stuck = tuple(line if not line.startswith("Ssnap") else "Rstuck ramp 0 1k" for line in RISING.deck())
    for period in (RISING.period, math.nan):
        with pytest.raises(NoCycle, match=r"stays at 0\.015 V"):
            simulate(stuck, period, 4.0)


def test_an_output_of_unknown_levels_needs_no_pilot_run() -> None:
    """Where only the output's levels are not known, the first run finds them."""
    core = Sawtooth()
    settled = simulate(core.deck(), core.period, 4.0, middle=math.nan)
    assert_inside(settled, truth_of(core))
    assert settled.reached and not settled.notes


def transistor_slicer() -> tuple[str, ...]:
    """The demonstration board's slicing stage, a 393-class comparator of transistors, without its ramp."""
    netlist = read_netlist(netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.cir")
    return tuple(line.text for line in netlist.deck() if not line.text.lower().startswith("vramp"))


@pytest.mark.parametrize("core", [RISING, FALLING], ids=["rising", "falling"])
def test_a_switched_core_before_a_transistor_slicer_of_which_nothing_is_known(core: Sawtooth) -> None:
    """No hints at all, supplies that start at full voltage, one time scale in nanoseconds and one in
    milliseconds. The comparator's bias and delay shift the figures a little, not by more than 1 %."""
    kept = [line for line in core.deck(threshold=False) if line not in SLICER and "slice" not in line.lower()]
    settled = simulate((*kept, *transistor_slicer()))
    assert settled.reached
    assert settled.words["state"] == "pulsing"
    assert settled.figures["frequency"] == pytest.approx(1 / core.period, rel=0.01)
    assert settled.figures["ramp_high"] == pytest.approx(core.high, abs=0.05)


def test_a_dead_board_with_a_transistor_slicer_says_where_its_ramp_stays() -> None:
    with pytest.raises(NoCycle, match=r"stays at 1[45]\.?\d* V"):
        simulate((*transistor_slicer(), "Rdead vcc ramp 10k", "Cdead ramp 0 10n"))


def test_a_ramp_that_a_source_makes_needs_no_pilot_run() -> None:
    """Its own line says where the cycle is. Closed form: the source's own line."""
    deck = (
        "Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)",
        "Vthr thr 0 2",
        *SLICER,
        "Sslice out 0 ramp thr slicer",
    )
    settled = simulate(deck)
    assert settled.notes == []
    assert_inside(settled, {"duty": 0.4 * 0.99, "frequency": 1e3})
