# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs that merely look converged, switches that cannot be read, and settings that abort: what is said, and
bars that are honest about it.

Source: closed forms (sawtooth_circuits.py); analytic waves for the guards.
"""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from harness.engine import decades, guards, scout
from harness.engine.decades import Decades
from harness.engine.plan import NoCycle, altered, source_levels
from harness.engine.scout import UNIFORM_BAR, UNREAD_BAR, cycle_of, seldom, uniform
from harness.engine.session import EngineError, session
from harness.engine.steps import Plan, Record, settle
from harness.measure.cycle import measure_cycle

sys.path.insert(0, str(Path(__file__).parent))  # the circuits lie beside the tests
from sawtooth_circuits import PROBES, DelayedTrip, Sawtooth, assert_inside, simulate


def measure(record: Record, begin: float, end: float) -> dict[str, float | str]:
    return measure_cycle(record, begin, end, PROBES)


@pytest.mark.parametrize("delay", [1 / 500, 1 / 5000])
@pytest.mark.parametrize("reset", [1 / 300, 1 / 10_000])
def test_a_switch_that_cannot_be_read(delay: float, reset: float) -> None:
    """``floor`` makes a comparator that no gap is read from: the line is named, the bar is wide, the truth is
    inside, and it does not count as reached."""
    board = DelayedTrip(delay, reset)
    trip = f"Btrip trip 0 V = 5*min(1, floor(V(ramp)/(V(gate) > 2.5 ? {board.low!r} : {board.high!r})))"
    settled = simulate(
        tuple(trip if line.startswith("Btrip") else line for line in board.deck()), board.period, 2.5
    )
    assert any("floor" in line for line in settled.unread)
    assert any("could not be read" in note for note in settled.notes)
    assert settled.bars["duty"] >= UNREAD_BAR
    assert not settled.reached
    assert_inside(settled, board.truth())


def test_a_follower_whose_supplies_start_at_nothing() -> None:
    """Nodes held by a source start at 0 V unless told otherwise, and a junction then starts volts forward.
    The rung with its sources up holds."""
    deck = (
        "Vcc vcc 0 9", "Vtop top 0 8", "Isink cap 0 1e-4", "Ccap cap 0 1n", "Sfill top cap 0 ramp fill",
        ".model fill SW(vt=-3 vh=2 ron=200 roff=1e12)", "Qfollow vcc cap ramp npn", "Remitter ramp 0 5k",
        ".model npn npn(is=1e-15 bf=200)", "Vthr thr 0 3", "Vrail rail 0 5", "Rpull rail out 1k",
        "Sslice out 0 ramp thr slicer", ".model slicer SW(vt=0 vh=0 ron=1 roff=1e9)",
        ".ic v(cap)=5.6 v(ramp)=5",
    )  # fmt: skip
    settled = simulate(deck, 4e-5, 3.0)
    assert settled.reached
    assert any("aborted with charge tolerance 1e-14 from a cold start" in note for note in settled.notes)
    assert settled.words["state"] == "pulsing"
    base = 1e-4 / 201  # the follower's base current adds to the sink's share; levels are those of the switch
    assert settled.figures["ramp_low"] == pytest.approx(1.0, abs=0.01)
    assert settled.figures["frequency"] > 1 / (1e-9 * 4.0 / (1e-4 - 10 * base))


def test_uniform_steps_hold_the_truth_in_their_wide_bars() -> None:
    core = Sawtooth(resistance=3000.0)
    plan = Plan(core.deck(), "ramp", "out", core.period, 4.0, 2.5)
    settled = uniform(session(), plan, measure, ["why"])
    assert settled.bars["duty"] >= UNIFORM_BAR
    assert not settled.reached
    assert settled.setting.startswith("uniform steps")
    assert settled.notes[0] == "why"
    assert_inside(settled, {"duty": core.duty, "frequency": 1 / core.period})


def test_an_engine_error_is_no_reason_for_a_guess() -> None:
    """A deck that the engine refuses raises its own words, it does not fall down the ladder."""
    core = Sawtooth()
    plan = Plan((*core.deck(), "Rbad out 0 nosuch_model_here"), "ramp", "out", core.period, 4.0, 2.5)
    with pytest.raises(EngineError):
        settle(session(), plan, measure)


def test_time_that_is_up_ends_the_refinement(monkeypatch: pytest.MonkeyPatch) -> None:
    """With no time left the figures that are there come back, not reached but honest."""
    board = DelayedTrip(1 / 500, 1 / 3000)
    monkeypatch.setattr(Decades, "_late", lambda self: True)
    settled = simulate(board.deck(), board.period, 2.5, 1e-7)
    assert settled.decade <= 3
    assert not settled.reached
    assert_inside(settled, board.truth())


def sawtooth_record(low: float, dip: float = 0.0) -> Record:
    time = np.linspace(0.0, 2.0, 2001)
    ramp = low + 5.0 * (time % 1.0)
    ramp[np.isclose(time % 1.0, 0.001)] -= dip
    return {"time": time, "ramp": ramp, "rail": np.full_like(time, 8.0)}


@pytest.mark.parametrize(("dip", "rings"), [(0.0, False), (1.2, False), (2.5, True)])
def test_a_ramp_below_every_source_rings(dip: float, rings: bool) -> None:
    """0.5 V less 1.2 V may be a clamped undershoot, 2 V below ground may not."""
    below = guards.below_possible(sawtooth_record(0.5, dip), "ramp", ("rail",), 0.0, 1.0)
    assert (below > 0) == rings
    assert guards.below_possible(sawtooth_record(0.5, dip), "ramp", None, 0.0, 1.0) == 0.0


@pytest.mark.parametrize(
    ("line", "known"),
    [("q1 ramp base vcc pnp", True), ("i1 0 ramp 1m", False), ("i1 vcc pitch 1m", True),
     ("e1 a 0 b 0 2", False), ("v2 a b 5", False), ("l1 a b 1m", False), ("s1 a 0 b 0 m", True)],
)  # fmt: skip
def test_where_a_ramp_could_go_below_its_sources(line: str, known: bool) -> None:
    """Parts that may make voltages of their own leave the guard without an opinion."""
    held = guards.held_nodes(("vcc vcc 0 15", line, ".model m sw(vt=1)"), "ramp")
    assert (held == ("vcc",)) if known else (held is None)


def test_runs_that_differ_in_edges_or_state_are_not_believed() -> None:
    """Equal figures do not count where one run has an edge more, or another state, or rings."""
    core = Sawtooth()
    plan = Plan(core.deck(), "ramp", "out", core.period, 4.0, 2.5)
    runs = Decades(session(), plan, measure)
    runs.run()
    run = runs._climb(1)
    assert runs._objections([run, run]) == []
    assert "rising edges" in runs._objections([run, replace(run, edges=run.edges + 1)])[0]
    other = replace(run, words={**run.words, "state": "chatter"})
    assert "pulsing and chatter" in runs._objections([run, other])[0]
    assert "rings" in runs._objections([run, replace(run, below=0.7)])[0]
    judged = runs._judge([run.figures, run.figures], [run, other], 1)
    assert not judged.reached
    assert all(math.isinf(bar) for bar in judged.bars.values())


def test_a_marker_keeps_away_from_edges() -> None:
    """With an output edge at the middle of the ramp the marker goes elsewhere; without one it stays there."""
    time = np.linspace(0.0, 1.0, 4001)
    record = {"time": time, "ramp": np.where(time < 0.98, time / 0.98, (1 - time) / 0.02)}
    record["out"] = np.tanh(300 * (record["ramp"] - 0.49))
    level, way = guards.quiet_place(record, "ramp", 0.0, 1.0)
    assert way == 1 and abs(level - 0.5) > 0.1
    record["out"] = np.tanh(300 * (record["ramp"] - 0.8))
    assert guards.quiet_place(record, "ramp", 0.0, 1.0)[0] == pytest.approx(0.5, abs=1e-3)
    record["ramp"] = -record["ramp"]
    assert guards.quiet_place(record, "ramp", 0.0, 1.0)[1] == -1


@pytest.mark.parametrize("cycles", [1.5, 7.3, 40.0])
def test_cycles_are_found_in_the_later_half(cycles: float) -> None:
    """A wave with enough cycles has a period and a middle, one with too few or uneven ones has none."""
    time = np.linspace(0.0, 1.0, 6000)
    found = cycle_of(time, 3.0 + 2.0 * np.sin(2 * np.pi * cycles * time))
    if cycles < 7:
        assert found is None
    else:
        assert found == pytest.approx((1 / cycles, 3.0), rel=0.02)
    assert cycle_of(time, np.full_like(time, 2.0)) is None
    uneven = 20 * time + 0.35 * np.sin(2 * np.pi * 5 * time)
    assert cycle_of(time, np.sin(2 * np.pi * uneven)) is None


def test_values_set_after_loading_reach_what_is_read_from_the_listing() -> None:
    listing = (
        "   1 : vcc vcc 0 15",
        "2 : vneg 0 ee dc 12",
        "3 : vramp r 0 pulse (0.5 5 0 1m)",
        "4 : r.x1.r9 a b 1k",
    )
    flat = altered(listing, (("Vcc", 13.5), ("x1.r9", 220.0)))
    assert source_levels(flat) == {"vcc": 13.5, "ee": -12.0, "r": 0.5}
    assert flat[3].split()[3] == "220.0"


def test_every_rung_of_the_ladder_has_words() -> None:
    runs = Decades(session(), Plan(Sawtooth().deck(), "ramp", "out", 1e-3, 4.0, 2.5), measure)
    for kind, text in decades.STARTS.items():
        runs.rung = (1e-12, kind)
        said = runs._setting(3)
        assert "3 decades" in said and "charge tolerance 1e-12" in said
        assert (text in said) == (kind != "warm")


def test_a_board_of_two_alternating_cycles_has_no_settled_one() -> None:
    """A threshold that steps from cycle to cycle: two duty factors, and a bar that holds both of them."""
    period = 1e-3
    deck = (
        f"Vramp ramp 0 PULSE(0 7 0 {0.98 * period!r} {0.01 * period!r} {0.01 * period!r} {period!r})",
        f"Vthr thr 0 PULSE(3 4 0 1u 1u {period!r} {2 * period!r})",
        "Vrail rail 0 5", "Rpull rail out 1k", "Sslice out 0 ramp thr slicer",
        ".model slicer SW(vt=0 vh=0 ron=1 roff=1e9)",
    )  # fmt: skip
    settled = simulate(deck, period, 3.5)
    assert not settled.reached
    assert any("no cycle was like the one before" in note for note in settled.notes)
    for duty in (0.99 * 3 / 7, 0.99 * 4 / 7):
        assert (
            abs(settled.figures["duty"] - duty) <= settled.bars["duty"] + 2e-3
        )  # the step itself takes 1 us


def test_rough_figures_of_a_trapezoid() -> None:
    """Share above the middle of the extremes, exact for straight edges, whatever part of a cycle is cut."""
    time = np.array([0.0, 0.1, 0.15, 0.55, 0.65, 1.0, 1.1, 1.15, 1.55, 1.65, 2.0])
    wave = np.array([0.0, 0.0, 4.0, 4.0, 0.0, 0.0, 0.0, 4.0, 4.0, 0.0, 0.0])
    for begin in (0.0, 0.12, 0.3, 0.6, 0.9):
        rough = guards.rough_figures({"time": time, "out": wave}, "out", begin, begin + 1.0)
        assert rough == pytest.approx({"frequency": 1.0, "duty": 0.475, "low_level": 0.0, "high_level": 4.0})


def test_a_board_that_switches_without_end_is_not_said_to_have_no_ramp(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An output that pulls its own input back, with two poles and no hysteresis, switches ever faster: the
    pilot run gets no farther, and what the ramp would have done is not known."""
    monkeypatch.setattr(scout, "_MOST_POINTS", 3000)
    deck = (
        "Vramp src 0 PULSE(0 5 0 980u 10u 10u 1m)", "Rramp src ramp 1", "Vcontrol c 0 2", "Rc c thr 10k",
        "Rf out thr 470k", "Ct thr 0 100p", "Bs cmp 0 V = 9*u(V(ramp)-V(thr))", "Ro cmp out 1k",
        "Co out 0 1n",
    )  # fmt: skip
    with pytest.raises(EngineError, match="too many points; the ramp had not gone round by"):
        simulate(deck)


def test_a_ramp_that_comes_to_rest_says_where() -> None:
    """It was expected to pass the marker once a period, and a pilot run sees none."""
    deck = ("Vcc vcc 0 5", "R1 vcc ramp 10k", "C1 ramp 0 10n", "Rout vcc out 1k", "Cout out 0 1p")
    with pytest.raises(NoCycle, match="the ramp stays at 5 V"):
        simulate(deck, 1e-3, 2.5)


def test_words_for_a_ramp_that_comes_past_too_seldom() -> None:
    record = {"time": np.linspace(0.0, 1.0, 101), "ramp": np.full(101, 2.0)}
    assert seldom(record, "ramp", 2.5, 1, 14) == (
        "the ramp stays at 2 V, and came past 2.5 V 1 time in 14 periods"
    )
