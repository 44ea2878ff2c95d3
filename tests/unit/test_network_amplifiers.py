# SPDX-License-Identifier: GPL-3.0-or-later
"""Op-amps that work linearly in the resistive network, against closed forms of their circuits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.netlist import read_netlist
from harness.pins import amplifier_pins
from harness.predict.network import Branch, Network
from harness.predict.width_networks import summing_level


def amplifier(plus: str, minus: str, output: str, offset: float = 0.0) -> Branch:
    return Branch("O", f"x{output}", plus, minus, offset, output=output)


def test_a_summing_amplifier() -> None:
    """Against Kirchhoff's law at the summing node, written out in another module; two corners at once."""
    levels, resistances = [np.array([-5.0, -5.0]), np.array([2.0, -3.0])], [150e3, 220e3]
    branches = [
        Branch("V", "va", "a", "0", levels[0]), Branch("V", "vb", "b", "0", levels[1]),
        Branch("R", "ra", "a", "s", resistances[0]), Branch("R", "rb", "b", "s", resistances[1]),
        Branch("R", "rf", "s", "o", 100e3), Branch("R", "rl", "o", "0", 1e3), amplifier("0", "s", "o"),
    ]  # fmt: skip
    solved = Network.of_branches(branches).solve()
    assert solved["o"] == pytest.approx(summing_level(levels, resistances, 100e3), rel=1e-12)
    assert solved["s"] == pytest.approx([0.0, 0.0], abs=1e-12)


def test_a_difference_amplifier_and_its_offset() -> None:
    """Gain 10: V_out = 10 (V_2 - V_1); an offset of 2 mV at the inputs comes out 11 times larger."""

    def output(offset: float) -> float:
        branches = [
            Branch("V", "v1", "one", "0", 1.0), Branch("V", "v2", "two", "0", 1.2),
            Branch("R", "r1", "one", "minus", 1e3), Branch("R", "r2", "minus", "out", 10e3),
            Branch("R", "r3", "two", "plus", 1e3), Branch("R", "r4", "plus", "0", 10e3),
            amplifier("plus", "minus", "out", offset),
        ]  # fmt: skip
        return float(Network.of_branches(branches).solve()["out"][0])

    assert output(0.0) == pytest.approx(2.0, rel=1e-12)
    assert output(0.0) - output(2e-3) == pytest.approx(22e-3, rel=1e-9)


def test_its_output_has_no_resistance() -> None:
    """Seen from outside an ideal follower is a source; behind a resistor that resistor is seen."""
    branches = [
        Branch("V", "v", "in", "0", 3.0), Branch("R", "r", "in", "plus", 1e6),
        amplifier("plus", "out", "out"), Branch("R", "rs", "out", "jack", 470.0),
    ]  # fmt: skip
    network = Network.of_branches(branches)
    assert network.solve()["jack"] == pytest.approx([3.0])
    assert network.resistance_seen("out") == pytest.approx([0.0], abs=1e-9)
    assert network.resistance_seen("jack") == pytest.approx([470.0])


def test_an_amplifier_without_a_path_to_its_input_says_nothing() -> None:
    """What hangs on nothing has no figure, and the rest keeps its own."""
    branches = [
        Branch("V", "v", "in", "0", 3.0), Branch("R", "a", "in", "mid", 1e3),
        Branch("R", "b", "mid", "0", 1e3), amplifier("nowhere", "s", "o"), Branch("R", "f", "s", "o", 1e3),
    ]  # fmt: skip
    solved = Network.of_branches(branches).solve()
    assert solved["mid"] == pytest.approx([1.5])
    assert np.isnan(solved["o"]).all()


def test_only_a_board_that_says_so_has_linear_op_amps(tmp_path: Path) -> None:
    """An op-amp that the board file does not name stays what it is drawn as: unknown behind its output."""
    path = tmp_path / "sum.cir"
    path.write_text(
        '* a summer\n.include "parts/opamp_07x.inc"\nVp vp 0 12\nVn vn 0 -12\nVa a 0 1\nRa a s 10k\n'
        "Rf s o 20k\nXsum 0 s vp vn o opamp_07x\n.end\n",
        encoding="utf-8",
    )
    netlist = read_netlist(path)
    assert np.isnan(Network.from_netlist(netlist).solve()["o"]).all()
    named = Network.from_netlist(netlist, {"xsum"}, [Branch("O", "xsum", "0", "s", 0.0, output="o")])
    assert named.solve()["o"] == pytest.approx([-2.0])


@pytest.mark.parametrize(
    ("header", "nodes", "told"),
    [
        ("1 2 3 4 5", "0 s vp vn o", {"plus": "0", "minus": "s", "output": "o"}),
        ("out inp inn vdd vss", "o 0 s vp vn", {"plus": "0", "minus": "s", "output": "o"}),
        ("1 2 3 4 5", "o s 0 vn vp", {}),  # supplies where the usual order has none
        ("1 2 3 4 5", "0 s vp vn va", {}),  # a source holds what would be the output
        ("1 2 3 4", "0 s vp o", {}),
    ],
)
def test_pins_of_an_op_amp_whose_header_numbers_them(
    tmp_path: Path, header: str, nodes: str, told: dict[str, str]
) -> None:
    path = tmp_path / "sum.cir"
    inner = header.split()
    path.write_text(
        f"* a summer\nVp vp 0 12\nVn vn 0 -12\nVa va 0 1\nRa va s 10k\nRf s o 20k\nXsum {nodes} bought\n"
        f".subckt bought {header}\nR1 {inner[0]} {inner[1]} 1meg\nR2 {inner[2]} {inner[3]} 1meg\n.ends\n"
        ".end\n",
        encoding="utf-8",
    )
    netlist = read_netlist(path)
    found = amplifier_pins(netlist, netlist.parts["xsum"])
    assert {pin: node for pin, node in found.items() if pin in ("plus", "minus", "output")} == told
