# SPDX-License-Identifier: GPL-3.0-or-later
"""How the outcomes of one fault at several corners become its row, and how a stuck output is called."""

from __future__ import annotations

import math

import pytest

from harness.board import load_board
from harness.faults.answer import told
from harness.faults.fault import HARMLESS, NOT_SIMULATED, OVERSTRESSED, WRONG_SOUND, Fault, Outcome, Stress
from harness.faults.judging import Judge, at_rest
from harness.faults.stress import beyond, passed
from harness.faults.study import Faulted
from harness.measure.stress import Watch
from harness.netlist import read_netlist
from harness.ratings import Rated, rated_parts
from harness.resources import netlists_folder
from harness.simulate import CornerResult

FAULT = Fault("R1 open", "open", "", ("R1",), lambda netlist: netlist)
PLACES = {"low": "control 0 V", "high": "control 9 V"}


def outcome(corner: str, severity: str, seen: str = "", stress: float = math.nan) -> Outcome:
    share = stress / 20e-3
    stresses = () if math.isnan(stress) else (Stress("X1", "output current", stress, 20e-3, "A", share),)
    return Outcome(FAULT, corner, "pulsing", severity, (seen,) if seen else (), stresses)


def test_what_the_nominal_corner_shows_is_seen() -> None:
    (row,) = told([outcome("nominal", WRONG_SOUND, "duty 0.2 instead of 0.5")], [], {})
    assert (row.seen_at_bench, row.seen) == ("yes", ("duty 0.2 instead of 0.5",))


def test_what_only_an_end_shows_is_not_seen_and_counts() -> None:
    again = [outcome("low", HARMLESS), outcome("high", WRONG_SOUND, "no ramp instead of pulsing")]
    (row,) = told([outcome("nominal", HARMLESS)], again, PLACES)
    assert (row.worst.severity, row.worst.corner, row.seen_at_bench) == (WRONG_SOUND, "high", "no")
    assert row.seen == ("only at control 9 V: no ramp instead of pulsing",)


def test_what_is_worse_at_an_end_says_what_it_does_there() -> None:
    """A bench shows a slow edge where it was asked for; beside it stands what is wrong elsewhere."""
    again = [outcome("low", WRONG_SOUND, "duty factor 0.8 instead of 0.2"), outcome("high", WRONG_SOUND)]
    (row,) = told([outcome("nominal", HARMLESS, "fall time 2 us instead of 1 us")], again, PLACES)
    assert (row.worst.severity, row.worst.corner, row.seen_at_bench) == (WRONG_SOUND, "low", "yes")
    assert row.seen == ("fall time 2 us instead of 1 us", "at control 0 V: duty factor 0.8 instead of 0.2")
    (row,) = told([outcome("nominal", WRONG_SOUND, "duty factor 0.4 instead of 0.5")], again, PLACES)
    assert row.seen == ("duty factor 0.4 instead of 0.5",)


def test_the_farthest_beyond_its_rating_is_the_worst() -> None:
    every = [
        outcome(name, OVERSTRESSED, "", value) for name, value in (("a", 21e-3), ("b", 40e-3), ("c", 30e-3))
    ]
    (row,) = told(every, [], {})
    assert row.worst.corner == "b"


def test_what_was_not_simulated_is_no_pass_and_not_unseen() -> None:
    (row,) = told([outcome("a", HARMLESS), outcome("b", NOT_SIMULATED)], [], {})
    assert (row.worst.severity, row.seen_at_bench) == (NOT_SIMULATED, "not known")


@pytest.mark.parametrize(("level", "state"), [(0.3, "stuck low"), (5.2, "stuck high"), (11.4, "stuck high")])
def test_a_stuck_output_goes_by_the_nearer_level(level: float, state: str) -> None:
    """Levels without the fault 0.2 V and 6 V; the measurement alone calls it low."""
    good = CornerResult("a", "pulsing", figures={"low_level": 0.2, "high_level": 6.0})
    stuck = CornerResult("a", "stuck low", figures={"low_level": level, "mean_level": level})
    found = at_rest(good, stuck)
    name = state.split()[1]
    assert found.state == state and found.figures == {f"{name}_level": level, "mean_level": level}


def test_multiples_of_a_bound() -> None:
    """30 mA on 20 mA is 1.5; -0.9 V where -0.3 V is least is 3; no figure is no multiple."""
    current = Rated("X1", "output current", Watch("a", through=(("i", 1.0),)), math.nan, 20e-3, "A", "")
    voltage = Rated("X1", "input", Watch("b", across=("a", "0")), -0.3, 36.0, "V", "")
    for one, value, expected in ((current, 30e-3, 1.5), (voltage, -0.9, 3.0), (voltage, 72.0, 2.0)):
        share, bound = beyond(one, value)
        assert share == pytest.approx(expected) and value / bound == pytest.approx(expected)
    assert beyond(current, math.nan)[0] == 0.0


def test_beyond_a_bound_of_nothing() -> None:
    """Beyond a bound of 0 the other bound measures how far: 5 V below 0 V is worse than 6 mV below. Where
    there is no other bound, a figure on the good side is still no breach."""
    both = Rated("X1", "input", Watch("a", across=("a", "0")), 0.0, 30.0, "V", "")
    assert beyond(both, -6e-3) == (pytest.approx(1.0002), 0.0)
    assert beyond(both, -5.0) == (pytest.approx(1 + 5 / 30), 0.0)
    floor = Rated("X1", "input", Watch("a", across=("a", "0")), 0.0, math.nan, "V", "")
    assert beyond(floor, 7.0)[0] < 1.0 < beyond(floor, -0.1)[0]


@pytest.mark.parametrize(("beyond_rail", "passes"), [(38e-6, False), (6e-3, False), (0.3, True)])
def test_a_pin_at_its_rail_is_not_beyond_it(beyond_rail: float, passes: bool) -> None:
    """Whose rating is the rail itself: 4 mA through the 10 mOhm of a bridge are 40 uV, an input on a
    capacitor lies millivolts beyond while supplies come up, and both stress nothing."""
    board = load_board(netlists_folder() / "boards" / "plover" / "plover.board.toml")
    netlist = read_netlist(board.netlist)
    for name in ("xslice input_minus", "xint minus_low"):  # with a bound at the other end, and without
        assert next(one.least for one in rated_parts(board, netlist) if one.watch.name == name) == 0.0
        stresses, _ = passed(board, netlist, {name: [0.5, 1.0]}, {name: [-beyond_rail, 1.0]})
        assert [stress.value for stress in stresses] == ([-beyond_rail] if passes else [])


def test_without_a_board_without_a_fault_nothing_is_judged() -> None:
    """What the engine did not get done at the corner is no figure that a fault could have changed."""
    board = load_board(netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml")
    netlist = read_netlist(board.netlist)
    judge = Judge(board, netlist, [CornerResult("a", "not simulated", reason="too slow")])
    faulted = CornerResult("a", "pulsing", figures={"frequency": 440.0, "duty": 0.5})
    found = judge.outcome(Faulted(FAULT, 0, netlist, faulted))
    assert (found.state, found.severity, found.seen) == (NOT_SIMULATED, NOT_SIMULATED, ())
    assert "without a fault" in found.reason and "too slow" in found.reason


@pytest.mark.parametrize(
    ("room", "severity"), [(1.0, HARMLESS), (-0.1, WRONG_SOUND), (math.nan, WRONG_SOUND)]
)
def test_a_limit_without_a_figure_is_not_kept(room: float, severity: str) -> None:
    """The headroom is kept without the fault; no test at the bench shows it."""
    board = load_board(netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml")
    assert "headroom" in board.limits
    netlist = read_netlist(board.netlist)
    figures = {"frequency": 440.0, "duty": 0.5, "low_level": 0.1, "high_level": 6.0}
    judge = Judge(board, netlist, [CornerResult("a", "pulsing", figures=figures | {"headroom": 1.0})])
    faulted = CornerResult("a", "pulsing", figures=figures | ({} if math.isnan(room) else {"headroom": room}))
    assert judge.outcome(Faulted(FAULT, 0, netlist, faulted)).severity == severity


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("kestrel_slicer", "output, low level -432 V instead of 100 mV"),
        ("kestrel", "output, low level driven beyond the supplies by an ideal current source"),
    ],
)
def test_no_bench_shows_what_an_ideal_current_source_alone_can_do(name: str, shown: str) -> None:
    """Kestrel's core has one; its slicing stage alone has none."""
    board = load_board(netlists_folder() / "boards" / "kestrel" / f"{name}.board.toml")
    netlist = read_netlist(board.netlist)
    figures = {"low_level": 0.1, "high_level": 6.0}
    judge = Judge(board, netlist, [CornerResult("a", "pulsing", figures=figures)])
    faulted = CornerResult("a", "pulsing", figures=figures | {"low_level": -432.0})
    assert judge.outcome(Faulted(FAULT, 0, netlist, faulted)).seen == (shown,)


def test_a_rating_without_a_figure_is_told_and_not_kept() -> None:
    """The figure is there without the fault; nothing of it with the fault, or nothing that is a number."""
    board = load_board(netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml")
    netlist = read_netlist(board.netlist)
    one = rated_parts(board, netlist)[0]
    good = {one.watch.name: [0.0, 0.0]}
    assert one.verdict([math.nan, 0.0])[1] == "no figure"
    none: list[dict[str, list[float]]] = [{}, {one.watch.name: [math.nan, math.nan]}]
    for faulted in none:
        stresses, notes = passed(board, netlist, good, faulted)
        assert stresses == [] and notes == [f"{one.part} {one.words} has no figure and is not judged"]
    assert passed(board, netlist, good, good) == ([], [])
