# SPDX-License-Identifier: GPL-3.0-or-later
"""Every figure of Kestrel's corners, made of transistors throughout, against independent runs of the engine.

There is no closed form here. Truth is what two step strategies (located, uniform) and two integration methods
(trapezoidal, Gear) say alike, all of them far finer than the runs under test; what they still differ by is
granted on top of the bar.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from harness.engine.decades import Decades
from harness.engine.plan import load, measured
from harness.engine.session import session
from harness.engine.steps import Figures, Measure, Record
from harness.measure.cycle import measure_cycle, vector
from harness.planning import tasks_of
from harness.resources import netlists_folder
from harness.run import predictions, prepare
from harness.simulate import SINK, Task, simulate

FINE = 5  # decade of the located runs, ten to a hundred times finer in every limit
UNIFORM = 4000  # steps a period, of the uniform run
CORNERS = {"kestrel": (0, 20, 27, 50, 62), "kestrel_slicer": (0, 22, 44)}


@cache
def tasks(board: str) -> list[Task]:
    prepared = prepare(netlists_folder() / "boards" / "kestrel" / f"{board}.board.toml")
    prediction = predictions(prepared, measure=False)
    hints = prediction.refined.combine_first(prediction.ideal)
    return tasks_of(prepared.board, prepared.netlist, prepared.corners, hints)


def measure_of(task: Task) -> Measure:
    def measure(record: Record, begin: float, end: float) -> Figures:
        sink = sum((sign * vector(record, name) for name, sign in task.sink_currents), np.zeros(1))
        return measure_cycle({**record, SINK: sink}, begin, end, task.probes, task.plan.temperature)

    return measure


def located(task: Task, method: str) -> dict[str, float]:
    """Figures of one very fine located run, reached decade by decade."""
    runs = Decades(session(), task.plan, measure_of(task), method=method)
    run = None
    for decade in (runs._read(), 1, 2, 3, 4, FINE):
        run = runs._climb(decade)
        runs._again(run, decade)
    assert run is not None
    return run.figures


def uniform(task: Task) -> dict[str, float]:
    """Figures of a uniform fine run (Gear) from the settled state of a located one."""
    runs = Decades(session(), task.plan, measure_of(task))
    for decade in (runs._read(), 1, 2):
        run = runs._climb(decade)
        runs._again(run, decade)
    period = run.end - run.begin
    step = period / UNIFORM
    load(session(), task.plan, "method=gear reltol=1e-6 trtol=1 chgtol=1e-14 itl4=100", runs.start)
    record = session().transient(step, 3.1 * period, step)
    wave, time = record[task.plan.ramp], record["time"]
    rises = np.flatnonzero((wave[:-1] < runs.marker) & (wave[1:] >= runs.marker))
    part = (runs.marker - wave[rises]) / (wave[rises + 1] - wave[rises])
    marks = time[rises] + part * (time[rises + 1] - time[rises])
    return measured(measure_of(task), record, float(marks[-2]), float(marks[-1]))[0]


@cache
def truth(board: str, corner: int) -> tuple[dict[str, float], dict[str, float]]:
    """Figures, and what the independent runs differ by at most."""
    task = tasks(board)[corner]
    best = located(task, "trap")
    others = [located(task, "gear"), uniform(task)]
    apart = {name: max(abs(other[name] - value) for other in others) for name, value in best.items()}
    return best, apart


@pytest.mark.slow
@pytest.mark.parametrize(("board", "corner"), [(b, c) for b, corners in CORNERS.items() for c in corners])
def test_every_figure_lies_within_its_bar(board: str, corner: int) -> None:
    best, apart = truth(board, corner)
    assert apart["duty"] < 5e-6
    assert apart["frequency"] < 5e-6 * best["frequency"]
    for accuracy in (1e-4, 1e-5):
        task = tasks(board)[corner]
        result = simulate(replace(task, plan=replace(task.plan, accuracy=accuracy)))
        assert result.reached
        assert len(result.figures) > 20
        for name, value in result.figures.items():
            assert math.isfinite(best[name]), name
            assert abs(value - best[name]) <= result.bars[name] + min(apart[name], result.bars[name]), name


@pytest.mark.slow
def test_bars_of_levels_and_times_are_small_against_their_tolerances() -> None:
    """At the accuracy of a board file no figure's bar nears a quarter of its default tolerance."""
    for corner in CORNERS["kestrel"]:
        result = simulate(tasks("kestrel")[corner])
        ramp = result.figures["ramp_high"] - result.figures["ramp_low"]
        swing = result.figures["high_level"] - result.figures["low_level"]
        for name, scale in (
            ("ramp_low", ramp),
            ("ramp_high", ramp),
            ("threshold", ramp),
            ("high_level", swing),
        ):
            assert result.bars[name] < 0.25 * 0.02 * scale, name
        for name in ("rise_time", "fall_time"):
            assert result.bars[name] < 0.25 * 0.10 * result.figures[name], name
        for name in ("pullup_current", "sink_current", "supply_current_vcc"):
            assert result.bars[name] < 0.25 * 0.05 * result.figures[name], name


@pytest.mark.slow
def test_a_transistor_board_costs_few_points() -> None:
    """Two or three decades of about a cycle each; the closing is not held up by stray nodes."""
    for corner in CORNERS["kestrel"]:
        assert simulate(tasks("kestrel")[corner]).points < 4500
