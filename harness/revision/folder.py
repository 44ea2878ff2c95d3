# SPDX-License-Identifier: GPL-3.0-or-later
"""A side from what a run wrote or gave back."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from harness.board import FILE_NAME
from harness.findings import Finding, InputError
from harness.intent.objects import Axis
from harness.results import RunResult
from harness.revision import kept
from harness.revision.side import Side
from harness.writing import placed, sha256_of

_NEEDED = ("corners.csv", "check.csv", "run.json")
_CORNERS, _CHECK = {"corner", "state"}, {"part", "drawn"}  # columns without which nothing can be said


def side_of_folder(folder: Path, label: str = "") -> Side:
    """The run that a folder holds. Raises InputError where a file lacks or cannot be read."""
    missing = [name for name in _NEEDED if not (folder / name).is_file()]
    if missing:
        message = (
            f"{folder}: is no folder of a run: it lacks {', '.join(missing)};"
            f" `ramp-harness run BOARD --out {folder}` writes one"
        )
        raise InputError([Finding(None, message)])
    run = _checked_run(folder / "run.json")
    corners, check = _table(folder / "corners.csv", _CORNERS), _table(folder / "check.csv", _CHECK)
    held = _kept(folder / kept.NAME, len(corners))
    _check_ties(folder, run)
    columns = list(corners.columns)
    names = list(held.axes) if held is not None else columns[1 : columns.index("state")]
    if absent := [name for name in names if name not in columns]:
        raise _unusable(folder / "corners.csv", f"lacks the axis {', '.join(absent)} of {kept.NAME}")
    if worded := [name for name in names if not pd.api.types.is_numeric_dtype(corners[name])]:
        raise _unusable(folder / "corners.csv", f"has no numbers for the axis {', '.join(worded)}")
    return Side(
        label=label or str(folder),
        board=run["board"],
        revision=run["revision"],
        corners=corners,
        axes=dict(held.axes) if held is not None else _plain_axes(corners, names),
        kept=held,
        check=check,
        run=run,
        file=placed(folder, run.get("board_file", "")),
    )


def side_of_run(result: RunResult, label: str) -> Side:
    """The side of a run that was just made."""
    board = result.board
    assert result.drawing is not None
    return Side(
        label, board.name, board.revision, result.corners, board.axes, result.drawing, result.check,
        result.run, board.path,
    )  # fmt: skip


def _unusable(path: Path, why: str) -> InputError:
    return InputError([Finding(None, f"{path}: {why}; run the board again")])


def _table(path: Path, needed: set[str]) -> pd.DataFrame:
    """A table of a run, every digit of it: a column is one of numbers where all its cells are. A row that is
    shorter or longer than the head is none of a run: its cells would stand in wrong columns."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file, strict=True)
    except (ValueError, OSError, csv.Error) as error:
        raise _unusable(path, f"cannot be read as a table ({error})") from error
    for number, row in enumerate(rows, start=1):
        if len(row) != len(head):
            raise _unusable(path, f"row {number} has {len(row)} cells, its head has {len(head)}")
    texts = pd.DataFrame(rows, columns=head, dtype=str)
    if lacking := needed - set(texts.columns):
        raise _unusable(path, f"lacks the column {' and '.join(sorted(lacking))}")
    return pd.DataFrame({name: _column(texts[name].tolist()) for name in texts.columns})


def _column(cells: list[str]) -> list[str] | list[float]:
    try:
        return [float(cell) if cell else math.nan for cell in cells]
    except ValueError:
        return cells


def _json(path: Path) -> Mapping[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError) as error:
        raise _unusable(path, f"cannot be read ({error})") from error
    if not isinstance(content, dict):
        raise _unusable(path, "holds no run")
    return content


def _checked_run(path: Path) -> Mapping[str, Any]:
    """run.json. Raises InputError where board and revision are no names that a board file may have (they
    become part of paths), or where what is read from it later is of another kind."""
    run = _json(path)
    for key in ("board", "revision"):
        if not isinstance(run.get(key), str) or not FILE_NAME.fullmatch(run[key]):
            raise _unusable(path, f"names no {key}")
    for key, kind in (
        ("versions", dict),
        ("settings", dict),
        ("hashes", dict),
        ("left_out", int),
        ("tables", dict),
        ("board_file", str),
    ):
        if not isinstance(run.get(key, kind()), kind):
            raise _unusable(path, f"holds something else than it should under {key}")
    return run


def _check_ties(folder: Path, run: Mapping[str, Any]) -> None:
    """Raises InputError where run.json speaks of other tables than lie beside it. One of an earlier version
    speaks of none."""
    tables = run.get("tables")
    if tables is None:
        return
    for path in (folder / name for name in (*_NEEDED[:2], kept.NAME)):
        there, told = path.is_file(), tables.get(path.name)
        if there and told is None:
            raise _unusable(path, "run.json beside it is of another command that was given the same folder")
        if told is not None and not there:
            raise _unusable(path, "is missing, and run.json tells of it")
        if there and sha256_of(path) != told:
            raise _unusable(path, "is not the one that run.json tells of: changed, or of another run")


def _kept(path: Path, rows: int) -> kept.Kept | None:
    """Drawing and board file; None for a folder of an earlier version, which has no such file."""
    if not path.is_file():
        return None
    try:
        found = kept.kept_from(_json(path))
        if any(len(column) != rows for column in found.on_drawn.values()):
            raise ValueError("it is of another run than corners.csv")
        return found
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise _unusable(path, f"cannot be used ({error})") from error


def _plain_axes(corners: pd.DataFrame, names: Sequence[str]) -> dict[str, Axis]:
    """The axes of a corner table of which nothing else is known."""
    found = {}
    for name in names:
        values = tuple(float(value) for value in dict.fromkeys(corners[name]))
        found[name] = Axis(name, values, "", None, values[(len(values) - 1) // 2])
    return found
