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

from harness.engine.memory import carriers, holders, rest_of, time_constants

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
