# SPDX-License-Identifier: GPL-3.0-or-later
"""A slicing stage drawn as a subcircuit with parts and nodes of its own: predicted and simulated as if drawn
flat."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import characterise
from harness.corners import corner_table
from harness.drawing import cautions, compare_drawing
from harness.netlist import read_netlist
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.simulate import CornerResult, simulate

FLAT = """\
Rknob rail thr 12k
Rcontrol control thr 33k
Rlow thr 0 22k
Xslice thr ramp vcc 0 out comparator_393
Rpull rail out 4.7k
Cload out 0 330p
"""
START = """the same stage twice
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vrail rail 0 5
Vcontrol control 0 2
Vramp ramp 0 PULSE(0.5 4.5 0 980u 10u 10u 1m)
"""
BOARD = """
[board]
format = 1
name = "inside"
revision = "A"
netlist = "inside.cir"
[roles]
ramp = "ramp"
threshold = "{path}thr"
output = "{path}out"
comparator = "{path}Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "{path}Rpull"
load_capacitor = "{path}Cload"
supply = "Vcc"
[core]
kind = "ramp source"
[intended]
"{path}Rpull" = "4.7k"
[axes.control]
values = [1, 2, 4]
unit = "V"
sets = "Vcontrol"
"""


def outcome(folder: Path, lines: str, path: str) -> tuple[pd.DataFrame, list[CornerResult]]:
    folder.mkdir()
    (folder / "inside.cir").write_text(f"{START}{lines}.end\n")
    (folder / "inside.board.toml").write_text(BOARD.format(path=path))
    board = load_board(folder / "inside.board.toml")
    netlist = read_netlist(board.netlist)
    assert board.check_against(netlist) == []
    assert list(cautions(board, netlist)) == []
    assert "differs" not in set(compare_drawing(board, netlist)["verdict"])
    corners = corner_table(board)
    found = predict(board, netlist, corners, characterise(board, netlist, folder / "models", True)).refined
    return found, [simulate(task) for task in tasks_of(board, netlist, corners, found)]


def test_stage_inside_is_stage_outside(tmp_path: Path) -> None:
    inner = f".subckt stage control ramp vcc rail\n{FLAT}.ends\nXboard control ramp vcc rail stage\n"
    flat, seen = outcome(tmp_path / "flat", FLAT, "")
    inside, seen_inside = outcome(tmp_path / "inside", inner, "Xboard.")
    assert list(inside.columns) == list(flat.columns)
    assert inside.to_numpy(dtype=float) == pytest.approx(flat.to_numpy(dtype=float), rel=1e-6, nan_ok=True)
    for one, other in zip(seen, seen_inside, strict=True):
        assert one.state == other.state == "pulsing"
        for name in ("duty", "high_level", "low_level", "pullup_current", "sink_current", "pullup_power"):
            assert other.figures[name] == pytest.approx(one.figures[name], rel=1e-4, abs=1e-7), name
