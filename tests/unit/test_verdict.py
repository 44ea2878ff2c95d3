# SPDX-License-Identifier: GPL-3.0-or-later
"""Words of agreement and limits, the chain of effects, and what makes a board fall short."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.board import Limit, Tolerance, load_board
from harness.chain import FORMULA, REMAINDER, SLIP
from harness.corners import corner_table
from harness.resources import netlists_folder
from harness.shortfalls import shortfalls
from harness.tolerances import absolute_tolerance
from harness.verdict import (
    _along_sweeps,
    agreement,
    apart,
    expected_figures,
    judge,
    limit_words,
    sweeps_of,
    trusted_formula,
    trusted_formulas,
)

TRUE = np.array([True])


def word(
    hand: float,
    refined: float,
    simulated: float,
    bar: float,
    tolerance: float,
    unnamed: float,
    trusted: bool = True,
) -> str:
    columns = [np.array([x]) for x in (hand, refined, simulated, bar, tolerance)]
    return str(agreement(*columns, np.array([trusted]), np.array([unnamed]))[0])


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        (dict(hand=0.500, refined=0.505, simulated=0.505, bar=1e-5, tolerance=0.01, unnamed=0.0), "agrees"),
        (
            dict(hand=0.500, refined=0.519, simulated=0.520, bar=1e-5, tolerance=0.01, unnamed=0.001),
            "explained",
        ),
        (
            dict(hand=0.500, refined=0.500, simulated=0.520, bar=1e-5, tolerance=0.01, unnamed=0.02),
            "disagrees",
        ),
        (
            dict(hand=0.500, refined=0.520, simulated=0.520, bar=1e-5, tolerance=0.01, unnamed=0.02),
            "disagrees",
        ),
        (
            dict(
                hand=0.5, refined=0.52, simulated=0.52, bar=1e-5, tolerance=0.01, unnamed=0.0, trusted=False
            ),
            "disagrees",
        ),
        (
            dict(hand=0.500, refined=0.500, simulated=0.500, bar=3e-3, tolerance=0.01, unnamed=0.0),
            "too coarse",
        ),
        (
            dict(hand=0.500, refined=0.500, simulated=0.500, bar=math.inf, tolerance=0.01, unnamed=0.0),
            "too coarse",
        ),
        (
            dict(hand=0.500, refined=0.500, simulated=0.500, bar=math.nan, tolerance=0.01, unnamed=0.0),
            "too coarse",
        ),
        (dict(hand=math.nan, refined=0.5, simulated=0.5, bar=1e-5, tolerance=0.01, unnamed=0.0), "no figure"),
        (dict(hand=0.5, refined=0.5, simulated=math.nan, bar=1e-5, tolerance=0.01, unnamed=0.0), "no figure"),
        (
            dict(hand=0.5, refined=math.nan, simulated=0.52, bar=1e-5, tolerance=0.01, unnamed=0.02),
            "disagrees",
        ),
    ],
)
def test_each_word_of_agreement(case: dict[str, float], expected: str) -> None:
    assert word(**case) == expected


@given(bar=st.floats(0, 1), tolerance=st.floats(1e-6, 1), gap=st.floats(-2, 2))
@settings(deadline=None, derandomize=True)
def test_a_bar_never_widens_a_tolerance(bar: float, tolerance: float, gap: float) -> None:
    """Whatever the bar, what is said to agree lies within the tolerance itself."""
    if word(0.0, math.nan, gap, bar, tolerance, gap) == "agrees":
        assert abs(gap) <= tolerance and bar <= tolerance / 4


@pytest.mark.parametrize(
    ("figure", "bar", "expected", "margin"),
    [
        (0.5, 0.01, "within", 0.39),
        (0.105, 0.01, "too close to call", -0.005),
        (0.05, 0.01, "outside", -0.06),
        (0.95, 0.01, "outside", -0.06),
        (math.nan, math.nan, "no figure", math.nan),
        (0.5, math.inf, "too close to call", math.nan),
    ],
)
def test_each_word_of_a_limit(figure: float, bar: float, expected: str, margin: float) -> None:
    words, margins = limit_words(np.array([figure]), np.array([bar]), Limit(0.1, 0.9))
    assert words[0] == expected
    np.testing.assert_allclose(margins[0], margin)


def test_without_a_limit_there_is_no_margin() -> None:
    words, margins = limit_words(np.array([1.0]), np.array([0.0]), None)
    assert words[0] == "no limit" and math.isnan(margins[0])


@pytest.mark.parametrize(
    ("tolerance", "expected"),
    [
        (Tolerance(0.01, "absolute"), 0.01),
        (Tolerance(0.02, "swing"), 0.16),
        (Tolerance(0.02, "ramp"), 0.1),
        (Tolerance(0.05, "figure"), 50.0),
        (Tolerance(5.0, "cents"), 1000 * (2 ** (5 / 1200) - 1)),
    ],
)
def test_tolerances_in_the_quantity_s_own_unit(tolerance: Tolerance, expected: float) -> None:
    got = absolute_tolerance(tolerance, np.array([1000.0]), np.array([8.0]), np.array([5.0]))
    np.testing.assert_allclose(got, expected)


def test_a_formula_that_is_wrong_somewhere_along_the_sweep_explains_nothing_there() -> None:
    """Chance agreement at one control voltage does not make a formula right; another supply is another
    sweep."""
    corners = pd.DataFrame({"control": [0.0, 1.0, 0.0, 1.0], "supply": [12.0, 12.0, 15.0, 15.0]})
    gap, tolerance = np.array([0.0, 0.5, 0.0, 0.01]), np.full(4, 0.1)
    assert list(trusted_formula(sweeps_of(corners, ["control", "supply"]), gap, tolerance)) == [
        False,
        False,
        True,
        True,
    ]


@pytest.fixture
def slicer():
    board = load_board(netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml")
    corners = corner_table(board, [("temperature", 25.0), ("supply", 15.0)])
    return board, corners.assign(state="pulsing", reason="")


def tables(corners: pd.DataFrame, **columns: float) -> pd.DataFrame:
    return pd.DataFrame(
        {name: np.full(len(corners), value) for name, value in columns.items()}, index=corners.index
    )


def judged(slicer, hand: float, drawn: float, ideal: float, refined: float, simulated: float, named: float):
    board, corners = slicer
    levels = dict(low_level=0.0, high_level=8.0, ramp_low=0.5, ramp_high=7.5)
    effects = pd.DataFrame(
        {
            "corner": corners["corner"],
            "quantity": "duty",
            "effect": "comparator delay",
            "amount": named,
            "origin": "model",
        }
    )
    predicted = {
        "solved": tables(corners),
        "ideal": tables(corners, duty=ideal, **levels),
        "refined": tables(corners, duty=refined, **levels),
    }
    by_hand, on_drawn = tables(corners, duty=hand), tables(corners, duty=drawn)
    trusted = trusted_formulas(board, corners, by_hand, on_drawn, predicted["ideal"], predicted["refined"])
    return judge(
        board, corners, by_hand, on_drawn, predicted, effects, trusted,
        tables(corners, duty=simulated, **levels), tables(corners, duty=1e-5, **dict.fromkeys(levels, 1e-4)),
    )  # fmt: skip


@pytest.mark.parametrize("nothing", [math.nan, math.inf])
def test_a_formula_without_a_figure_disagrees(slicer, nothing: float) -> None:
    """A division by zero in a hand formula is said; where nothing was simulated there is nothing to say."""
    table, _ = judged(slicer, nothing, nothing, 0.513, 0.533, 0.534, 0.02)
    assert set(table["duty.agreement"]) == {"disagrees"}
    table, _ = judged(slicer, nothing, nothing, 0.513, 0.533, math.nan, 0.02)
    assert set(table["duty.agreement"]) == {"no figure"}


def test_the_chain_adds_up_and_names_each_part(slicer) -> None:
    """Slip, formula, named effect and remainder are told apart and add up to simulated minus hand."""
    table, effects = judged(slicer, 0.50, 0.51, 0.513, 0.533, 0.534, 0.02)
    first = effects[(effects["corner"] == table["corner"][0]) & (effects["quantity"] == "duty")]
    amounts = dict(zip(first["effect"], first["amount"], strict=True))
    assert amounts == pytest.approx({SLIP: 0.01, FORMULA: 0.003, "comparator delay": 0.02, REMAINDER: 0.001})
    assert first["amount"].sum() == pytest.approx(0.034, abs=1e-15)
    assert table["duty.difference"][0] == pytest.approx(0.034)


def test_a_named_effect_explains_a_right_formula_only(slicer) -> None:
    table, _ = judged(slicer, 0.50, 0.50, 0.50, 0.52, 0.52, 0.02)
    assert set(table["duty.agreement"]) == {"explained"}
    table, _ = judged(slicer, 0.50, 0.50, 0.52, 0.54, 0.54, 0.02)
    assert set(table["duty.agreement"]) == {"disagrees"}


def test_out_of_range_is_never_a_pass(slicer) -> None:
    """Where both inputs leave the common-mode range, figures stay but nothing agrees and no limit is met."""
    board, corners = slicer
    table, _ = judged((board, corners.assign(state="out of range")), 0.5, 0.5, 0.5, 0.5, 0.5, 0.0)
    assert set(table["duty.agreement"]) == {"no figure"} and set(table["duty.limit"]) == {"no figure"}
    assert any("out of range" in reason for reason in reasons(board, table))


def test_a_limit_on_what_nobody_measures_is_never_met(slicer) -> None:
    """A limit without any figure behind it stands in the table as "no figure" and makes the board fall
    short."""
    board, corners = slicer
    board = replace(board, limits={**board.limits, "output_resistance": Limit(None, 1e3)})
    table, _ = judged((board, corners), 0.5, 0.5, 0.5, 0.5, 0.5, 0.0)
    assert set(table["output_resistance.limit"]) == {"no figure"}
    assert any("Output resistance, limit: no figure in 5 of 5" in reason for reason in reasons(board, table))


def reasons(board, table: pd.DataFrame) -> list[str]:
    check = pd.DataFrame({"part": ["R1"], "intended": ["1 kOhm"], "drawn": ["1 kOhm"], "verdict": ["same"]})
    found = shortfalls(board, table, check, expected_figures(board, table, ()))
    return [reason.words for reason in found]


def test_every_reason_to_fall_short_is_a_sentence(slicer) -> None:
    table, _ = judged(slicer, 0.50, 0.50, 0.60, 0.60, 0.60, 0.0)
    check = pd.DataFrame(
        {"part": ["R1"], "intended": ["1 kOhm"], "drawn": ["2 kOhm"], "verdict": ["differs"]}
    )
    none = pd.DataFrame(columns=["quantity", "agreement"])
    said = [reason.words for reason in shortfalls(slicer[0], table, check, none)]
    assert said[0] == "R1: 1 kOhm intended, 2 kOhm drawn"
    assert any("Duty factor, hand against simulated: disagrees in 5 of 5 corners" in text for text in said)


def test_literal_figures_speak_for_their_corner_only(slicer) -> None:
    """A literal is held against its own corner; one of a corner that is not run is left out."""
    board, _ = slicer
    table, _ = judged(slicer, 0.294, 0.294, 0.294, 0.294, 0.294, 0.0)
    found = expected_figures(board, table, set(table["corner"])).set_index(["quantity", "expected"])
    assert len(found) == len(board.expected) == 3
    assert found.loc[("duty", 0.294), "agreement"] == "agrees"
    assert found.loc[("duty", 0.781), "agreement"] == "disagrees"
    assert found.loc[("threshold", 4.31), "agreement"] == "no figure"
    assert expected_figures(board, table, {"c002"}).empty


def test_a_literal_without_a_formula_has_one_word(slicer) -> None:
    """What the corner table calls explained is not called otherwise among the literal figures."""
    board, corners = slicer
    hand = {name: formula for name, formula in board.hand.items() if name != "duty"}
    table, _ = judged((replace(board, hand=hand), corners), 0.294, 0.294, 0.294, 0.32, 0.32, 0.026)
    found = expected_figures(replace(board, hand=hand), table, {"c005"})
    assert set(table["duty.agreement"]) == {"explained"}
    assert list(found["agreement"]) == ["explained"]


def test_a_prediction_that_is_not_the_board_is_noted(slicer) -> None:
    """Refined and simulated far apart: said, whatever hand and simulated do."""
    board, _ = slicer
    table, _ = judged(slicer, 0.5, 0.5, 0.5, 0.7, 0.5, 0.0)
    assert set(table["duty.agreement"]) == {"agrees"}
    assert ["Duty factor" in finding.message for finding in apart(board, table)] == [True]


def test_a_core_that_predicts_another_board_is_noted_without_a_formula(slicer) -> None:
    """What a core is described for is compared though neither a formula nor a limit speaks of it."""
    board, corners = slicer
    silent = replace(board, hand={}, limits={})
    table, _ = judged((silent, corners), math.nan, math.nan, 0.5, 0.7, 0.5, 0.0)
    assert ["Duty factor" in finding.message for finding in apart(silent, table)] == [True]
    assert not list(apart(replace(silent, core=None), table))


def test_a_chattering_output_is_never_a_pass(slicer) -> None:
    """More than one pulse a cycle: whatever its duty, no limit is met and nothing agrees."""
    board, corners = slicer
    table, _ = judged((board, corners.assign(state="chatter")), 0.5, 0.5, 0.5, 0.5, 0.5, 0.0)
    assert set(table["duty.agreement"]) == {"no figure"} and set(table["duty.limit"]) == {"no figure"}


def test_a_missing_refined_prediction_is_noted(slicer) -> None:
    """Where the hand has a figure and nothing refined stands beside it, the run says so."""
    board, _ = slicer
    table, _ = judged(slicer, 0.5, 0.5, math.nan, math.nan, 0.5, 0.0)
    assert any("no refined prediction of: Duty factor" in finding.message for finding in apart(board, table))


def test_an_explanation_that_fails_elsewhere_along_the_sweep_is_none(slicer) -> None:
    """At one control voltage the named effects miss the gap by far: that they fit at the others is chance."""
    board, corners = slicer
    table, _ = judged(slicer, 0.50, 0.50, 0.50, 0.52, 0.52, 0.02)
    assert set(table["duty.agreement"]) == {"explained"}
    words = _along_sweeps(sweeps_of(corners, list(board.axes)), np.array(["explained"] * 4 + ["disagrees"]))
    assert list(words) == ["disagrees"] * 5
