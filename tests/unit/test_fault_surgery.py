# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults put into netlists: what changes, and that nothing else does."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.board import load_board
from harness.faults.kinds import KINDS
from harness.faults.parts import part_faults, parts_of
from harness.faults.stress import pullup_currents
from harness.faults.surgery import BRIDGE, LEAK, OPEN_RESISTANCE, bridged, lifted, swapped
from harness.findings import NetlistError
from harness.netlist import Netlist, read_netlist
from harness.resources import netlists_folder

BOARDS = netlists_folder() / "boards"
TWICE = """* two stages drawn once
.subckt stage in out rail params: load=10k
R1 in out 1k
C1 out 0 {1n}
M1 out in 0 0 switch
.model switch nmos(vto=1)
.ends
.subckt pair a b rail
X1 a m rail stage load=5k
X2 m b rail stage
.ends
Vrail rail 0 8
Vin in 0 1
Xp in out rail pair
Xq out far rail pair
Rend far gnd 10k
.end
"""


@pytest.fixture
def twice(tmp_path: Path) -> Netlist:
    path = tmp_path / "twice.cir"
    path.write_text(TWICE, encoding="utf-8")
    return read_netlist(path)


def nodes(netlist: Netlist) -> dict[str, tuple[str, ...]]:
    return {name: found.nodes for name, found in netlist.flat.items()}


def test_a_bridge_is_one_more_part(twice: Netlist) -> None:
    """Every part stays as it was; the bridge joins the two pins, also at ground by its other name."""
    found = nodes(bridged(twice, "Rend", 0, 1))
    assert found.pop(BRIDGE) == ("far", "0")
    assert found == nodes(twice)


def test_a_lifted_pin_has_a_node_of_its_own(twice: Netlist) -> None:
    found = nodes(lifted(twice, "Rend", (0,)))
    assert found["rend"] == ("rend_pin1_open", "0")
    assert found[LEAK] == ("rend_pin1_open", "0")
    assert {name: ends for name, ends in found.items() if name not in ("rend", LEAK)} == {
        name: ends for name, ends in nodes(twice).items() if name != "rend"
    }


def test_only_the_instance_at_fault_changes(twice: Netlist) -> None:
    """Two copies deep, in a subcircuit that is used four times: three of its instances stay as they were."""
    faulted = lifted(twice, "xp.x2.r1", (1,))
    before, after = nodes(twice), nodes(faulted)
    assert after["xp.x2.r1"] == ("xp.m", "xp.x2.r1_pin2_open")
    assert after.pop(f"xp.x2.{LEAK}") == ("xp.x2.r1_pin2_open", "0")
    assert {n for n in before if before[n] != after[n]} == {"xp.x2.r1"} and before.keys() == after.keys()
    assert faulted.engine_name("xp.x2.r1") == twice.engine_name("xp.x2.r1")
    assert faulted.value("xq.x1.r1") == 1000.0


def test_a_node_that_is_left_to_gates_leaks(tmp_path: Path) -> None:
    """Without its resistor nothing conducts at the gate: it gets a leak too, so that it does not float. At
    the other end the source holds the node."""
    path = tmp_path / "gate.cir"
    lines = ["Vin in 0 1", "Rgate in gate 1k", "Cgate gate 0 1n", "M1 in gate 0 0 switch", ".end"]
    path.write_text("\n".join(["* gate", ".model switch nmos(vto=1)", *lines]), encoding="utf-8")
    netlist = read_netlist(path)
    assert f"{LEAK}_node" not in lifted(netlist, "Rgate", (0,)).flat
    assert nodes(lifted(netlist, "Rgate", (1,)))[f"{LEAK}_node"] == ("gate", "0")
    assert lifted(netlist, "Rgate", (1,)).value(f"{LEAK}_node") == OPEN_RESISTANCE


def test_exchanged_pins(twice: Netlist) -> None:
    faulted = swapped(twice, "xq.x1.m1", {0: 2, 2: 0, 3: 0})
    before, after = nodes(twice)["xq.x1.m1"], nodes(faulted)["xq.x1.m1"]
    assert before == ("xq.m", "out", "0", "0") and after == ("0", "out", "xq.m", "xq.m")


def test_a_part_that_is_not_there(twice: Netlist) -> None:
    with pytest.raises(NetlistError, match="there is no part"):
        lifted(twice, "Rnone", (0,))


@pytest.mark.parametrize("name", ["kestrel/kestrel", "plover/plover", "plover/plover_opamp", "wren/wren"])
def test_every_fault_of_a_demo_board_can_be_drawn(name: str) -> None:
    """Each fault has a name of its own, and its netlist reads again with other connections than before."""
    board = load_board(BOARDS / f"{name}.board.toml")
    netlist = read_netlist(board.netlist, board.include, board.dialects)
    faults = part_faults(board, netlist).faults
    assert len({fault.name for fault in faults}) == len(faults)
    assert {fault.kind for fault in faults} <= set(KINDS)
    before = nodes(netlist)
    for fault in faults[:: max(1, len(faults) // 12)]:
        if not fault.unsimulated:
            assert nodes(fault.change(netlist)) != before, fault.name


def test_kestrels_faults() -> None:
    """Opens, bridges and exchanges counted by hand from the drawing: 13 resistors and 4 capacitors with 2
    each; 4 bipolar and 2 field-effect transistors with three legs; 2 comparators with five pins."""
    board = load_board(BOARDS / "kestrel" / "kestrel.board.toml")
    netlist = read_netlist(board.netlist, board.include, board.dialects)
    faults = part_faults(board, netlist).faults
    kinds = {kind: [fault for fault in faults if fault.kind == kind] for kind in KINDS[:4]}
    assert len(kinds["open"]) == 13 + 4 + 3 * 6 + 5 * 2
    assert len(kinds["shorted"]) == 13 + 4
    diodes = 2  # of Q2 and Q3 two legs are one node already: nothing to join and to exchange there
    assert len(kinds["bridged"]) == 3 * 6 - diodes + 4 * 2
    assert len(kinds["swapped"]) == 3 * 6 - diodes + 1 * 2
    assert not any("." in name for name, _ in parts_of(board, netlist))
    joined = {fault.name for fault in faults if fault.unsimulated}
    assert joined == {"Xtrip supply to ground", "Xslice supply to ground"}


def test_what_bridges_the_pull_up_counts_with_it() -> None:
    board = load_board(BOARDS / "kestrel" / "kestrel.board.toml")
    netlist = read_netlist(board.netlist, board.include, board.dialects)
    assert pullup_currents(board, netlist) == (("@rpull[i]", 1.0),)
    faulted = bridged(netlist, "Rpull", 0, 1)
    assert set(pullup_currents(board, faulted)) == {("@rpull[i]", 1.0), (f"@{BRIDGE}[i]", 1.0)}
