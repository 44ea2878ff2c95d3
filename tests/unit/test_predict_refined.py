# SPDX-License-Identifier: GPL-3.0-or-later
"""The composition of a board: ideal figures by hand, effects that add up, and nothing invented where it is
unknown."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import Characteristics
from harness.corners import corner_table
from harness.netlist import read_netlist
from harness.predict.composition import without_residues
from harness.predict.lookup import Table
from harness.predict.refined import INTERACTION, Prediction, predict
from harness.resources import netlists_folder

KESTREL = netlists_folder() / "boards" / "kestrel"


def constant(value: float, unit: str, **axes: list[float]) -> Table:
    knots = {"temperature": [25.0], "supply": [15.0], **axes}
    shape = tuple(len(points) for points in knots.values())
    return Table(
        {k: np.array(v) for k, v in knots.items()}, np.full(shape, value), unit, "a figure for this test"
    )


def sink(ohms: float) -> Table:
    volts = np.linspace(0.0, 10.0, 201)
    axes = {"temperature": np.array([25.0]), "supply": np.array([15.0]), "voltage": volts}
    return Table(axes, (volts / ohms)[None, None, :], "A", "a resistor for this test")


KNOWN = {
    "slicer.bias_ramp": constant(25e-9, "A", difference=[-1.0, 1.0]),
    "slicer.bias_threshold": constant(25e-9, "A"),
    "slicer.offset": constant(1e-3, "V"),
    "slicer.leakage": constant(1e-9, "A"),
    "slicer.sink": sink(40.0),
    "slicer.fall_delay": constant(0.5e-6, "s", slope=[3.0]),
    "slicer.rise_delay": constant(0.2e-6, "s", slope=[5.0]),
    "slicer.fall_extra": constant(0.1e-6, "s", slope=[3.0]),
    "slicer.rise_extra": constant(0.05e-6, "s"),
    "trip.bias_ramp": constant(25e-9, "A"),
    "trip.bias_trip": constant(25e-9, "A"),
    "trip.offset": constant(-1e-3, "V"),
    "trip.close_delay": constant(1.5e-6, "s", slope=[3.0]),
    "trip.open_delay": constant(0.45e-6, "s", slope=[5.0]),
    "reset.on_resistance": constant(2.0, "Ohm"),
    "pulldown.on_resistance": constant(2.0, "Ohm"),
    "mirror.current": constant(1.001, "", current=[-5.0], level=[1.0]),
    "ramp.capacitance": constant(20e-12, "F"),
}


def predicted(path: Path, known: dict[str, Table]) -> tuple[pd.DataFrame, Prediction]:
    board = load_board(path)
    corners = corner_table(board)
    return corners, predict(
        board, read_netlist(board.netlist, board.include), corners, Characteristics(known)
    )


def nominal(corners: pd.DataFrame, **at: float) -> int:
    mask = np.ones(len(corners), dtype=bool)
    for name, value in at.items():
        mask &= np.isclose(corners[name], value)
    return int(np.flatnonzero(mask)[0])


@pytest.mark.parametrize("name", ["kestrel", "kestrel_slicer"])
@pytest.mark.parametrize(
    "leave_out", ["", "slicer.sink", "slicer.fall_delay", "trip.close_delay", "mirror.current"]
)
def test_effects_add_up_to_refined_minus_ideal(name: str, leave_out: str) -> None:
    """Row by row, whatever is unknown; an unknown effect has no row, and every row has an origin."""
    known = {key: table for key, table in KNOWN.items() if key != leave_out}
    corners, found = predicted(KESTREL / f"{name}.board.toml", known)
    sums = found.effects.pivot_table(index="corner", columns="quantity", values="amount", aggfunc="sum")
    for quantity in found.refined.columns:
        gap = (found.refined[quantity] - found.ideal[quantity]).to_numpy()
        added = (
            sums[quantity].reindex(corners["corner"]).fillna(0.0).to_numpy()
            if quantity in sums
            else np.zeros(len(corners))
        )
        either = np.isfinite(gap)
        assert added[either] == pytest.approx(gap[either], rel=1e-9, abs=1e-13), quantity
    assert (found.effects["origin"].str.len() > 0).all()
    if leave_out == "slicer.sink":
        assert "output saturation" not in set(found.effects["effect"])
        assert (found.refined["low_level"] == 0).all()
    assert list(found.refined.index) == list(corners.index)


CORE_NETLIST = """\
A core and a slicer with plain numbers
.subckt plain plus minus supply ground output
Bout output ground i = v(output,ground)/50*(0.5-0.5*tanh(1e6*(v(plus)-v(minus))))
Rsupply supply ground 1meg
.ends
.subckt contact drain gate source
Bpath drain source i = v(drain,source)*(0.5+0.5*tanh(10*(v(gate,source)-2)))/2
.ends
Vcc vcc 0 15
Vrail rail 0 8
Vcontrol control 0 4
Ipitch 0 ramp 15u
Cramp ramp 0 3.3n
Rreset ramp drain 1k
Xreset drain gate 0 contact
Rup vcc trip 10k
Rdown trip 0 10k
Rfoot trip foot 430
Xpull foot gate 0 contact
Xtrip ramp trip vcc 0 gate plain
Rgate vcc gate 4.7k
Rknob rail thr 80k
Rcontrol control thr 150k
Rbias rail thr 1meg
Rlow thr 0 100k
Xslice thr ramp vcc 0 out plain
Rpull rail out 3.3k
Cload out 0 1n
"""
CORE_BOARD = """\
[board]
format = 1
name = "plain"
revision = "A"
netlist = "plain.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
load_capacitor = "Cload"
[core]
kind = "charged capacitor"
capacitor = "Cramp"
current = "Ipitch"
comparator = "Xtrip"
trip = "trip"
gate_pullup = "Rgate"
reset_switch = "Xreset"
reset_resistor = "Rreset"
pulldown_switch = "Xpull"
pulldown_resistor = "Rfoot"
[axes.control]
values = [0, 4]
unit = "V"
sets = "Vcontrol"
"""
FOOT = (
    15 * (1 / (1 / 10e3 + 1 / 430)) / (10e3 + 1 / (1 / 10e3 + 1 / 430))
)  # V: the divider while the foot is pulled
CONDUCTANCES = (1 / 80e3, 1 / 150e3, 1 / 1e6, 1 / 100e3)  # S, at the threshold


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plain")
    (folder / "plain.cir").write_text(CORE_NETLIST)
    (folder / "plain.board.toml").write_text(CORE_BOARD)
    return folder / "plain.board.toml"


def test_ideal_figures_by_hand(plain: Path) -> None:
    """Divider 10 k / 10 k and 430 Ohm on 15 V, 3.3 nF, 15 uA, and four branches at the threshold: by
    pencil."""
    corners, found = predicted(plain, {})
    row = nominal(corners, control=4.0)
    ideal = found.ideal.iloc[row]
    assert ideal["ramp_high"] == pytest.approx(7.5, rel=1e-12)
    assert ideal["ramp_low"] == pytest.approx(FOOT, rel=1e-12)
    assert ideal["frequency"] == pytest.approx(15e-6 / (3.3e-9 * (7.5 - FOOT)), rel=1e-9)
    threshold = (8 / 80e3 + 4 / 150e3 + 8 / 1e6) / sum(CONDUCTANCES)
    assert found.solved["threshold"].iloc[row] == pytest.approx(threshold, rel=1e-9)
    assert ideal["duty"] == pytest.approx((threshold - FOOT) / (7.5 - FOOT), rel=1e-9)
    assert ideal["pullup_current"] == pytest.approx(8 / 3.3e3)
    assert ideal["headroom"] == pytest.approx(15 - 1.5 - threshold), "the lower input counts: the threshold"
    assert ideal["floor_room"] == pytest.approx(FOOT + 0.3)
    assert found.refined["low_level"].iloc[row] == 0, "nothing is known, nothing is refined"


def test_each_effect_alone_has_its_closed_form(plain: Path) -> None:
    """Bias over the network's resistance; saturation as a divider; sharpening by bias current; overshoot by
    delay."""

    def alone(*names: str) -> tuple[pd.Series, pd.Series]:
        corners, found = predicted(plain, {name: KNOWN[name] for name in names})
        row = nominal(corners, control=4.0)
        return found.refined.iloc[row], found.ideal.iloc[row]

    drawn, ideal = alone()
    got, _ = alone("slicer.bias_threshold")
    assert got["threshold"] - drawn["threshold"] == pytest.approx(25e-9 / sum(CONDUCTANCES), rel=1e-6)
    got, _ = alone("slicer.sink")
    assert got["low_level"] == pytest.approx(8 * 40 / 3340, rel=1e-9)
    assert got["pullup_current"] == pytest.approx(8 / 3340, rel=1e-9)
    got, _ = alone("slicer.bias_ramp", "trip.bias_ramp")
    sweep, reset = 3.3e-9 * (7.5 - FOOT) / 15e-6, 1 / drawn["frequency"] - 3.3e-9 * (7.5 - FOOT) / 15e-6
    assert 1 / got["frequency"] == pytest.approx(sweep * 15 / 15.05 + reset, rel=1e-6)
    settled = 15e-6 * 1e3  # V that the pitch current leaves across the reset resistor
    assert reset == pytest.approx(3.3e-6 * math.log((7.5 - settled) / (FOOT - settled)), rel=1e-9)
    got, _ = alone("trip.close_delay")
    assert got["ramp_high"] - ideal["ramp_high"] == pytest.approx(15e-6 / 3.3e-9 * 1.5e-6, rel=1e-9)
    got, _ = alone("trip.bias_trip")
    assert got["ramp_high"] - 7.5 == pytest.approx(25e-9 * 5e3, rel=1e-6)
    got, _ = alone("ramp.capacitance")
    assert 1 / got["frequency"] == pytest.approx(3.32 / 3.3 / drawn["frequency"], rel=1e-9)
    got, _ = alone("slicer.offset")
    assert got["duty"] - drawn["duty"] == pytest.approx(1e-3 / (7.5 - FOOT), rel=0.01)
    got, _ = alone("slicer.fall_delay", "slicer.rise_delay")
    assert got["duty"] - drawn["duty"] == pytest.approx(0.3e-6 * drawn["frequency"], rel=1e-9)
    got, _ = alone("slicer.leakage")
    assert got["high_level"] == pytest.approx(8 - 3.3e-6, rel=1e-9)


def test_threshold_outside_the_ramp_is_stuck() -> None:
    """The lowest end of Kestrel's knob lies below the foot: duty exactly 0; the highest above the top:
    exactly 1."""
    corners, found = predicted(KESTREL / "kestrel.board.toml", KNOWN)
    low = nominal(corners, control=0.0, knob=0.0)
    high = nominal(corners, control=10.0, knob=1.0)
    assert found.refined["duty"].iloc[low] == 0.0 and found.refined["duty"].iloc[high] == 1.0
    assert found.refined["mean_level"].iloc[high] == pytest.approx(8.0, abs=1e-4)
    assert np.isnan(found.refined["level_vs_square"].iloc[low])


NETLIST = """\
A slicer with hysteresis from its output
.subckt plain plus minus supply ground output
Rin plus minus 1e12
Bout output ground i = v(output,ground)/50*(0.5-0.5*tanh(1e6*(v(plus)-v(minus))))
Rsupply supply ground 1meg
.ends
Vcc vcc 0 10
Vramp ramp 0 pulse(0 5 0 0.9m 0 0.1m 1m)
Rx vcc thr 100k
Ry thr 0 100k
Rh out thr 576k
X1 thr ramp vcc 0 out plain
Rpull vcc out 1k
"""
BOARD = """\
[board]
format = 1
name = "small"
revision = "A"
netlist = "small.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
{roles}
[axes.supply]
values = [5, 10]
unit = "V"
sets = "Vcc"
"""
FULL = 'comparator = "X1"\ncomparator_class = "393"\nramp_input = "minus"\npullup = "Rpull"\nsupply = "Vcc"\n'


def small(
    folder: Path, roles: str, core: str = "", netlist: str = NETLIST
) -> tuple[pd.DataFrame, Prediction]:
    (folder / "small.cir").write_text(netlist)
    (folder / "small.board.toml").write_text(BOARD.format(roles=roles + core))
    return predicted(folder / "small.board.toml", {})


def test_board_without_a_core_or_most_roles(tmp_path: Path) -> None:
    """Only what the network alone knows; no exception."""
    corners, found = small(tmp_path, "")
    assert len(found.solved) == len(corners) == 2
    assert set(found.refined.columns) & {"duty", "frequency", "ramp_low"} == set()
    assert "threshold" in found.solved
    corners, found = small(tmp_path, FULL)
    assert "duty" not in found.refined and "low_level" in found.ideal


def test_hysteresis_counts_the_output_state_of_the_sweep(tmp_path: Path) -> None:
    """5 V, 100 k / 100 k, 576 k: 2.69968 V with the output high (through its pull-up), 2.30032 V low.

    Source: Texas Instruments TIDU020 (thresholds 2.7 V and 2.3 V; resistor values from memory).
    """
    core = '[core]\nkind = "ramp source"\n'
    corners, found = small(tmp_path, FULL, core)
    at_five = nominal(corners, supply=5.0)
    high = found.ideal["threshold"].iloc[at_five]
    exact = 5 * (1 / 100e3 + 1 / 577e3) / (2 / 100e3 + 1 / 577e3)
    assert high == pytest.approx(exact, rel=1e-9)
    assert high == pytest.approx(2.69968, abs=5e-4), "the pull-up in series moves it a little"
    swapped = NETLIST.replace("X1 thr ramp", "X1 ramp thr")
    corners, found = small(tmp_path, FULL.replace('"minus"', '"plus"'), core, swapped)
    assert found.ideal["threshold"].iloc[at_five] == pytest.approx(2.30032, abs=5e-6)
    ideal = found.ideal.iloc[at_five]
    assert ideal["duty"] == pytest.approx(1 - ideal["threshold"] / 5, rel=1e-9)


def test_a_comparator_with_its_inputs_exchanged_predicts_nothing_that_it_makes(tmp_path: Path) -> None:
    """The drawing has the ramp at the other input than the board file says: which of the two is wrong is not
    known, so that no duty and no level is. What comes before the comparator is."""
    core = '[core]\nkind = "ramp source"\n'
    straight = NETLIST.replace("Rh out thr 576k\n", "")
    _, right = small(tmp_path, FULL, core, straight)
    _, found = small(tmp_path, FULL, core, straight.replace("X1 thr ramp", "X1 ramp thr"))
    kept = {"threshold", "headroom", "floor_room", "ramp_low", "ramp_high", "frequency", "output_resistance"}
    assert set(found.refined.columns) == kept < set(right.refined.columns)
    for name in kept:
        assert found.refined[name].tolist() == right.refined[name].tolist()
    assert "duty" in right.refined and not right.refined["duty"].isna().any()
    assert next(why for _, text, why in found.origins if text == "unknown") == (
        "X1 is not connected as its roles say: minus at ramp, plus at thr intended,"
        " minus at thr, plus at ramp drawn"
    )
    _, latching = small(tmp_path, FULL, core, NETLIST.replace("X1 thr ramp", "X1 ramp thr"))
    assert set(latching.refined.columns) == {"ramp_low", "ramp_high", "frequency", "output_resistance"}


def test_output_on_nothing_has_no_level(tmp_path: Path) -> None:
    """No pull-up: the open collector floats; no figure, no exception."""
    netlist = NETLIST.replace("Rpull vcc out 1k\n", "Cout out 0 1n\n").replace("Rh out thr 576k\n", "")
    _, found = small(
        tmp_path, FULL.replace('pullup = "Rpull"\n', ""), '[core]\nkind = "ramp source"\n', netlist
    )
    assert "high_level" not in found.refined
    assert "threshold" in found.refined


def test_an_output_behind_a_capacitor_without_a_comparator_has_no_level(tmp_path: Path) -> None:
    """Nothing tells what drives it: the 0 V that its load makes of nothing is no prediction."""
    netlist = NETLIST.replace("X1 thr ramp vcc 0 out plain", "Bdrive pin 0 v = 5+4*tanh(v(thr)-v(ramp))")
    netlist = netlist.replace("Rpull vcc out 1k\n", "Cc pin out 1u\nRl out 0 10k\n")
    netlist = netlist.replace("Rh out thr 576k\n", "")
    _, found = small(tmp_path, 'supply = "Vcc"\n', '[core]\nkind = "ramp source"\n', netlist)
    for name in ("high_level", "low_level", "sink_current", "output_resistance"):
        assert name not in found.solved and name not in found.refined
    assert "threshold" in found.refined


def test_interaction_is_small_but_there() -> None:
    """What removal one by one leaves open is a row of its own, and no large one."""
    _, found = predicted(KESTREL / "kestrel.board.toml", KNOWN)
    duty = found.effects[found.effects["quantity"] == "duty"]
    rest = duty[duty["effect"] == INTERACTION]["amount"].abs()
    assert 0 < rest.max() < 2e-3


def test_temperature_coefficients_of_resistors_count(tmp_path: Path) -> None:
    """1000 ppm/K on the upper of two equal resistors, 50 degC: 1.023 against 1 on 10 V."""
    netlist = NETLIST.replace("Rx vcc thr 100k", "Rx vcc thr 100k tc1=1m").replace("Rh out thr 576k\n", "")
    axis = '[axes.temperature]\nvalues = [27, 50]\nunit = "degC"\n'
    corners, found = small(tmp_path, FULL, axis, netlist)
    row = nominal(corners, supply=10.0, temperature=50.0)
    assert found.solved["threshold"].iloc[row] == pytest.approx(10 / 2.023, rel=1e-9)
    assert found.solved["threshold"].iloc[nominal(corners, supply=10.0, temperature=27.0)] == pytest.approx(
        5.0
    )


def test_what_rounding_leaves_of_zero_volts_is_zero() -> None:
    """A residue is told by the largest voltage of its corner; small figures that mean something stay, and so
    do currents and gaps."""
    figures = {
        "low_level": np.array([4.3e-21, 2e-9, np.nan]),
        "high_level": np.array([5.0, 12.0, 5.0]),
        "ramp_low": np.array([-4.4e-16, -6e-12, 1e-3]),
        "sink_current": np.array([1e-21, 0.0, 1.0]),
        "duty": np.array([1e-18, 0.5, np.nan]),
    }
    cleaned = without_residues(figures)
    assert cleaned["low_level"].tolist()[:2] == [0.0, 2e-9] and math.isnan(cleaned["low_level"][2])
    assert cleaned["ramp_low"].tolist() == [0.0, 0.0, 1e-3]
    for name in ("high_level", "sink_current", "duty"):
        assert np.array_equal(cleaned[name], figures[name], equal_nan=True)
    assert without_residues({"duty": np.array([1e-20])})["duty"][0] == 1e-20


def test_a_rail_to_rail_output_rests_at_zero_volts() -> None:
    """The ideal low level of an output on one supply is its ground's own 0 V, no residue of the network."""
    board = load_board(KESTREL.parent / "wren" / "wren.board.toml")
    netlist = read_netlist(board.netlist)
    prediction = predict(board, netlist, corner_table(board), Characteristics({}))
    assert (prediction.ideal["low_level"].dropna() == 0.0).all() and len(prediction.ideal) > 10
