# SPDX-License-Identifier: GPL-3.0-or-later
"""Warnings: what is probably not meant, and what is quite all right."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.netlist import read_netlist
from harness.netlist.lint import lint
from harness.resources import netlists_folder

FRAME = "title\nV1 a 0 5\nR1 a b 1k\nR9 b 0 1k\n{}\n.subckt stage in out k=1\nR1 in out {{k}}\n.ends\n"


def warnings(folder: Path, text: str) -> list[str]:
    path = folder / "board.cir"
    path.write_text(FRAME.format(text))
    return [str(finding) for finding in lint(read_netlist(path))]


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("R2 b c 1k", 'board.cir:5: R2: nothing else is connected to the node "c"'),
        ("X1 a bb stage", 'board.cir:5: X1: nothing else is connected to the node "bb"'),
        ("C2 b c 1n\nC3 c 0 1n", 'board.cir:5: C2: the node "c" has no way to ground for direct current'),
        ("M1 b g 0 0 nn\nC2 g b 1n\n.model nn nmos(vto=1)", 'board.cir:5: M1: the node "g" has no way'),
        ("I1 0 c 1u\nC2 c 0 1n", 'board.cir:5: I1: the node "c" has no way to ground'),
        (".param idle=3", "board.cir:5: idle: is a parameter that nothing uses"),
        (".param r=1k\nR2 a 0 {r}\n.param r=2k", "board.cir:7: r: is set at board.cir:5 too"),
        ("R2 a 0 10M", 'board.cir:5: R2: is only 10 mOhm; "M" means milli in a netlist: write Meg'),
        ("R2 a 0 0.5", "board.cir:5: R2: is only 500 mOhm"),
        ("R2 a 0 -1k", "board.cir:5: R2: is negative: -1 kOhm"),
        ("C2 a 0 10", "board.cir:5: C2: is as much as 10 F"),
        ("C2 a 0 1F", 'board.cir:5: C2: is only 1 fF; "F" means femto in a netlist'),
        ("V2 c 0 SIN(0 1 1MHz)\nR2 c 0 1k", 'board.cir:5: V2: "1MHz" is 1 mHz; write MegHz'),
        ("V2 c 0 SFFM(0 1 1k 5 100)\nR2 c 0 1k", "board.cir:5: V2: SFFM gives different waveforms"),
        ("V2 c 0 PULSE(0 5 0 9m 1m 0 10m)\nR2 c 0 1k", "board.cir:5: V2: to the engine a width of 0 lasts"),
        ("M1 a b 0 mm\n.model mm vdmos(kp=1)", "board.cir:6: mm: a vdmos model without vto and kp"),
        ("B1 c 0 V=pow(-v(a),2)\nR2 c 0 1k", "board.cir:5: B1: pow() of a negative number"),
        ("V2 a 0 6", "board.cir:5: V2: closes a ring of voltage sources between a and 0"),
        ("A1 a c gg\nR2 c 0 1k\n.model gg gain(gain=2)", "board.cir:5: A1: wants code models"),
        ("X1 a b idle\n.subckt idle p n k=1\nR1 p n 1k\n.ends", "board.cir:6: k: idle does not use this"),
    ],
)  # fmt: skip
def test_each_warning(tmp_path: Path, line: str, sentence: str) -> None:
    found = warnings(tmp_path, line)
    assert any(warning.startswith(sentence) for warning in found), found


@pytest.mark.parametrize(
    "line",
    [
        "* nothing",
        "E1 c 0 POLY(1) a 0 0 2\nR2 c 0 1k",
        "R2 a 0 10Meg",
        "R2 a 0 4.7",
        "C2 a 0 100p",
        "C2 a 0 470u",
        "X1 a b stage k=2",
        ".param used=3\nX1 a b stage k={used}",
        ".param used=3\n.param half={used/2}\nR2 a 0 {half}",
        ".param used=1k\nX1 a b deep\n.subckt deep p n\nR1 p n {used}\n.ends",
        ".param used=2\nB1 c 0 V=used*v(a)\nR2 c 0 1k",
        ".param peak=2\nV2 c 0 PULSE(0 {peak} 0 1u)\nR2 c 0 1k",
        ".param gain=2\n.func f(x) {gain*x}\nR2 a 0 {f(1k)}",
        ".param bf=99\nQ1 a b 0 nn\n.model nn npn(bf={bf})",
        "M1 a b 0 mm\n.model mm vdmos(kp=1 vto=2)",
        ".param v0=1\n.ic v(b)={v0}",
        "V2 c 0 1\nV3 d c 1\nR2 d 0 1k",
        "V2 c 0 PULSE(0 5 0 10m 0 0 10m)\nR2 c 0 1k",
        "V2 c 0 PULSE(0 5 0 9m 0.9m 0.1m 10m)\nR2 c 0 1k",
        ".param w=1u\nV2 c 0 PULSE(0 5 0 9m 0.9m {w} 10m)\nR2 c 0 1k",
    ],
)
def test_nothing_to_warn_of(tmp_path: Path, line: str) -> None:
    assert warnings(tmp_path, line) == []


def test_the_boards_that_ship_with_the_package_are_clean() -> None:
    for path in sorted(netlists_folder().glob("boards/*/*.cir")):
        assert lint(read_netlist(path)) == [], path


def test_what_an_expression_reads_is_connected(tmp_path: Path) -> None:
    """A node that a behavioural source reads is not left open; one that nothing reads is."""
    path = tmp_path / "reads.cir"
    path.write_text(
        "* expressions\nV1 a 0 1\nR1 a b 1k\nR2 a c 1k\nB1 d 0 V={V(b)>0.5 ? 1 : 0}\nR3 d 0 1k\n.end\n"
    )
    said = [finding.message for finding in lint(read_netlist(path)) if "nothing else" in finding.message]
    assert [message for message in said if '"b"' in message] == []
    assert len([message for message in said if '"c"' in message]) == 1
