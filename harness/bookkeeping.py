# SPDX-License-Identifier: GPL-3.0-or-later
"""The command ``ledger``: what a board's ledger holds, as words and as a table, and making it smaller."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd

from harness.findings import Finding, InputError
from harness.ledger import COLUMNS, Ledger, conditions, ledger_path


def opened(board: Path, named: Path | None) -> Ledger:
    """The ledger of a board file, or the file named. Raises InputError where there is none."""
    if not board.is_file():
        raise InputError([Finding(board, "there is no such board file")])
    path = ledger_path(board, named)
    if not path.exists():
        raise InputError([Finding(path, "there is no ledger here; a run makes it")])
    return Ledger(path)


def ledger_table(ledger: Ledger) -> pd.DataFrame:
    """One row a finished corner: key, board, revision, corner, one column an axis, state, engine, conditions,
    engine_seconds, made."""
    table = pd.DataFrame(ledger.entries(), columns=list(COLUMNS))
    axes = pd.DataFrame([json.loads(text) for text in table["axes"]], index=table.index)
    place = table.columns.get_loc("axes")
    return pd.concat([table.iloc[:, :place], axes, table.iloc[:, place + 1 :]], axis=1)


def ledger_lines(ledger: Ledger, table: pd.DataFrame, engine: str) -> list[str]:
    """What a ledger holds, a line a board and revision. ``engine``: version text of the one in use."""
    lines = [f"{ledger.path.name}: {len(table)} finished corners"]
    for (board, revision), rows in table.groupby(["board", "revision"], sort=True):
        found = (rows["engine"] == engine) & (rows["conditions"] == conditions())
        states = ", ".join(f"{count} {state}" for state, count in rows["state"].value_counts().items())
        lines.append(
            f"  {board}, revision {revision}: {len(rows)} ({states}), {int(found.sum())} of them can be found"
            f" by this version and engine; {rows['engine_seconds'].sum():.1f} s of simulation, last"
            f" {rows['made'].max()}"
        )
    return [*lines, *ledger.remarks]


def days_ago(days: float) -> str:
    """The moment that many days ago, as the ledger writes moments."""
    return (datetime.now(UTC) - timedelta(days=days)).isoformat(timespec="seconds")
