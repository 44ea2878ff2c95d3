# SPDX-License-Identifier: GPL-3.0-or-later
"""Corner tables: the union of grids, names that stay, and what is said when nothing fits."""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.board import Axis, Board, BoardError, load_board
from harness.commands.options import setting
from harness.corners import corner_table, nominal_row, typed
from harness.intent.axes import corner_names, corner_rows

sys.path.insert(0, str(Path(__file__).parent))  # the board's text lies beside the tests
from board_text import SLICER, changed, write_board


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return load_board(write_board(tmp_path_factory.mktemp("board")))


def test_the_union_of_two_grids(board: Board) -> None:
    """5 controls by 3 supplies, and 5 by 3 temperatures; 5 rows are in both and come once."""
    table = corner_table(board)
    assert list(table.columns) == ["corner", "control", "supply", "temperature"]
    assert len(table) == 25
    assert list(table["corner"]) == [f"c{number:03d}" for number in range(1, 26)]
    assert not table[["control", "supply", "temperature"]].duplicated().any()
    assert (table["temperature"][:15] == 25.0).all()
    assert (table["supply"][15:] == 15.0).all()
    assert list(table.dtypes[1:]) == [float] * 3


def test_only_keeps_names_and_takes_texts_with_units(board: Board) -> None:
    whole = corner_table(board).set_index("corner")
    part = corner_table(board, [("control", "6 V"), ("control", 8), ("supply", "15")])
    assert set(part["control"]) == {6.0, 8.0}
    pd.testing.assert_frame_equal(part.set_index("corner"), whole.loc[part["corner"]])
    expected = whole[whole["control"].isin([6.0, 8.0]) & (whole["supply"] == 15.0)]
    assert list(part["corner"]) == list(expected.index)
    assert list(part.index) == list(range(len(part)))


def test_what_is_not_in_the_table_is_said_all_at_once(board: Board) -> None:
    with pytest.raises(BoardError) as caught:
        corner_table(board, [("contrl", 1.0), ("supply", "14"), ("control", "3 s"), ("control", "x")])
    said = [finding.message for finding in caught.value.findings]
    assert said[0] == 'there is no axis "contrl" (did you mean "control"?)'
    assert said[1] == "no corner has supply at 14 V (valid: 13.5 V, 15 V, 16.5 V)"
    assert said[2] == '"3 s" is no value of control (valid: 0 V, 2 V, 4 V, 6 V, 8 V)'
    assert said[3] == '"x" is no value of control (valid: 0 V, 2 V, 4 V, 6 V, 8 V)'


def test_a_plain_number_on_the_command_line_counts_in_the_axis_s_own_unit(tmp_path: Path) -> None:
    """As it does in the board file: 4 of an axis in mV is 4 mV, and what is proposed is typed likewise."""
    text = changed('unit = "V"\nsets = "Vcontrol"', 'unit = "mV"\nsets = "Vcontrol"')
    board = load_board(write_board(tmp_path, text))
    assert set(corner_table(board, [setting("control=4")])["control"]) == {4e-3}
    assert set(corner_table(board, [setting("control=4 mV")])["control"]) == {4e-3}
    assert set(corner_table(board, [("control", 4e-3)])["control"]) == {4e-3}
    assert typed(board.axes["control"], 4e-3) == "4"
    with pytest.raises(BoardError, match="no corner has control at 7 mV"):
        corner_table(board, [setting("control=7")])


def test_values_that_never_meet(board: Board) -> None:
    with pytest.raises(BoardError, match=r"no corner of the table has supply=13\.5 and temperature=0"):
        corner_table(board, [("supply", 13.5), ("temperature", 0.0)])


def test_nominal(board: Board) -> None:
    assert nominal_row(board) == {"control": 4.0, "supply": 15.0, "temperature": 25.0}


def test_a_board_without_axes_has_one_corner(tmp_path: Path) -> None:
    text = SLICER[: SLICER.index("[axes.control]")] + "[hand]\nlow_level = 'saturation'\n"
    table = corner_table(load_board(write_board(tmp_path, text)))
    assert table.to_dict("list") == {"corner": ["c001"]}


def test_a_nominal_value_outside_the_list(tmp_path: Path) -> None:
    """A grid over other axes runs at the nominal value, which need not be one of the listed ones."""
    text = changed("values = [0, 25, 50]", "values = [0, 50]\nnominal = 25")
    table = corner_table(load_board(write_board(tmp_path, text)))
    assert set(table["temperature"]) == {0.0, 25.0, 50.0}
    assert len(table) == 15 + 10


_AXES = st.lists(st.integers(1, 4), min_size=1, max_size=4)


@given(sizes=_AXES, data=st.data())
@settings(deadline=None, derandomize=True, max_examples=150)
def test_rows_against_plain_sets(sizes: list[int], data: st.DataObject) -> None:
    names = [f"a{place}" for place in range(len(sizes))]
    axes = {
        name: Axis(name, tuple(float(value) for value in range(size)), "V", name, 0.0)
        for name, size in zip(names, sizes, strict=True)
    }
    grids = data.draw(
        st.lists(st.lists(st.sampled_from(names), min_size=1, unique=True), min_size=1, max_size=3)
    )
    rows = corner_rows(axes, grids)
    expected = set()
    for grid in grids:
        expected |= set(product(*(axes[name].values if name in grid else (0.0,) for name in names)))
    assert len(rows) == len(set(rows))
    assert set(rows) == expected
    assert rows[: len(set(corner_rows(axes, grids[:1])))] == corner_rows(axes, grids[:1]), (
        "a new grid goes behind"
    )


def test_names_widen_with_the_table() -> None:
    assert corner_names(3) == ["c001", "c002", "c003"]
    assert corner_names(1000)[0] == "c0001"
    assert corner_names(1000)[-1] == "c1000"
