# SPDX-License-Identifier: GPL-3.0-or-later
"""Outputs that are shorted, joined, or pulled up by nothing: a sane state and no invented figure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import characterise
from harness.corners import corner_table
from harness.drawing import cautions
from harness.netlist import read_netlist
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.simulate import CornerResult, simulate
from harness.states import state_of

START = """an odd output
.include "parts/comparator_393.inc"
.include "parts/comparator_push_pull.inc"
.include "parts/opamp_07x.inc"
Vcc vcc 0 5
Vee vee 0 -5
Vcontrol thr 0 1.2
Vramp ramp 0 PULSE(0.5 2.5 0 980u 10u 10u 1m)
"""
SLICER_393 = "Xslice thr ramp vcc 0 out comparator_393\n"
BOARD = """
[board]
format = 1
name = "odd"
revision = "A"
netlist = "odd.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
ramp_input = "minus"
supply = "Vcc"
{roles}
[core]
kind = "ramp source"
[axes.control]
values = [1.2]
unit = "V"
sets = "Vcontrol"
[simulation]
accuracy = 1e-3
"""


def run(folder: Path, lines: str, roles: str) -> tuple[CornerResult, pd.Series, str]:
    """The simulated corner, its refined prediction, and what was remarked about the drawing."""
    (folder / "odd.cir").write_text(f"{START}{lines}.end\n")
    (folder / "odd.board.toml").write_text(BOARD.format(roles=roles))
    board = load_board(folder / "odd.board.toml")
    netlist = read_netlist(board.netlist)
    corners = corner_table(board)
    with np.errstate(all="ignore"):
        found = predict(board, netlist, corners, characterise(board, netlist, folder / "models", True))
    (task,) = tasks_of(board, netlist, corners, found.refined.combine_first(found.ideal))
    said = " ".join(finding.message for finding in cautions(board, netlist))
    return simulate(task), found.refined.iloc[0], said


def test_shorted_open_collector_stands_low(tmp_path: Path) -> None:
    result, refined, _ = run(
        tmp_path,
        f"{SLICER_393}Rpull vcc out 3.9k\nRshort out 0 1m\n",
        'comparator_class = "393"\npullup = "Rpull"',
    )
    assert state_of(result) == "stuck low"
    assert pd.isna(refined.get("duty"))


def test_shorted_push_pull_stands_low(tmp_path: Path) -> None:
    result, _, _ = run(
        tmp_path,
        "Xslice thr ramp vcc 0 out comparator_push_pull\nRshort out 0 10m\n",
        'comparator_class = "push-pull"',
    )
    assert state_of(result) == "stuck low"


def test_two_joined_push_pulls_fight(tmp_path: Path) -> None:
    """One of them has its inputs the other way round: what comes out is between, and nothing is predicted."""
    result, refined, _ = run(
        tmp_path,
        "Xslice thr ramp vcc 0 out comparator_push_pull\nXother ramp thr vcc 0 out comparator_push_pull\n",
        'comparator_class = "push-pull"',
    )
    assert state_of(result) in ("stuck low", "stuck high", "pulsing", "chatter")
    assert pd.isna(refined.get("high_level"))


def test_open_collector_that_nothing_pulls_up(tmp_path: Path) -> None:
    _, refined, said = run(tmp_path, f"{SLICER_393}Cload out 0 100p\n", 'comparator_class = "393"')
    assert 'nothing pulls "out" up' in said
    assert pd.isna(refined.get("high_level"))


def test_push_pull_without_a_pullup_is_as_it_should_be(tmp_path: Path) -> None:
    result, refined, said = run(
        tmp_path,
        "Xslice thr ramp vcc 0 out comparator_push_pull\nCload out 0 100p\n",
        'comparator_class = "push-pull"',
    )
    assert "pulls" not in said and state_of(result) == "pulsing"
    assert "pullup_current" not in refined and "pullup_current" not in result.figures


def test_inputs_below_the_range_of_a_jfet_op_amp(tmp_path: Path) -> None:
    """Ramp and threshold 5 to 7 V above the negative supply are within its range, 3.5 V above it are not."""
    lines = "Xslice thr ramp vcc vee out opamp_07x\n"
    result, refined, _ = run(tmp_path, lines, 'comparator_class = "07x"')
    assert state_of(result) == "pulsing"
    result, refined, _ = run(
        tmp_path, lines.replace("vee", "low") + "Vlow low 0 -3\n", 'comparator_class = "07x"'
    )
    assert state_of(result) == "out of range"
    assert result.figures["floor_room"] == pytest.approx(0.5 + 3.0 - 4.0, abs=1e-3)
    assert refined["floor_room"] == pytest.approx(result.figures["floor_room"], abs=1e-3)
