# SPDX-License-Identifier: GPL-3.0-or-later
"""One run of a board as pytest needs it: its items, what falls short beside them, or why there was no run."""

from __future__ import annotations

import json
from contextlib import nullcontext
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from harness.as_tests.once import once
from harness.engine.cluster import connected
from harness.engine.errors import EngineError, EngineFailed, EngineMissing
from harness.findings import BoardError, Finding, InputError
from harness.intent.toml_source import line_of
from harness.items import Item, Subject, beside, items_of, subjects_of
from harness.run import prepare, run

Setting = tuple[str, float | str]


@dataclass(frozen=True)
class Options:
    """How boards are run; as the options of the command."""

    jobs: int | None = None
    cluster: str | None = None
    only: tuple[Setting, ...] = ()
    accuracy: float | None = None
    ledger: Path | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of a board: ``items`` by their names and what falls short ``beside`` them; or, where there
    was no run, why (``failure``)."""

    items: dict[str, Item]
    beside: tuple[str, ...] = ()
    failure: str = ""


@dataclass(frozen=True)
class Planned:
    """What a board file asks for: its name, and each item with its line in the file."""

    board: str
    subjects: tuple[tuple[Subject, int], ...]


def planned(path: Path, options: Options) -> Planned:
    """Reads a board and its netlist without simulating. Raises InputError with all findings."""
    prepared = prepare(path, options.only)
    board = prepared.board
    subjects = subjects_of(board, prepared.asked)
    if not subjects:
        words = (
            "there is nothing to test: no limit in [limits], no quantity in [hand], no figure in [expected]"
        )
        raise BoardError([Finding(path, words)])
    lines = (line_of((_table(subject), subject.quantity), board.lines) or 1 for subject in subjects)
    return Planned(board.name, tuple(zip(subjects, lines, strict=True)))


def _table(subject: Subject) -> str:
    if subject.kind == "limit":
        return "limits"
    return "hand" if subject.literal is None else "expected"


def outcome_of(path: Path, options: Options, shared: Path | None) -> Outcome:
    """Runs a board and tells what became of it. ``shared``: a folder in which the processes of one pytest
    tell each other, so that one of them runs the board; None where this one is alone."""
    work = partial(_told, path, options)
    return _read(work() if shared is None else once(shared, str(path), work))


def _told(path: Path, options: Options) -> str:
    try:
        with nullcontext(options.jobs) if options.cluster is None else connected(options.cluster) as jobs:
            result = run(path, jobs=jobs, only=options.only, accuracy=options.accuracy, ledger=options.ledger)
    except (InputError, EngineError, EngineFailed, EngineMissing) as error:
        return _text([], (), str(error))
    except OSError as error:
        return _text([], (), f"{error.filename or path.name}: {error.strerror or error}")
    return _text([asdict(item) for item in items_of(result)], beside(result), "")


def _text(items: list[dict[str, Any]], beside: tuple[str, ...], failure: str) -> str:
    return json.dumps({"items": items, "beside": beside, "failure": failure})


def _read(text: str) -> Outcome:
    told = json.loads(text)
    items = [Item(**item) for item in told["items"]]
    return Outcome({item.name: item for item in items}, tuple(told["beside"]), told["failure"])
