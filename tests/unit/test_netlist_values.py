# SPDX-License-Identifier: GPL-3.0-or-later
"""Values as drawn, and how a corner's values are put in."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.findings import NetlistError
from harness.netlist import Netlist, read_netlist

BOARD = """values
.param rail=8 half={rail/2}
.param knob = 0.5 track = 50k
.func side(x, y) {x*(1 - y)}
Vcc vcc 0 15
Vrail rail 0 {rail}
Vdc a 0 DC 3.3 AC 1 0
Vsense a b
Vramp ramp 0 PULSE(0 {half} 0 1u 1u 0.1u {2u*knob + 1m})
Vboth both 0 DC 2 SIN(0 1 1k)
Ibias 0 b 25n
Rtop vcc thr 68k
Rupper vcc wiper {side(track, knob)}
Rlower wiper 0 'track*knob'
Rwarm wiper thr 1.5k tc1=3.3m
Rnamed thr 0 r={track}
Rpair thr 0 10k m=2
Cload both 0 2.2n
Cpair both 0 1n m=3
Lcoil both b 10mH
Rmeg b 0 2Meg
Rmeasured a b {v(both)*1k}
Bout q 0 V = 2 * v(thr) + 1
Rq q 0 1k
X1 thr ramp stage load={2*track} m=2
X2 thr ramp stage
.subckt stage in out params: load=10k bias={load/10}
Rload in out {load}
Rbias in mid {bias}
Rfixed mid out 470
Cfixed mid out 10p
.ends
"""


@pytest.fixture
def netlist(tmp_path: Path) -> Netlist:
    path = tmp_path / "values.cir"
    path.write_text(BOARD)
    return read_netlist(path)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("Vcc", 15.0),
        ("Vrail", 8.0),
        ("Vdc", 3.3),
        ("Vsense", 0.0),
        ("Vboth", 2.0),
        ("Ibias", 25e-9),
        ("Rtop", 68e3),
        ("Rupper", 25e3),
        ("Rlower", 25e3),
        ("Rwarm", 1500.0),
        ("Rnamed", 50e3),
        ("Rpair", 5e3),
        ("Cload", 2.2e-9),
        ("Cpair", 3e-9),
        ("Lcoil", 10e-3),
        ("Rmeg", 2e6),
        ("x1.rload", 50e3),
        ("X1.Rbias", 5e3),
        ("x2.rload", 10e3),
        ("x2.rbias", 1e3),
        ("x2.rfixed", 470.0),
        ("x1.cfixed", 20e-12),
    ],
)
def test_values_as_drawn(netlist: Netlist, name: str, value: float) -> None:
    assert netlist.value(name) == pytest.approx(value, rel=1e-12)


def test_values_under_settings(netlist: Netlist) -> None:
    settings = {"Track": 100e3, "knob": 0.25, "Rtop": 70e3, "x2.rfixed": 500.0}
    assert netlist.value("rupper", settings) == pytest.approx(75e3)
    assert netlist.value("x1.rbias", settings) == pytest.approx(10e3)
    assert netlist.value("rtop", settings) == 70e3
    assert netlist.value("x2.rfixed", settings) == 500.0
    assert netlist.value("x1.rfixed", settings) == 235.0


def test_functions_of_sources(netlist: Netlist) -> None:
    kind, numbers = netlist.source_function("Vramp") or ("", ())
    assert kind == "pulse"
    assert numbers == pytest.approx((0.0, 4.0, 0.0, 1e-6, 1e-6, 1e-7, 1.001e-3))
    assert netlist.source_function("vboth", {}) == ("sin", (0.0, 1.0, 1000.0))
    assert netlist.source_function("Vcc") is None
    assert netlist.source_function("Rtop") is None


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("Vramp", "PULSE source without a DC value"),
        ("Rmeasured", "no single value"),
        ("Bout", "no single value"),
        ("Rtopp", 'did you mean "Rtop"'),
        ("x3.rload", "there is no part"),
    ],
)
def test_parts_without_a_value(netlist: Netlist, name: str, sentence: str) -> None:
    with pytest.raises(NetlistError, match=sentence):
        netlist.value(name)


def test_settings_for_the_engine(netlist: Netlist) -> None:
    settings = netlist.set_values(
        {"Rail": 8.8, "Vcc": 13.5, "RTOP": 0.1 + 0.2, "x2.Rfixed": 1e3, "Cload": 1e-9}
    )
    assert settings.parameters == {"rail": 8.8}
    assert settings.alterations == (
        ("vcc", 13.5),
        ("rtop", 0.30000000000000004),
        ("r.x2.rfixed", 1000.0),
        ("cload", 1e-9),
    )
    assert settings.parameter_lines() == [".param rail=8.8"]


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("Rupper", "drawn as {side(track, knob)}; set knob or track instead"),
        ("Vrail", "drawn as {rail}; set rail instead"),
        ("x1.rload", "drawn as {load}; set load instead"),
        ("x1.load", "is a parameter of the instance X1"),
        ("Vramp", "is a PULSE source"),
        ("Vboth", "is a SIN source"),
        ("Rmeasured", "no single value"),
        ("Rpair", "multiplier"),
        ("Vccc", 'did you mean "Vcc"'),
    ],
)
def test_what_would_not_follow_is_an_error(netlist: Netlist, name: str, sentence: str) -> None:
    with pytest.raises(NetlistError) as caught:
        netlist.set_values({name: 1.0})
    assert sentence in str(caught.value)


def test_all_problems_of_settings_at_once(netlist: Netlist) -> None:
    with pytest.raises(NetlistError) as caught:
        netlist.set_values({"Rupper": 1.0, "nothing": 2.0, "Vcc": float("nan"), "Rtop": 0.0})
    assert len(caught.value.findings) == 4


def test_a_name_of_a_parameter_and_of_a_part(tmp_path: Path) -> None:
    path = tmp_path / "twins.cir"
    path.write_text("t\n.param rload=1k rfoot=2\nV1 a 0 {rfoot}\nRload a 0 {rload}\nRfoot a 0 5k\n")
    netlist = read_netlist(path)
    assert netlist.set_values({"rload": 2e3}).parameters == {"rload": 2000.0}
    with pytest.raises(NetlistError, match="of a parameter and of a part"):
        netlist.set_values({"rfoot": 2e3})


def test_the_last_parameter_of_a_name_counts_and_is_reported(tmp_path: Path) -> None:
    path = tmp_path / "twice.cir"
    path.write_text("t\n.param r=1k\nV1 a 0 1\nR1 a 0 {r}\n.param r=2k\n")
    netlist = read_netlist(path)
    assert netlist.value("R1") == 2000.0
    assert [(note.line, note.key) for note in netlist.notes] == [(5, "r")]


def test_parameters_are_written_one_a_line_in_braces(tmp_path: Path) -> None:
    path = tmp_path / "written.cir"
    path.write_text("t\n.param a = 2, b = a * 3 c='a + b'\nV1 n 0 1\nR1 n 0 {c}\n")
    netlist = read_netlist(path)
    assert [line.text for line in netlist.deck()][:3] == [
        ".param a=2",
        ".param b={a * 3}",
        ".param c={a + b}",
    ]
    assert netlist.value("R1") == 8.0
