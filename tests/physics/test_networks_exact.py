# SPDX-License-Identifier: GPL-3.0-or-later
"""The resistive network against exact rational solutions of Kirchhoff's laws.

Source of the second opinion: sympy.linsolve over rational numbers. The equations are Kirchhoff's current law
at every node and the law of every branch, written with an unknown current for each branch (the sparse
tableau): no conductance matrix, no elimination, no rounding. The only thing shared is the list of branches.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
import sympy

from harness.predict.network import Branch, Network

TOLERANCE = 1e-10  # of the largest voltage: rounding, on conductances that differ by up to 1e5


def random_network(draw: np.random.Generator, nodes: int) -> list[Branch]:
    """A connected network: a tree of resistors and some voltage sources, then chords and current sources.

    Values are whole numbers (Ohm, V) or thousandths (A), so that they are exact in either arithmetic.
    """
    names = ["0", *(f"n{k}" for k in range(1, nodes + 1))]
    branches = []
    for k in range(1, nodes + 1):  # a tree cannot hold sources that contradict each other
        there = names[int(draw.integers(k))]
        ends = (names[k], there) if draw.integers(2) else (there, names[k])
        if draw.random() < 0.25:
            branches.append(Branch("V", f"v{k}", *ends, float(draw.integers(-15, 16))))
        else:
            branches.append(Branch("R", f"r{k}", *ends, resistance(draw)))
    for k in range(int(draw.integers(1, 2 * nodes + 1))):
        one, other = (names[int(i)] for i in draw.choice(nodes + 1, 2, replace=False))
        if draw.random() < 0.2:
            branches.append(Branch("I", f"i{k}", one, other, int(draw.integers(-20, 21)) / 1000))
        else:
            branches.append(Branch("R", f"c{k}", one, other, resistance(draw)))
    return branches


def resistance(draw: np.random.Generator) -> float:
    """Ohms from 10 to 1e6, three significant digits."""
    return float(int(draw.integers(100, 1000)) * 10 ** int(draw.integers(-1, 4)))


def rational(value: float) -> sympy.Rational:
    """A value to six decimals as a fraction: thousandths have no exact binary form."""
    exact = Fraction(value).limit_denominator(10**6)
    return sympy.Rational(exact.numerator, exact.denominator)


def tableau(branches: list[Branch], probe: str | None = None) -> dict[str, sympy.Rational]:
    """Node voltages by Kirchhoff's laws. With ``probe`` sources rest and one ampere enters that node."""
    nodes = sorted({n for b in branches for n in (b.plus, b.minus)} - {"0"})
    volts = {node: sympy.Symbol(f"u_{node}") for node in nodes}
    amps = [sympy.Symbol(f"a_{b.name}") for b in branches]
    at = lambda node: volts.get(node, sympy.Integer(0))  # noqa: E731
    laws = []
    for branch, current in zip(branches, amps, strict=True):
        across, value = at(branch.plus) - at(branch.minus), rational(float(branch.value))
        resting = 0 if probe is not None else value
        if branch.kind == "R":
            laws.append(across - value * current)
        else:
            laws.append((across if branch.kind == "V" else current) - resting)
    for node in nodes:
        leaving = sum(i for b, i in zip(branches, amps, strict=True) if b.plus == node)
        entering = sum(i for b, i in zip(branches, amps, strict=True) if b.minus == node)
        laws.append(leaving - entering - (1 if node == probe else 0))
    (found,) = sympy.linsolve(laws, *volts.values(), *amps)
    return dict(zip(nodes, found, strict=False))


def agree(branches: list[Branch]) -> float:
    """Largest difference over all nodes, as a share of the largest voltage (V) of the network."""
    exact = tableau(branches)
    got = Network.of_branches(branches).solve()
    scale = max(1.0, *(abs(float(v)) for v in exact.values()))
    return max(abs(got[node][0] - float(value)) for node, value in exact.items()) / scale


@pytest.mark.parametrize("nodes", range(1, 13))
def test_random_networks(nodes: int) -> None:
    """Three networks of each size up to 12 nodes."""
    draw = np.random.default_rng([33, nodes])
    assert max(agree(random_network(draw, nodes)) for _ in range(3)) < TOLERANCE


@pytest.mark.parametrize("nodes", [3, 6, 9, 12])
def test_resistance_seen_from_every_node(nodes: int) -> None:
    """One ampere into a node of the resting network: its voltage is the resistance there (Thevenin)."""
    branches = random_network(np.random.default_rng([34, nodes]), nodes)
    network = Network.of_branches(branches)
    for node in sorted({n for b in branches for n in (b.plus, b.minus)} - {"0"}):
        exact = float(tableau(branches, node)[node])
        assert network.resistance_seen(node)[0] == pytest.approx(exact, rel=TOLERANCE, abs=1e-6)


def test_all_corners_at_once_are_each_exact() -> None:
    """One call with arrays gives at each corner what the exact solution gives for its own values."""
    draw = np.random.default_rng(35)
    branches = random_network(draw, 8)
    moved = [b for b in branches if b.kind == "R"][:3]
    values = {b.name: np.array([resistance(draw) for _ in range(5)]) for b in moved}
    got = Network.of_branches(branches).solve(values)
    for corner in range(5):
        own = {name: float(array[corner]) for name, array in values.items()}
        here = [replace(b, value=own.get(b.name, b.value)) for b in branches]
        for node, exact in tableau(here).items():
            assert got[node][corner] == pytest.approx(float(exact), rel=TOLERANCE, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("nodes", range(2, 13))
def test_many_random_networks(nodes: int) -> None:
    """Forty networks of each size up to 12 nodes."""
    draw = np.random.default_rng([36, nodes])
    worst = max(agree(random_network(draw, nodes)) for _ in range(40))
    print(f"\n{nodes} nodes: 40 networks, largest difference {worst:.1e} of the largest voltage")
    assert worst < TOLERANCE
