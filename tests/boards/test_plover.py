# SPDX-License-Identifier: GPL-3.0-or-later
"""Plover: an integrator ramp with a JFET reset, three slicers, an op-amp that sums, two supplies."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import characterise
from harness.connections import misplaced
from harness.corners import corner_table
from harness.netlist import read_netlist
from harness.planning import tasks_of
from harness.predict.cores import integrator
from harness.predict.drawn import Drawn
from harness.predict.refined import Prediction, predict
from harness.resources import netlists_folder
from harness.run import prepare
from harness.simulate import CornerResult, simulate

PLOVER = netlists_folder() / "boards" / "plover"
BOARDS = ("plover", "plover_bipolar", "plover_opamp")


def bridged(name: str, folder: Path, **axes: str) -> Path:
    """A board with its coupling capacitor bridged, so that its levels do not depend on the width, and with
    other values on some axes."""
    for file in PLOVER.glob(f"{name.partition('_')[0]}*"):
        text = file.read_text(encoding="utf-8").replace("Ccouple middle out 22u", "Rcouple middle out 1")
        text = re.sub(r"^Ccouple = .*\n", "", text, flags=re.MULTILINE)
        text = re.sub(r"^\[expected\]\n.*?(?=^\[)", "", text, flags=re.MULTILINE | re.DOTALL)
        for axis, values in {"temperature": "25", **axes}.items():
            text = re.sub(rf"(\[axes\.{axis}\]\nvalues = ).*", rf"\g<1>[{values}]", text)
        text = re.sub(r"^nominal = .*\n", "", text, flags=re.MULTILINE)
        (folder / file.name).write_text(text, encoding="utf-8")
    return folder / f"{name}.board.toml"


def both(path: Path) -> tuple[pd.DataFrame, Prediction, list[CornerResult]]:
    """Every corner of a board predicted and simulated."""
    board = load_board(path)
    netlist = read_netlist(board.netlist, board.include)
    corners = corner_table(board)
    found = predict(board, netlist, corners, characterise(board, netlist, path.parent / "models", True))
    hints = found.refined.combine_first(found.ideal)
    return corners, found, [simulate(task) for task in tasks_of(board, netlist, corners, hints)]


def compare(found: Prediction, results: list[CornerResult]) -> None:
    """Refined against simulated: duty 0.002, frequency 5 cents, levels 2 % of the swing or the ramp."""
    for (_, refined), result in zip(found.refined.iterrows(), results, strict=True):
        assert result.state == "pulsing", result.reason
        seen = result.figures
        assert refined["duty"] == pytest.approx(seen["duty"], abs=0.002)
        assert abs(1200 * math.log2(refined["frequency"] / seen["frequency"])) <= 5
        swing, height = seen["high_level"] - seen["low_level"], seen["ramp_high"] - seen["ramp_low"]
        for level in ("low_level", "high_level"):
            assert refined[level] == pytest.approx(seen[level], abs=0.02 * swing), level
        for level in ("ramp_low", "ramp_high", "threshold"):
            assert refined[level] == pytest.approx(seen[level], abs=0.02 * height), level


@pytest.mark.parametrize("name", BOARDS)
def test_the_drawing_is_what_is_intended(name: str) -> None:
    """Every intended value is drawn, every part is where its role says, every corner has hand figures."""
    prepared = prepare(PLOVER / f"{name}.board.toml")
    assert set(prepared.check["verdict"]) == {"same", "not intended"}
    assert not misplaced(prepared.board, prepared.netlist)
    for quantity in ("threshold", "duty", "frequency", "ramp_low", "ramp_high", "high_level", "low_level"):
        assert prepared.hand[quantity].notna().all(), quantity


def test_both_supplies_move_together() -> None:
    """One parameter sets both; the ramp's top follows the negative one: level (1 + h) + supply h with h =
    43/100, so 3 V more make 1.29 V more; its foot stays."""
    board = load_board(PLOVER / "plover.board.toml")
    netlist = read_netlist(board.netlist, board.include)
    drawn = Drawn(board, netlist, corner_table(board))
    assert np.array_equal(drawn.node("vneg"), -drawn.node("vpos"))
    nodes, network = integrator.parts(drawn), integrator.trip_network(drawn)
    assert nodes is not None and network is not None
    end, start = integrator.ideal_trips(drawn, nodes, network)
    by_supply = {supply: end[drawn.supply == supply][0] for supply in (12.0, 15.0)}
    level = 5 * 10 / 101
    assert by_supply[12.0] == pytest.approx(level * 1.43 + 12 * 0.43, rel=1e-9)
    assert by_supply[15.0] - by_supply[12.0] == pytest.approx(1.29, rel=1e-9)
    # let go, the far end of the hysteresis resistor hangs on 4.7 kOhm to 0 V
    assert start == pytest.approx(level * (1 + 43 / 104.7), rel=1e-9)


def test_the_op_amp_sums_in_the_resistive_network() -> None:
    """threshold = -R_f (V_offset / R_offset + V_control / R_control), the attenuator fully up (5 Ohm at its
    top, 9.995 kOhm below, against 220 kOhm)."""
    board = load_board(PLOVER / "plover.board.toml")
    netlist = read_netlist(board.netlist, board.include)
    corners = corner_table(board)
    drawn = Drawn(board, netlist, corners)
    full = (corners["attenuation"] == 1).to_numpy()
    wiper = corners["control"].to_numpy() * 9995 / (9995 + 5 * (1 + 9995 / 220e3))
    wanted = -100e3 * (-5 / 150e3 + wiper / 220e3)
    assert drawn.node("thr")[full] == pytest.approx(wanted[full], rel=1e-9)


@pytest.mark.parametrize(
    "name", ["plover", *(pytest.param(name, marks=pytest.mark.slow) for name in BOARDS[1:])]
)
def test_refined_is_simulated_at_the_fastest_rate(name: str, tmp_path: Path) -> None:
    """Where the reset counts most: one corner, started by itself."""
    path = bridged(name, tmp_path, supply="12", control="0", rate='"22k"', attenuation="1")
    _, found, results = both(path)
    assert len(results) == 1
    compare(found, results)


@pytest.mark.slow
@pytest.mark.parametrize("name", BOARDS)
def test_refined_is_simulated_in_all_corners(name: str, tmp_path: Path) -> None:
    _, found, results = both(bridged(name, tmp_path, temperature="0, 25, 50"))
    compare(found, results)


@pytest.mark.slow
def test_each_effect_is_named_and_the_amounts_add_up(tmp_path: Path) -> None:
    """The amounts of a quantity add up to refined minus ideal, and the larger ones are of a sensible size."""
    corners, found, _ = both(
        bridged("plover", tmp_path, supply="12", control="0", rate='"22k"', attenuation="1")
    )
    for quantity, rows in found.effects.groupby("quantity"):
        gap = found.refined[quantity].iloc[0] - found.ideal[quantity].iloc[0]
        assert rows["amount"].sum() == pytest.approx(gap, abs=1e-9 * abs(found.refined[quantity].iloc[0]))
    amounts = {
        (row.quantity, row.effect): row.amount
        for row in found.effects.itertuples()
        if row.corner == corners["corner"][0]
    }
    # the comparator's output stands 0.13 V to 0.15 V above the negative supply: 0.43 of that at the top
    assert -0.066 < amounts["ramp_high", "output saturation of the trip comparator"] < -0.05
    # the reset from 5.8 V to 0.7 V through 330 Ohm: ln(8.3) * 73 us of 5.1 ms
    assert amounts["frequency", "reset time"] == pytest.approx(
        -0.034 * found.refined["frequency"].iloc[0], rel=0.15
    )
    assert amounts["ramp_low", "gate kick on the ramp"] < -0.03


def coupled(name: str, folder: Path, picked: Callable[[pd.DataFrame], pd.Series]) -> None:
    """Compares the corners picked of a board as it is, its coupling capacitor in place."""
    board = load_board(PLOVER / f"{name}.board.toml")
    netlist = read_netlist(board.netlist, board.include)
    corners = corner_table(board)
    corners = corners[picked(corners)].reset_index(drop=True)
    found = predict(board, netlist, corners, characterise(board, netlist, folder / "models", True))
    hints = found.refined.combine_first(found.ideal)
    results = [simulate(task) for task in tasks_of(board, netlist, corners, hints)]
    compare(found, results)
    for result in results:
        assert result.reached, result.notes
        swing = result.figures["high_level"] - result.figures["low_level"]
        # a capacitor passes no mean, and a bar says how well that is known
        assert abs(result.figures["mean_level"]) <= result.bars["mean_level"] < 0.02 * swing


def test_a_coupled_output_is_predicted_at_the_nominal_rate(tmp_path: Path) -> None:
    coupled("plover", tmp_path, lambda corners: corners["corner"] == "c014")


@pytest.mark.slow
@pytest.mark.parametrize("name", BOARDS)
def test_a_coupled_output_is_predicted_at_every_rate(name: str, tmp_path: Path) -> None:
    """Down to 0.43 Hz, where a period is as long as the time constant of the coupling, and both ends of the
    width."""
    ends = (-5.0, 5.0)
    coupled(
        name,
        tmp_path,
        lambda corners: (
            (corners["rate"] != 82e3) | (corners["control"].isin(ends) & (corners["temperature"] != 25))
        ),
    )
