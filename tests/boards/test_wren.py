# SPDX-License-Identifier: GPL-3.0-or-later
"""Wren from end to end: a pitch sweep over eight octaves in the engine against the prediction, and what its
hand calculations miss."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import Board, load_board
from harness.characterise import characterise
from harness.corners import corner_table
from harness.drawing import compare_drawing
from harness.netlist import read_netlist
from harness.planning import tasks_of
from harness.predict.converter import BASE, COLLECTOR, WARMTH
from harness.predict.cores.snapped import RESET
from harness.predict.hand import hand_table
from harness.predict.refined import Prediction, predict
from harness.resources import netlists_folder
from harness.simulate import CornerResult, simulate

WREN = netlists_folder() / "boards" / "wren" / "wren.board.toml"
EXACT = {"duty": 0.002, "levels": 0.02, "cents": 5.0}  # how near refined has to be to simulated


@pytest.fixture(scope="module")
def board() -> Board:
    return load_board(WREN)


@pytest.fixture(scope="module")
def corners(board: Board) -> pd.DataFrame:
    return corner_table(board)


@pytest.fixture(scope="module")
def prediction(board: Board, corners: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Prediction:
    netlist = read_netlist(board.netlist, board.include)
    return predict(board, netlist, corners, characterise(board, netlist, tmp_path_factory.mktemp("m"), True))


def at(corners: pd.DataFrame, **axes: float) -> list[int]:
    """Positions of the corners with these settings; axes that are not named at their nominal value."""
    nominal = {"pitch": 4.0, "control": 1.65, "supply": 5.0, "temperature": 25.0, "tune": 0.5} | axes
    mask = np.all([np.isclose(corners[name], value) for name, value in nominal.items()], axis=0)
    return [int(place) for place in np.flatnonzero(mask)]


def run(board: Board, corners: pd.DataFrame, found: Prediction, places: list[int]) -> list[CornerResult]:
    netlist = read_netlist(board.netlist, board.include)
    hints = found.refined.combine_first(found.ideal)
    return [simulate(task) for task in tasks_of(board, netlist, corners.iloc[places], hints.iloc[places])]


def check(found: Prediction, place: int, result: CornerResult) -> None:
    """Pitch, duty and levels of one corner, refined against simulated."""
    refined, seen = found.refined.iloc[place], result.figures
    assert result.state == "pulsing", result.reason
    assert abs(1200 * math.log2(refined["frequency"] / seen["frequency"])) < EXACT["cents"], result.corner
    assert abs(refined["duty"] - seen["duty"]) < EXACT["duty"], result.corner
    for quantities, low, high in (
        (("low_level", "high_level", "mean_level"), "low_level", "high_level"),
        (("ramp_low", "ramp_high", "threshold"), "ramp_low", "ramp_high"),
    ):
        for name in quantities:
            assert abs(refined[name] - seen[name]) < EXACT["levels"] * (seen[high] - seen[low]), (name, place)


def test_drawn_as_intended(board: Board) -> None:
    netlist = read_netlist(board.netlist, board.include)
    table = compare_drawing(board, netlist)
    assert set(table["verdict"]) <= {"same", "not intended"}


def test_ends_of_the_pitch_range(tmp_path: Path) -> None:
    """Two corners eight octaves apart, at the nominal supply and temperature, so that the benches have a
    single place each."""
    text = WREN.read_text()
    fewer = {
        "[4.5, 5, 5.5]": "[5]",
        "[5, 25, 45]": "[25]",
        "[0, 1, 2, 3, 4, 5, 6, 7, 8]": "[0, 8]",
        "nominal = 4": "nominal = 8",
        "at = { pitch = 4 }": "at = { pitch = 8 }",
    }
    for many, one in fewer.items():
        assert many in text
        text = text.replace(many, one)
    (tmp_path / "wren.cir").write_text(load_board(WREN).netlist.read_text())
    (tmp_path / "wren.board.toml").write_text(text)
    board = load_board(tmp_path / "wren.board.toml")
    corners, netlist = corner_table(board), read_netlist(board.netlist, board.include)
    found = predict(board, netlist, corners, characterise(board, netlist, tmp_path / "models", True))
    places = [at(corners, pitch=pitch)[0] for pitch in (0.0, 8.0)]
    for place, result in zip(places, run(board, corners, found, places), strict=True):
        check(found, place, result)


@pytest.mark.slow
def test_every_corner(board: Board, corners: pd.DataFrame, prediction: Prediction) -> None:
    """All corners; eight octaves of pitch at three temperatures and three supplies among them. A stuck output
    is predicted as such, its pitch all the same."""
    places = list(range(len(corners)))
    for place, result in zip(places, run(board, corners, prediction, places), strict=True):
        if result.state == "pulsing":
            check(prediction, place, result)
        else:
            assert result.state in ("stuck low", "stuck high")
            assert prediction.refined["duty"][place] == (0.0 if result.state == "stuck low" else 1.0)
            cents = 1200 * math.log2(prediction.refined["frequency"][place] / result.figures["frequency"])
            assert abs(cents) < EXACT["cents"]


@pytest.mark.slow
def test_the_hand_misses_the_reset_of_high_notes(
    board: Board, corners: pd.DataFrame, prediction: Prediction
) -> None:
    """Low notes are as calculated, the highest come out some 90 cents flat, and the reset is the largest of
    the named reasons; what warmth, base current and the moving collector do is named, too."""
    hand = hand_table(board, corners)["frequency"]
    cents = {
        pitch: 1200 * math.log2(prediction.refined["frequency"][place] / hand[place])
        for pitch in range(9)
        for place in at(corners, pitch=float(pitch))
    }
    assert abs(cents[3]) < 5
    assert -105 < cents[8] < -80
    assert all(cents[pitch + 1] < cents[pitch] for pitch in range(3, 8))
    (place,) = at(corners, pitch=8.0, temperature=45.0)
    rows = prediction.effects
    rows = rows[(rows["corner"] == corners["corner"][place]) & (rows["quantity"] == "frequency")]
    amounts = rows.set_index("effect")["amount"]
    assert amounts.idxmin() == RESET.name
    assert {WARMTH.name, BASE.name, COLLECTOR.name} <= set(amounts.index)
    assert amounts.sum() == pytest.approx(
        prediction.refined["frequency"][place] - prediction.ideal["frequency"][place], rel=1e-9
    )


def test_uncompensated_converter_drifts_as_the_law_says(board: Board, tmp_path: Path) -> None:
    """Without the shunt's temperature coefficient the prediction moves by 1200 n (T / T' - 1) cents, n
    octaves from the reference current, and with it by a small part of that."""
    text = board.netlist.read_text()
    assert " tc1=3500u" in text
    moved = {}
    for name, netlist in (("with", text), ("without", text.replace(" tc1=3500u", ""))):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "wren.cir").write_text(netlist)
        (folder / "wren.board.toml").write_text(WREN.read_text())
        copy = load_board(folder / "wren.board.toml")
        corners = corner_table(copy)
        drawn = read_netlist(copy.netlist, copy.include)
        found = predict(copy, drawn, corners, characterise(copy, drawn, folder / "models", False)).refined
        (cold,), (warm,) = (at(corners, pitch=8.0, temperature=t) for t in (25.0, 45.0))
        moved[name] = 1200 * math.log2(found["frequency"][warm] / found["frequency"][cold])
        if name == "without":
            (low,) = at(corners, pitch=4.0)
            octaves = math.log2(found["frequency"][cold] / found["frequency"][low]) * 3.87 / 4
    assert moved["without"] == pytest.approx(1200 * octaves * (298.15 / 318.15 - 1), rel=0.02)
    assert abs(moved["with"]) < 0.06 * abs(moved["without"])
