# SPDX-License-Identifier: GPL-3.0-or-later
"""What the drawings show: the right points, nothing lost by thinning, chains that add up."""

from __future__ import annotations

import re
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure

from harness import quantities
from harness.chain import REMAINDER, SLIP
from harness.report import canvas, charts, pictures, series, sweeps, tables
from harness.results import RunResult

sys.path.insert(0, str(Path(__file__).parent))  # the made-up run lies beside the tests
from report_fixture import make_result


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A made-up run."""
    return make_result(tmp_path_factory.mktemp("board"))


def test_a_line_along_an_axis_holds_the_others_nominal(result: RunResult) -> None:
    """Every point of a line has the nominal value on all other axes, and the axis rises."""
    nominals = tables.nominals(result.board, result.corners)
    rows = series.along(result.board, result.corners, "pitch", nominals)
    assert rows["pitch"].is_monotonic_increasing
    assert len(rows) == 5
    for name in ("control", "supply", "temperature"):
        assert set(rows[name]) == {nominals[name]}


def test_long_lines_are_thinned_with_both_ends_kept(result: RunResult) -> None:
    """No more than 200 points a line."""
    many = pd.DataFrame({"control": np.linspace(0.0, 1.0, 5001)})
    rows = series.along(result.board, many, "control", {})
    assert len(rows) == series.MOST_POINTS
    assert rows["control"].iloc[0] == 0.0
    assert rows["control"].iloc[-1] == 1.0


def test_pitch_is_drawn_in_cents_against_hand(result: RunResult) -> None:
    """1200·log2(f/f0), hand at nought."""
    nominals = tables.nominals(result.board, result.corners)
    rows = series.along(result.board, result.corners, "pitch", nominals)
    drawn = series.series(rows, series.PITCH, "pitch")
    expected = 1200.0 * np.log2(rows["frequency.simulated"] / rows["frequency.hand"])
    assert drawn.simulated == pytest.approx(expected.to_numpy())
    assert drawn.hand == pytest.approx(np.zeros(5))
    assert np.nanmedian(drawn.tolerance) == pytest.approx(5.0, rel=0.01)


def test_dots_of_states_that_are_never_a_pass_are_hollow(result: RunResult) -> None:
    """Two of five corners chatter or are out of range: theirs have the paper's colour inside, in the figure
    and in the difference from hand alike."""
    nominals = tables.nominals(result.board, result.corners)
    rows = series.along(result.board, result.corners, "pitch", nominals).copy()
    rows["state"] = ["chatter", "pulsing", "pulsing", "out of range", "stuck low"]
    drawn = series.series(rows, "frequency", "pitch")
    assert list(drawn.unproven) == [True, False, False, True, False]
    axes = Figure().subplots()
    sweeps.draw_simulated(axes, drawn, drawn.simulated)
    dots = [line for line in axes.lines if line.get_marker() == "o"]
    faces = {line.get_markerfacecolor(): len(line.get_xdata()) for line in dots}
    assert faces == {canvas.ORANGE: 3, canvas.PAPER: 2}


def test_the_leading_axis_moves_the_quantity_most(result: RunResult) -> None:
    """Duty follows the control, frequency the pitch current."""
    assert series.leading_axis(result.board, result.corners, "duty") == "control"
    assert series.leading_axis(result.board, result.corners, "frequency") == "pitch"


def test_the_second_axis_is_one_that_forms_a_grid(result: RunResult) -> None:
    """Pitch stands in no grid with control, so it cannot be the second axis."""
    assert series.second_axis(result.board, result.corners, "control") in ("supply", "temperature")


@settings(deadline=None, derandomize=True, max_examples=30)
@given(st.integers(2, 5000), st.integers(0, 2**31))
def test_thinning_keeps_extremes_and_order(number: int, seed: int) -> None:
    """Narrow spikes survive: the least and greatest value are those of the whole wave."""
    source = np.random.default_rng(seed)
    time = np.cumsum(source.uniform(1e-9, 1e-6, number))
    wave = source.normal(size=number)
    shown_time, shown = series.thinned(time, wave, most=100)
    assert shown.min() == wave.min()
    assert shown.max() == wave.max()
    assert (np.diff(shown_time) > 0.0).all()
    assert len(shown) <= 402


@settings(deadline=None, derandomize=True)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6))
def test_labels_never_cover_each_other(wanted: list[float]) -> None:
    """At least the gap between neighbours, inside the panel, in the order of the heights wanted."""
    placed = canvas.spread(wanted, 0.1, 0.0, 1.0)
    ordered = sorted(placed)
    assert all(high - low >= 0.1 - 1e-9 for low, high in pairwise(ordered))
    assert ordered[0] >= -1e-9
    assert ordered[-1] <= 1.0 + 1e-9


@settings(deadline=None, derandomize=True)
@given(st.lists(st.floats(-1.0, 1.0), min_size=0, max_size=30), st.floats(-1.0, 1.0), st.floats(0.0, 0.1))
def test_a_drawn_chain_adds_up_to_its_table(amounts: list[float], rest: float, least: float) -> None:
    """Drawing small effects as one loses nothing, and slip and remainder are always drawn."""
    rows = [("a slip", 0.25)] + [(f"effect {index}", amount) for index, amount in enumerate(amounts)]
    names = [SLIP, *(name for name, _ in rows[1:]), REMAINDER]
    chain = pd.DataFrame({"effect": names, "amount": [0.25, *amounts, rest]})
    steps = charts.steps_of(chain, least)
    assert sum(step.amount for step in steps) == pytest.approx(chain["amount"].sum(), abs=1e-9)
    assert [step.kind for step in steps if step.kind != "effect"] == ["slip", "remainder"]
    assert steps[-1].name == REMAINDER
    assert sum(step.kind == "effect" for step in steps) <= charts.MOST_STEPS + 1


def test_every_effect_of_the_run_stands_in_the_chain_drawing(result: RunResult) -> None:
    """The chain of the duty names its effects with their amounts."""
    duty = pictures.chain_pictures(result)[0]
    words = re.findall(r"<text[^>]*>([^<]*)</text>", duty.svg)
    assert "ramp follows the supply" in words
    assert "delay of the comparator" in words
    assert REMAINDER in words
    assert "hand" in words
    assert "simulated" in words


def moving(result: RunResult) -> RunResult:
    """The run with a pull-up current that the supply moves by more than a quarter of its tolerance."""
    corners = result.corners.copy()
    moved = corners["supply"] > 15.5
    corners.loc[moved, "pullup_current.simulated"] += 0.3 * corners.loc[moved, "pullup_current.tolerance"]
    return RunResult(**{**result.__dict__, "corners": corners})


def test_axes_are_labelled_in_engineering_notation(result: RunResult) -> None:
    """Currents in uA and mA, cents as cents; no powers of ten written out."""
    drawn = {picture.title: picture.svg for picture in pictures.axes_pictures(result)}
    current = {picture.title: picture.svg for picture in pictures.axes_pictures(moving(result))}
    words = re.findall(r"<text[^>]*>([^<]*)</text>", current["Pull-up current, output low"])
    assert any(word.endswith(" mA") for word in words)
    pitch = re.findall(r"<text[^>]*>([^<]*)</text>", drawn["Pitch against hand"])
    assert any(word.endswith(" cents") for word in pitch)
    assert "pitch in uA" in pitch
    assert {"7.5", "15", "30", "60", "150"} <= set(pitch)
    assert not any(re.search(r"\d[eE]-?\d", word) for word in words)


def test_an_axis_along_which_nothing_moves_is_told_instead_of_drawn(result: RunResult) -> None:
    """The pitch moves by the pitch current only; the other axes are named in words."""
    drawn = {picture.title: picture for picture in pictures.axes_pictures(result)}["Pitch against hand"]
    assert "supply in V" not in drawn.svg
    assert "along control, supply or temperature" in drawn.caption


def test_what_no_axis_moves_stands_in_a_table_and_is_not_drawn(result: RunResult) -> None:
    """A quantity is either drawn against the axes or constant; one with a gap is drawn, for it to be seen."""
    drawn = pictures.axes_pictures(result)
    constant = {one.title: one for one in pictures.constants(result)}
    title = quantities.stem("pullup_current").title
    assert title in constant
    assert not any(title in picture.svg or title == picture.title for picture in drawn)
    assert not any("along any axis" in picture.caption for picture in drawn)
    assert constant[title].simulated.endswith(" mA")
    assert constant[title].limit == "most 4 mA"
    assert constant[quantities.stem("high_level").title].limit == ""

    changed = moving(result)
    assert title not in {one.title for one in pictures.constants(changed)}
    assert any(title == picture.title for picture in pictures.axes_pictures(changed))


def test_the_witnesses_are_named_at_their_lines_and_told_apart_without_colour(result: RunResult) -> None:
    """Three direct labels; hand is dashed."""
    (duty,) = pictures.duty_picture(result)
    words = re.findall(r"<text[^>]*>([^<]*)</text>", duty.svg)
    assert {"hand", "refined", "simulated", "tolerance"} <= set(words)
    assert "stroke-dasharray" in duty.svg


def test_without_hand_figures_no_room_for_differences_is_drawn(result: RunResult) -> None:
    """Nothing is taken off what was simulated where there is nothing to take off."""
    (whole,) = pictures.duty_picture(result)
    bare = result.corners.assign(**{"duty.hand": np.nan})
    (alone,) = pictures.duty_picture(RunResult(**{**result.__dict__, "corners": bare}))
    assert "minus hand" in whole.svg and "hand figure" in whole.caption
    assert "minus hand" not in alone.svg and "hand figure" not in alone.caption


def test_a_missing_figure_leaves_a_cross(result: RunResult) -> None:
    """A corner without a simulated figure is marked and not joined over in silence."""
    with_gap = result.corners.copy()
    nominals = tables.nominals(result.board, with_gap)
    rows = series.along(result.board, with_gap, "control", nominals)
    whole = pictures.axes_pictures(result)[0].svg
    with_gap.loc[rows.index[1], ["high_level.simulated", "low_level.simulated"]] = np.nan
    gap = pictures.axes_pictures(RunResult(**{**result.__dict__, "corners": with_gap}))[0].svg
    cross = re.search(r'id="axes-high_level-(\w+)" d="M -3 3 \nL 3 -3 \nM -3 -3 \nL 3 3 \n"', gap)
    assert cross is not None
    assert cross[1] not in whole
    assert gap.count(f"#axes-high_level-{cross[1]}") == 2


def test_maps_gather_many_values_and_show_the_worst(result: RunResult) -> None:
    """Five thousand values land on thirty places, each at the nearest."""
    values = pd.Series(np.linspace(0.0, 29.0, 5000))
    gathered = pictures._gathered(values)
    assert gathered.nunique() == pictures.MOST_PLACES
    assert (gathered - values).abs().max() < 0.51
    worst = charts._worst(result.corners, "duty", "control", "supply")
    assert worst[(0.0, 13.5)] == "outside"
    assert worst[(4.0, 15.0)] == "within"


@pytest.mark.parametrize("name", ["cost $5 and $6", r"maker $\frac$"])
def test_dollars_in_names_are_dollars(name: str) -> None:
    """Between two of them matplotlib would look for a formula, and fail where it finds none."""
    with canvas.style():
        figure = Figure(figsize=(2.0, 2.0))
        figure.add_subplot().set_xlabel(name)
        drawn = canvas.to_svg(figure, "one")
    assert f">{name}<" in drawn
