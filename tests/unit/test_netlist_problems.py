# SPDX-License-Identifier: GPL-3.0-or-later
"""Broken netlists: each problem is one sentence with file and line, and all of them come at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.findings import NetlistError
from harness.netlist import read_netlist

FRAME = (
    "title\nV1 a 0 5\nR1 a b 1k\n{}\nC1 b 0 1n\n.model npn1 npn(bf=100)\n"
    ".subckt stage in out k=1\nR1 in out {{k}}\n.ends\n"
)

PROBLEMS = [
    ("X1 a b stag", 'there is no subcircuit "stag" (did you mean "stage"?)'),
    ("X1 a b 0 stage", "stage has 2 pins, but 3 nodes are given"),
    ("X1 a b stage 5", 'stands behind the subcircuit stage'),
    ("X1 a b stage gain=5", 'stage has no parameter "gain"'),
    ("Q1 a b 0 npn2", 'there is no model "npn2" (did you mean "npn1"?)'),
    ("D1 a b npn1", "is of type npn, expected d"),
    ("M1 a b 0 0 nm", 'there is no model "nm"'),
    ("A1 a b gg", 'A1: there is no model "gg"'),
    ("A1 a b npn1", 'A1: the model "npn1" is of the type "npn", which is no code model'),
    ("J1 a b 0 jj", 'there is no model "jj"'),
    ("S1 a b a 0 sww", 'there is no model "sww"'),
    ("W1 a b V1 sww", 'there is no model "sww"'),
    ("R2 a 10k", 'R2 wants 2 nodes and a value, got "a 10k"'),
    ("R2 a", "R2 wants 2 nodes and a value"),
    ("R2 a b", "R2 wants 2 nodes and a value"),
    ("R2 a b c 10k", '"c" is no value'),
    ("R2 a b 1k 2k", 'do not know what to do with "2k"'),
    ("R2 a b 5 kohm", 'do not know what to do with "kohm"'),
    ("R2 a b 0", "is 0 Ohm"),
    ("R2 a b {0*1k}", "is 0 Ohm"),
    ("R2 a b 4K7", "write 4.7k"),
    ("C2 a b 2n2", "write 2.2n"),
    ("V2 c 0 2A", "write 2"),
    ("R2 a b {2A}", "write 2"),
    ("R2 a b {1k5}", "write 1.5k"),
    ("R1 a b 2k", "stands at board.cir:3 already"),
    ("r1 a b 2k", "stands at board.cir:3 already"),
    ("R2 a b {nothing}", 'there is no parameter "nothing"'),
    ("R2 a b nothing", 'an expression in braces, {nothing}'),
    ("R2 a b {1k", "is not closed"),
    ("R2 a b {1/0}", "no finite number"),
    (".param p={q} q={p}", "go round in a circle: p -> q -> p"),
    (".param p=", "expected name=value"),
    (".param p 5", "expected name=value"),
    (".param last=3", "the engine has a meaning of its own for this name"),
    (".param floor=3", "the engine has a meaning of its own for this name"),
    (".subckt s2 a b tanh=1\nR1 a b {tanh}\n.ends\nX2 a b s2", "the engine has a meaning of its own"),
    (".subckt s2 a b int=1\nR1 a b {int}\n.ends\nX2 a b s2 int=3", "the engine has a meaning of its own"),
    (".param stage=1\nX1 a b stage", '"stage" is the name of a subcircuit and of a parameter'),
    (".subckt o a b stage=2\nX1 a b stage\n.ends\nX2 a b o", '"stage" is the name of a subcircuit and of a'),
    (".param pi=3", "is 3.14159... wherever the engine evaluates it"),
    (".model x1 wonder(a=1)", 'is of the type "wonder", which is not taken here'),
    (".model npn1 npn(bf=50)", "a model of this name stands at"),
    (".model x1 npn(bf={nothing})", 'there is no parameter "nothing"'),
    (".subckt stage a b\nR1 a b 1\n.ends", "a subcircuit of this name stands at"),
    (".subckt lonely a b\nR1 a b 1", "is not closed; add .ends"),
    (".ends", ".ends without a .subckt"),
    (".subckt two a b\nR1 a b 1\n.ends three", "the names should match"),
    (".subckt loop a\nX1 a loop\n.ends\nX1 a loop", "contains itself"),
    (".if (1)\nR2 a b 1k\n.endif", "conditional lines are not read"),
    (".parma x=1", 'is not known here, so it is not sent to the engine (did you mean ".param"?)'),
    (".ic v(b)=1 shell id", 'cannot read "v(b)=1 shell id"; expected v(node)=value'),
    (".ic shell id v(b)=1", "expected v(node)=value"),
    (".ic v(b)={1} shell {2}", "expected v(node)=value"),
    (".ic v(b", "expected v(node)=value"),
    (".ic v(b;c)=1", "expected v(node)=value"),
    (".nodeset", "expected v(node)=value"),
    (".nodeset all=1", "expected v(node)=value"),
    (".nodeset v(a,b)=1", "expected v(node)=value"),
    (".ic v(b)={nothing}", 'there is no parameter "nothing"'),
    (".ic v(b)=2A", "write 2"),
    (".global a=1", "expected names of nodes"),
    (".global", "expected names of nodes"),
    (".ic v(bb)=0", 'no part is connected to a node "bb"'),
    ("B1 a b V=v(bb)", 'V(bb): no part is connected to a node "bb"'),
    ("B1 a b V=i(V2)", 'I(V2): there is no voltage source "V2"'),
    ("B1 a b V=thing*2", 'there is no parameter "thing"'),
    ("B1 a b V=tanhh(v(a))", 'the engine has no function "tanhh" (did you mean "tanh"?)'),
    ("B1 a b V=if(v(a)>1,2,3)", "write condition ? a : b"),
    ("B1 a b", "wants two nodes and V=... or I=..."),
    ("F1 a b V2 3", 'there is no voltage source "v2" beside it'),
    ("K1 L1 L2 0.9", 'there is no inductor "l1" beside it'),
    ("E1 a b a", "wants four nodes and a gain"),
    ("V2 c 0 PULSE(1)", "PULSE wants at least 2 numbers"),
    ("V2 c 0 high", "do not know what to do with \"high\""),
    ("N1 a b c", 'begins no element that is read here'),
    ("R a b 1k", "wants a name behind its letter"),
    ('R2 a b "1k"', '" has no place here'),
    ("R2 a b 1k \\", "\\ has no place here"),
    ("R2 a b 1k $comment", "$ has no place here"),
    ("#R2 a b 1k", "begins no element"),
    (".include nosuch.inc", 'there is no file "nosuch.inc"'),
    (".include", "names no single file"),
    (".include my parts.inc", "wants quotes around it"),
    (".func f(x) {f(x)}\nR2 a b {f(1)}", "calls itself"),
    (".func f(x) {x}\nR2 a b {f(1,2)}", "wants 1 argument(s), got 2"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "sentence"), PROBLEMS, ids=[line for line, _ in PROBLEMS])
def test_each_problem_names_its_line(tmp_path: Path, line: str, sentence: str) -> None:
    path = tmp_path / "board.cir"
    path.write_text(FRAME.format(line))
    with pytest.raises(NetlistError) as caught:
        read_netlist(path)
    matching = [finding for finding in caught.value.findings if sentence in finding.message]
    assert matching, f"{sentence!r} not among {[str(finding) for finding in caught.value.findings]}"
    first, last = 4, 4 + line.count("\n")
    later = {
        "a model of this name stands at": 6,
        "a subcircuit of this name stands at": 9,
        ".ends without": 4,
    }
    expected = later.get(sentence)
    assert matching[0].path is not None and matching[0].path.name == "board.cir"
    if expected is None:
        assert matching[0].line is not None and first <= matching[0].line <= last
    else:
        assert matching[0].line == expected or first <= (matching[0].line or 0) <= last


def test_the_frame_itself_is_sound(tmp_path: Path) -> None:
    path = tmp_path / "board.cir"
    path.write_text(FRAME.format("* nothing"))
    assert set(read_netlist(path).parts) == {"v1", "r1", "c1"}


def test_all_problems_at_once(tmp_path: Path) -> None:
    path = tmp_path / "board.cir"
    path.write_text("title\nX1 a b stag\nR1 a\nQ1 a b c qq\n.include nosuch.inc\n.control\nquit\n.endc\n")
    with pytest.raises(NetlistError) as caught:
        read_netlist(path)
    assert [finding.line for finding in caught.value.findings] == [2, 3, 4, 5, 6]


def test_a_problem_in_an_include_names_that_file(tmp_path: Path) -> None:
    (tmp_path / "stage.inc").write_text("* stage\nR2 a\n")
    path = tmp_path / "board.cir"
    path.write_text("title\nV1 a 0 1\n.include stage.inc\n")
    with pytest.raises(NetlistError) as caught:
        read_netlist(path)
    assert str(caught.value).startswith("stage.inc:2: ")


@pytest.mark.parametrize("first", ["R1 a b 1k", "V1 a 0 5", ".param x=1", "C7 n7 n8 1n", "Rload out 0 10k"])
def test_a_missing_title_is_noticed(tmp_path: Path, first: str) -> None:
    path = tmp_path / "board.cir"
    path.write_text(f"{first}\nR2 a b 1k\nV2 a 0 1\n")
    with pytest.raises(NetlistError, match="put a title line above it") as caught:
        read_netlist(path)
    assert caught.value.findings[0].line == 1


@pytest.mark.parametrize(
    "first", ["Ramp core with 3 parts", "Rate of change 2", "Kestrel", "", "* R1 a b 1k", "Vcc"]
)
def test_a_title_may_begin_with_any_letter(tmp_path: Path, first: str) -> None:
    path = tmp_path / "board.cir"
    path.write_text(f"{first}\nR2 a b 1k\nV2 a 0 1\n")
    assert read_netlist(path).value("r2") == 1000.0


@pytest.mark.parametrize(("text", "sentence"), [("", "holds no parts"), ("title\n", "holds no parts")])
def test_an_empty_netlist(tmp_path: Path, text: str, sentence: str) -> None:
    path = tmp_path / "board.cir"
    path.write_text(text)
    with pytest.raises(NetlistError, match=sentence):
        read_netlist(path)


def test_a_missing_netlist(tmp_path: Path) -> None:
    with pytest.raises(NetlistError, match="there is no such file"):
        read_netlist(tmp_path / "nowhere.cir")
    with pytest.raises(NetlistError, match="there is no such file"):
        read_netlist(tmp_path)


def test_a_name_that_caller_and_subcircuit_share(tmp_path: Path) -> None:
    """Found by trying on engine 39: ``j={k}`` takes the k of the subcircuit, although the text stands
    outside."""
    frame = "title\n.param k=7\nV1 a 0 1\nX1 a s {}\n.subckt s n k=1 j=1\nR1 n 0 {{k}}\nR2 n 0 {{j}}\n.ends\n"
    path = tmp_path / "board.cir"
    path.write_text(frame.format("j={k}"))
    with pytest.raises(NetlistError, match="is a name inside s too"):
        read_netlist(path)
    path.write_text(frame.format("k={k+1}"))
    assert read_netlist(path).value("x1.r1") == 8.0
