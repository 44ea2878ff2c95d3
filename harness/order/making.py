# SPDX-License-Identifier: GPL-3.0-or-later
"""An order document from a board file: the corners, the studies that were asked for, and its files."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from harness.findings import Finding, InputError
from harness.items import items_of
from harness.knowing import characterised
from harness.order.contents import contents_of
from harness.order.records import Contents
from harness.order.studies import Asked, falls_short, record, run_studies
from harness.order.tolerances import Tolerances, tolerances_needed
from harness.order.typesetting import typeset
from harness.report.rounding import count, listed
from harness.results import RunResult
from harness.run import Prepared, prepare, run
from harness.shortfalls import shortfalls_of
from harness.studies.answers import Answer
from harness.writing import Written, table_writer, write_run

COLUMNS = [
    "kind", "quantity", "name", "verdict", "passed", "corner", "figure", "bar", "limit", "margin", "hand",
    "difference", "cause",
]  # fmt: skip
PART_COLUMNS = ["part", "value", "drawn", "verdict", "tolerance", "needed", "why"]


@dataclass(frozen=True)
class Order:
    """A document with what it was made from. ``falls_short``: the command ends with 1; ``asked``: what it was
    asked for."""

    contents: Contents
    result: RunResult
    answers: Mapping[str, Answer]
    tolerances: Tolerances
    falls_short: bool
    asked: Asked

    @property
    def folder(self) -> Path:
        """Where it goes unless another folder is named."""
        return Path("reports") / self.result.board.name / self.result.board.revision

    def items(self) -> pd.DataFrame:
        """Limits and agreements, a row each, columns :data:`COLUMNS`."""
        rows = [[getattr(item, name) for name in COLUMNS] for item in items_of(self.result)]
        return pd.DataFrame(rows, columns=COLUMNS)

    def parts(self) -> pd.DataFrame:
        """The parts list, columns :data:`PART_COLUMNS`."""
        rows = [[getattr(row, name) for name in PART_COLUMNS] for row in self.contents.parts]
        return pd.DataFrame(rows, columns=PART_COLUMNS)

    def tables(self) -> dict[str, pd.DataFrame]:
        """What the studies found, by file name; without ``blame.csv``, which two of them write."""
        tables = {name: table for answer in self.answers.values() for name, table in answer.tables.items()}
        return {name: table for name, table in tables.items() if name != "blame.csv"}

    def lines(self) -> list[str]:
        """What the terminal says: the statement, what was not run, and how much is left to look at."""
        said, states = self.contents.statement, self.contents.studies
        lines = [said.words, *(f"  {reason}" for reason in said.reasons)]
        lines += [f"{state.title}: {state.words}" for state in states if state.run]
        for state in states:
            if not state.run:
                board = self.result.board
                add = self.asked.command(board, state.name, str(board.path)) if state.command else ""
                lines.append(f"{state.title}: {state.words}{f'; to add it: {add}' if add else ''}")
        lines.append(f"{count(len(self.contents.open_points), 'open point')} to initial")
        return lines

    def write(self, folder: Path) -> Written:
        """Writes order.pdf, order.csv, order_parts.csv, the tables of the studies and run.json beside the
        files of the run, so that all of it speaks of the same corners."""
        pages = typeset(self.contents)

        def pdf(path: Path) -> None:
            path.write_bytes(pages)

        further = {
            "order.pdf": pdf,
            "order.csv": table_writer(self.items()),
            "order_parts.csv": table_writer(self.parts()),
            **{name: table_writer(table) for name, table in self.tables().items()},
        }
        said = {
            "studies": record(self.answers),
            "not_run": [state.name for state in self.contents.studies if not state.run],
            "document": hashlib.sha256(pages).hexdigest(),
        }
        return write_run(self.result, folder, further=further, said=said)


def order(path: Path, asked: Asked) -> Order:
    """Simulates what no earlier run has finished, and puts the document together. Raises BoardError,
    NetlistError or another InputError (input, also files that change meanwhile), EngineMissing or
    EngineFailed (engine)."""
    result = run(path, asked.jobs, asked.only, asked.accuracy, asked.progress, ledger=asked.ledger)
    answers = run_studies(result.board, asked)
    prepared = prepare(path, asked.only)
    if changed := _changed_meanwhile(result, prepared, answers):
        message = f"{listed(changed)} changed while the document was made: it would speak of two boards"
        raise InputError([Finding(path, f"{message}; ask for it again")])
    asked_for = prepared.corners["corner"].isin(prepared.asked)
    corners = prepared.corners[asked_for].reset_index(drop=True)
    known, _ = characterised(prepared)
    found = tolerances_needed(prepared.board, prepared.netlist, known, corners, result.corners)
    contents = contents_of(result, prepared.netlist, found, asked, answers)
    short = bool(shortfalls_of(result))
    return Order(contents, result, answers, found, short or bool(falls_short(answers)), asked)


def _changed_meanwhile(result: RunResult, prepared: Prepared, answers: Mapping[str, Answer]) -> list[str]:
    """Names of files of the board that a study, or who reads them now, finds other than the run did."""
    ran, board, netlist = set(result.run["hashes"].values()), prepared.board, prepared.netlist
    read = [(board.path.name, board.sha256), *((path.name, digest) for path, digest in netlist.files)]
    read += [pair for answer in answers.values() for pair in answer.run["hashes"].items()]
    return list(dict.fromkeys(name for name, digest in read if digest not in ran))
