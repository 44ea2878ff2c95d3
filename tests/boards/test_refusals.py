# SPDX-License-Identifier: GPL-3.0-or-later
"""What may run, load or write is refused with file and line, before the engine sees anything.

Each payload would leave a marker file if it ran. That such payloads are real is shown on the engine, in a
process of its own that reads nothing through this package, for those that ngspice 39 and newer run.
"""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from harness.engine.library import find_library
from harness.findings import NetlistError
from harness.netlist import read_netlist
from harness.netlist.refusals import REFUSALS

SENTENCES = {entry.name: entry.sentence for entry in REFUSALS}
SOUND = "a sound circuit\nV1 a 0 1\nR1 a 0 1k\n"

PAYLOADS = [
    ("control block", ".control\nshell touch {marker}\n.endc", 4),
    ("control block", "   .CONTROL\nshell touch {marker}\n.endc", 4),
    ("control block", ".control\necho x > {marker}\nquit\n.endc", 4),
    ("control block", ".endc", 4),
    ("command in a comment", "*# shell touch {marker}", 4),
    ("command in a comment", "   *#shell touch {marker}", 4),
    ("command in a comment", "* # shell touch {marker}", 4),
    ("script", "*ng_script\n*#shell touch {marker}", 4),
    ("script", "*ng_script_with_params {marker}", 4),
    ("process model", ".model runner d_process(process_file=\"touch\" process_params=[\"{marker}\"])", 4),
    ("process model", "+ tc1=0\n.MODEL runner\n+ D_PROCESS(process_file=x)", 5),
    ("co-simulation", ".model library d_cosim simulation=\"{marker}\"", 4),
    ("co-simulation", ".model library d_co\n+sim delay=1n", 4),
    ("file model", ".model reader filesource(file=\"{marker}\")", 4),
    ("file model", ".model reader d_source(input_file=\"{marker}\")", 4),
    ("file model", ".model reader d_state(state_file=\"{marker}\")", 4),
    ("file model", ".model reader table2d(file=\"{marker}\")", 4),
    ("file model", ".model reader xfer(file=\"{marker}\")", 4),
    ("file name", "V2 b 0 PWL file={marker}", 4),
    ("file name", "V2 b 0 wavefile={marker} chan=0", 4),
    ("code model", "codemodel {marker}", 4),
    ("code model", ".codemodel {marker}", 4),
    ("code model", "osdi {marker}", 4),
    ("code model", "pre_osdi {marker}", 4),
    ("code model", "pre_codemodel {marker}", 4),
    ("command before loading", "pre_set x={marker}", 4),
    ("command before loading", ".pre_set x={marker}", 4),
    ("command line", ".libsave {marker}", 4),
    ("command line", ".exec touch {marker}", 4),
    ("command line", ".shell touch {marker}", 4),
    ("command line", ".system touch {marker}", 4),
    ("command line", ".write {marker}", 4),
    ("command line", ".wave {marker} 16 44100 a", 4),
    ("command line", ".sndprint {marker}", 4),
    ("backtick", ".param x=`touch {marker}`", 4),
    ("backtick", "R2 a 0 `touch {marker}`", 4),
    ("cshunt", ".options cshunt=1p", 4),
    ("cshunt", ".option reltol=1e-4\n.opt reltol=1e-4\n+ CSHUNT=1p", 5),
    ("limit", "B1 b 0 V=limit(v(a), 0, 1)", 4),
    ("random value", "R2 a 0 {{agauss(1k, 10, 1)}}", 4),
    ("random value", ".param x={{unif(1, 0.1)}}", 4),
    ("external source", "V2 b 0 dc 0 external", 4),
    ("include", ".include {marker}", 4),
    ("include", ".include ../outside/payload.inc", 4),
    ("include", ".include '/etc/passwd'", 4),
    ("include", ".include ~/payload.inc", 4),
    ("include", ".include $HOME/payload.inc", 4),
    ("include", ".lib ../outside/payload.inc fast", 4),
    ("include", ".include link.inc", 4),
    ("unknown line", ".something touch {marker}", 4),
    ("unknown line", ".con\n+trol\nshell touch {marker}\n.endc", 4),
    ("unknown element", "shell touch {marker}", 4),
    ("unknown element", "N1 a 0 loaded", 4),
    ("unknown model", ".model x1 d_lut_from_elsewhere(a=1)\nA1 a b x1", 4),
]  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "payload.inc").write_text("R9 a 0 1k\n")
    board = tmp_path / "board"
    board.mkdir()
    (board / "link.inc").symlink_to(tmp_path / "outside" / "payload.inc")
    return board


@pytest.mark.parametrize(
    ("kind", "payload", "line"), PAYLOADS, ids=[f"{kind}: {text}" for kind, text, _ in PAYLOADS]
)
@pytest.mark.parametrize("place", ["netlist", "include"])
def test_nothing_runs(folder: Path, kind: str, payload: str, line: int, place: str) -> None:
    marker = folder / "marker"
    text = payload.format(marker=marker)
    path = folder / "board.cir"
    culprit = "board.cir" if place == "netlist" else "part.inc"
    if place == "netlist":
        path.write_text(f"{SOUND}{text}\n.end\n")
    else:
        (folder / "part.inc").write_text(f"* one\n* two\nR2 a 0 1k\n{text}\n")
        path.write_text(f"{SOUND}.include part.inc\n.end\n")
    with pytest.raises(NetlistError) as caught:
        read_netlist(path)
    there = [
        finding.message
        for finding in caught.value.findings
        if finding.path is not None and (finding.path.name, finding.line) == (culprit, line)
    ]
    assert there, str(caught.value)
    assert SENTENCES.get(kind, there[0]) in there
    assert not marker.exists()


def test_an_unknown_model_that_nothing_needs_does_not_reach_the_engine(folder: Path) -> None:
    """A library may hold parts that this engine does not know, as long as none of them is drawn."""
    path = folder / "board.cir"
    path.write_text(f"{SOUND}.include part.inc\n.end\n")
    (folder / "part.inc").write_text(".model x1 d_lut_from_elsewhere(a=1)\nR2 a 0 1k\n")
    netlist = read_netlist(path)
    assert "r2" in netlist.parts and not any("d_lut" in line.text for line in netlist.deck())
    assert any("d_lut_from_elsewhere" in note.message for note in netlist.notes)


@pytest.mark.parametrize(
    "first",
    [".control", "*ng_script", "*ng_script_with_params", "*# shell touch marker", "#!/bin/sh", "ng_script"],
)
def test_a_first_line_is_no_exception(folder: Path, first: str) -> None:
    path = folder / "board.cir"
    path.write_text(f"{first}\nV1 a 0 1\nR1 a 0 1k\n")
    with pytest.raises(NetlistError) as caught:
        read_netlist(path)
    assert caught.value.findings[0].line == 1


def test_what_stands_behind_the_end_is_no_exception(folder: Path) -> None:
    path = folder / "board.cir"
    path.write_text(f"{SOUND}.end\n.control\nshell touch marker\n.endc\n")
    with pytest.raises(NetlistError, match=r"board\.cir:5"):
        read_netlist(path)


RAW_ENGINE = textwrap.dedent("""
    import ctypes, sys
    library = ctypes.CDLL(sys.argv[1])
    text = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p)
    number, flag = ctypes.c_int, ctypes.c_bool
    leave = ctypes.CFUNCTYPE(number, number, flag, flag, number, ctypes.c_void_p)
    quiet, left = text(lambda *words: 0), leave(lambda *words: 0)
    library.ngSpice_Init(quiet, quiet, left, None, None, None, None)
    lines = [line.encode() for line in sys.argv[2].split("\\n")] + [b".end", None]
    library.ngSpice_Circ((ctypes.c_char_p * len(lines))(*lines))
""")


@pytest.mark.parametrize(
    "text",
    [
        "t\nV1 a 0 1\nR1 a 0 1k\n.control\nshell touch marker\n.endc",
        "t\nV1 a 0 1\nR1 a 0 1k\n   .CONTROL\nshell touch marker\n.endc",
        "t\nV1 a 0 1\nR1 a 0 1k\n*# shell touch marker",
        "*ng_script\nshell touch marker",
    ],
)
def test_such_payloads_do_run_where_nobody_refuses_them(tmp_path: Path, text: str) -> None:
    (tmp_path / ".spiceinit").write_text("")
    (tmp_path / "board.cir").write_text(text)
    raw = [sys.executable, "-c", RAW_ENGINE, find_library(), text]
    subprocess.run(raw, cwd=tmp_path, timeout=60, check=False, capture_output=True)
    assert (tmp_path / "marker").exists(), "the engine runs this no longer; the refusal may be idle"
    (tmp_path / "marker").unlink()
    with pytest.raises(NetlistError):
        read_netlist(tmp_path / "board.cir")
    assert not (tmp_path / "marker").exists()


def test_every_refusal_has_a_payload() -> None:
    assert {entry.name for entry in REFUSALS} <= {kind for kind, _, _ in PAYLOADS}


def test_a_block_of_commands_is_one_finding(folder: Path) -> None:
    path = folder / "board.cir"
    path.write_text(f"{SOUND}.control\nrun\nplot v(a)\nwrite out.raw\n.endc\n.end\n")
    with pytest.raises(NetlistError) as caught:
        read_netlist(path)
    assert [finding.line for finding in caught.value.findings] == [4]
    assert "delete these lines" in str(caught.value)


@pytest.mark.parametrize(
    "line",
    [
        "* the .control block was removed",
        "* profile=1 file=2",
        "Vcontrol external 0 5",
        "Rxfer xfer 0 1k\nRback xfer 0 1k", ".param cshunt=1n profile=2", "Rosdis a 0 1k",
        ".model clip limit(out_lower_limit=0 out_upper_limit=5)", "Rlimit a 0 1k ; limit(x) is gone",
    ],
)  # fmt: skip
def test_harmless_lines_that_look_alike_are_read(folder: Path, line: str) -> None:
    path = folder / "board.cir"
    path.write_text(f"{SOUND}{line}\n.end\n")
    assert "r1" in read_netlist(path).parts
