# SPDX-License-Identifier: GPL-3.0-or-later
"""Bad input and engine failures end in a sentence and a code; earlier results keep every byte."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from harness.cli import main
from harness.resources import netlists_folder

BOARD, NETLIST = "kestrel_slicer.board.toml", "kestrel_slicer.cir"
PULLUP = "Rpull rail out 3.3k"


@pytest.fixture
def board(tmp_path: Path) -> Path:
    source = netlists_folder() / "boards" / "kestrel"
    for name in (BOARD, NETLIST):
        shutil.copy(source / name, tmp_path / name)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "corners.csv").write_text("what was there before\n")
    return tmp_path / BOARD


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {path.name}"
    path.write_text(text.replace(old, new))


def attempt(board: Path, capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, str]:
    code = main(["run", str(board), "--out", str(board.parent / "out"), "--only", "temperature=25", *options])
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert (board.parent / "out" / "corners.csv").read_text() == "what was there before\n"
    assert sorted(path.name for path in (board.parent / "out").iterdir()) == ["corners.csv"]
    return code, said


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        (NETLIST, PULLUP, "Rpull rail out", [f"{NETLIST}:", "Rpull"]),
        (NETLIST, PULLUP, "Rpull rail 3.3k", [f"{NETLIST}:", "Rpull"]),
        (NETLIST, '"parts/comparator_393.inc"', '"parts/comparator_939.inc"', [f"{NETLIST}:",
        "comparator_939"]), (NETLIST, PULLUP, f"{PULLUP}\n{PULLUP}", [f"{NETLIST}:", "Rpull"]),
        (NETLIST, PULLUP, "Rpull rail out {pull}", [f"{NETLIST}:", "pull"]),
        (NETLIST, PULLUP, f"{PULLUP}\n.control\nrun\n.endc", [f"{NETLIST}:", "delete these lines"]),
        (BOARD, 'pullup = "Rpull"', 'pullup = "Rpul"', ["roles.pullup", "Rpul", "Rpull"]),
        (BOARD, 'ramp = "ramp"', 'ramp = "rampe"', ["roles.ramp", "rampe"]),
        (BOARD, 'output = "out"', 'output = "0"', ["roles.output", "ground"]),
        (BOARD, 'supply = "Vcc"', 'supply = "Xslice.Vcc"', ["roles.supply", "top level"]),
        (BOARD, 'Rpull = "3.3k 1%"', 'Rpull = "3.3 V 1%"', ["intended.Rpull", "Ohm"]),
        (BOARD, 'revision = "A"', 'revison = "A"', ["board.revison", "revision"]),
        (BOARD, "values = [13.5, 15, 16.5]", "values = []", ["axes.supply"]),
    ],
)  # fmt: skip
def test_bad_input_is_named_by_place(
    board: Path, file: str, old: str, new: str, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 2, and the message holds file, key or line, and what was meant."""
    edit(board.parent / file, old, new)
    code, said = attempt(board, capsys)
    assert code == 2, said
    for word in words:
        assert word in said, said


def test_all_mistakes_are_told_at_once(board: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edit(board, 'pullup = "Rpull"', 'pullup = "Rpul"')
    edit(board, 'ramp = "ramp"', 'ramp = "rampe"')
    code, said = attempt(board, capsys)
    assert code == 2 and "Rpul" in said and "rampe" in said


def test_a_missing_board_file_is_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", str(tmp_path / "none.board.toml")]) == 2
    assert "none.board.toml" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("Vfight rail 0 7", ["singular matrix", "contradict"]),
        ("Blatch q 0 V={V(q)>2.5 ? 0 : 5}", ["could be simulated"]),
    ],
    ids=["singular", "no convergence"],
)
def test_a_circuit_that_cannot_be_solved(
    board: Path, extra: str, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Two sources that contradict each other, a latch without a state: exit 2 or 3, in ngspice's words."""
    edit(board.parent / NETLIST, PULLUP, f"{PULLUP}\n{extra}")
    code, said = attempt(board, capsys)
    assert code in (2, 3), said
    for word in words:
        assert word in said.lower(), said


def test_an_endless_transient_is_ended(board: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A terahertz source left in the drawing: each corner ends at its time limit, the run after a few."""
    fast = "Vfast fast 0 SIN(0 1 1e12)\nRfast fast slow 1k\nCfast slow 0 1p"
    edit(board.parent / NETLIST, PULLUP, f"{PULLUP}\n{fast}")
    edit(board, "[simulation]", "[simulation]\nseconds = 2")
    code, said = attempt(board, capsys)
    assert code == 3, said
    assert "raise seconds in [simulation]" in said


def test_an_output_folder_that_cannot_be(board: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``--out`` on a file: said before anything is simulated, with the option's name."""
    assert main(["run", str(board), "--out", str(board)]) == 2
    said = capsys.readouterr().err
    assert "--out" in said and board.name in said and "corners done" not in said
