# SPDX-License-Identifier: GPL-3.0-or-later
"""States that outlive many cycles: averagers at the threshold and coupling capacitors at the output.

Source: closed forms of the periodic state, see sawtooth_circuits.py; RC time constants by hand.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.engine.memory import carriers, holders, other_plates, rest_of, time_constants

sys.path.insert(0, str(Path(__file__).parent))  # the circuits lie beside the tests
from sawtooth_circuits import PROBES, Averager, Sawtooth, assert_inside, simulate

CABLE = replace(PROBES, output="cable", swing=(-5.0, 5.0))


@pytest.mark.parametrize("cycles", [2, 6, 20, 50, 500, 20_000])
@pytest.mark.parametrize("timed", [False, True], ids=["core", "source"])
def test_a_threshold_that_averages_the_output(cycles: float, timed: bool) -> None:
    """Averagers of 2 to 20 000 periods come to rest in a few runs, also where a source keeps the time."""
    board = Averager(cycles, timed)
    duty, threshold = board.truth()
    settled = simulate(board.deck(), board.period, 4.0)
    assert_inside(settled, {"duty": duty, "threshold": threshold, "frequency": 1 / board.period})
    assert settled.reached
    assert settled.points < 20_000  # brute force takes some hundred points a cycle and five time constants


@pytest.mark.parametrize("cycles", [2, 20, 200, 5000])
def test_an_output_through_a_coupling_capacitor(cycles: float) -> None:
    """The mean of a coupled output is 0 V, its edges are where they were, and its levels share the swing as
    the duty factor says (to first order in the droop)."""
    core = Sawtooth()
    coupled = (*core.deck(), f"Ccable out cable {cycles * core.period / 101e3!r}", "Rcable cable 0 100k")
    settled = simulate(coupled, core.period, 4.0, probes=CABLE, middle=0.0)
    assert_inside(settled, {"duty": core.duty, "frequency": 1 / core.period, "mean_level": 0.0})
    assert settled.reached
    swing = settled.figures["high_level"] - settled.figures["low_level"]
    assert swing == pytest.approx(5 * (1 - 1 / 1001) * 100 / 101, rel=0.02 + 0.6 / cycles)


def coupled_truth(core: Sawtooth, capacitor: float, series: float, load: float) -> tuple[float, float]:
    """Output (V) behind a capacitor half-way through its low and its high state.

    Source: the loop equation of one capacitor between a two-state source and a load. Its voltage u goes to
    the source's, with tau = C (R_source + R_series + R_load), and is the same after a period; the load has
    the rest of the source's voltage, divided.
    """
    low = (5 / 1001, 1000 / 1001, (1 - core.duty) * core.period)
    high = (5.0, 1000.0, core.duty * core.period)
    kept = [math.exp(-lasting / (capacitor * (own + series + load))) for _, own, lasting in (low, high)]
    start = (high[0] * (1 - kept[1]) + kept[1] * low[0] * (1 - kept[0])) / (1 - kept[0] * kept[1])
    middles = []  # from the start of the low state on
    for (source, own, _), left in zip((low, high), kept, strict=True):
        middles.append(-(start - source) * left**0.5 * load / (own + series + load))
        start = source + (start - source) * left
    return middles[0], middles[1]


@pytest.mark.parametrize("cycles", [20, 220])
def test_an_output_whose_plates_move_together(cycles: float) -> None:
    """A capacitor behind a resistor, with a cable: quick edges on both of its plates, one slow voltage across
    it. The levels are those of the loop equation, within the droop of a half state."""
    core = Sawtooth()
    capacitor = cycles * core.period / 47e3
    coupled = (
        *core.deck(), "Rseries out middle 2.2k", f"Ccouple middle cable {capacitor!r}",
        "Rload cable 0 47k", "Ccable cable 0 300p", "Cnear middle 0 100p",
    )  # fmt: skip
    settled = simulate(coupled, core.period, 4.0, probes=CABLE, middle=0.0)
    assert_inside(settled, {"frequency": 1 / core.period, "mean_level": 0.0})
    assert settled.reached
    low, high = coupled_truth(core, capacitor, 2.2e3, 47e3)
    droop = (high - low) / cycles
    assert settled.figures["low_level"] == pytest.approx(low, abs=droop / 2 * (1 - core.duty))
    assert settled.figures["high_level"] == pytest.approx(high, abs=droop / 2 * core.duty)
    assert settled.bars["mean_level"] < 0.01 and settled.points < 10_000


def test_noise_of_quick_nodes_is_not_jumped_with_the_capacitor() -> None:
    """Both plates tell of edges that come and go; only the voltage across the capacitor is slow, and it alone
    comes to rest, while a third node, quick and restless, stays where it is."""
    cycles, across = 118.0, 4.0
    noise = (0.0, 0.011, 0.017)
    states = [
        np.array([bump, bump - across - 0.3 * math.exp(-k / cycles), 2.0 * bump])
        for k, bump in enumerate(noise)
    ]
    nodes, constants = ("near", "far", "inside"), {"far": cycles}
    rest = rest_of(nodes, states, np.ones(3), constants, 1.0, 1e-6, None, {"far": "near"})
    reached = states[-1] + rest.away
    assert reached[0] - reached[1] == pytest.approx(across, abs=1e-6)
    assert reached[[0, 2]] == pytest.approx(states[-1][[0, 2]], abs=0.0)


def test_the_other_plate_of_a_coupling_capacitor() -> None:
    """The end with the larger resistance moves; the other one is what it is seen from, where it is slow."""
    found = holders(LISTING)
    assert other_plates(found, 1e-3) == {"cable": "out"}
    assert other_plates(found, 1.0) == {}


def test_a_board_without_slow_memory_needs_no_more_runs() -> None:
    core = Sawtooth()
    assert simulate(core.deck(), core.period, 4.0).points < 1000


LISTING = (
    "r1 out thr 100k", "r2 vb thr 50k", "vb vb 0 8", "cthr thr 0 1u", "cc out cable 10u", "rl cable 0 47k",
    "rpull rail out 1k", "vrail rail 0 5", "cramp ramp 0 1n", "cstray x.base 0 1p", "rlink thr far 1k",
    "cfar far 0 10n",
)  # fmt: skip


def test_time_constants_of_a_listing() -> None:
    """By hand: what the resistors at both ends of a capacitor let through."""
    found = holders(LISTING)
    known = time_constants(found)
    assert known["thr"] == pytest.approx(1e-6 / (1 / 100e3 + 1 / 50e3 + 1 / 1e3))
    assert known["cable"] == pytest.approx(10e-6 * (47e3 + 1 / (1 / 1e3 + 1 / 100e3)))
    assert "ramp" not in known and "x.base" not in known
    by_node = {holder.node: holder for holder in found}
    beside = 1 / (1 / 50e3 + 1 / (100e3 + 1e3))
    assert by_node["far"].longest == pytest.approx(10e-9 * (1e3 + beside), rel=1e-6)
    assert math.isinf(by_node["ramp"].longest)


def test_carriers_are_what_a_cycle_leaves_behind() -> None:
    """The ramp, the averager and the coupling carry on; a stray capacitor of a transistor does not."""
    found = holders([line for line in LISTING if not line.startswith(("cc", "cthr", "cfar"))])
    assert carriers(found, "ramp", 1e-3) == {"ramp"}
    assert {"thr", "cable"} <= carriers(holders(LISTING), "ramp", 1e-3)
    assert "far" not in carriers(holders(LISTING), "ramp", 1.0)


@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
def test_rest_by_three_cycles(share: float) -> None:
    """A geometric series comes to rest where it converges, whatever the resistors say."""
    goal = np.array([3.0, -1.0])
    states = [goal + np.array([1.0, 0.4]) * share**k for k in range(3)]
    rest = rest_of(("a", "b"), states, np.ones(2), {"a": 1e-3 * 7}, 1e-3, 1e-9)
    assert states[-1] + rest.away == pytest.approx(goal, abs=1e-9)


def test_rest_by_resistors_and_then_by_what_the_jump_left() -> None:
    """One move and an RC that is half of the truth: the second jump is right, since the first one tells."""
    goal, cycles = 4.0, 50.0
    share = math.exp(-1 / cycles)

    def two(start: float) -> list[np.ndarray]:
        return [np.array([goal + (start - goal) * share**k]) for k in range(2)]

    first = two(1.0)
    rest = rest_of(("thr",), first, np.ones(1), {"thr": 0.5 * cycles}, 1.0, 1e-9)
    assert 0.3 < (first[-1][0] + rest.away[0] - 1.0) / (goal - 1.0) < 0.7
    second = two(first[-1][0] + rest.away[0])
    again = rest_of(("thr",), second, np.ones(1), {"thr": 0.5 * cycles}, 1.0, 1e-9, rest)
    assert second[-1][0] + again.away[0] == pytest.approx(goal, rel=0.02)
    assert again.distance == pytest.approx(abs(goal - second[-1][0]) / (abs(second[-1][0]) + 1), rel=0.1)
