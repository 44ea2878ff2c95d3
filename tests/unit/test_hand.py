# SPDX-License-Identifier: GPL-3.0-or-later
"""Hand formulas over a corner table, against the same algebra written out here."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

from harness.board import Board, load_board
from harness.corners import corner_table, nominal_row
from harness.formula import Formula
from harness.predict.hand import hand_substitution, hand_table

sys.path.insert(0, str(Path(__file__).parent))  # the board's text lies beside the tests
from board_text import SLICER, changed, write_board


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return load_board(write_board(tmp_path_factory.mktemp("board")))


def by_hand(control: float, rcontrol: float = 100e3, vrail: float = 8.0) -> dict[str, float]:
    """Millman's rule for three branches, then the share of a straight ramp below the threshold."""
    threshold = (control / rcontrol + vrail / 4.7e6) / (1 / rcontrol + 1 / 4.7e6 + 1 / 150e3)
    return {
        "threshold": threshold,
        "duty": min(max((threshold - 0.6) / 6.9, 0.0), 1.0),
        "frequency": 500.0,
        "low_level": 0.15,
        "high_level": vrail,
        "pullup_current": (vrail - 0.15) / 3300.0,
        "rise_time": math.log(9.0) * 3300.0 * 470e-12,
    }


def test_every_corner(board: Board) -> None:
    corners = corner_table(board)
    table = hand_table(board, corners)
    assert list(table.columns) == list(board.hand)
    for place, control in enumerate(corners["control"]):
        for quantity, value in by_hand(control).items():
            assert table[quantity][place] == pytest.approx(value, rel=1e-13), (quantity, control)


def test_the_index_is_that_of_the_corners(board: Board) -> None:
    corners = corner_table(board).set_index("corner", drop=False).iloc[[3, 1]]
    assert list(hand_table(board, corners).index) == ["c004", "c002"]


def test_other_values_stand_in_for_intended_ones(board: Board) -> None:
    """A drawn value moves what depends on it and nothing else; capitals make no difference."""
    corners = corner_table(board, [("control", 4.0)])
    plain, moved = hand_table(board, corners), hand_table(board, corners, {"RCONTROL": 68e3})
    assert moved["threshold"][0] == pytest.approx(by_hand(4.0, rcontrol=68e3)["threshold"], rel=1e-13)
    for quantity in ("frequency", "low_level", "high_level", "pullup_current", "rise_time"):
        assert (moved[quantity] == plain[quantity]).all()
    with pytest.raises(KeyError, match="no intended part"):
        hand_table(board, corners, {"Rcontrl": 1.0})


def test_an_axis_that_sets_a_part_does_not_change_its_intended_value(tmp_path: Path) -> None:
    """A formula that uses the intended supply stays where it is at every supply corner, as on paper."""
    text = changed('Vrail = "8 V 2%"', 'Vrail = "8 V 2%"\nVcc = "15 V 10%"')
    text = changed('high_level = "Vrail"', 'high_level = "Vcc / 2"\nramp_high = "supply / 2"', text)
    board = load_board(write_board(tmp_path, text))
    corners = corner_table(board)
    table = hand_table(board, corners)
    assert set(table["high_level"]) == {7.5}
    np.testing.assert_allclose(table["ramp_high"], corners["supply"] / 2)


def test_no_figure_is_nan_and_stays_in_its_row(tmp_path: Path) -> None:
    text = changed('"1/period"', '"1/(period*control/(1 V))"')
    board = load_board(write_board(tmp_path, text))
    corners = corner_table(board)
    table = hand_table(board, corners)
    assert (table["frequency"].isna() == (corners["control"] == 0.0)).all()
    assert table["duty"].notna().all()


def test_figures_put_in_give_the_figure(board: Board) -> None:
    """The text that a report shows, worked out again, is the formula's own figure to the digits shown."""
    row = nominal_row(board)
    texts = hand_substitution(board, row)
    figures = by_hand(row["control"])
    assert texts["threshold"] == "(4 V/(100 kOhm) + 8 V/(4.7 MOhm)) * 59.24 kOhm"
    assert texts["frequency"] == "1/(2 ms)"
    for quantity, value in figures.items():
        assert Formula(texts[quantity]).evaluate({}) == pytest.approx(value, rel=1e-3)


def test_literal_figures_are_not_put_in(board: Board) -> None:
    """The expected 0.5 at 6 V is a figure to hold against the formula, not a value of it."""
    corners = corner_table(board, [("control", 6.0)])
    assert hand_table(board, corners)["duty"][0] == pytest.approx(by_hand(6.0)["duty"])
    assert 'value = "50 %"' in SLICER
