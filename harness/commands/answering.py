# SPDX-License-Identifier: GPL-3.0-or-later
"""What a study says, printed and written."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from harness.commands.options import SHORT, WITHIN

if TYPE_CHECKING:
    from harness.studies.answers import Answer


def answered(answer: Answer, options: argparse.Namespace) -> int:
    """Writes the tables of a study, then prints what it says, which a reader may cut short; the exit code."""
    from harness.findings import without_controls
    from harness.writing import table_writer, write_recorded

    remarks: tuple[str, ...] = ()
    if options.out:
        tables = {name: table_writer(table) for name, table in answer.tables.items()}
        remarks = write_recorded(options.out, tables, answer.run, options.board).remarks
    for line in (*answer.lines, *remarks):
        print(without_controls(line))
    return SHORT if answer.falls_short else WITHIN
