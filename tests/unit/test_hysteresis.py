# SPDX-License-Identifier: GPL-3.0-or-later
"""Both thresholds of a stage with feedback from its output, composed from a drawing, against print."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from harness.board import load_board
from harness.characterise import Characteristics
from harness.corners import corner_table
from harness.netlist import read_netlist
from harness.predict.refined import predict

MODEL = """\
.subckt plain plus minus supply ground output
Bout output ground i = v(output,ground)/50*(0.5-0.5*tanh(1e6*(v(plus)-v(minus))))
Rin plus minus 1e12
Rsupply supply ground 1meg
.ends
"""
BOARD = """\
[board]
format = 1
name = "hysteresis"
revision = "A"
netlist = "hysteresis.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "X1"
comparator_class = "{kind}"
ramp_input = "minus"
supply = "Vcc"
[core]
kind = "ramp source"
[axes.control]
values = [{control}]
unit = "V"
sets = "Vreference"
"""


def predicted(folder: Path, lines: str, kind: str, control: float, ramp: str = "-15 15") -> pd.DataFrame:
    """Ideal parts: what follows from the drawn network alone. ``ramp``: its ends, V."""
    (folder / "hysteresis.cir").write_text(
        f"both thresholds\n{MODEL}Vramp ramp 0 pulse({ramp} 0 0.9m 10u 90u 1m)\n{lines}"
    )
    (folder / "hysteresis.board.toml").write_text(BOARD.format(kind=kind, control=control))
    board = load_board(folder / "hysteresis.board.toml")
    corners = corner_table(board)
    return predict(board, read_netlist(board.netlist), corners, Characteristics()).refined


def test_little_hysteresis_about_a_reference(tmp_path: Path) -> None:
    """2.5 V through 1 kOhm, 99 kOhm from an output of 0 and 5 V: 2.525 V and 2.475 V.

    Source: Analog Devices (Maxim) MAX9647 datasheet, p. 9.
    """
    lines = "Vcc vcc 0 5\nVreference ref 0 2.5\nR2 ref thr 1k\nR1 out thr 99k\nX1 thr ramp vcc 0 out plain\n"
    row = predicted(tmp_path, lines, "push-pull", 2.5, "1 4").iloc[0]
    assert row["threshold"] == pytest.approx(2.525, abs=5e-4)
    assert row["threshold_return"] == pytest.approx(2.475, abs=5e-4)
    assert row["duty"] == pytest.approx(1.525 / 3 * 0.9 + 1.475 / 3 * 0.01, abs=1e-6)


def test_pullup_in_series_with_the_feedback(tmp_path: Path) -> None:
    """5 V, 66.7 k and 40 k, 100 k feedback, 2.2 k pull-up: 1.5 V, and 2.489 V instead of the formula's 2.5 V.

    Source: S. Franco, Design with Operational Amplifiers and Analog Integrated Circuits, example 9.5 (inputs
    read in a collection of worked examples).
    """
    lines = (
        "Vcc vcc 0 5\nVreference ref 0 5\nR1 ref thr 66.6667k\nR2 thr 0 40k\nR3 out thr 100k\n"
        "Rpull vcc out 2.2k\nX1 thr ramp vcc 0 out plain\n"
    )
    row = predicted(tmp_path, lines, "393", 5.0).iloc[0]
    assert row["threshold"] == pytest.approx(2.489, abs=5e-4)
    assert row["threshold_return"] == pytest.approx(1.5, abs=1e-5)


def test_emitter_at_the_negative_supply(tmp_path: Path) -> None:
    """A 311 whose emitter pin lies at -10 V: low level and lower threshold start from there."""
    lines = (
        ".subckt other plus minus supply negative output emitter\n"
        "Bout output emitter i = v(output,emitter)/50*(0.5-0.5*tanh(1e6*(v(plus)-v(minus))))\n"
        "Rin plus minus 1e12\nRsupply supply negative 1meg\n.ends\n"
        "Vcc vcc 0 10\nVee vee 0 -12\nVlow low 0 -10\nVreference ref 0 0\n"
        "R1 ref thr 10k\nR3 out thr 90k\n"
        "Rpull vcc out 1k\nX1 thr ramp vcc vee out low other\n"
    )
    row = predicted(tmp_path, lines, "311", 0.0).iloc[0]
    assert row["low_level"] == pytest.approx(-10.0, rel=1e-9)
    assert row["threshold_return"] == pytest.approx(-1.0, rel=1e-6)
    assert row["threshold"] == pytest.approx(10 * 10 / 101, rel=1e-6)
