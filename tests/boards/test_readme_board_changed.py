# SPDX-License-Identifier: GPL-3.0-or-later
"""The board of the README, changed as a user would change it, and what is said of that before any run."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from harness.drawing import contradictions
from harness.run import predictions, prepare

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """The two files of the README in a folder of their own."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for language, name in (("spice", "first.cir"), ("toml", "first.board.toml")):
        (block,) = re.findall(rf"^```{language}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
        (tmp_path / name).write_text(block, encoding="utf-8")
    return tmp_path / "first.board.toml"


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert text.count(old) == 1
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize(("diode", "conducts"), [("thr thr0", True), ("thr0 thr", False)])
def test_a_diode_in_the_control_path(board: Path, diode: str, conducts: bool) -> None:
    """The reference holds the threshold at 5 V, the control is lower: a diode that leads away from the
    threshold conducts, and no resistive network knows the drop. One that leads there blocks: 5 V."""
    netlist = board.with_name("first.cir")
    change(netlist, "control thr 150k", f"control thr0 150k\nDn {diode} dd\n.model dd d")
    found = predictions(prepare(board), measure=False)
    said = [row for row in found.origins if row[0] == "threshold"]
    if conducts:
        assert "threshold" not in found.solved and "threshold" not in found.refined
        assert said == [("threshold", "unknown", "solved declines: Dn is no resistor")]
    else:
        np.testing.assert_allclose(found.solved["threshold"], 5.0)
        assert not said
    np.testing.assert_allclose(found.solved["high_level"], [10.8, 12, 13.2] * 3)


@pytest.mark.parametrize(("swapped", "said"), [("drawing", "minus"), ("board file", "plus"), ("neither", "")])
def test_swapped_inputs_are_said_by_the_model_alone(board: Path, swapped: str, said: str) -> None:
    """A comparator's output is high while plus is above minus; what is drawn and what is said must agree."""
    netlist = board.with_name("first.cir")
    if swapped == "drawing":
        change(netlist, "Xslice thr ramp vcc", "Xslice ramp thr vcc")
    elif swapped == "board file":
        change(board, 'ramp_input = "minus"', 'ramp_input = "plus"')
    prepared = prepare(board)
    prediction = predictions(prepared, measure=True)
    rows = [row for row in prediction.origins if row[0] == "slicer.ramp_input"]
    found = list(contradictions(prepared.board, prepared.netlist, prediction))
    if not said:
        assert not rows and not found
        return
    side = {"minus": "above", "plus": "below"}[said]
    sentence = (
        f"Xslice alone: the output is high while the ramp is {side} the threshold; the board file says"
        f" ramp_input = {said}: inputs swapped, in the drawing or in the board file"
    )
    assert rows == [("slicer.ramp_input", "unknown", sentence)]
    (finding,) = found
    assert str(finding) == f"first.cir:{finding.line}: {sentence}"
    assert netlist.read_text().splitlines()[(finding.line or 0) - 1].startswith("Xslice")
    again = predictions(prepared, measure=False)
    assert again.origins == prediction.origins


def test_a_role_that_is_no_pin_of_the_comparator_is_worth_a_word(board: Path) -> None:
    netlist = board.with_name("first.cir")
    change(netlist, "Xslice thr ramp vcc", "Rseries thr far 1k\nXslice far ramp vcc")
    (said,) = (str(finding) for finding in prepare(board).lint if finding.key.startswith("roles."))
    assert said == (
        "first.board.toml: roles.threshold: thr is no pin of Xslice (pins: far, ramp, vcc, 0, out);"
        " predictions assume it is"
    )


def test_roles_at_the_comparator_are_worth_none(board: Path) -> None:
    assert not [finding for finding in prepare(board).lint if finding.key.startswith("roles.")]
