# SPDX-License-Identifier: GPL-3.0-or-later
"""Making a run the accepted reference of its board, and saying what that changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from harness.findings import Finding, InputError
from harness.report import rounding
from harness.revision.comparison import COLUMNS, compare
from harness.revision.folder import side_of_folder
from harness.revision.reference import read_reference, reference_text
from harness.revision.repository import commit_here
from harness.revision.side import Side
from harness.revision.words import lines
from harness.writing import place_from, write_together


@dataclass(frozen=True)
class Accepted:
    """``lines``: what to say; ``table``: what the acceptance changes, columns of compare.csv; ``path``: the
    reference."""

    lines: tuple[str, ...]
    table: pd.DataFrame
    path: Path


def accept(folder: Path, references: Path, incomplete: bool = False) -> Accepted:
    """Writes the run of a folder to ``references`` as the reference of its board.

    ``incomplete``: also a run of a part of the corners or with corners without a result. Raises InputError
    for a folder that holds no run, one without drawing.json, an incomplete run, and a reference before that
    cannot be read: that one is not written over.
    """
    if folder.is_file():
        message = "is a file: accept the folder that `ramp-harness run` wrote for that board"
        raise InputError([Finding(None, f"{folder}: {message}")])
    side = side_of_folder(folder)
    if side.kept is None:
        message = "holds no drawing.json: it was written by an earlier version; run the board again"
        raise InputError([Finding(None, f"{folder}: {message}")])
    wanting = list(_wanting(side))
    if wanting and not incomplete:
        message = f"{'; '.join(wanting)}; run all of it, or accept it so with --incomplete"
        raise InputError([Finding(None, f"{folder}: {message}")])
    path = references / f"{side.board}.toml"
    before = read_reference(path) if path.is_file() else None
    found = compare(before, side) if before is not None else None
    earlier = None if found is None else (found.before, found.joined)
    restricted, commits = "; ".join(wanting), [commit_here()]
    if before is not None:  # nothing but another commit is no reason for another file
        commits.insert(0, str(before.run["commit"]))
    place = place_from(references, side.file) if side.file is not None else ""
    texts = [reference_text(side, commit, restricted, earlier, place) for commit in commits]
    unchanged = path.is_file() and path.read_text(encoding="utf-8").replace("\r\n", "\n") == texts[0]
    if not unchanged:
        text = texts[-1]
        write_together(references, {path.name: lambda place: _write(place, text)})
    said = [f"{path}: {side.title}, {rounding.count(len(side.corners), 'corner')}"]
    said += [f"  incomplete: {sentence}" for sentence in wanting]
    if found is None:
        said.append("The first reference of this board; commit it.")
    elif unchanged:
        said.append("The reference stays as it was, to the letter.")
    else:
        said += ["What the acceptance changes against the reference before:", *lines(found)[:-1]]
    return Accepted(tuple(said), found.table() if found is not None else pd.DataFrame(columns=COLUMNS), path)


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _wanting(side: Side) -> Iterator[str]:
    """In what a run is not whole."""
    if left_out := int(side.run.get("left_out", 0) or 0):
        yield f"{rounding.count(left_out, 'corner')} of the table left out"
    if missing := int((side.corners["state"] == "not simulated").sum()):
        yield f"{rounding.count(missing, 'corner')} not simulated"
