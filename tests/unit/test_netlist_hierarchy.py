# SPDX-License-Identifier: GPL-3.0-or-later
"""Names of parts and nodes inside subcircuits, as a designer calls them and as the engine does."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.engine.session import session
from harness.findings import NetlistError
from harness.netlist import Netlist, read_netlist

TEXT = """title
V1 1 0 12
XStage 1 out GND stage
Xflat out 2 0 divider params: r=3k
R9 2 0 1k
.global common
Rc common 0 1k
.subckt stage supply output ground
Q3 inner base ground npn
Rb supply base 100k
Rc supply inner 1k
Xd inner output ground divider
.subckt own a b
R1 a m 1k
R2 m b 1k
.ends
Xown output ground own
Rcommon common inner 1k
.ends
.subckt divider top tap bottom params: r=1k
R1 top tap {r}
R2 tap bottom {r}
.ends
.model npn npn(bf=100)
"""


@pytest.fixture
def netlist(tmp_path: Path) -> Netlist:
    path = tmp_path / "nested.cir"
    path.write_text(TEXT)
    return read_netlist(path)


def test_every_node_is_named_as_the_engine_names_it(netlist: Netlist) -> None:
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    named = {name for name in engine.operating_point() if "#" not in name}
    assert named == netlist.all_nodes - {"0"}
    assert {"xstage.inner", "xstage.base", "xstage.xown.m", "common"} <= named


def test_parts_and_instances_are_found_by_their_full_names(netlist: Netlist) -> None:
    assert netlist.find("XSTAGE.q3").nodes == ("xstage.inner", "xstage.base", "0")
    assert netlist.find("xstage.Xd").nodes == ("xstage.inner", "out", "0")
    assert netlist.find("xstage.xd.r1").nodes == ("xstage.inner", "out")
    assert netlist.find("xflat").part.model == "divider"
    assert "xstage" in netlist.placed and "xstage" not in netlist.flat
    with pytest.raises(NetlistError, match=r'did you mean "xstage\.Q3"'):
        netlist.find("xstage.q4")


@pytest.mark.parametrize(
    ("name", "node"),
    [
        ("OUT", "out"), ("gnd", "0"), ("XStage.inner", "xstage.inner"), ("xstage.output", "out"),
        ("xstage.xd.tap", "out"), ("xstage.xd.top", "xstage.inner"), ("xstage.ground", "0"),
        ("xstage.xown.m", "xstage.xown.m"), ("xstage.nothing", None), ("nowhere.out", None), ("inner", None),
    ],
)  # fmt: skip
def test_a_node_is_found_by_the_name_of_a_pin_too(netlist: Netlist, name: str, node: str | None) -> None:
    assert netlist.node(name) == node


def test_values_inside_are_read_and_set(netlist: Netlist) -> None:
    """The engine is told by the engine's own names, and the whole circuit moves as told."""
    assert netlist.value("xflat.r1") == 3000.0 and netlist.value("xstage.xown.r1") == 1000.0
    settings = netlist.set_values({"xstage.xown.R1": 9e3, "V1": 6.0})
    engine = session()
    engine.load([line.text for line in netlist.deck()], netlist.title)
    for device, value in settings.alterations:
        engine.alter(device, value)
    volts = engine.operating_point()
    assert volts["1"] == pytest.approx(6.0)
    assert volts["xstage.xown.m"] == pytest.approx(volts["out"] / 10.0)
