# SPDX-License-Identifier: GPL-3.0-or-later
"""What ties the files of a folder to each other, and what is said where they do not belong together."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import json
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from harness.findings import InputError
from harness.results import RunResult
from harness.revision.accepting import accept
from harness.revision.drawn import DrawnPart
from harness.revision.folder import side_of_folder
from harness.revision.kept import Kept
from harness.writing import place_from, placed, table_writer, write_recorded, write_run, write_together

sys.path.insert(0, str(Path(__file__).parent))  # the made-up run lies beside the tests
from report_fixture import make_result


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    made = make_result(tmp_path_factory.mktemp("board"), controls=2)
    parts = {"r1": DrawnPart("R1", 1e3, "", ("control", "thr"))}
    drawing = Kept(made.board.title, made.board.axes, parts, {}, {}, {}, {})
    run = {**made.run, "revision": made.board.revision, "left_out": 0}
    return dataclasses.replace(made, run=run, drawing=drawing)


def record(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    return found


def test_run_json_ties_each_table(result: RunResult, tmp_path: Path) -> None:
    """By its hash, so that a table which was edited, or is of another run, is taken for nothing."""
    folder = tmp_path / "run"
    assert write_run(result, folder).remarks == ()
    tables = record(folder)["tables"]
    for name in ("corners.csv", "check.csv", "effects.csv", "ratings.csv"):
        assert tables[name] == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    assert placed(folder, record(folder)["board_file"]) == result.board.path.resolve()
    assert side_of_folder(folder).file == result.board.path.resolve()
    table = folder / "corners.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("pulsing", "chatter", 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"corners\.csv: is not the one that run\.json tells of"):
        side_of_folder(folder)
    table.unlink()
    with pytest.raises(InputError, match=r"it lacks corners\.csv"):
        side_of_folder(folder)


def test_what_another_command_left_is_named_until_it_goes(result: RunResult, tmp_path: Path) -> None:
    """Older tables of a study beside a new run, and a run whose run.json a study replaced: that folder is not
    taken for a run any more, whose settings nobody knows."""
    study = {"faults.csv": table_writer(pd.DataFrame({"fault": ["Rpull open"]}))}
    said = {"board": result.board.name, "revision": result.board.revision, "hashes": {}}
    folder = tmp_path / "both"
    assert write_recorded(folder, study, said, result.board.path).remarks == ()
    for _ in range(2):
        assert write_run(result, folder).remarks == (
            f"{folder} still holds files of an earlier command, not of this one: faults.csv",
        )
        assert record(folder)["not_of_this_run"] == ["faults.csv"]
    assert side_of_folder(folder).board == result.board.name
    (remark,) = write_recorded(folder, study, said, result.board.path).remarks
    assert "corners.csv" in remark and "faults.csv" not in remark
    with pytest.raises(InputError, match="another command that was given the same folder"):
        side_of_folder(folder)
    for name in record(folder)["not_of_this_run"]:
        (folder / name).unlink()
    assert write_recorded(folder, study, said, result.board.path).remarks == ()


def test_two_boards_of_one_name_are_noticed(result: RunResult, tmp_path: Path) -> None:
    """Where the one takes the place of the other: in the folder of a run, and as a reference."""
    board = result.board
    other = dataclasses.replace(
        result, board=dataclasses.replace(board, path=board.path.parent / "deeper" / board.path.name)
    )
    folder, references = tmp_path / "run", tmp_path / "accepted"
    write_run(result, folder)
    assert "two boards" not in " ".join(accept(folder, references, incomplete=True).lines)
    (remark,) = write_run(other, folder).remarks
    assert "boards of one name and revision overwrite each other" in remark and "deeper/" in remark
    assert "if these are two boards, give each a name of its own" in " ".join(
        accept(folder, references, incomplete=True).lines
    )
    assert (
        accept(folder, references, incomplete=True).lines[-1]
        == "The reference stays as it was, to the letter."
    )


def test_a_place_tells_nothing_of_the_machine(tmp_path: Path) -> None:
    """What shares no folder with a file tells its name alone."""
    board = tmp_path / "boards" / "teal" / "teal.board.toml"
    assert place_from(tmp_path / "reports" / "teal" / "A", board) == "../../../boards/teal/teal.board.toml"
    assert place_from(Path(tmp_path.anchor) / "elsewhere", board) == "teal.board.toml"
    assert placed(tmp_path, "teal.board.toml") is None


@pytest.mark.parametrize("text", ["[]", "{", '{"tables": 3}', '{"board": "held"}'])
def test_a_strange_run_json_says_nothing_about_a_folder(text: str, tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text(text, encoding="utf-8")
    said = {"board": "held", "revision": "A"}
    assert write_recorded(tmp_path, {}, said, tmp_path / "held.board.toml").remarks == ()
    assert record(tmp_path) == {**said, "board_file": "held.board.toml", "tables": {}, "not_of_this_run": []}


def test_a_full_disk_leaves_what_was_there_and_names_the_folder(tmp_path: Path) -> None:
    def fails(path: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    (tmp_path / "one.csv").write_text("before")
    with pytest.raises(InputError, match="make room") as caught:
        write_together(
            tmp_path, {"one.csv": lambda path: path.write_text("after") and None, "two.csv": fails}
        )
    assert str(tmp_path) in str(caught.value.findings[0])
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("one.csv", "before")]
