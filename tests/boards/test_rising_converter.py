# SPDX-License-Identifier: GPL-3.0-or-later
"""A charged capacitor whose current an exponential converter gives: Kestrel's core with a PNP pair in the
place of its mirror, refined against the engine.

The circuit has a second state at rest: with the reference collector below ground the op-amp's phase reverses,
and it keeps the pair off. A run from an operating point lands there. So does, at 14 V of pitch, a steered run
that goes on from the state before with steps of up to 0.9 ms, while plain runs from `.ic` with steps
of 0.2 ms and less do not: such corners come out as "no ramp" though the circuit has one. Not tested.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from harness.board import load_board
from harness.characterise import characterise
from harness.corners import corner_table
from harness.netlist import read_netlist
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.resources import netlists_folder
from harness.simulate import simulate

CONVERTER = """
Iset sense 0 15u
Vbase refbase 0 11
Vpitch pitch 0 12
Rpitch pitch outbase 100k
Rshunt outbase refbase 1.8k
Xservo refbase sense vcc 0 drive opamp_07x
Cservo drive sense 220p
Remitter drive emitter 3.3k
Xpair sense refbase emitter ramp outbase emitter pnp_pair
"""
BOARD = """
[board]
format = 1
name = "rising"
revision = "A"
netlist = "rising.cir"

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
comparator = "Xtrip"
trip = "trip"
gate_pullup = "Rgate"
reset_switch = "Mreset"
reset_resistor = "Rreset"
pulldown_switch = "Mpull"
pulldown_resistor = "Rfoot"

[core.converter]
pair = "Xpair"
reference_base = "refbase"
output_base = "outbase"
reference = "Iset"
amplifier = "Xservo"

[axes.pitch]
values = [10, 12]
unit = "V"
sets = "Vpitch"

[hand]
ramp_high = "9 V"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    text = (netlists_folder() / "boards" / "kestrel" / "kestrel.cir").read_text(encoding="utf-8")
    before, _, rest = text.partition("Ipitch pitch 0 15u\n")
    _, _, after = rest.partition("Q4 ramp pitch base pnp_small\n")
    assert after
    models = '.include "parts/pnp_pair.inc"\n.include "parts/opamp_07x.inc"'
    before = before.replace('.include "parts/pnp_small.inc"', models).replace("Vcc vcc 0 15", "Vcc vcc 0 18")
    (tmp_path / "rising.cir").write_text(before + CONVERTER + after, encoding="utf-8")
    (tmp_path / "rising.board.toml").write_text(BOARD, encoding="utf-8")
    return tmp_path


def test_pitch_of_a_rising_core_with_a_converter(folder: Path) -> None:
    """Two octaves less what the divider lacks: pitch within 5 cents, duty within 0.002 of the engine's,
    while the law alone is some 80 cents off and more."""
    board = load_board(folder / "rising.board.toml")
    netlist = read_netlist(board.netlist, board.include)
    corners = corner_table(board)
    found = predict(board, netlist, corners, characterise(board, netlist, folder / "models", True))
    for place, task in enumerate(tasks_of(board, netlist, corners, found.refined)):
        result = simulate(task)
        assert result.state == "pulsing", result.reason
        seen = result.figures
        refined, ideal = (
            1200 * math.log2(table["frequency"][place] / seen["frequency"])
            for table in (found.refined, found.ideal)
        )
        assert abs(refined) < 5.0
        assert abs(ideal) > 50.0
        assert found.refined["duty"][place] == pytest.approx(seen["duty"], abs=0.002)
        assert found.refined["ramp_high"][place] == pytest.approx(seen["ramp_high"], abs=0.02 * 8.4)
