# SPDX-License-Identifier: GPL-3.0-or-later
"""A charged capacitor whose current an exponential converter gives: Kestrel's core with a PNP pair in the
place of its mirror, refined against the engine.

The circuit has a second state at rest: with the reference collector below ground the op-amp's phase
reverses, and it keeps the pair off. A run from an operating point lands there, and so do steps of 0.9 ms in
the middle of a cycle.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import characterise
from harness.corners import corner_table
from harness.engine.scout import uniform
from harness.engine.session import session
from harness.measure.cycle import measure_cycle
from harness.netlist import read_netlist
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.resources import netlists_folder
from harness.simulate import Task, simulate

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


def tasks_in(folder: Path) -> tuple[list[Task], pd.DataFrame, pd.DataFrame]:
    """A task a corner, with the refined and the ideal figures."""
    board = load_board(folder / "rising.board.toml")
    netlist = read_netlist(board.netlist, board.include)
    corners = corner_table(board)
    found = predict(board, netlist, corners, characterise(board, netlist, folder / "models", True))
    return tasks_of(board, netlist, corners, found.refined), found.refined, found.ideal


def test_pitch_of_a_rising_core_with_a_converter(folder: Path) -> None:
    """Two octaves less what the divider lacks: pitch within 5 cents, duty within 0.002 of the engine's,
    while the law alone is some 80 cents off and more."""
    tasks, refined_figures, ideal_figures = tasks_in(folder)
    for place, task in enumerate(tasks):
        result = simulate(task)
        assert result.state == "pulsing", result.reason
        seen = result.figures
        refined, ideal = (
            1200 * math.log2(table["frequency"][place] / seen["frequency"])
            for table in (refined_figures, ideal_figures)
        )
        assert abs(refined) < 5.0
        assert abs(ideal) > 50.0
        assert refined_figures["duty"][place] == pytest.approx(seen["duty"], abs=0.002)
        assert refined_figures["ramp_high"][place] == pytest.approx(seen["ramp_high"], abs=0.02 * 8.4)


@pytest.mark.slow
def test_a_cycle_that_large_steps_lose(folder: Path) -> None:
    """At 14 V and 50 degC steps of a sixteenth of the period fall into the state at rest, from which a board
    never wakes. A run in small uniform steps of another method says what the circuit does."""
    text = BOARD.replace("[10, 12]", "[14]").replace("[hand]", "[axes.temperature]\nvalues = [50]\n\n[hand]")
    (folder / "rising.board.toml").write_text(text, encoding="utf-8")
    (task,), _, _ = tasks_in(folder)
    result = simulate(task)
    assert result.state == "pulsing"
    assert any("a cycle was seen and then lost" in note for note in result.notes)
    plan = replace(task.plan, period=1 / result.figures["frequency"])
    plain = uniform(
        session(), plan,
        lambda record, begin, end: measure_cycle(record, begin, end, replace(task.probes, sink_current=None),
                                                 plan.temperature), [],
    )  # fmt: skip
    apart = 1200 * math.log2(result.figures["frequency"] / plain.figures["frequency"])
    assert abs(apart) < 1.0
    assert result.figures["duty"] == pytest.approx(plain.figures["duty"], abs=5e-4)
