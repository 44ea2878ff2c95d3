# SPDX-License-Identifier: GPL-3.0-or-later
"""From the words of a user to the two sides: a run folder, a board file, a git revision, ``accepted``."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from harness.findings import Finding, InputError
from harness.revision.folder import side_of_folder, side_of_run
from harness.revision.reference import REFERENCES, is_reference, read_reference, reference_of
from harness.revision.repository import extract
from harness.revision.side import Side, restricted
from harness.run import Progress, run

if TYPE_CHECKING:
    from harness.engine.workers import Workers

ACCEPTED = "accepted"
_REVISION = re.compile(r"([^:]{2,}|@):(.+)")
SHARED = ".ramp-harness"  # ledger and figures of device models beside a board file


@dataclass(frozen=True)
class Asked:
    """How sides that are no run yet are to be run, as for the command ``run``; ``references``: the folder of
    accepted references."""

    jobs: int | Workers | None = None
    only: tuple[tuple[str, float | str], ...] = ()
    accuracy: float | None = None
    ledger: Path | None = None
    progress: Progress | None = None
    references: Path = REFERENCES


@contextmanager
def sides(first: str, second: str, asked: Asked) -> Iterator[tuple[Side, Side]]:
    """Both sides. What a git revision held lies in a temporary folder meanwhile. Raises InputError for words
    that name nothing, and what a run raises."""
    if first == second == ACCEPTED:
        raise InputError(
            [Finding(None, '"accepted" is the reference of the other board: name one of the two')]
        )
    with ExitStack() as folders:
        found = {word: _side(word, asked, folders) for word in (first, second) if word != ACCEPTED}
        (other, *_) = found.values()
        pair = [
            found[word] if word != ACCEPTED else read_reference(reference_of(other.board, asked.references))
            for word in (first, second)
        ]
        if asked.only:
            pair = [restricted(side, asked.only) for side in pair]
        yield pair[0], pair[1]


def _side(word: str, asked: Asked, folders: ExitStack) -> Side:
    path = Path(word)
    if path.is_dir():
        return side_of_folder(path, word)
    if path.is_file():
        return read_reference(path) if is_reference(path) else _simulated(path, word, asked)
    revision = _REVISION.fullmatch(word)
    if revision is not None:
        return _of_revision(revision[1], revision[2], word, asked, folders)
    message = (
        f'"{word}" is no run folder, no board file, no REVISION:BOARD of a git repository and not the word'
        f' "{ACCEPTED}"'
    )
    raise InputError([Finding(None, message)])


def _simulated(path: Path, label: str, asked: Asked) -> Side:
    result = run(
        path, jobs=asked.jobs, only=asked.only, accuracy=asked.accuracy, progress=asked.progress,
        ledger=asked.ledger,
    )  # fmt: skip
    return side_of_run(result, label)


def _of_revision(revision: str, path: str, word: str, asked: Asked, folders: ExitStack) -> Side:
    folder = Path(folders.enter_context(tempfile.TemporaryDirectory(prefix="ramp-harness-")))
    found = extract(revision, path, folder)
    _share(found.board.parent, found.place)
    label = word if found.commit in word else f"{word} ({found.commit})"
    return replace(_simulated(found.board, label, asked), file=None)


def _share(extracted: Path, place: Path) -> None:
    """Lets a board of a revision use ledger and model figures of its folder in the working tree, where there
    is one, so that nothing is simulated twice. Without it the run only takes longer."""
    beside = extracted / SHARED
    if place.is_dir() and not beside.exists():
        with suppress(OSError):
            (place / SHARED).mkdir(exist_ok=True)
            os.symlink((place / SHARED).resolve(), beside, target_is_directory=True)
