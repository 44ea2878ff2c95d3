# SPDX-License-Identifier: GPL-3.0-or-later
"""The resistive network: exact nodal solution, floating nodes without a figure, laws that hold for any
network."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import sympy
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.predict.network import Branch, Network


def bridge(values: list[float]) -> list[Branch]:
    """Five resistors of a bridge fed by 10 V, unbalanced, with a current source across it."""
    a, b, c, d, e = values
    return [
        Branch("V", "v1", "top", "0", 10.0),
        Branch("R", "ra", "top", "left", a),
        Branch("R", "rb", "top", "right", b),
        Branch("R", "rc", "left", "0", c),
        Branch("R", "rd", "right", "0", d),
        Branch("R", "re", "left", "right", e),
        Branch("I", "i1", "right", "left", 1e-3),
    ]


def test_bridge_agrees_with_a_symbolic_solution() -> None:
    """The node equations of the bridge, written out and solved by sympy."""
    numbers = [1000.0, 2200.0, 4700.0, 3300.0, 680.0]
    left, right = sympy.symbols("left right")
    a, b, c, d, e = (sympy.Rational(int(n)) for n in numbers)
    exact = sympy.solve(
        [
            (left - 10) / a + left / c + (left - right) / e - sympy.Rational(1, 1000),
            (right - 10) / b + right / d + (right - left) / e + sympy.Rational(1, 1000),
        ],
        [left, right],
    )
    got = Network.of_branches(bridge(numbers)).solve()
    assert got["left"][0] == pytest.approx(float(exact[left]), rel=1e-12)
    assert got["right"][0] == pytest.approx(float(exact[right]), rel=1e-12)


def test_source_between_two_nodes() -> None:
    """A floating 2 V source in series with a divider: V(a) - V(b) is 2 V and the currents balance."""
    got = Network.of_branches(
        [
            Branch("V", "v1", "in", "0", 10.0),
            Branch("R", "r1", "in", "a", 1e3),
            Branch("V", "v2", "a", "b", 2.0),
            Branch("R", "r2", "b", "0", 3e3),
        ]
    ).solve()
    assert got["a"][0] - got["b"][0] == pytest.approx(2.0, rel=1e-12)
    assert got["b"][0] == pytest.approx((10 - 2) * 3 / 4, rel=1e-12)


def test_corners_are_solved_together() -> None:
    """One call with arrays gives what a call a corner gives."""
    network = Network.of_branches(bridge([1e3, 2e3, 3e3, 4e3, 5e3]))
    volts, resistor = np.array([0.0, 5.0, 12.0]), np.array([1e3, 1e4, 1e5])
    together = network.solve({"V1": volts, "re": resistor})["left"]
    alone = [network.solve({"v1": volts[k : k + 1], "re": resistor[k : k + 1]})["left"][0] for k in range(3)]
    assert together == pytest.approx(alone, rel=1e-12)


def test_floating_nodes_have_no_figure() -> None:
    """Nodes without a path to ground are NaN, the rest is solved all the same."""
    got = Network.of_branches(
        [
            Branch("V", "v1", "in", "0", 10.0),
            Branch("R", "r1", "in", "mid", 1e3),
            Branch("R", "r2", "mid", "0", 1e3),
            Branch("R", "r3", "loose", "looser", 1e3),
            Branch("I", "i1", "0", "loose", 1e-6),
        ]
    ).solve()
    assert got["mid"][0] == pytest.approx(5.0)
    assert np.isnan(got["loose"][0]) and np.isnan(got["looser"][0])


def test_unplugged_branch_leaves_the_sums_and_a_grounded_one_stays() -> None:
    """Three jack states of one control: driven, driven to 0 V, and unplugged (no figure for the source)."""
    network = Network.of_branches(
        [
            Branch("V", "vref", "ref", "0", 8.0),
            Branch("V", "vcontrol", "jack", "0", 0.0),
            Branch("R", "r1", "ref", "thr", 10e3),
            Branch("R", "r2", "jack", "thr", 10e3),
            Branch("R", "r3", "thr", "0", 10e3),
        ]
    )
    got = network.solve({"vcontrol": np.array([4.0, 0.0, np.nan])})
    assert got["thr"] == pytest.approx([4.0, 8 / 3, 4.0])
    assert got["jack"][:2] == pytest.approx([4.0, 0.0])
    assert got["jack"][2] == pytest.approx(4.0), "an open jack rests at the threshold"


def test_contradictory_sources_have_no_figure() -> None:
    """Two sources across the same nodes: no solution, and no exception either."""
    got = Network.of_branches(
        [Branch("V", "v1", "a", "0", 1.0), Branch("V", "v2", "a", "0", 2.0), Branch("R", "r", "a", "0", 1.0)]
    ).solve()
    assert np.isnan(got["a"][0])


def test_resistance_seen_is_the_slope_of_a_test_current() -> None:
    """Thevenin resistance equals the change of voltage for one ampere put in."""
    network = Network.of_branches(bridge([1e3, 2e3, 3e3, 4e3, 5e3]))
    before = network.solve()["left"]
    after = network.solve(extra=[Branch("I", "test", "0", "left", 1e-3)])["left"]
    assert network.resistance_seen("left") == pytest.approx((after - before) / 1e-3, rel=1e-9)
    assert network.resistance_seen("top") == pytest.approx([0.0], abs=1e-12)
    assert np.isnan(network.resistance_seen("nowhere")).all()


def test_a_further_branch_pulls_a_tap_down() -> None:
    """A divider with a switched resistor at its tap."""
    network = Network.of_branches(
        [
            Branch("V", "v1", "in", "0", 15.0),
            Branch("R", "r1", "in", "tap", 10e3),
            Branch("R", "r2", "tap", "0", 10e3),
        ]
    )
    assert network.solve()["tap"] == pytest.approx([7.5])
    foot = network.solve(extra=[Branch("R", "r3", "tap", "0", np.array([1e3, np.inf]))])["tap"]
    assert foot == pytest.approx([15 * (10 / 11) / (10 + 10 / 11), 7.5])


resistors = st.lists(st.floats(10.0, 1e6), min_size=5, max_size=5)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(resistors, st.integers(0, 4), st.floats(0.1, 10.0), st.floats(0.1, 10.0))
def test_node_voltage_is_monotone_in_each_resistor(
    values: list[float], which: int, first: float, second: float
) -> None:
    """A node voltage is a ratio of functions linear in one resistor: three values lie in order."""
    low, middle, high = sorted([first * values[which], second * values[which], values[which]])
    series = np.array([low, middle, high])
    name = ["ra", "rb", "rc", "rd", "re"][which]
    left = Network.of_branches(bridge(values)).solve({name: series})["left"]
    steps = np.diff(left)
    slack = 1e-9 * np.abs(left).max()
    assert (steps >= -slack).all() or (steps <= slack).all()


@settings(derandomize=True, deadline=None, max_examples=40)
@given(resistors, st.floats(-20.0, 20.0), st.floats(-2e-3, 2e-3))
def test_superposition(values: list[float], volts: float, amperes: float) -> None:
    """The answer to two sources is the sum of the answers to each alone."""
    branches = [b for b in bridge(values) if b.kind == "R"]
    source, current = Branch("V", "v1", "top", "0", volts), Branch("I", "i1", "right", "left", amperes)
    both = Network.of_branches([source, current, *branches]).solve()["right"]
    one = Network.of_branches([source, replace(current, value=0.0), *branches]).solve()["right"]
    other = Network.of_branches([replace(source, value=0.0), current, *branches]).solve()["right"]
    assert both == pytest.approx(one + other, rel=1e-9, abs=1e-9)
