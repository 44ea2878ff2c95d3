# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults from outside a board and what happens before it runs, on real ngspice, against closed forms.

Boards are drawn so that each current and voltage follows by hand: Ohm's law, Millman's theorem, the law of a
diode (Shockley), the charge of a capacitor.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from harness.board import Board, load_board
from harness.corners import nominal_row
from harness.faults.case import DRIVEN, PIN, Case, story
from harness.faults.fault import HARMLESS, OVERSTRESSED, WRONG_SOUND, Fault
from harness.faults.feeds import feeds_of
from harness.faults.judging import Judge, figures_of
from harness.faults.outside import outside_faults
from harness.faults.plain import Story, play, steady_from
from harness.faults.sequences import cases
from harness.faults.study import Faulted
from harness.netlist import Netlist, read_netlist
from harness.planning import tasks_of
from harness.ratings import rated_parts
from harness.resources import netlists_folder
from harness.simulate import CornerResult, Task, simulate

SLICER = """* a perfect saw, sliced by a 393-class comparator
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vref ref 0 5
Vcontrol control 0 2
Vramp ramp 0 PULSE(0 6 0 980u 10u 10u 1m)
Rref ref thr 100k
Rcontrol control thr 150k
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out 4.7k
.end
"""
#: an output of 100 Ohm that drives both ways, with clamps from its inputs to the supply or without
STIFF = """.subckt stiff plus minus supply ground output
Bout inner ground V = v(plus,minus) > 0 ? v(supply,ground) : 0
Rout inner output 100
{clamp}
.ends stiff
"""
CLAMP = "Dclamp plus supply clamping\n.model clamping d(is=1e-14 n=1)"
PUSH_PULL = f"""* a saw sliced by a stage of 100 Ohm
{STIFF}Vcc vcc 0 5
Vcontrol control 0 2
Vramp ramp 0 PULSE(0 4 0 980u 10u 10u 1m)
Rcontrol control thr 10k
Xslice thr ramp vcc 0 out stiff
.end
"""
ROLES = """[board]
format = 1
name = "small"
revision = "A"
netlist = "small.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
ramp_input = "minus"
supply = "Vcc"
"""
OPEN_COLLECTOR = 'comparator_class = "393"\npullup = "Rpull"\n'
HINTS = {"frequency": 1e3, "ramp_low": 0.0, "ramp_high": 6.0, "low_level": 0.0, "high_level": 12.0}
CONTROL = '[axes.control]\nvalues = [0, 2, 4]\nunit = "V"\nsets = "Vcontrol"\n'


def drawn(folder: Path, netlist: str, text: str) -> tuple[Board, Netlist]:
    (folder / "small.cir").write_text(netlist)
    (folder / "small.board.toml").write_text(text)
    board = load_board(folder / "small.board.toml")
    read = read_netlist(board.netlist)
    assert board.check_against(read) == []
    return board, read


def task_of(board: Board, netlist: Netlist) -> Task:
    row = nominal_row(board)
    corners = pd.DataFrame([{"corner": "c001", **row}])
    return tasks_of(board, netlist, corners, pd.DataFrame([HINTS]))[0]


def with_fault(board: Board, netlist: Netlist, name: str) -> tuple[Fault, Netlist, CornerResult]:
    fault = next(each for each in outside_faults(board, netlist).faults if each.name == name)
    assert not fault.unsimulated
    changed = fault.change(netlist)
    return fault, changed, simulate(task_of(board, changed))


def played(board: Board, netlist: Netlist, name: str, period: float) -> tuple[Case, CornerResult]:
    row = nominal_row(board)
    case = next(each for each in cases(board, netlist, row, period)[0] if each.fault.name == name)
    return case, play(story(case, board, netlist, row, task_of(board, netlist), period))


# --- what feeds a board


def test_a_jack_is_a_source_behind_resistors(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    feeds = feeds_of(board, netlist)
    assert feeds.jacks == {"control": "vcontrol"}
    assert feeds.supplies == {"Vcc": "vcc"}
    assert feeds.others == ("vref",)
    assert feeds.moving == ("vramp",)


def test_a_source_at_the_comparator_itself_is_no_jack_and_that_is_said(tmp_path: Path) -> None:
    text = SLICER.replace("Vcontrol control 0 2", "Vcontrol thr 0 2").replace(
        "Rcontrol control thr 150k\n", ""
    )
    board, netlist = drawn(tmp_path, text, ROLES + OPEN_COLLECTOR + CONTROL)
    found = outside_faults(board, netlist)
    assert not [fault for fault in found.faults if fault.kind == "jack"]
    assert any("Vcontrol" in words and "not taken for a jack" in words for words in found.assumed)


def test_a_parameter_that_is_the_whole_value_of_one_source_is_that_source(tmp_path: Path) -> None:
    text = SLICER.replace("Vcontrol control 0 2", ".param width=2\nVcontrol control 0 {width}")
    axis = CONTROL.replace("Vcontrol", "width")
    board, netlist = drawn(tmp_path, text, ROLES + OPEN_COLLECTOR + axis)
    assert feeds_of(board, netlist).jacks == {"control": "vcontrol"}
    twice = text.replace(".end\n", "Vtwin twin 0 {width}\nRtwin twin 0 1k\n.end\n")
    board, netlist = drawn(tmp_path, twice, ROLES + OPEN_COLLECTOR + axis)
    assert feeds_of(board, netlist).jacks == {}


def test_a_supply_that_is_a_function_of_time_stays_as_drawn_and_that_is_said(tmp_path: Path) -> None:
    text = SLICER.replace("Vcc vcc 0 12", "Vcc vcc 0 PULSE(0 12 0 1u 1u 1 2)")
    board, netlist = drawn(tmp_path, text, ROLES + OPEN_COLLECTOR + CONTROL)
    assert feeds_of(board, netlist).supplies == {}
    assert cases(board, netlist, nominal_row(board), 1e-3)[0] == []
    assert "Vcc is a function of time: not taken for a supply" in outside_faults(board, netlist).assumed


# --- jacks, output, supplies


@pytest.mark.parametrize(
    ("name", "threshold"),
    [
        ("control unplugged", 5.0),  # the branch leaves the sums of Millman's theorem ...
        ("control at 0 V", 5.0 * 150 / 250),  # ... and stays in them at 0 V
    ],
)
def test_a_jack_moves_the_threshold_by_millman(tmp_path: Path, name: str, threshold: float) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    _, _, result = with_fault(board, netlist, name)
    assert result.state == "pulsing"
    bias = 25e-9 * 100e3  # V that the pin's 25 nA make at most
    assert threshold <= result.figures["threshold"] <= threshold + 1.1 * bias


def test_a_jack_stuck_at_the_supply_lifts_the_threshold_out_of_the_ramp(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    fault, changed, result = with_fault(board, netlist, "control stuck at Vcc")
    assert result.state == "stuck high"
    assert result.figures["threshold"] == pytest.approx((5 / 100 + 12 / 150) * 60, abs=3e-3)
    good = simulate(task_of(board, netlist))
    outcome = Judge(board, netlist, [good]).outcome(Faulted(fault, 0, changed, result))
    assert outcome.severity == WRONG_SOUND
    assert outcome.seen[0] == "stuck high instead of pulsing"


def test_what_is_plugged_in_may_move_the_width(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    good = simulate(task_of(board, netlist))
    fault, changed, result = with_fault(board, netlist, "control at 0 V")
    outcome = Judge(board, netlist, [good]).outcome(Faulted(fault, 0, changed, result))
    assert outcome.severity == HARMLESS
    assert outcome.seen[0].startswith("duty factor")


def test_a_shorted_output_draws_what_the_pull_up_lets_through(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    _, _, result = with_fault(board, netlist, "output shorted to 0 V")
    assert result.state == "stuck low"
    assert result.figures["pullup_current_mean"] == pytest.approx(12 / 4.7e3, rel=1e-4)


def test_of_two_open_collectors_the_low_one_wins_and_takes_in_both_pull_ups(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    alone = simulate(task_of(board, netlist)).figures
    _, changed, result = with_fault(board, netlist, "outputs joined")
    low = result.figures["low_level"]
    assert result.figures["mean_level"] == pytest.approx(low, abs=0.1)  # but for a spike at a change
    assert alone["low_level"] < low < 0.4
    assert alone["sink_current"] == pytest.approx((12 - alone["low_level"]) / 4.7e3, rel=1e-3)
    taken_in = max(map(abs, result.stresses["xslice output_current"]))
    assert taken_in == pytest.approx(2 * (12 - low) / 4.7e3, rel=2e-3)
    told = figures_of(board, changed, result)  # not what it happens to take in while the other one is low
    assert told["sink_current"] == pytest.approx(taken_in, rel=2e-3)


def test_two_outputs_that_drive_both_ways_meet_half_way(tmp_path: Path) -> None:
    board, netlist = drawn(
        tmp_path, PUSH_PULL.format(clamp=""), ROLES + 'comparator_class = "push-pull"\n' + CONTROL
    )
    _, changed, result = with_fault(board, netlist, "outputs joined")
    assert result.figures["mean_level"] == pytest.approx(2.5, abs=2e-3)
    assert result.state in ("stuck low", "stuck high")
    assert "vcc" in changed.parts["xramp_harness_twin_xslice"].nodes
    # 5 V across twice 100 Ohm, one way and the other
    assert result.stresses["xslice output_current"] == pytest.approx([-25e-3, 25e-3], rel=1e-3)


def test_series_parts_of_the_second_output_are_copied_and_loads_are_not(tmp_path: Path) -> None:
    text = SLICER.replace("0 out comparator_393", "0 pin comparator_393").replace(
        "vcc out 4.7k", "vcc pin 4.7k"
    )
    text = text.replace(".end\n", "Rseries pin out 1k\nRload out 0 100k\n.end\n")
    board, netlist = drawn(tmp_path, text, ROLES + OPEN_COLLECTOR + 'load_resistor = "Rload"\n' + CONTROL)
    _, changed, result = with_fault(board, netlist, "outputs joined")
    twins = {name for name in changed.parts if "twin" in name and name[0] == "r"}
    assert twins == {"rramp_harness_twin_rpull", "rramp_harness_twin_rseries"}
    # one pin is down, the other one up: a divider of 1 k against 4.7 k and 1 k, loaded by 100 k
    ideal = 12 / 5.7 / (1 / 5.7 + 1 / 1 + 1 / 100)
    saturated = 0.25 / 1 / (1 / 5.7 + 1 / 1 + 1 / 100)  # where the low one stands at 0.25 V, well above 2 mA
    assert ideal < result.figures["mean_level"] < ideal + saturated


def test_no_second_output_without_a_comparator_and_that_is_said(tmp_path: Path) -> None:
    roles = ROLES.replace('comparator = "Xslice"\nramp_input = "minus"\n', "") + 'pullup = "Rpull"\n'
    board, netlist = drawn(tmp_path, SLICER, roles + CONTROL)
    found = outside_faults(board, netlist)
    assert not [each for each in found.faults if each.kind == "joined"]
    assert any(words.startswith("no second output is joined") for words in found.assumed)


def test_a_stage_in_a_subcircuit_is_joined_to_another_one_like_it(tmp_path: Path) -> None:
    """With hysteresis: the node behind the series resistor is its own, the feedback is copied along."""
    text = SLICER.replace("parts/comparator_393.inc", "stages/hysteresis_393.inc").replace(
        "Xslice thr ramp vcc 0 out comparator_393\nRpull vcc out 4.7k",
        "Xstage ramp thr compared vcc vcc out hysteresis_393 feedback=1meg pullup=4.7k",
    )
    roles = (ROLES + OPEN_COLLECTOR + CONTROL).replace('"thr"', '"compared"')
    roles = roles.replace('"Xslice"', '"Xstage.Xcompare"').replace('"Rpull"', '"Xstage.Rpull"')
    board, netlist = drawn(tmp_path, text, roles)
    _, changed, result = with_fault(board, netlist, "outputs joined")
    assert "xramp_harness_twin_xstage.rpull" in changed.flat
    low = result.figures["low_level"]
    assert result.figures["mean_level"] == pytest.approx(low, abs=0.1)
    taken_in = max(map(abs, result.stresses["xstage.xcompare output_current"]))
    assert taken_in == pytest.approx(2 * (12 - low) / 4.7e3, rel=5e-3)


def test_a_supply_that_is_not_connected_is_fed_through_the_board(tmp_path: Path) -> None:
    text = SLICER.replace("Rpull vcc out", "Rfeed ref vcc 1k\nRpull vcc out")
    board, netlist = drawn(tmp_path, text, ROLES + OPEN_COLLECTOR + CONTROL)
    _, _, away = with_fault(board, netlist, "Vcc not connected")
    assert 1.0 < away.figures["high_level"] < 5.0
    _, _, down = with_fault(board, netlist, "Vcc at 0 V")
    assert down.figures.get("high_level", 0.0) < 0.1


# --- driven while off


def test_an_input_driven_while_off_is_held_by_its_clamp(tmp_path: Path) -> None:
    """(V - V_clamp) / R, with V_clamp by the law of the diode at 25 degC."""
    board, netlist = drawn(
        tmp_path, PUSH_PULL.format(clamp=CLAMP), ROLES + 'comparator_class = "push-pull"\n' + CONTROL
    )
    _, result = played(board, netlist, "control at 4 V while off", 1e-3)
    thermal = 1.380649e-23 * 298.15 / 1.602176634e-19
    # the saturation current is given at 27 degC; at 25 degC by its law with eg = 1.11 eV and xti = 3
    ratio = 298.15 / 300.15
    saturation = 1e-14 * ratio**3 * math.exp(1.11 / thermal * (ratio - 1.0))
    clamp = brentq(lambda v: (4 - v) / 10e3 - saturation * math.expm1(v / thermal), 0.1, 1.0)
    assert result.stresses[DRIVEN][1] == pytest.approx((4 - clamp) / 10e3, rel=2e-4)
    assert result.stresses["xslice input_plus_high"][1] == pytest.approx(clamp, rel=2e-3)


def test_what_goes_into_the_pin_is_told_apart_from_what_goes_into_the_board(tmp_path: Path) -> None:
    """By Kirchhoff what the source drives less what a resistor to 0 V takes."""
    text = SLICER.replace("393", "push_pull").replace("Vcc vcc 0 12", "Vcc vcc 0 5")
    text = text.replace("thr 100k", "thr 10k").replace("thr 150k", "thr 10k")
    board, netlist = drawn(tmp_path, text, ROLES + 'comparator_class = "push-pull"\n' + CONTROL)
    _, result = played(board, netlist, "control at 4 V while off", 1e-3)
    clamp = result.stresses["xslice input_plus_high"][1]
    assert 0.4 < clamp < 0.8  # a junction, where the divider alone would stand at 2 V
    driven = result.stresses[DRIVEN][1]
    assert driven == pytest.approx((4 - clamp) / 10e3, rel=1e-3)
    assert result.stresses[f"{PIN}Xslice at thr"][1] == pytest.approx(driven - clamp / 10e3, rel=1e-3)


def test_an_input_without_a_clamp_passes_its_rating_while_off(tmp_path: Path) -> None:
    board, netlist = drawn(
        tmp_path, PUSH_PULL.format(clamp=""), ROLES + 'comparator_class = "push-pull"\n' + CONTROL
    )
    case, result = played(board, netlist, "control at 4 V while off", 1e-3)
    good = CornerResult("c001", "pulsing")
    outcome = Judge(board, netlist, [good]).outcome(Faulted(case.fault, 0, netlist, result))
    assert outcome.severity == OVERSTRESSED
    assert outcome.stresses[0].part == "Xslice"
    assert outcome.stresses[0].value == pytest.approx(4.0, rel=1e-6)


# --- orders


def test_a_part_between_two_supplies_bears_the_first_one_alone(tmp_path: Path) -> None:
    text = SLICER.replace(".end\n", "Vsecond second 0 9\nRlink vcc second 1k\n.end\n")
    roles = ROLES + OPEN_COLLECTOR + 'supplies = { first = "Vcc", second = "Vsecond" }\n' + CONTROL
    board, netlist = drawn(tmp_path, text, roles + '[ratings]\nRlink = "5 V"\n')
    (rated,) = (one for one in rated_parts(board, netlist) if one.part == "Rlink")
    for name, (low, high) in {
        "supplies come up together": (0.0, 3.0),
        "first before second": (0.0, 12.0),
        "second before first": (-9.0, 3.0),
    }.items():
        _, result = played(board, netlist, name, 1e-3)
        assert result.state == "pulsing"
        assert result.stresses[rated.watch.name] == pytest.approx([low, high], abs=1e-4)


# --- starts

#: charges to 7 V, is emptied to 1 V; its trip comparator does not see a ramp above 10 V
WINDOW = """* a core that gets stuck where it starts too high
.subckt tripping plus minus supply ground output
Bout inner ground V = v(plus) > v(minus) && v(plus) < 10 ? 5 : 0
Rout inner output 1k
Cout output ground 1n
.ends tripping
.subckt slicing plus minus supply ground output
Bout inner ground V = v(plus) > v(minus) ? v(supply,ground) : 0
Rout inner output 100
.ends slicing
Vcc vcc 0 12
Vcontrol control 0 4
Rcontrol control thr 10k
Isweep 0 ramp 1m
Dtop ramp vcc topping
.model topping d(is=1e-14 n=1)
Cramp ramp 0 100n
Sreset ramp 0 gate 0 resetting
.model resetting SW(vt=2.5 vh=0.5 ron=20 roff=1e9)
Btrip trip 0 V = v(gate) > 2.5 ? 1 : 7
Xtrip ramp trip vcc 0 gate tripping
Xslice thr ramp vcc 0 out slicing
.end
"""
WINDOW_ROLES = (
    ROLES
    + '[core]\nkind = "charged capacitor"\ncapacitor = "Cramp"\ncurrent = "Isweep"\n'
    + 'comparator = "Xtrip"\ntrip = "trip"\nreset_switch = "Sreset"\n'
    + CONTROL
)


def test_a_core_starts_from_an_empty_capacitor_and_the_time_is_that_of_its_charge(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, WINDOW, WINDOW_ROLES)
    case, result = played(board, netlist, "Cramp discharged", 0.61e-3)
    assert result.state == "pulsing"
    # the middle of the ramp is reached after C V / I
    middle = 0.5 * (result.figures["ramp_high"] + result.figures["ramp_low"])
    shown = re.fullmatch(r"steady (\d+) us after it is let go \(0\.6 periods\)", result.reason)
    assert shown is not None
    assert float(shown[1]) == pytest.approx(100e-9 * middle / 1e-3 * 1e6, abs=1.0)
    sweep = 100e-9 * (result.figures["ramp_high"] - result.figures["ramp_low"]) / 1e-3
    assert 1 / result.figures["frequency"] == pytest.approx(sweep, rel=0.02)
    good = CornerResult("c001", "pulsing", figures=dict(result.figures))
    assert Judge(board, netlist, [good]).outcome(Faulted(case.fault, 0, netlist, result)).severity == HARMLESS


def test_a_core_that_does_not_start_from_a_full_capacitor_is_found(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, WINDOW, WINDOW_ROLES)
    case, result = played(board, netlist, "Cramp charged to 12 V", 0.61e-3)
    assert result.state == "no ramp"
    assert result.reason.startswith("no steady cycle within 27 periods: the ramp lies between 12.")
    good = CornerResult("c001", "pulsing")
    outcome = Judge(board, netlist, [good]).outcome(Faulted(case.fault, 0, netlist, result))
    assert outcome.severity == WRONG_SOUND
    assert outcome.seen == ("no ramp instead of pulsing",)


def test_a_trip_output_that_was_held_lets_the_core_go(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, WINDOW, WINDOW_ROLES)
    _, high = played(board, netlist, "Xtrip held high", 0.61e-3)
    assert high.state == "pulsing"
    _, low = played(board, netlist, "Xtrip held low", 0.61e-3)
    assert low.state == "no ramp"  # meanwhile the ramp went where the comparator does not see it


def test_without_a_core_no_start_is_made_up(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    found, words = cases(board, netlist, nominal_row(board), 1e-3)
    assert {case.fault.kind for case in found} == {"unpowered", "order"}
    assert any("[core] names no capacitor" in each for each in words)


# --- proof


def test_a_run_that_does_not_reach_its_end_is_no_result(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, SLICER, ROLES + OPEN_COLLECTOR + CONTROL)
    task = task_of(board, netlist)
    plan = replace(task.plan, deck=(*task.plan.deck, "vfight vcc 0 3"), period=1e-3)
    result = play(Story("c001", plan, task.probes, stop=5e-3, watches=task.watches))
    assert result.state == "not simulated"
    assert result.reason
    assert result.stresses == {} and result.figures == {}


def test_a_board_that_still_moves_when_the_clock_runs_out_is_not_called_dead(tmp_path: Path) -> None:
    board, netlist = drawn(tmp_path, WINDOW, WINDOW_ROLES)
    task = task_of(board, netlist)
    plan = replace(task.plan, period=math.nan, ramp_level=math.nan, seconds=1e-6)
    moving = simulate(replace(task, plan=plan))
    assert moving.state == "not simulated"
    assert moving.reason.startswith("too slow: ")
    patient = replace(plan, seconds=60.0)
    still = tuple("Isweep 0 ramp 0" if line.startswith("Isweep") else line for line in plan.deck)
    assert simulate(replace(task, plan=replace(patient, deck=still))).state == "no ramp"


def test_a_steady_cycle_begins_where_periods_stay_the_same() -> None:
    instants = np.concatenate(([0.0, 1.0, 1.5], np.arange(2.5, 20.0)))
    time = np.sort(np.concatenate((instants, instants[1:] - 1e-6)))
    ramp = np.interp(time, time, np.where(np.isin(time, instants), 0.0, 1.0))
    first, begin, end = steady_from(time, ramp) or (math.nan,) * 3
    assert first == pytest.approx(2.0)
    assert end - begin == pytest.approx(1.0, rel=1e-5)
    assert steady_from(time, np.linspace(0.0, 1.0, len(time))) is None


# --- the demo boards


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "period"), [("kestrel/kestrel", 2.19e-3), ("wren/wren", 4.32e-3), ("plover/plover", 18.6e-3)]
)
def test_every_order_and_every_start_ends_in_one_cycle(name: str, period: float) -> None:
    """The three demo boards start by themselves from each state, and each start gives the same figures
    within what plain steps are believed to."""
    path = netlists_folder() / "boards" / f"{name}.board.toml"
    board = load_board(path)
    netlist = read_netlist(board.netlist, board.include, board.dialects)
    row, task = nominal_row(board), task_of(board, netlist)
    found, _ = cases(board, netlist, row, period)
    started = [case for case in found if case.fault.kind in ("order", "start")]
    results = [play(story(case, board, netlist, row, task, period)) for case in started]
    assert {result.state for result in results} == {"pulsing"}
    assert {case.fault.kind for case in started} == {"order", "start"}
    for quantity in ("frequency", "duty", "ramp_low", "ramp_high", "threshold"):
        figures = [result.figures[quantity] for result in results]
        assert max(figures) - min(figures) < 0.01 * abs(figures[0]), quantity
