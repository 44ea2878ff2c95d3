# SPDX-License-Identifier: GPL-3.0-or-later
"""Networks that set a width: closed form, network solver, ngspice and exact algebra say the same.

Second opinions: sympy on Kirchhoff's laws over rational numbers, and ngspice's operating point, which reads
the circuits of netlists/networks/ itself. No outside figures are needed where all are ideal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import sympy
from numpy.typing import NDArray

from harness.engine.session import session
from harness.netlist import Netlist, read_netlist
from harness.predict.network import Branch, Network
from harness.predict.width_networks import (
    end_stops,
    exponential_taper,
    knob_and_jack,
    knob_halves,
    node_level,
    summing_level,
    two_slope_taper,
    wiper,
)

Taper = Callable[..., NDArray[np.float64]]
ANGLES = (0.0, 0.2, 0.5, 0.77, 1.0)
JACK = {"unplugged": 0, "at 0 V": 1, "driven": 2}


def drawn(folder: Path, *lines: str) -> Netlist:
    """A netlist of these lines, read with its includes."""
    path = folder / "network.cir"
    path.write_text("\n".join(["* network", *lines, ".end", ""]))
    return read_netlist(path)


def solved(netlist: Netlist, node: str) -> float:
    """A node of the netlist by the package's own network solver."""
    return float(Network.from_netlist(netlist).solve()[node][0])


def simulated(netlist: Netlist, node: str) -> float:
    """A node of the netlist at ngspice's operating point."""
    engine = session()
    lines = [line.text for line in netlist.deck()]
    engine.load([".options reltol=1e-9 abstol=1e-15 vntol=1e-10 gmin=1e-16 temp=25", *lines])
    return engine.operating_point()[node]


# --- tapers against their definition


@pytest.mark.parametrize("taper", [two_slope_taper, exponential_taper])
@pytest.mark.parametrize("middle", [0.1, 0.15, 0.2, 0.5, 0.85])
def test_taper_runs_from_end_to_end_through_its_middle(taper: Taper, middle: float) -> None:
    shares = taper(np.array([0.0, 0.5, 1.0]), middle)
    np.testing.assert_allclose(shares, [0.0, middle, 1.0], atol=1e-12)
    turned = np.linspace(0.0, 1.0, 201)
    assert (np.diff(taper(turned, middle)) > 0).all()


def test_a_taper_of_one_half_is_linear() -> None:
    turned = np.linspace(0.0, 1.0, 11)
    np.testing.assert_allclose(two_slope_taper(turned, 0.5), turned, atol=1e-15)
    np.testing.assert_allclose(exponential_taper(turned, 0.5), turned, atol=1e-15)


def test_two_slopes_are_straight_on_either_side_of_the_middle() -> None:
    first, second = np.linspace(0.0, 0.5, 6), np.linspace(0.5, 1.0, 6)
    np.testing.assert_allclose(np.diff(two_slope_taper(first, 0.15), 2), 0.0, atol=1e-15)
    np.testing.assert_allclose(np.diff(two_slope_taper(second, 0.15), 2), 0.0, atol=1e-15)


def test_equal_turns_of_an_exponential_taper_multiply_its_slope_alike() -> None:
    slopes = np.diff(exponential_taper(np.linspace(0.0, 1.0, 11), 0.1))
    np.testing.assert_allclose(slopes[1:] / slopes[:-1], 9.0**0.2, rtol=1e-12)  # b = (1/0.1 - 1)^2, b^(1/10)


@pytest.mark.parametrize(
    ("model", "taper"), [("potentiometer", two_slope_taper), ("potentiometer_exponential", exponential_taper)]
)
@pytest.mark.parametrize("middle", [0.15, 0.5, 0.9])
@pytest.mark.parametrize("angle", ANGLES)
def test_the_knob_of_the_library_has_the_taper_of_the_closed_form(
    tmp_path: Path, model: str, taper: Taper, middle: float, angle: float
) -> None:
    knob = f"Xk vcc w 0 {model} total=50k angle={angle} middle={middle} end=20"
    netlist = drawn(tmp_path, '.include "networks/potentiometer.inc"', "Vcc vcc 0 9", knob, "Rload w 0 33k")
    level, resistance = wiper(9.0, 0.0, knob_halves(taper(angle, middle), 50e3, 20.0))
    expected = float(node_level((level, 0.0), (resistance, 33e3)))
    assert solved(netlist, "w") == pytest.approx(expected, rel=1e-9)
    assert simulated(netlist, "w") == pytest.approx(expected, rel=1e-6)


# --- networks


def test_averaging_pair(tmp_path: Path) -> None:
    lines = (
        '.include "networks/averaging_pair.inc"',
        "Vone one 0 7",
        "Vother other 0 -2",
        "Ibias mid 0 200n",
    )
    netlist = drawn(tmp_path, *lines, "Xpair one other mid averaging_pair of_one=47k of_other=91k")
    expected = float(node_level((7.0, -2.0), (47e3, 91e3), 200e-9))
    exact = (Fraction(7, 47000) - Fraction(2, 91000) - Fraction(2, 10**7)) / (
        Fraction(1, 47000) + Fraction(1, 91000)
    )
    assert expected == pytest.approx(float(exact), rel=1e-12)
    assert solved(netlist, "mid") == pytest.approx(expected, rel=1e-9)
    assert simulated(netlist, "mid") == pytest.approx(expected, rel=1e-6)


def jack_board(folder: Path, state: int, angle: float, level: float = 5.0) -> Netlist:
    return drawn(
        folder, '.include "networks/knob_and_jack.inc"', '.include "networks/control_jack.inc"',
        "Vhigh high 0 12", "Vlow low 0 -3", "Ibias thr 0 25n",
        f"Xwidth high low tip thr knob_and_jack of_knob=82k of_control=120k total=47k angle={angle} end=5",
        f"Xjack tip control_jack state={state} level={level} source=1k",
    )  # fmt: skip


def exact_threshold(state: int, angle: Fraction, level: Fraction = Fraction(5)) -> sympy.Rational:
    """Kirchhoff's current law at wiper and threshold over rational numbers; an open jack has no branch at
    all."""
    w, v = sympy.symbols("w v")
    angle, level = sympy.Rational(angle), sympy.Rational(level)
    lower = 5 + angle * (47000 - 10)
    upper = 5 + (1 - angle) * (47000 - 10)
    at_wiper = (12 - w) / upper + (-3 - w) / lower + (v - w) / 82000
    at_threshold = (w - v) / 82000 - sympy.Rational(25, 10**9)
    if state:
        at_threshold += ((level if state == 2 else 0) - v) / (120000 + 1000)
    found = sympy.solve([at_wiper, at_threshold], [w, v])
    return found[v]


@pytest.mark.parametrize("state", JACK.values(), ids=JACK.keys())
@pytest.mark.parametrize("angle", [Fraction(0), Fraction(1, 5), Fraction(1, 2), Fraction(1)])
def test_three_states_of_a_jack(tmp_path: Path, state: int, angle: Fraction) -> None:
    exact = float(exact_threshold(state, angle))
    knob = wiper(12.0, -3.0, knob_halves(two_slope_taper(float(angle)), 47e3, 5.0))
    source = np.inf if state == JACK["unplugged"] else 1e3
    control = 5.0 if state == JACK["driven"] else 0.0
    closed = float(knob_and_jack(knob, 82e3, control, 120e3, source, 25e-9))
    netlist = jack_board(tmp_path, state, float(angle))
    assert closed == pytest.approx(exact, rel=1e-12)
    assert solved(netlist, "thr") == pytest.approx(exact, rel=1e-6)
    assert simulated(netlist, "thr") == pytest.approx(exact, rel=1e-6)


def test_the_level_at_an_empty_jack_does_not_count() -> None:
    knob = wiper(12.0, 0.0, knob_halves(0.25, 47e3))
    for control in (0.0, 5.0, np.nan, np.inf):
        assert knob_and_jack(knob, 82e3, control, 120e3, np.inf) == pytest.approx(3.0)
    assert knob_and_jack(knob, 82e3, 0.0, 120e3, 1e3) < 2.0


def test_all_branches_open_leave_no_level() -> None:
    assert np.isnan(node_level((1.0, 2.0), (np.inf, np.inf)))
    levels = node_level((np.array([1.0, 1.0]), 4.0), (np.array([1e3, np.inf]), 2e3))
    np.testing.assert_allclose(levels, [2.0, 4.0])


def test_the_solver_takes_an_infinite_resistance_for_an_open_branch() -> None:
    branches = [
        Branch("V", "v1", "a", "0", 3.0), Branch("R", "r1", "a", "n", 1e3),
        Branch("V", "v2", "b", "0", 9.0), Branch("R", "r2", "b", "n", np.array([np.inf, 2e3])),
    ]  # fmt: skip
    np.testing.assert_allclose(
        Network.of_branches(branches).solve()["n"], node_level((3.0, 9.0), (1e3, np.array([np.inf, 2e3])))
    )


# --- end stops


@pytest.mark.parametrize(("least", "most"), [(0.6, 5.4), (1.0, 8.0), (0.2, 8.9)])
def test_end_stops_hold_the_range_that_they_are_chosen_for(tmp_path: Path, least: float, most: float) -> None:
    below, above = end_stops(22e3, 9.0, 0.0, least, most)
    for angle, wanted in ((0.0, least), (1.0, most), (0.5, 0.5 * (least + most))):
        netlist = drawn(
            tmp_path, '.include "networks/knob_end_stops.inc"', "Vcc vcc 0 9",
            f"Xwidth vcc 0 w knob_end_stops above={float(above)!r} below={float(below)!r} "
            f"total=22k angle={angle} end=1m",
        )  # fmt: skip
        assert solved(netlist, "w") == pytest.approx(wanted, abs=1e-6)
        assert simulated(netlist, "w") == pytest.approx(wanted, abs=1e-6)


def test_end_stops_keep_ends_of_the_track_inside_the_range() -> None:
    below, above = end_stops(22e3, 9.0, 0.0, 1.0, 8.0)
    lower, upper = knob_halves(0.0, 22e3, 30.0)
    level, _ = wiper(9.0, 0.0, (lower + below, upper + above))
    assert 1.0 < level == pytest.approx(1.0 + 30.0 * 7.0 / 22e3)


def test_the_total_of_a_knob_moves_an_end_by_its_share_of_the_fixed_resistors() -> None:
    below, above = end_stops(22e3, 9.0, 0.0, 1.0, 8.0)
    level, _ = wiper(9.0, 0.0, (below, above + 1.2 * 22e3))
    exact = 9.0 * below / (below + above + 26.4e3)
    assert level == pytest.approx(float(exact))
    assert level < 0.9


# --- summer


def summer(levels: Sequence[float], resistances: Sequence[float], opamp: str) -> list[str]:
    lines = ['.include "parts/opamp_07x.inc"', "Vs s 0 15", "Vn n 0 -15", "Rf sum out 100k"]
    for place, (level, resistance) in enumerate(zip(levels, resistances, strict=True)):
        lines += [f"V{place} a{place} 0 {level!r}", f"R{place} a{place} sum {resistance!r}"]
    return [*lines, f"Xsum 0 sum s n out opamp_07x {opamp}"]


@pytest.mark.parametrize("opamp", ["bias=0", "bias=10n offset=5m", "bias=0 gain=1000"])
def test_summer_against_ngspice(tmp_path: Path, opamp: str) -> None:
    levels, resistances = (-5.0, 2.0, -7.5), (150e3, 220e3, 330e3)
    netlist = drawn(tmp_path, *summer(levels, resistances, f"{opamp} resistance=1m"))
    settings = {"gain=1000": 1e3}
    bias, offset = (10e-9, 5e-3) if "10n" in opamp else (0.0, 0.0)
    gain = settings.get(opamp.split()[-1], 200e3)
    expected = summing_level(
        levels, resistances, 100e3, offset, bias * 1.001, gain
    )  # as the sheet's bench finds
    assert simulated(netlist, "out") == pytest.approx(float(expected), rel=3e-6)


def test_summer_by_kirchhoffs_law() -> None:
    levels, resistances, feedback = (-5, 2, -7), (150000, 220000, 330000), 100000
    offset, bias, gain, reference = Fraction(3, 1000), Fraction(1, 10**8), 5000, Fraction(1, 2)
    v, m = sympy.symbols("v m")
    law = sum((level - m) * sympy.Rational(1, r) for level, r in zip(levels, resistances, strict=True))
    law += (v - m) / feedback - sympy.Rational(bias)
    found = sympy.solve([law, m - sympy.Rational(reference - offset) + v / gain], [v, m])
    expected = summing_level(
        levels, resistances, feedback, float(offset), float(bias), gain, float(reference)
    )
    assert float(expected) == pytest.approx(float(found[v]), rel=1e-12)


def test_an_empty_and_a_grounded_control_are_alike_to_a_summer_only() -> None:
    at_zero = summing_level((-5.0, 0.0), (150e3, 220e3), 100e3)
    empty = summing_level((-5.0, 4.0), (150e3, np.inf), 100e3)
    assert at_zero == empty == pytest.approx(10.0 / 3.0)


def test_the_width_summer_of_the_library(tmp_path: Path) -> None:
    for attenuation in (0.0, 0.4, 1.0):
        netlist = drawn(
            tmp_path, '.include "networks/width_summer.inc"', "Vs s 0 15", "Vn n 0 -15", "Vlevel level 0 -5",
            "Vcontrol control 0 -4", f"Xwidth level control thr s n width_summer attenuation={attenuation}",
        )  # fmt: skip
        knob, inner = wiper(-4.0, 0.0, knob_halves(attenuation, 10e3, 5.0))
        expected = summing_level((-5.0, knob), (150e3, 220e3 + inner), 100e3, bias=30e-12, gain=200e3)
        assert simulated(netlist, "thr") == pytest.approx(float(expected), abs=2e-5)
