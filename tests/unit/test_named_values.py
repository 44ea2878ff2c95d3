# SPDX-License-Identifier: GPL-3.0-or-later
"""Axes whose values have names: read, asked for, shown."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from harness.board import Board, BoardError, load_board
from harness.corners import corner_table, nominal_row
from harness.report.tables import axis_value, place

sys.path.insert(0, str(Path(__file__).parent))  # the board's text lies beside the tests
from board_text import changed, write_board

PLAIN = 'values = [13.5, 15, 16.5]\nunit = "V"\n'
NAMED = 'values = { "from the battery" = 13.5, "from the mains" = 15, charging = "16.5 V" }\nunit = "V"\n'


def loaded(folder: Path, values: str, *more: str) -> Board:
    return load_board(write_board(folder, changed(PLAIN, values + "".join(more))))


def test_named_values_are_values(tmp_path: Path) -> None:
    board = loaded(tmp_path, NAMED)
    supply = board.axes["supply"]
    assert supply.values == (13.5, 15.0, 16.5)
    assert supply.names == ("from the battery", "from the mains", "charging")
    assert supply.nominal == 15.0
    assert board.axes["control"].names == ()


def test_nominal_by_name(tmp_path: Path) -> None:
    board = loaded(tmp_path, NAMED, 'nominal = "charging"\n')
    assert nominal_row(board)["supply"] == 16.5
    board = loaded(tmp_path, NAMED, 'nominal = "13.5 V"\n')
    assert nominal_row(board)["supply"] == 13.5


def test_expected_figures_speak_for_a_named_value(tmp_path: Path) -> None:
    text = changed("supply = 15 }", 'supply = "From the battery" }', changed(PLAIN, NAMED))
    figure = load_board(write_board(tmp_path, text)).expected[0]
    assert figure.at["supply"] == 13.5


@pytest.mark.parametrize("asked", ["Charging", "charging", 16.5, "16.5 V", "16.5"])
def test_only_takes_names_and_numbers(tmp_path: Path, asked: float | str) -> None:
    table = corner_table(loaded(tmp_path, NAMED), [("supply", asked)])
    assert set(table["supply"]) == {16.5}


def test_only_says_which_names_there_are(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match="from the battery, from the mains, charging"):
        corner_table(loaded(tmp_path, NAMED), [("supply", 12.0)])


def test_names_are_shown_for_numbers(tmp_path: Path) -> None:
    board = loaded(tmp_path, NAMED)
    assert axis_value(board, "supply", 15.0) == "from the mains"
    row = corner_table(board, [("supply", "charging"), ("control", 4)]).iloc[0]
    assert "control 4 V, supply charging" in place(board, row)
    assert board.axes["supply"].text(14.0) == "14 V"  # what has no name stays a number


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ("values = {}\n", "the table is empty"),
        ('values = { "15 V" = 15, mains = 16 }\n', "is no name for a value"),
        ("values = { battery = 13.5, mains = 13.5 }\n", "stands twice in this axis"),
        ('values = { battery = 13.5, mains = "15 A" }\n', "expected a figure in V"),
        ('values = { battery = 13.5, mains = 15 }\nnominal = "main"\n', 'has no value "main"'),
    ],
)
def test_mistakes_are_named(tmp_path: Path, values: str, sentence: str) -> None:
    with pytest.raises(BoardError, match=sentence) as caught:
        loaded(tmp_path, values + 'unit = "V"\n')
    assert all(finding.key.startswith("axes.supply") for finding in caught.value.findings)
