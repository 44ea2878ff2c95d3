# SPDX-License-Identifier: GPL-3.0-or-later
"""Pins of a comparator whose subcircuit numbers them, told by what the board file and the sources say."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.pins import StagePins, stage_pins
from harness.planning import probes_of
from harness.ratings import rated_parts
from harness.run import prepare

NETLIST = """\
An op-amp slices a ramp from two supplies, with a resistor and a load behind it
Vpositive 1 0 15
Vnegative 2 0 -15
Vramp 10 0 PULSE(0 5 0 980u 10u 10u 1m)
Vcontrol 20 0 2.5
Xstage 10 20 1 2 30 stage
Rseries 30 40 1k
Rload 40 0 100k
.subckt stage 1 2 3 4 5
Xcompare 2 1 3 4 6{more} macro
Rout 6 5 100
.ends
.subckt macro 1 2 3 4 5{pin}
Rin 1 2 1meg
E1 6 4 1 2 1e5
Rout 6 5 50
Rsupply 3 4 10k
.ends
.end
"""

BOARD = """\
[board]
format = 1
name = "pins"
revision = "A"
netlist = "pins.cir"
[roles]
ramp = "10"
threshold = "20"
output = "40"
comparator = "Xstage.Xcompare"
comparator_class = "07x"
ramp_input = "minus"
supply = "Vpositive"
load_resistor = "Rload"
[axes.control]
values = [1, 2.5]
unit = "V"
sets = "Vcontrol"
"""


def board(folder: Path, more: str = "", pin: str = "") -> Path:
    (folder / "pins.cir").write_text(NETLIST.format(more=more, pin=pin))
    (folder / "pins.board.toml").write_text(BOARD)
    return folder / "pins.board.toml"


def test_the_pin_that_nothing_holds_is_the_output(tmp_path: Path) -> None:
    prepared = prepare(board(tmp_path))
    found = stage_pins(prepared.board, prepared.netlist)
    assert found == StagePins(output="xstage.6", supply="1", negative="2", reference="2")


def test_the_ratings_of_its_class_are_watched(tmp_path: Path) -> None:
    prepared = prepare(board(tmp_path))
    rated = rated_parts(prepared.board, prepared.netlist)
    assert {one.part for one in rated} == {"xstage.Xcompare"}
    assert any("supply voltage" in one.words for one in rated)
    numberless = prepare(board(tmp_path, " 7", " 9"))
    assert not rated_parts(numberless.board, numberless.netlist)


@pytest.mark.parametrize("more", ["", " 7"])
def test_room_is_judged_only_where_the_pins_are_known(tmp_path: Path, more: str) -> None:
    """A sixth pin at a node of its own could be the output as well."""
    prepared = prepare(board(tmp_path, more, more.replace("7", "9")))
    probes = probes_of(prepared.board, prepared.netlist)
    assert (probes.class_, probes.ground_node) == ((None, "0") if more else ("07x", "2"))
