# SPDX-License-Identifier: GPL-3.0-or-later
"""The refined prediction against ngspice on the demo boards: closed forms and models measured alone on one
side, the whole transistor circuit on the other."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import characterise
from harness.corners import corner_table
from harness.netlist import read_netlist
from harness.planning import tasks_of
from harness.predict.refined import Prediction, predict
from harness.resources import netlists_folder
from harness.simulate import CornerResult, simulate

KESTREL = netlists_folder() / "boards" / "kestrel"


def picked(corners: pd.DataFrame, wanted: list[dict[str, float]]) -> list[int]:
    """Positions of corners; axes that are not named stay at the board's most frequent value."""
    usual = {name: corners[name].mode()[0] for name in corners.columns if name != "corner"}
    places = []
    for at in wanted:
        mask = np.all([np.isclose(corners[k], v) for k, v in {**usual, **at}.items()], axis=0)
        places.append(int(np.flatnonzero(mask)[0]))
    return places


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One store of measured models for all tests here: it goes by what is measured, not by where it lies."""
    return tmp_path_factory.mktemp("models")


def both(
    path: Path, wanted: list[dict[str, float]], store: Path, measure: bool = True
) -> tuple[Prediction, list[int], list[CornerResult]]:
    board = load_board(path)
    netlist = read_netlist(board.netlist, board.include)
    corners = corner_table(board)
    found = predict(board, netlist, corners, characterise(board, netlist, store, measure))
    places = picked(corners, wanted)
    hints = found.refined.combine_first(found.ideal)
    tasks = tasks_of(board, netlist, corners.iloc[places], hints.iloc[places])
    return found, places, [simulate(task) for task in tasks]


def differences(refined: Mapping[str, float], simulated: Mapping[str, float]) -> dict[str, float]:
    """Refined minus simulated: duty absolute, frequency in cents, volts as shares of swing or ramp, the rest
    relative."""
    swing = simulated.get("high_level", math.nan) - simulated.get("low_level", math.nan)
    height = simulated["ramp_high"] - simulated["ramp_low"]
    scales = {
        "duty": 1.0, "low_level": swing, "high_level": swing, "mean_level": swing, "ac_rms": swing,
        "threshold": height, "ramp_low": height, "ramp_high": height, "headroom": height,
        "floor_room": height,
    }  # fmt: skip
    result = {}
    for name, figure in refined.items():
        if name not in simulated or name == "level_vs_square":
            continue
        if name == "frequency":
            result[name] = 1200 * math.log2(figure / simulated[name])
        else:
            result[name] = (figure - simulated[name]) / scales.get(name, abs(simulated[name]))
    return result


#: a fraction of the goals (duty 0.002, levels 2 %, 5 cents), so that a worse prediction is noticed early
ALLOWED = {
    "duty": 4e-4,
    "frequency": 1.0,
    "rise_time": 0.02,
    "fall_time": 0.02,
    "ramp_low": 1e-3,
    "ramp_high": 1e-3,
}
USUAL = 5e-4


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        (
            "kestrel_slicer",
            [{"control": 0.0, "supply": 13.5, "temperature": 0.0}, {"control": 10.0, "temperature": 50.0}],
        ),
        ("kestrel", [{"supply": 13.5, "temperature": 0.0}, {"supply": 16.5, "temperature": 50.0}, {}]),
    ],
)
def test_refined_figures_are_those_of_the_engine(
    name: str, wanted: list[dict[str, float]], store: Path
) -> None:
    """Duty, pitch, levels, currents and edges within a fraction of the goals."""
    found, places, results = both(KESTREL / f"{name}.board.toml", wanted, store)
    for place, result in zip(places, results, strict=True):
        assert result.state == "pulsing", result.reason
        off = differences(found.refined.iloc[place].dropna(), result.figures)
        assert {"duty", "frequency", "low_level", "high_level", "pullup_current", "fall_time"} <= set(off)
        for quantity, difference in off.items():
            assert abs(difference) <= ALLOWED.get(quantity, USUAL), (result.corner, quantity, difference)


@pytest.mark.parametrize(
    ("switched_off", "effects", "quantity"),
    [
        ("bias=0", ["input bias current at the threshold"], "threshold"),
        ("saturation=0", ["output saturation"], "low_level"),
        (
            "bias=0",
            ["input bias current into the ramp capacitor", "input bias current at the trip level"],
            "frequency",
        ),
    ],
)
def test_effect_is_what_the_model_does_without_it(
    switched_off: str, effects: list[str], quantity: str, tmp_path: Path, store: Path
) -> None:
    """The amount of an effect against two simulations, one with the effect switched off in the model."""
    for name in ("kestrel.cir", "kestrel.board.toml"):
        (tmp_path / name).write_text((KESTREL / name).read_text())
    found, _, (whole,) = both(tmp_path / "kestrel.board.toml", [{}], store)
    text = (tmp_path / "kestrel.cir").read_text()
    (tmp_path / "kestrel.cir").write_text(
        text.replace(" comparator_393\n", f" comparator_393 {switched_off}\n")
    )
    _, _, (without,) = both(tmp_path / "kestrel.board.toml", [{}], store, measure=False)
    rows = found.effects[(found.effects["corner"] == whole.corner) & (found.effects["quantity"] == quantity)]
    amount = rows[rows["effect"].isin(effects)]["amount"].sum()
    seen = whole.figures[quantity] - without.figures[quantity]
    assert amount == pytest.approx(seen, rel=0.06), (amount, seen)
