# SPDX-License-Identifier: GPL-3.0-or-later
"""Bars of compared figures: where one is too wide for its tolerance, a finer run narrows it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.board import load_board
from harness.corners import corner_table
from harness.netlist import read_netlist
from harness.new.command import new_starter
from harness.new.starters import Choice
from harness.planning import tasks_of
from harness.simulate import Task, simulate


@pytest.fixture
def task(tmp_path: Path) -> Task:
    new_starter("edges", Choice(), tmp_path)
    board = load_board(tmp_path / "edges.board.toml")
    corners = corner_table(board)
    return tasks_of(board, read_netlist(board.netlist), corners, corners[[]])[1]


def test_what_a_board_compares_is_wanted(task: Task) -> None:
    """A quarter of each tolerance: 10 % of a rise time, 2 % of the swing or of the ramp; duty and frequency
    have the accuracy of the run."""
    wanted = {name: (share, scale) for name, share, scale in task.plan.wanted}
    assert wanted["rise_time"] == (0.025, "figure")
    assert wanted["low_level"] == (0.005, "swing") and wanted["threshold"] == (0.005, "ramp")
    assert not {"duty", "frequency"} & set(wanted)


def test_a_finer_run_narrows_what_is_wanted(task: Task) -> None:
    """The charging of a capacitor, ln 9 R C and what the comparator adds: with a bar of at most 0.5 %, inside
    the bar that the coarser run gave."""
    plain = simulate(replace(task, plan=replace(task.plan, wanted=())))
    fine = simulate(replace(task, plan=replace(task.plan, wanted=(("rise_time", 0.005, "figure"),))))
    coarse, narrow = (each.figures["rise_time"] for each in (plain, fine))
    assert plain.bars["rise_time"] > 0.005 * coarse
    assert fine.bars["rise_time"] <= 0.005 * narrow
    assert abs(narrow - coarse) <= plain.bars["rise_time"]
    assert fine.bars["duty"] <= 1e-4
