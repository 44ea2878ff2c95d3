# SPDX-License-Identifier: GPL-3.0-or-later
"""The resistive network against worked examples in print."""

from __future__ import annotations

import numpy as np
import pytest

from harness.predict.network import Branch, Network


def volts(name: str, node: str, value: float) -> Branch:
    return Branch("V", name, node, "0", value)


def ohms(name: str, plus: str, minus: str, value: float) -> Branch:
    return Branch("R", name, plus, minus, value)


MILLMAN = [
    volts("b1", "left", 28.0),
    ohms("r1", "left", "node", 4.0),
    ohms("r2", "node", "0", 2.0),
    volts("b2", "right", 7.0),
    ohms("r3", "right", "node", 1.0),
]


def test_millman_three_branches() -> None:
    """28 V through 4 Ohm, 0 V through 2 Ohm, 7 V through 1 Ohm: 8 V; drops 20 V, 8 V and 1 V.

    Source: T. R. Kuphaldt, Lessons in Electric Circuits, vol. I (DC), 5th ed., chapter 10, Millman's theorem.
    """
    got = Network.of_branches(MILLMAN).solve()
    assert got["node"] == pytest.approx([8.0], rel=1e-12)
    assert got["left"] - got["node"] == pytest.approx([20.0])
    assert got["node"] - got["right"] == pytest.approx([1.0])


def test_thevenin_and_norton_of_the_same_network() -> None:
    """Without the 2 Ohm load: 11.2 V behind 0.8 Ohm, 14 A short-circuit current; with it 8 V and 4 A.

    Source: T. R. Kuphaldt, Lessons in Electric Circuits, vol. I (DC), 5th ed., chapter 10, Thevenin and
    Norton.
    """
    network = Network.of_branches(MILLMAN)
    unloaded = network.solve({"r2": np.array([np.inf])})["node"]
    resistance = network.resistance_seen("node", {"r2": np.array([np.inf])})
    assert unloaded == pytest.approx([11.2])
    assert resistance == pytest.approx([0.8])
    assert unloaded / resistance == pytest.approx([14.0])
    assert network.solve()["node"] / 2.0 == pytest.approx([4.0])


def test_thevenin_of_a_loop_with_a_capacitor() -> None:
    """20 V through 2 kOhm and back through 3 kOhm, 500 Ohm with 100 uF across it: 1.8182 V behind 454.545
    Ohm.

    The capacitor is open in the network; 60 ms after switching on it holds 1.3325 V.
    Source: T. R. Kuphaldt, Lessons in Electric Circuits, vol. I (DC), 5th ed., chapter 16, complex circuits.
    """
    network = Network.of_branches(  # the lower end of the capacitor is taken as ground
        [
            Branch("V", "v", "in", "back", 20.0),
            ohms("r1", "in", "upper", 2e3),
            ohms("r2", "upper", "0", 500.0),
            ohms("r3", "0", "back", 3e3),
        ]
    )
    across, resistance = network.solve()["upper"], network.resistance_seen("upper")
    assert across == pytest.approx([1.8182], abs=5e-5)
    assert resistance == pytest.approx([454.545], abs=5e-4)
    assert across * (1 - np.exp(-60e-3 / (resistance * 100e-6))) == pytest.approx([1.3325], abs=5e-5)


def test_hysteresis_network_thresholds() -> None:
    """5 V, divider 100 kOhm / 100 kOhm, 576 kOhm from the output: 2.69968 V with the output high, 2.30032 V
    low.

    Source: Texas Instruments TIDU020 (thresholds 2.7 V and 2.3 V; the resistor values from memory).
    """
    network = Network.of_branches(
        [
            volts("vcc", "vcc", 5.0),
            volts("vout", "out", 5.0),
            ohms("rx", "vcc", "thr", 100e3),
            ohms("ry", "thr", "0", 100e3),
            ohms("rh", "out", "thr", 576e3),
        ]
    )
    assert network.solve({"vout": np.array([5.0, 0.0])})["thr"] == pytest.approx([2.69968, 2.30032], abs=5e-6)


def test_hysteresis_of_three_equal_resistors() -> None:
    """Three resistors of 1 MOhm on 15 V: 10 V with the output high, 5 V with the output low.

    Source: National Semiconductor AN-74, January 1973 (circuit from memory).
    """
    network = Network.of_branches(
        [
            volts("vcc", "vcc", 15.0),
            volts("vout", "out", 15.0),
            ohms("r1", "vcc", "thr", 1e6),
            ohms("r2", "thr", "0", 1e6),
            ohms("r3", "out", "thr", 1e6),
        ]
    )
    assert network.solve({"vout": np.array([15.0, 0.0])})["thr"] == pytest.approx([10.0, 5.0])


@pytest.mark.parametrize(
    ("reference", "low_side", "high_side", "printed"),
    [(2.20, 0.99, 1.01, 3.50), (2.25, 1.0, 1.0, 3.60), (2.30, 1.01, 0.99, 3.71)],
)
def test_supervisor_divider(reference: float, low_side: float, high_side: float, printed: float) -> None:
    """Divider of 1330 Ohm over 2210 Ohm, 1 %, reference 2.20 / 2.25 / 2.30 V: trips at 3.50 / 3.60 / 3.71 V.

    Source: Texas Instruments SLVA075, section 5.4.2, page 19.
    """
    network = Network.of_branches(
        [
            volts("v", "in", 1.0),
            ohms("r1", "in", "tap", 1330.0 * low_side),
            ohms("r2", "tap", "0", 2210.0 * high_side),
        ]
    )
    assert reference / network.solve()["tap"] == pytest.approx([printed], abs=0.005)


def test_bias_through_the_threshold_network() -> None:
    """20 kOhm and 30 kOhm at a comparator input with 250 nA of bias and 5 mV of offset: 8 mV of error.

    Source: S. Franco, Design with Operational Amplifiers and Analog Integrated Circuits, example 9.1
    (inputs read in a collection of worked examples, answer recomputed).
    """
    network = Network.of_branches(
        [volts("v", "in", 5.0), ohms("r1", "in", "tap", 20e3), ohms("r2", "tap", "0", 30e3)]
    )
    bias = Branch("I", "bias", "0", "tap", 250e-9)
    shift = network.solve(extra=[bias])["tap"] - network.solve()["tap"]
    assert shift == pytest.approx([3e-3], rel=1e-9)
    assert shift + 5e-3 == pytest.approx([8e-3], rel=1e-6)


def test_divider_of_a_reference() -> None:
    """0.4 V reference, 51.1 kOhm over 80.6 kOhm: trips at 0.65 V (0.6536).

    Source: Texas Instruments SBVS264B.
    """
    network = Network.of_branches(
        [volts("v", "in", 1.0), ohms("r1", "in", "tap", 51.1e3), ohms("r2", "tap", "0", 80.6e3)]
    )
    assert 0.4 / network.solve()["tap"] == pytest.approx([0.6536], abs=5e-5)


@pytest.mark.parametrize(("control", "share"), [(0.0, 0.5), (1.0, 1.0), (-1.0, 0.0)])
def test_equal_averaging_resistors(control: float, share: float) -> None:
    """Equal resistors from reference and control: half the reference at 0 V, the reference at itself, 0 V at
    minus it.

    Common practice, no source.
    """
    reference = 8.0
    network = Network.of_branches(
        [
            volts("vref", "ref", reference),
            volts("vc", "jack", control * reference),
            ohms("r1", "ref", "thr", 100e3),
            ohms("r2", "jack", "thr", 100e3),
        ]
    )
    assert network.solve()["thr"] == pytest.approx([share * reference], abs=1e-12)


def test_loaded_potentiometer() -> None:
    """10 kOhm potentiometer loaded by 20 kOhm departs from the straight line by at most 7.5 % (6.67 % of full
    scale).

    Common practice, no source (bound recomputed).
    """
    turn = np.linspace(0.001, 0.999, 999)
    network = Network.of_branches(
        [
            volts("v", "top", 1.0),
            ohms("upper", "top", "wiper", np.nan),
            ohms("lower", "wiper", "0", np.nan),
            ohms("load", "wiper", "0", 20e3),
        ]
    )
    got = network.solve({"upper": 10e3 * (1 - turn), "lower": 10e3 * turn})["wiper"]
    largest = np.abs(got - turn).max()
    assert largest < 0.075
    assert largest == pytest.approx(1 / 15, abs=1e-4)
