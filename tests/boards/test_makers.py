# SPDX-License-Identifier: GPL-3.0-or-later
"""The maker of a part as an axis: the refined prediction follows what the axis changes inside a model."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import MOST_VARIANTS, Characteristics, characterise
from harness.netlist import read_netlist
from harness.run import run

NETLIST = """* A slicing stage whose comparator comes from one of two makers
.include "parts/comparator_393.inc"
.param maker=0
Vcc vcc 0 12
Vthr thr_source 0 2
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Rthr thr_source thr 220k
Xslice thr ramp vcc 0 out comparator_393 params: drive={1-0.5*maker} bias={25n+175n*maker}
Rpull vcc out 4.7k
Cload out 0 220p
.end
"""
BOARD = """
[board]
format = 1
name = "makers"
revision = "A"
netlist = "makers.cir"

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
kind = "ramp source"

[axes.maker]
values = { first = 0, second = 1 }
sets = "maker"

[axes.threshold]
values = [1, 3]
unit = "V"
sets = "Vthr"

[hand]
duty = "threshold / 5 V"
"""


def board_in(folder: Path, text: str = BOARD) -> Path:
    (folder / "makers.cir").write_text(NETLIST, encoding="utf-8")
    path = folder / "makers.board.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_refined_follows_the_maker(tmp_path: Path) -> None:
    """200 nA instead of 25 nA into 220 kOhm move the threshold by 39 mV (I R), and half the drive raises the
    low level; refined and simulated part by less than a tenth of either."""
    result = run(board_in(tmp_path))
    table = result.corners.set_index(["maker", "threshold"])
    for quantity, near in (("duty", 5e-4), ("low_level", 1.5e-3), ("threshold", 2e-3)):
        apart = table[f"{quantity}.refined"] - table[f"{quantity}.simulated"]
        assert apart.abs().max() < near, quantity
    first, second = (table.loc[maker] for maker in (0.0, 1.0))
    moved = (second["threshold.refined"] - first["threshold.refined"]).to_numpy()
    assert moved == pytest.approx(175e-9 * 220e3, rel=0.1)
    assert (second["low_level.refined"] - first["low_level.refined"]).min() > 0.015
    sums = result.effects[result.effects["quantity"] == "duty"].groupby("corner")["amount"].sum()
    wanted = result.corners.set_index("corner")["duty.difference"]
    assert np.allclose(sums, wanted.loc[sums.index], atol=1e-12)
    assert list(dict.fromkeys(result.effects["corner"])) == list(result.corners["corner"])


def test_more_settings_than_are_measured(tmp_path: Path) -> None:
    """Then models are measured at the nominal setting alone, and nothing is known at the others."""
    many = ", ".join(str(place / 20) for place in range(MOST_VARIANTS + 1))
    text = BOARD.replace("{ first = 0, second = 1 }", f"[{many}]")
    board = load_board(board_in(tmp_path, text))
    known = characterise(board, read_netlist(board.netlist), tmp_path / "models", measure=False)
    assert [at for at, _ in known.variants] == [{"maker": board.axes["maker"].nominal}]
    assert any(name == "models" and "measured at the nominal one alone" in why for name, why in known.missing)


def test_settings_that_were_not_measured_know_nothing() -> None:
    """Rows of a table go to the setting that they are at."""
    first, second = Characteristics(reused=1), Characteristics(reused=2)
    both = Characteristics(variants=(({"maker": 0.0}, first), ({"maker": 1.0}, second)))
    corners = pd.DataFrame({"corner": ["c1", "c2", "c3"], "maker": [1.0, 0.0, 0.5]})
    found = [(rows.tolist(), known.reused) for rows, known in both.by_rows(corners)]
    assert found == [([False, True, False], 1), ([True, False, False], 2), ([False, False, True], 0)]


def test_settings_of_a_billionth_are_told_apart() -> None:
    """An axis of capacitances lies within what is nothing beside volts."""
    first, second = Characteristics(reused=1), Characteristics(reused=2)
    both = Characteristics(variants=(({"stray": 1e-9}, first), ({"stray": 2e-9}, second)))
    corners = pd.DataFrame({"corner": ["c1", "c2", "c3"], "stray": [2e-9, 1e-9, 1.000001e-9]})
    found = [(rows.tolist(), known.reused) for rows, known in both.by_rows(corners)]
    assert found == [([False, True, False], 1), ([True, False, False], 2), ([False, False, True], 0)]
