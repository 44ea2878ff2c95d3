# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the files of a run, all or none: a failure on the way leaves what was there before untouched."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from harness.findings import Finding, InputError
from harness.report.unchanged import drawn_from, is_unchanged
from harness.results import RunResult
from harness.table_text import write_table

Writer = Callable[[Path], None]


def write_run(result: RunResult, folder: Path, waveforms: bool = False) -> list[Path]:
    """Writes report.html, the tables, run.json, and waveforms/*.npz where asked for. Returns the paths.

    A page that lies there already and would come out the same is not drawn again.
    """
    source = drawn_from(result)
    drawn: dict[str, str] = {"drawn_from": source}
    page = folder / "report.html"

    def write_page(path: Path) -> None:
        from harness.report.page import write_report  # imports matplotlib: only where it is needed

        write_report(result, path)
        drawn["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()

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
        drawn["sha256"] = hashlib.sha256(page.read_bytes()).hexdigest()
    else:
        writers["report.html"] = write_page
    writers["run.json"] = lambda path: json_writer({**result.run, "report": drawn})(path)
    if waveforms:
        for corner, waves in result.waveforms.items():
            writers[f"waveforms/{corner}.npz"] = _waves(waves)
    return write_together(folder, writers)


def write_together(folder: Path, writers: Mapping[str, Writer]) -> list[Path]:
    """Writes every file beside its place first, then moves all of them in."""
    make_folder(folder)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".new-") as fresh:
        for name, write in writers.items():
            path = Path(fresh) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            write(path)
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
