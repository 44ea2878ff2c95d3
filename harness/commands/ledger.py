# SPDX-License-Identifier: GPL-3.0-or-later
"""``ledger``: the finished corners of a board."""

from __future__ import annotations

import argparse
from pathlib import Path

from harness.commands.options import WITHIN, Commands, of_a_board, out


def add(commands: Commands) -> None:
    """Adds the command."""
    ledger = of_a_board(commands, "ledger", "the finished corners of a board: list, prune, export")
    ledger.add_argument("--ledger", type=Path, metavar="FILE", help="another file than the board's own")
    ledger.add_argument(
        "--prune", action="store_true",
        help="drop corners that no run can find again: of another version or another engine",
    )  # fmt: skip
    ledger.add_argument(
        "--older-than", type=_days, metavar="DAYS", help="with --prune: drop corners older than that, too"
    )
    out(ledger, "also write ledger.csv there")
    ledger.set_defaults(action=_ledger)


def _ledger(options: argparse.Namespace) -> int:
    from harness.bookkeeping import days_ago, ledger_lines, ledger_table, opened
    from harness.engine.session import engine_report
    from harness.findings import Finding, InputError, without_controls
    from harness.writing import table_writer, write_together

    if options.older_than is not None and not options.prune:
        raise InputError([Finding(None, "--older-than says what to drop: give it with --prune")])
    engine = str(engine_report()["version_text"])
    with opened(options.board, options.ledger) as ledger:
        if options.prune:
            before = days_ago(options.older_than) if options.older_than is not None else ""
            print(f"{ledger.prune(engine, before)} corners dropped")
        table = ledger_table(ledger)
        if options.out:
            write_together(options.out, {"ledger.csv": table_writer(table)})
        for line in ledger_lines(ledger, table, engine):
            print(without_controls(line))
    return WITHIN


def _days(text: str) -> float:
    try:
        days = float(text)
    except ValueError:
        days = -1.0
    if not 0.0 <= days < 1e6:
        raise argparse.ArgumentTypeError(f"expected a number of days, got {text!r}")
    return days
