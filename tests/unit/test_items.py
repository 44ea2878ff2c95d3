# SPDX-License-Identifier: GPL-3.0-or-later
"""Limits and agreements one by one: which there are, how they came out, and that nothing is left out."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.items import CONCEDED, beside, items_of, subjects_of
from harness.results import RunResult
from harness.shortfalls import shortfalls_of

sys.path.insert(0, str(Path(__file__).parent))  # the made-up run lies beside the tests
from report_fixture import make_result

LIMITS = ["duty", "pullup_current", "low_level"]
HAND = ["duty", "frequency", "rise_time", "pullup_current", "high_level", "low_level"]


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run with a slip, a corner without figures, a limit not met and a wrong formula."""
    return make_result(tmp_path_factory.mktemp("board"))


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    """A run in which nothing falls short."""
    return make_result(tmp_path_factory.mktemp("board"), clean=True)


def with_cells(result: RunResult, **cells: object) -> RunResult:
    """The run with cells of its second row set to something else."""
    corners = result.corners.copy()
    for name, value in cells.items():
        key = name.replace("__", ".")
        corners[key] = corners[key].astype(object) if key in corners else ""
        corners.loc[1, key] = value
    return dataclasses.replace(result, corners=corners)


def failing(result: RunResult) -> list[str]:
    return [item.name for item in items_of(result) if not item.passed]


def test_one_item_for_each_limit_formula_and_literal(clean: RunResult) -> None:
    """In the order of the board file; known before anything runs; literals only where their corner runs."""
    (literal,) = clean.board.expected
    names = [f"{name} within limits" for name in LIMITS] + [f"{name} agrees" for name in HAND]
    assert [item.name for item in items_of(clean)] == [*names, f"duty as expected in {literal.corner}"]
    assert [subject.name for subject in subjects_of(clean.board)] == [item.name for item in items_of(clean)]
    assert [subject.name for subject in subjects_of(clean.board, {"c001"})] == names


def test_a_clean_run_passes_everywhere(clean: RunResult) -> None:
    assert failing(clean) == [] and beside(clean) == () and shortfalls_of(clean) == ()


def test_a_limit_that_falls_short_has_its_worst_corner(result: RunResult) -> None:
    """The corner with the least margin of those that are outside, its figures, and the hand calculation."""
    item = next(item for item in items_of(result) if item.name == "duty within limits")
    outside = result.corners[result.corners["duty.limit"] == "outside"]
    worst = outside.loc[outside["duty.margin"].idxmin()]
    assert (item.verdict, item.passed, item.corner) == ("outside", False, worst["corner"])
    assert item.figure == worst["duty.simulated"] and item.margin == worst["duty.margin"]
    assert f"control {worst['control']:g}" in item.place and "least 0.1" in item.limit
    assert "the hand calculation falls short there already" in item.cause


def test_a_figure_that_is_missing_leads_to_its_own_corner(result: RunResult) -> None:
    """Not to one that has figures and little room; and the cause tells the corner's state."""
    corners = result.corners.assign(
        **{"duty.limit": result.corners["duty.limit"].replace("outside", "within")}
    )
    item = next(
        item for item in items_of(dataclasses.replace(result, corners=corners)) if item.kind == "limit"
    )
    row = corners[corners["duty.limit"] == "no figure"].iloc[0]
    assert (item.verdict, item.corner, np.isnan(item.figure)) == ("no figure", row["corner"], True)
    assert str(row["state"]) in item.cause


def test_a_disagreement_names_slip_and_effect(result: RunResult) -> None:
    item = next(item for item in items_of(result) if item.verdict == "disagrees")
    assert "not drawn as intended" in item.cause and "intended," in item.cause
    assert item.difference == pytest.approx(item.figure - item.hand)
    assert len(item.lines) == 3 and item.corner in item.lines[0] and item.apart in item.lines[1]


@pytest.mark.parametrize(
    ("cells", "name"),
    [
        ({"duty__limit": "outside"}, "duty within limits"),
        ({"low_level__limit": "too close to call"}, "low_level within limits"),
        ({"pullup_current__limit": "no figure"}, "pullup_current within limits"),
        ({"frequency__agreement": "disagrees"}, "frequency agrees"),
        ({"high_level__agreement": "too coarse"}, "high_level agrees"),
    ],
)
def test_each_verdict_that_counts_fails_its_item_alone(
    clean: RunResult, cells: dict[str, object], name: str
) -> None:
    one = with_cells(clean, **cells)
    assert failing(one) == [name] and beside(one) == () and len(shortfalls_of(one)) == 1
    item = next(item for item in items_of(one) if not item.passed)
    assert item.corner == clean.corners["corner"].iloc[1]


@pytest.mark.parametrize("state", ["no ramp", "out of range", "chatter", "not simulated"])
def test_states_that_no_limit_covers_stand_beside(clean: RunResult, state: str) -> None:
    one = with_cells(clean, state=state, reason="for some reason")
    assert failing(one) == []
    assert beside(one) == (f"1 corner {state}: {clean.corners['corner'].iloc[1]} (for some reason)",)


def test_a_part_drawn_otherwise_stands_beside(clean: RunResult) -> None:
    check = clean.check.copy()
    check.loc[0, ["drawn", "verdict"]] = ["1 kOhm", "differs"]
    one = dataclasses.replace(clean, check=check)
    (words,) = beside(one)
    assert failing(one) == [] and words.endswith("1 kOhm drawn") and words.startswith(check["part"].iloc[0])


def test_what_is_conceded_passes_and_says_so(clean: RunResult) -> None:
    """Within the bound it passes, beyond it fails; literals alike."""
    within = {"duty__agreement": "disagrees", "duty__concession": "within"}
    one = with_cells(clean, **within)
    assert failing(one) == [] and shortfalls_of(one) == ()
    (item,) = (item for item in items_of(one) if item.name == "duty agrees")
    assert item.verdict == CONCEDED and "conceded in 1 corner" in item.counts
    assert failing(with_cells(clean, **(within | {"duty__concession": "beyond"}))) == ["duty agrees"]
    for word, fails in (("within", []), ("", [f"duty as expected in {clean.board.expected[0].corner}"])):
        expected = clean.expected.assign(agreement="disagrees", concession=word)
        assert failing(dataclasses.replace(clean, expected=expected)) == fails


def test_an_agreement_without_figures_is_no_proof(clean: RunResult) -> None:
    """It does not fail, as the exit status does not count it, but it says that nothing was compared."""
    corners = clean.corners.assign(**{"rise_time.simulated": np.nan, "rise_time.agreement": "no figure"})
    one = dataclasses.replace(clean, corners=corners)
    (item,) = (item for item in items_of(one) if item.name == "rise_time agrees")
    assert item.passed and not item.compared
    assert shortfalls_of(one) == ()
