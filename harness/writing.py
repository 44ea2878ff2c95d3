# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the files of a run, all or none: a failure on the way leaves what was there before untouched."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from harness.findings import Finding, InputError
from harness.report.unchanged import drawn_from, is_unchanged
from harness.results import RunResult
from harness.table_text import write_table

Writer = Callable[[Path], None]


@dataclass(frozen=True)
class Written:
    """``paths``: what was written; ``remarks``: what else lies in the folder and whom it belongs to, a
    sentence each."""

    paths: tuple[Path, ...]
    remarks: tuple[str, ...]


def write_run(
    result: RunResult,
    folder: Path,
    waveforms: bool = False,
    further: Mapping[str, Writer] | None = None,
    said: Mapping[str, Any] | None = None,
) -> Written:
    """Writes report.html, the tables, run.json, waveforms/*.npz where asked for, and ``further`` files;
    run.json also holds what is ``said``.

    A page that lies there already and would come out the same is not drawn again.
    """
    source = drawn_from(result)
    drawn: dict[str, str] = {"drawn_from": source}
    page = folder / "report.html"

    def write_page(path: Path) -> None:
        from harness.report.page import write_report  # imports matplotlib: only where it is needed

        write_report(result, path)
        drawn["sha256"] = sha256_of(path)

    writers: dict[str, Writer] = {
        "corners.csv": table_writer(result.corners),
        "harmonics.csv": table_writer(result.harmonics),
        "effects.csv": table_writer(result.effects),
        "check.csv": table_writer(result.check),
        "expected.csv": table_writer(result.expected),
        "ratings.csv": table_writer(result.ratings),
        "cures.csv": table_writer(result.cures),
    }
    if result.drawing is not None:
        writers["drawing.json"] = json_writer(result.drawing.plain())
    if is_unchanged(page, folder / "run.json", source):
        drawn["sha256"] = sha256_of(page)
    else:
        writers["report.html"] = write_page
    if waveforms:
        for corner, waves in result.waveforms.items():
            writers[f"waveforms/{corner}.npz"] = _waves(waves)
    record = {**result.run, "report": drawn, **(said or {})}
    return write_recorded(folder, {**writers, **(further or {})}, record, result.board.path)


def write_recorded(
    folder: Path, writers: Mapping[str, Writer], record: Mapping[str, Any], board_file: Path
) -> Written:
    """Writes files together with a run.json that ties them to each other: the ``record``, which may be filled
    while they are written, where the board file lies from here, and the hash of each table. What an earlier
    run.json tells of and this one does not is named in it and in the remarks."""
    earlier = _earlier(folder)
    place = place_from(folder, board_file)
    left = [
        name
        for name in dict.fromkeys([*earlier.get("tables", {}), *earlier.get("not_of_this_run", [])])
        if name not in writers and (folder / name).is_file()
    ]

    def write_record(path: Path) -> None:
        tables = [name for name in writers if name.endswith((".csv", "drawing.json"))]
        hashes = {name: sha256_of(path.parent / name) for name in tables}
        ties = {"board_file": place, "tables": hashes, "not_of_this_run": left}
        json_writer({**record, **ties})(path)

    paths = write_together(folder, {**writers, "run.json": write_record})
    remarks = []
    before = earlier.get("board_file", place)
    if before != place and all(earlier.get(key) == record[key] for key in ("board", "revision")):
        remarks.append(
            f"{folder} held what was made of the board file {before}, and now of {place}: boards of one name"
            " and revision overwrite each other. If these are two, give each a name of its own"
        )
    if left:
        remarks.append(
            f"{folder} still holds files of an earlier command, not of this one: {', '.join(left)}"
        )
    return Written(tuple(paths), tuple(remarks))


def _earlier(folder: Path) -> dict[str, Any]:
    """The run.json that lies in a folder, as far as it is one that ties files; empty otherwise."""
    try:
        found = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    kinds = {"board_file": str, "tables": dict, "not_of_this_run": list, "board": str, "revision": str}
    whole = isinstance(found, dict) and all(isinstance(found.get(k), kind) for k, kind in kinds.items())
    names = [*found["tables"], *found["not_of_this_run"]] if whole else []
    return found if whole and all(isinstance(name, str) for name in names) else {}


def place_from(folder: Path, file: Path) -> str:
    """Where a file lies from a folder, for a text that others read: nothing of the machine, so that of a file
    with which the folder shares no more than the root the name has to do."""
    here, there = folder.resolve(), file.resolve()
    if os.path.commonpath([here, there]) == there.anchor:
        return there.name
    return Path(os.path.relpath(there, here)).as_posix()


def placed(folder: Path, place: str) -> Path | None:
    """The file of which :func:`place_from` told; None where that was no more than its name."""
    return (folder.resolve() / place).resolve() if "/" in place else None


def sha256_of(path: Path) -> str:
    """The hash of a file as it lies on disk."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_together(folder: Path, writers: Mapping[str, Writer]) -> list[Path]:
    """Writes every file beside its place first, in their order, then moves all of them in."""
    make_folder(folder)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".new-") as fresh:
        try:
            for name, write in writers.items():
                path = Path(fresh) / name
                path.parent.mkdir(parents=True, exist_ok=True)
                write(path)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise
            message = (
                f"{folder}: its files could not be written ({error.strerror}), and what was there before is"
                " as it was; make room, or name another folder with --out"
            )
            raise InputError([Finding(None, message)]) from error
        for name in writers:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(Path(fresh) / name, folder / name)
    return [folder / name for name in writers]


def make_folder(folder: Path) -> None:
    """Makes an output folder. Raises InputError where there cannot be one."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        message = (
            f"{folder}: no output folder can be made here ({error.strerror}); name another one with --out"
        )
        raise InputError([Finding(None, message)]) from error


def table_writer(table: pd.DataFrame) -> Writer:
    """Writes a table as CSV, floats with all their digits."""
    return lambda path: write_table(table, path)


def json_writer(content: Mapping[str, Any]) -> Writer:
    """Writes a mapping as JSON."""

    def write(path: Path) -> None:
        path.write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")

    return write


def _waves(waves: Mapping[str, Any]) -> Writer:
    return lambda path: np.savez_compressed(path, **waves)
