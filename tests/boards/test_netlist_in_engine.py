# SPDX-License-Identifier: GPL-3.0-or-later
"""What the reader says a netlist means, against ngspice: values, names of parts and nodes, settings.

ngspice itself is the outside check here: every resistance is read back from it after it loaded the deck.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.engine.session import session
from harness.netlist import Netlist, read_netlist

CIRCUIT = """scopes of parameters
.param outer=7 shared={twice(outer)+1} final=1
.func twice(x) {2*x}
.global rail
Vrail rail 0 5
Rload rail 0 {shared}
Rside rail gnd '(outer > 5) ? 2k : 3k'
Rlast rail 0 {final}
Rpower rail 0 {2**3 + 2^2 + sqrt(16) + min(3, 1) + 1.5k}
Rsuffix rail 0 4.7kOhm
Rmeg rail 0 0.001MEG
Rtop rail top 10
Xtop top 0 stage k={outer+1}
Xsame rail 0 stage
Xtwin rail 0 stage m=3 k=11
.subckt stage in out params: k=1 w={k*2}
.param local={w+100}
R1 in mid {k}
R2 mid out {w}
R3 in out {local}
Xleaf in out leaf r={local*2}
.ends stage
.subckt leaf p n r=1
R1 p n {r}
R2 p middle {outer}
R3 middle n {k}
R4 middle rail 5k
.ends
.subckt unused in
R1 in 0 5
.ends
.param final={outer*3}
"""
NESTED = """subcircuits inside subcircuits
V1 a 0 1
X0 a first
.subckt first n
X1 n second
.ends
.subckt elsewhere z
R8 z 0 8
.ends
.subckt second n
.subckt deep z
R9 z 0 4
.ends
.subckt user m
R1 m q 5
Rq q 0 2
X3 m deep
X4 m elsewhere
.ends
X2 n user
R7 n 0 7
.ends
"""


@pytest.fixture
def scopes(tmp_path: Path) -> Netlist:
    path = tmp_path / "scopes.cir"
    path.write_text(CIRCUIT)
    return read_netlist(path)


@pytest.fixture
def nested(tmp_path: Path) -> Netlist:
    path = tmp_path / "nested.cir"
    path.write_text(NESTED)
    return read_netlist(path)


def resistances(
    netlist: Netlist, more: list[str], alterations: tuple[tuple[str, float], ...] = ()
) -> dict[str, float]:
    """Every resistance as ngspice has it: voltage across over current through, part by part."""
    names = [part.name for part in netlist.flat.values() if part.part.letter == "r"]
    currents = [f"@{netlist.engine_name(name)}[i]" for name in names]
    engine = session()
    engine.load(
        [*(line.text for line in netlist.deck()), *more, f".save all {' '.join(currents)}"], netlist.title
    )
    for device, value in alterations:
        engine.alter(device, value)
    figures = engine.operating_point()
    found = {}
    for name, current in zip(names, currents, strict=True):
        plus, minus = (0.0 if node == "0" else figures[node] for node in netlist.flat[name].nodes)
        found[name] = (plus - minus) / figures[current]
    return found


def test_values_are_those_of_the_engine(scopes: Netlist) -> None:
    engine = resistances(scopes, [])
    assert len(engine) == 28
    for name, resistance in engine.items():
        assert resistance == pytest.approx(scopes.value(name), rel=1e-9), name


def test_settings_reach_the_engine(scopes: Netlist) -> None:
    assignments = {"outer": 9.5, "final": 2.25, "Rtop": 33.0, "Rsuffix": 4.6e3, "xsame.xleaf.r4": 7e3}
    settings = scopes.set_values(assignments)
    engine = resistances(scopes, settings.parameter_lines(), settings.alterations)
    for name, resistance in engine.items():
        assert resistance == pytest.approx(scopes.value(name, assignments), rel=1e-9), name
    assert engine["rlast"] == pytest.approx(2.25, rel=1e-9)
    assert engine["xsame.xleaf.r4"] == pytest.approx(7e3, rel=1e-9)


def test_names_of_parts_and_nodes_are_those_of_the_engine(scopes: Netlist, nested: Netlist) -> None:
    for netlist in (scopes, nested):
        engine = session()
        engine.load([line.text for line in netlist.deck()], netlist.title)
        listed = [re.sub(r"^\s*\d+ : ", "", line).split() for line in engine.listing()]
        parts = {words[0]: tuple(words[1:3]) for words in listed if words and words[0][0] in "rv"}
        expected = {netlist.engine_name(name): part.nodes for name, part in netlist.flat.items()}
        assert parts == expected


def test_parts_of_nested_subcircuits_can_be_set(nested: Netlist) -> None:
    assignments = {"x0.x1.x2.x3.r9": 40.0, "x0.x1.x2.x4.r8": 80.0, "x0.x1.r7": 70.0, "x0.x1.x2.r1": 50.0}
    engine = resistances(nested, [], nested.set_values(assignments).alterations)
    for name, value in assignments.items():
        assert engine[name] == pytest.approx(value, rel=1e-9)
    assert engine["x0.x1.x2.rq"] == pytest.approx(2.0, rel=1e-9)


def test_an_excerpt_runs_alone(scopes: Netlist) -> None:
    engine = session()
    lines = scopes.subcircuit_text("stage").splitlines()
    engine.load([*lines, "V1 a 0 1", "Vrail rail 0 0", "Xalone a 0 stage k=50"], "alone")
    assert engine.operating_point()["xalone.mid"] == pytest.approx(100.0 / 150.0, rel=1e-9)


def test_a_line_number_of_the_engine_leads_back_to_the_file(tmp_path: Path) -> None:
    from harness.engine.errors import EngineError

    (tmp_path / "part.inc").write_text(
        "* a part\n\nD1 a 0 dd\n.model dd d(is=1f)\nM1 a 0 0 0 nn oops=5\n.model nn nmos(level=1)\n"
    )
    path = tmp_path / "lines.cir"
    path.write_text("title\nV1 a 0 1\n.include part.inc\n")
    netlist = read_netlist(path)
    deck = netlist.deck()
    with pytest.raises(EngineError) as caught:
        session().load([line.text for line in deck], netlist.title)
    assert caught.value.line is not None
    line = deck[caught.value.line - 1]
    assert (line.path.name, line.number) == ("part.inc", 5)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("B1 o 0 V={a-b}*v(t)", 2.0),
        ("B1 o 0 V=v(t)-{a-b}", 1.0),
        ("B1 o 0 V='a-b'*v(t)", 2.0),
        ("B1 o 0 V={{a-b}*v(t)}", 2.0),
        ("B1 o 0 V=v(t) > 1 ? {a-b}*{b+1} : 0 tc1=0", 3.0),
        ("E1 o 0 value={a-b}*v(t)", 2.0),
        ("E1 o 0 value={{a-b}*v(t)}", 2.0),
        ("G1 0 o cur={a-b}*v(t)", 2.0),
        ("B1 o 0 V={a}*v(t)", 6.0),
    ],
)
def test_braces_hold_together_inside_an_expression(tmp_path: Path, line: str, expected: float) -> None:
    """Arithmetic with a = 3, b = 2, v(t) = 2 V; without brackets the engine takes ``{a-b}*v(t)`` for
    a - b*v(t), which is -1."""
    path = tmp_path / "pasted.cir"
    path.write_text(f"t\n.param a=3 b=2\nV1 t 0 2\nR1 t 0 1k\nRo o 0 1\n{line}\n")
    deck = [each.text for each in read_netlist(path).deck()]
    engine = session()
    engine.load(deck, str(path))
    assert engine.operating_point()["o"] == pytest.approx(expected, rel=1e-6)
    if "{a}" not in line:
        engine.load([each if each[0] not in "BEG" else line for each in deck], str(path))
        assert engine.operating_point()["o"] != pytest.approx(expected, rel=1e-2)
