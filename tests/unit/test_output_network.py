# SPDX-License-Identifier: GPL-3.0-or-later
"""The network behind the comparator's output: modes, edges and settled pulses against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.predict.output_network import Cycle, Edge, OutputNetwork, Phase, PinState

Array = NDArray[np.float64]
ONE = np.ones(1)
LETS_GO = PinState(0 * ONE, np.inf * ONE, 0 * ONE)


def network(
    size: int, resistors: list[tuple[int, int, float]], capacitors: list[tuple[int, int, float]], feed: float
) -> OutputNetwork:
    """Nodes 0 (the pin) to size - 1 (the output); -1 is ground, -2 a rail of ``feed`` V."""
    conductance, capacitance = np.zeros((1, size, size)), np.zeros((1, size, size))
    injected = np.zeros((1, size))
    for matrix, parts in ((conductance, [(a, b, 1 / r) for a, b, r in resistors]), (capacitance, capacitors)):
        for one, other, value in parts:
            for here, there in ((one, other), (other, one)):
                if here >= 0:
                    matrix[0, here, here] += value
                if here >= 0 and there >= 0:
                    matrix[0, here, there] -= value
                if here >= 0 and there == -2 and matrix is conductance:
                    injected[0, here] += value * feed
    names = tuple(f"n{k}" for k in range(size))
    return OutputNetwork(names, conductance, capacitance, injected, 0, size - 1)


def held(volts: float, ohms: float = 1e-3) -> PinState:
    return PinState(volts * ONE, ohms * ONE, 0 * ONE)


def still(phase: Phase) -> NDArray[np.bool_]:
    return np.zeros(phase.tau.shape, dtype=bool)


def settled(found: OutputNetwork, states: tuple[PinState, PinState], on: float, period: float) -> Cycle:
    return Cycle.of((found.phase(states[0]), found.phase(states[1])), on * ONE, period * ONE)


def test_edge_through_a_pullup() -> None:
    """4.7 kOhm and 1 nF, one pole: 10 % to 90 % is ln 9 R C, the middle ln 2 R C; the level 12 V."""
    found = network(1, [(0, -2, 4.7e3)], [(0, -1, 1e-9)], 12.0)
    high, low = found.phase(LETS_GO), found.phase(held(0.0))
    edge = Edge.between(low, high, 0, still(high), 0 * ONE)
    assert high.end[0, 0] == pytest.approx(12.0, rel=1e-8)
    assert edge.duration[0] == pytest.approx(math.log(9) * 4.7e-6, rel=1e-7)
    assert edge.time_to(0.5)[0] == pytest.approx(math.log(2) * 4.7e-6, rel=1e-7)
    assert edge.swing[0] == pytest.approx(12.0, rel=1e-5)


def test_straight_edge_without_capacitance() -> None:
    """A pin that slews for 2 us into a plain divider: 10 % to 90 % is 0.8 of that, the middle half."""
    found = network(2, [(0, 1, 8e3), (1, -1, 12e3)], [], 0.0)
    high, low = found.phase(held(10.0)), found.phase(held(-10.0))
    edge = Edge.between(low, high, 1, still(high), 2e-6 * ONE)
    assert edge.duration[0] == pytest.approx(1.6e-6, rel=1e-9)
    assert edge.time_to(0.5)[0] == pytest.approx(1e-6, rel=1e-9)
    assert edge.swing[0] == pytest.approx(20 * 12 / 20, rel=1e-6)


def test_output_resistance_of_a_divider_with_a_series_resistor() -> None:
    """R_series + R_1 || R_2 from a stiff source: 1 k + 8.2 k || 12 k."""
    found = network(3, [(0, 1, 8.2e3), (1, -1, 12e3), (1, 2, 1e3)], [(2, -1, 1e-9)], 0.0)
    high = found.phase(held(5.0, 1e-6))
    assert high.resistance(2, still(high))[0] == pytest.approx(1e3 + 8.2 * 12 / 20.2 * 1e3, rel=1e-6)


def test_cable_behind_a_resistor_has_its_time_constant() -> None:
    found = network(2, [(0, 1, 1e3), (1, -1, 1e5)], [(1, -1, 1e-9)], 0.0)
    high, low = found.phase(held(5.0, 1e-6)), found.phase(held(0.0, 1e-6))
    tau = 1e-9 / (1 / 1e3 + 1 / 1e5)
    assert high.tau[0].max() == pytest.approx(tau, rel=1e-6)
    edge = Edge.between(low, high, 1, still(high), 0 * ONE)
    assert edge.duration[0] == pytest.approx(math.log(9) * tau, rel=1e-6)


@pytest.mark.parametrize("duty", [0.05, 0.3, 0.8])
def test_mean_and_rms_of_an_exponential_rise(duty: float) -> None:
    """An RC rise and an instant fall against 2^20 samples of the wave."""
    count, tau, swing = 2**20, 0.002, 7.0
    instants = (np.arange(count) + 0.5) / count
    samples = np.where(instants < duty, swing * (1 - np.exp(-instants / tau)), 0.0)
    found = network(1, [(0, -2, 2e3)], [(0, -1, 1e-6)], swing)
    cycle = settled(found, (LETS_GO, held(0.0, 1e-6)), duty, 1.0)
    total, squares = cycle.integrals(0, 0 * ONE)
    assert total[0] == pytest.approx(samples.mean(), abs=2e-5 * swing)
    assert math.sqrt(squares[0] - total[0] ** 2) == pytest.approx(samples.std(), abs=2e-5 * swing)


@pytest.mark.parametrize("ratio", [0.02, 0.2, 2.0])
def test_tilt_of_a_coupled_square_wave(ratio: float) -> None:
    """A square wave of swing A through a coupling capacitor begins each half at A / (1 + exp(-T / 2 tau)).

    Law: the high-pass RC network driven by a symmetrical square wave (Millman and Taub, from memory).
    """
    period, load, coupling = 1e-3, 1e4, 1e-6
    period = ratio * load * coupling
    found = network(2, [(1, -1, load)], [(0, 1, coupling)], 0.0)
    cycle = settled(found, (held(5.0, 1e-6), held(0.0, 1e-6)), period / 2, period)
    start = cycle.phases[0].end[0, 1] + (cycle.phases[0].modes[0, 1] * cycle.begins[0][0]).sum()
    assert start == pytest.approx(5.0 / (1 + math.exp(-ratio / 2)), rel=1e-6)
    total, _ = cycle.integrals(1, 0 * ONE)
    assert abs(total[0]) < 1e-6 * period


def test_coupled_levels_by_area() -> None:
    """No droop in sight: the high level is (1 - D) A above 0 V, the low one D A below."""
    found = network(2, [(1, -1, 47e3)], [(0, 1, 1e-3)], 0.0)
    cycle = settled(found, (held(10.0, 1e-6), held(-2.0, 1e-6)), 0.2e-3, 1e-3)
    assert cycle.level(0, 1)[0] == pytest.approx(0.8 * 12, rel=1e-4)
    assert cycle.level(1, 1)[0] == pytest.approx(-0.2 * 12, rel=1e-4)


@pytest.mark.parametrize("on", [0.0, 1e-3])
def test_output_that_stands_has_no_ac(on: float) -> None:
    found = network(2, [(1, -1, 1e4)], [(0, 1, 1e-6)], 0.0)
    cycle = settled(found, (held(10.0), held(0.0)), on, 1e-3)
    total, squares = cycle.integrals(1, 0 * ONE)
    assert abs(total[0]) < 1e-9 and squares[0] < 1e-12


def test_without_droop_and_without_edges() -> None:
    """The same coupled pulse with a cable, once without droop and once without edges: levels by area."""
    period, states = 1e-3 * ONE, (LETS_GO, held(0.0))
    found = network(2, [(0, -2, 3.9e3), (1, -1, 22e3)], [(0, 1, 1e-6), (1, -1, 1e-9)], 5.0)
    swing = 5 * 22 / 25.9
    for edges, droop in ((True, False), (False, False), (False, True)):
        plain = found.without(found.phase(LETS_GO), period, edges, droop)
        cycle = settled(plain, states, 0.2e-3, 1e-3)
        levels = cycle.level(0, 1)[0], cycle.level(1, 1)[0]
        assert abs(cycle.integrals(1, 0 * ONE)[0][0]) < 1e-9
        if not (edges or droop):  # what charges through both resistors discharges through one
            flows = levels[0] * 0.2 + levels[1] * 0.8
            assert flows == pytest.approx(0.0, abs=1e-3)
        if not droop:
            assert cycle.phases[0].tau.max() >= 1e3 * 1e-3
    assert levels[0] - levels[1] == pytest.approx(swing, rel=0.15)
