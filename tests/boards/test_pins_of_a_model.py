# SPDX-License-Identifier: GPL-3.0-or-later
"""Somebody else's comparator model whose pins are not where the board wires them is named before the run."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.characterise import PIN_ORDER, RAMP_INPUT, characterise
from harness.drawing import contradictions
from harness.run import predictions, prepare

ROOT = Path(__file__).resolve().parents[2]
MODEL = """* a model that numbers nothing and says nothing of its order
.subckt bought {header}
b1 inner 0 v=0.5-0.5*tanh((v(a)-v(b))*1e4)
r1 inner gated 100
c1 gated 0 1n
g1 e d value={{12m*v(gated)*tanh((v(e)-v(d))*20)}}
r2 c d 10k
r3 a b 100meg
.ends
"""


def board_with(folder: Path, header: str) -> Path:
    """The README's board with a bought model whose header has its pins in some order: a plus, b minus,
    c supply, d ground, e output."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (netlist,) = re.findall(r"^```spice\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    (board,) = re.findall(r"^```toml\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    netlist = netlist.replace("parts/comparator_393.inc", "bought.inc").replace("comparator_393", "bought")
    (folder / "bought.inc").write_text(MODEL.format(header=header), encoding="utf-8")
    (folder / "first.cir").write_text(netlist, encoding="utf-8")
    (folder / "first.board.toml").write_text(board, encoding="utf-8")
    return folder / "first.board.toml"


@pytest.mark.parametrize(
    ("header", "seem"),
    [
        ("a b c d e", ""),
        ("b a c d e", "minus plus supply ground output"),
        ("a b d c e", "plus minus ground supply output"),
        ("e b c d a", "output minus supply ground plus"),
    ],
)
def test_pins_that_are_not_as_wired_are_named(tmp_path: Path, header: str, seem: str) -> None:
    prepared = prepare(board_with(tmp_path, header))
    kept = tmp_path / "kept"
    found = dict(characterise(prepared.board, prepared.netlist, kept, measure=True).missing)
    assert (PIN_ORDER in found) == bool(seem)
    assert f"pins of bought seem to be: {seem}, in the order" in found.get(PIN_ORDER, "") or not seem
    assert (RAMP_INPUT in found) == header.startswith("b a")
    again = dict(characterise(prepared.board, prepared.netlist, kept, measure=False).missing)
    assert again.get(PIN_ORDER) == found.get(PIN_ORDER)  # what was tried once is read by a check


def test_the_run_says_so_at_the_comparators_line(tmp_path: Path) -> None:
    prepared = prepare(board_with(tmp_path, "a b d c e"))
    prediction = predictions(prepared, measure=True)
    (finding,) = contradictions(prepared.board, prepared.netlist, prediction)
    assert finding.line == 9
    assert "plus minus ground supply output" in str(finding)


def test_a_model_that_is_no_comparator_works_in_no_order(tmp_path: Path) -> None:
    path = board_with(tmp_path, "a b c d e")
    nothing = ".subckt bought a b c d e\nr1 a b 1meg\nr2 c d 10k\nr3 e d 10k\n.ends\n"
    (tmp_path / "bought.inc").write_text(nothing, encoding="utf-8")
    prepared = prepare(path)
    found = dict(characterise(prepared.board, prepared.netlist, tmp_path / "kept", measure=True).missing)
    assert "bought works as a 393 in no order of its pins" in found[PIN_ORDER]
