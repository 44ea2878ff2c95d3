# SPDX-License-Identifier: GPL-3.0-or-later
"""The op-amp models, measured alone in ngspice: against their sheets, and in what they are used for.

Published figures lie in shared/devices/opamp_07x.toml and opamp_rail_to_rail.toml. The rest follows from
those by arithmetic that is written beside each test.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.alone.bench import first_crossing, piecewise, volts
from harness.engine.session import session
from harness.parts.opamps import BENCHES, FOLLOWER, OPEN, ends, loaded, rails
from harness.parts.rows import NOT_MEASURED, WITHIN, rows_of
from harness.parts.subject import Subject
from harness.sheets import read_sheet

MODELS = ("opamp_07x", "opamp_rail_to_rail")
SUPPLIES = {
    "opamp_07x": ((15.0, -15.0), (12.0, -12.0), (5.0, -5.0)),
    "opamp_rail_to_rail": ((5.5, 0.0), (2.7, 0.0)),
}
SLEW = {"opamp_07x": 13e6, "opamp_rail_to_rail": 2.7e6}
EVERY_SUPPLY = [(model, *rail) for model in MODELS for rail in SUPPLIES[model]]


def part(model: str, parameters: str = "") -> Subject:
    return Subject.of(read_sheet(model), session()).with_parameters(parameters)


@pytest.mark.parametrize("model", MODELS)
def test_every_figure_of_the_sheet(model: str) -> None:
    sheet = read_sheet(model)
    rows = list(rows_of(sheet, part(model)))
    wrong = [row for row in rows if row.verdict not in (WITHIN, NOT_MEASURED)]
    assert not wrong
    assert sum(row.verdict == WITHIN for row in rows) >= 15


# --- polarity, supplies, temperature


@pytest.mark.parametrize(("model", "positive", "negative"), EVERY_SUPPLY)
@pytest.mark.parametrize("temperature", [0.0, 25.0, 70.0])
def test_polarity_and_order_of_pins(model: str, positive: float, negative: float, temperature: float) -> None:
    low, high = ends(part(model), positive, negative, 1e4, temperature)
    assert negative <= low < negative + 1.6
    assert positive - 1.6 < high <= positive


@pytest.mark.parametrize(("model", "positive", "negative"), EVERY_SUPPLY)
def test_output_current_comes_from_the_rails(model: str, positive: float, negative: float) -> None:
    """Kirchhoff's current law over the whole part: nothing goes to ground, and a load adds its current to one
    supply only."""
    middle, subject = 0.5 * (positive + negative), part(model)
    load = 2e3
    for drive in (-0.5, 0.5):
        inputs = [volts("p", "p", middle + drive), volts("m", "m", middle - drive)]
        rest = subject.at_rest(OPEN, [*rails(positive, negative), *inputs, *loaded(middle, load)])
        upper, lower, out = -rest["vs#branch"], rest["vn#branch"], rest["vl#branch"]
        assert upper - lower - out == pytest.approx(0.0, abs=2e-8)
        assert math.copysign(1.0, out) == math.copysign(1.0, drive)
        idle = BENCHES["supply_current"](subject, positive, negative)
        assert (upper if drive > 0 else lower) == pytest.approx(idle + abs(out), rel=0.1)
        assert (lower if drive > 0 else upper) == pytest.approx(idle, rel=0.1)


@pytest.mark.parametrize("model", MODELS)
def test_without_supplies_nothing_flows(model: str) -> None:
    inputs = [volts("p", "p", 0.0), volts("m", "m", 0.0)]
    rest = part(model).at_rest(OPEN, [*rails(0.0, 0.0), *inputs, *loaded(0.0, 1e4)])
    positive, negative = SUPPLIES[model][0]
    assert abs(rest["vs#branch"]) < 0.1 * BENCHES["supply_current"](part(model), positive, negative)
    assert abs(rest["o"]) < 0.2


# --- inputs


@pytest.mark.parametrize("model", MODELS)
def test_offset_moves_the_output_of_a_follower_by_itself(model: str) -> None:
    positive, negative = SUPPLIES[model][0]
    offsets = [BENCHES["offset"](part(model), positive, negative, f"offset={o}") for o in ("-5m", "0", "5m")]
    np.testing.assert_allclose(np.diff(offsets), 5e-3, rtol=1e-3)


@pytest.mark.parametrize("model", MODELS)
def test_bias_can_be_switched_off(model: str) -> None:
    positive, negative = SUPPLIES[model][0]
    assert BENCHES["bias"](part(model, "bias=0"), positive, negative) < 0.1e-12


def test_a_follower_of_the_07x_class_reverses_below_its_range_and_comes_back() -> None:
    """Down to 3 V above the negative rail it follows; at 2 V the output jumps to the positive end; on the way
    back it follows again, so that nothing latches (SNOSBW5C: in neither case does a latch occur)."""
    subject = part("opamp_07x")
    sweep = {}
    for name, span in (("down", (0.0, -14.0, -0.5)), ("up", (-14.0, 0.0, 0.5))):
        wave = subject.sweep(
            FOLLOWER, [*rails(15.0, -15.0), volts("p", "p", 0.0), *loaded(0.0, 1e4)], "vp", span
        )
        sweep[name] = dict(zip(np.round(wave["sweep"], 3), wave["o"], strict=True))
    for way in ("down", "up"):
        assert sweep[way][-12.0] == pytest.approx(-12.0, abs=1e-3)
        assert sweep[way][-13.0] > 13.0
    off = part("opamp_07x", "reversal=0")
    wave = off.sweep(FOLLOWER, [*rails(15.0, -15.0), volts("p", "p", 0.0)], "vp", (0.0, -13.5, -0.5))
    np.testing.assert_allclose(wave["o"], wave["sweep"], atol=2e-3)


def test_a_rail_to_rail_follower_follows_from_rail_to_rail() -> None:
    around = [*rails(5.0, 0.0), volts("p", "p", 0.0), *loaded(2.5, 1e6)]
    wave = part("opamp_rail_to_rail").sweep(FOLLOWER, around, "vp", (0.1, 4.9, 0.1))
    np.testing.assert_allclose(wave["o"], wave["sweep"], atol=0.5e-3)


def test_the_offset_of_the_upper_pair_takes_over_near_the_supply() -> None:
    subject = part("opamp_rail_to_rail", "crossover=4m")
    around = [*rails(5.0, 0.0), volts("p", "p", 0.0), *loaded(2.5, 1e6)]
    wave = subject.sweep(FOLLOWER, around, "vp", (0.5, 4.5, 0.1))
    offset = wave["sweep"] - wave["o"]
    assert offset[wave["sweep"] < 3.2] == pytest.approx(0.0, abs=0.1e-3)
    assert offset[wave["sweep"] > 4.4] == pytest.approx(4e-3, abs=0.1e-3)
    assert (np.diff(offset) > -0.05e-3).all()


# --- speed


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("bandwidth", [1.0, 2.0])
def test_bandwidth_follows_its_parameter(model: str, bandwidth: float) -> None:
    positive, negative = SUPPLIES[model][0]
    subject = part(model, f"bandwidth={bandwidth}meg")
    found = BENCHES["bandwidth"](subject, positive, negative, 1e6, bandwidth * 1e6)
    assert found == pytest.approx(bandwidth * 1e6, rel=0.03)


def edges(model: str, drive: float, slowness: float = 1.0) -> tuple[float, float, float, float]:
    """As a comparator, its input stepping by ``drive`` (V) to either side: delays of the rising and falling
    output to its middle, and the two transition durations, 10 % to 90 % (s). ``slowness``: how much longer
    the record is than slewing takes."""
    positive, negative = SUPPLIES[model][0]
    middle, subject = 0.5 * (positive + negative), part(model)
    time = 3 * slowness * (positive - negative) / SLEW[model]
    points = [(0.0, -drive), (time, -drive), (1.001 * time, drive), (2 * time, drive), (2.001 * time, -drive)]
    around = [*rails(positive, negative), volts("m", "m", middle), *loaded(middle, 1e5, 20e-12)]
    shifted = [(t, v + middle) for t, v in points]
    wave = subject.over_time(OPEN, [*around, piecewise("p", "p", shifted)], 3 * time, time / 1000)
    low, high = float(wave["o"].min()), float(wave["o"].max())

    def at(share: float, upwards: bool) -> float:
        begin = time if upwards else 2 * time
        return first_crossing(wave["time"], wave["o"], low + share * (high - low), upwards, begin) - begin

    return at(0.5, True), at(0.5, False), at(0.9, True) - at(0.1, True), at(0.1, False) - at(0.9, False)


@pytest.mark.parametrize("model", MODELS)
def test_edges_of_an_op_amp_as_a_comparator(model: str) -> None:
    """Well overdriven the edges slew: 10 % to 90 % in 0.8 swing/slew, the middle half a swing after the step;
    it leaves its ends without delay."""
    positive, negative = SUPPLIES[model][0]
    low, high = ends(part(model), positive, negative, 1e5)
    slewing = (high - low) / SLEW[model]
    up, down, rise, fall = edges(model, 2.0)
    assert rise == pytest.approx(0.8 * slewing, rel=0.02)
    assert fall == pytest.approx(0.8 * slewing, rel=0.02)
    assert up == pytest.approx(0.5 * slewing, rel=0.1)
    assert down == pytest.approx(0.5 * slewing, rel=0.1)


def test_little_overdrive_makes_slow_edges() -> None:
    """The input pair of the 07x class steers its current over some tenths of a volt: tanh(v 2 pi f_T / slew)
    of it for a difference v."""
    for drive in (0.1, 0.3):
        share = math.tanh(drive * 2 * math.pi * 3.5e6 / 13e6)
        _, _, rise, _ = edges("opamp_07x", drive, 1 / share)
        low, high = ends(part("opamp_07x"), 15.0, -15.0, 1e5)
        assert rise == pytest.approx(0.8 * (high - low) / (13e6 * share), rel=0.05)


@pytest.mark.parametrize("model", MODELS)
def test_recovery_from_overload_does_not_depend_on_how_long_it_lasted(model: str) -> None:
    """An amplifier of gain -10 driven far too far: it comes back within the slewing and settling of its
    output: half of the overdriven swing over the slew rate and ten time constants of 11 / (2 pi f_T)."""
    positive, negative = SUPPLIES[model][0]
    middle = 0.5 * (positive + negative)
    swing = 0.3 * (positive - negative)
    delays = []
    for lasting in (20e-6, 60e-6):
        points = [(0.0, middle), (5e-6, middle), (5.1e-6, middle - swing), (lasting, middle - swing)]
        points += [(lasting + 0.1e-6, middle)]
        around = [
            *rails(positive, negative), volts("p", "p", middle), piecewise("i", "i", points),
            "ri i m 10k", "rf m o 100k", *loaded(middle, 1e4),
        ]  # fmt: skip
        wave = part(model).over_time(OPEN, around, lasting + 60e-6, 0.1e-6)
        settled = np.abs(wave["o"] - middle) < 0.1
        delays.append(float(wave["time"][np.flatnonzero(~settled)[-1]]) - lasting)
    bandwidth = {"opamp_07x": 3.5e6, "opamp_rail_to_rail": 4e6}[model]
    slewing = 0.5 * (positive - negative) / SLEW[model]
    assert delays[0] == pytest.approx(delays[1], abs=0.3e-6)
    assert 0.5 * slewing < delays[0] < slewing + 10 * 11 / (2 * math.pi * bandwidth)


@pytest.mark.parametrize("load", [0.0, 100e-12, 1e-9])
@pytest.mark.parametrize("model", MODELS)
def test_a_follower_settles_with_a_capacitive_load(model: str, load: float) -> None:
    positive, negative = SUPPLIES[model][0]
    middle = 0.5 * (positive + negative)
    around = [*rails(positive, negative), *loaded(middle, 1e4, load)]
    points = [(0.0, middle), (1e-6, middle), (1.01e-6, middle + 0.1)]
    wave = part(model).over_time(FOLLOWER, [*around, piecewise("p", "p", points)], 15e-6, 10e-9)
    assert float(wave["o"][-1]) == pytest.approx(middle + 0.1, abs=1e-3)
    assert float(wave["o"].max()) < middle + 0.18


def test_an_integrator_integrates() -> None:
    """V = I t / C: 1 uA into 1 nF falls by 1 V a millisecond; gain and the resistor that gives it a point to
    start from take less than 1e-4 of it."""
    around = [
        *rails(15.0, -15.0), volts("p", "p", 0.0), "cint m o 1n", "iin 0 m pwl(0 0 1m 0 1.000001m 1u)",
        "rstart m o 100g", *loaded(0.0, 1e4),
    ]  # fmt: skip
    wave = part("opamp_07x", "bias=0").over_time(OPEN, around, 6e-3, 10e-6)
    begin, end = (float(np.interp(t, wave["time"], wave["o"])) for t in (1.5e-3, 5.5e-3))
    assert end - begin == pytest.approx(-4.0, rel=2e-4)
