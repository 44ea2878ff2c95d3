# SPDX-License-Identifier: GPL-3.0-or-later
"""A netlist as drawing programs write it: read, understood, and run by ngspice.

What such files hold is common practice, no source: a ``.title`` line first, Windows line ends, tabs, names of
nodes made of sheet paths and pin names, ground by name, and lines meant for the program that wrote them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.engine.session import session
from harness.findings import NetlistError
from harness.netlist import Netlist, read_netlist

EXPORTED = """\
.title A sheet of its own
.include "parts/comparator_393.inc"
.global GND /VCC
.save all
.save "@r1[i]"
.probe alli
.backanno
.param\tRr = 4.7k  CC={2 * 10n}
; a comment
  * another ; one
V1 /VCC GND DC 12
V2 Net-_R1-Pad1_\t0\t5
R1 Net-_R1-Pad1_ /THR {Rr}
+
+ tc1=0
R2 /THR GND 4.7K ; behind the line
r3 N$12 /THR 10Meg
R4 N$12 gnd 10MEG
R5 V+ 0 1k
V3 V+ V- 3
R6 V- GND 2k
r7 /out/sub+ GND 1k
C7 /out/sub+ N$12 {CC}
XU1 /THR N$12 /VCC GND OUT comparator_393
RP /VCC OUT 4.7k
.title another one
.tran 1u 1m
.END
"""


def read(folder: Path, text: str) -> Netlist:
    path = folder / "exported.cir"
    path.write_bytes(text.encode())
    return read_netlist(path)


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
def test_what_drawing_programs_export_runs(tmp_path: Path, ends: str) -> None:
    """Node voltages by the laws of dividers: 5 V halved by equal resistors; 3 V over 1 kOhm and 2 kOhm."""
    netlist = read(tmp_path, EXPORTED.replace("\n", ends))
    assert netlist.title == "A sheet of its own"
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    volts = engine.operating_point()
    # 10 MOhm of N$12 and the input's bias current load the 2.35 kOhm of the divider by less than 1 mV
    assert volts["/thr"] == pytest.approx(2.5, abs=2e-3)
    assert (volts["v+"], volts["v-"]) == (pytest.approx(1.0), pytest.approx(-2.0))
    assert volts["/vcc"] == pytest.approx(12.0) and volts["net-_r1-pad1_"] == pytest.approx(5.0)
    assert "n$12" in volts and volts["/out/sub+"] == pytest.approx(0.0, abs=1e-9)
    skipped = [(note.key, note.line) for note in netlist.notes]
    lines = [(".save", 4), (".save", 5), (".probe", 6), (".backanno", 7), (".title", 26), (".tran", 27)]
    assert skipped == lines


def test_saving_a_node_of_such_a_name(tmp_path: Path) -> None:
    """The names that a run asks for reach ngspice unharmed."""
    netlist = read(tmp_path, EXPORTED)
    engine = session()
    saved = ".save all @rp[i] v(n$12) v(/thr) v(v+)"
    engine.load([*(line.text for line in netlist.deck()), saved], netlist.title)
    waves = engine.transient(1e-6, 20e-6, 1e-6)
    assert {"@rp[i]", "n$12", "/thr", "v+"} <= set(waves)


@pytest.mark.parametrize("first", [".title", ".TITLE   ", ".title\tof a board"])
def test_a_title_line_is_the_title(tmp_path: Path, first: str) -> None:
    """The rest of the line, or the name of the file where it says nothing."""
    netlist = read(tmp_path, f"{first}\nV1 a 0 1\nR1 a 0 1k\n")
    assert netlist.title == (first[6:].strip() or "exported")


def test_other_lines_with_a_dot_are_still_no_titles(tmp_path: Path) -> None:
    """They would be lost in silence."""
    for first in (".include parts/comparator_393.inc", ".param a=1", ".titles of a board"):
        with pytest.raises(NetlistError, match="put a title line above it"):
            read(tmp_path, f"{first}\nV1 a 0 1\nR1 a 0 1k\n")


def test_a_dollar_sign_is_taken_inside_a_name_alone(tmp_path: Path) -> None:
    for line in ("R2 $a 0 1k", "R2 a 0 1$", "R2 a 0 1k$comment"):
        try:
            read(tmp_path, f"t\nV1 a 0 1\nR1 a 0 1k\n{line}\n")
        except NetlistError as error:
            assert ":4" in str(error)
        else:
            pytest.fail(line)
