# SPDX-License-Identifier: GPL-3.0-or-later
"""``accept``: a run becomes the reference that later revisions are held to."""

from __future__ import annotations

import argparse
from pathlib import Path

from harness.commands.options import WITHIN, Commands, out, references


def add(commands: Commands) -> None:
    """Adds the command."""
    accept = commands.add_parser(
        "accept", help="make a run the reference that `compare accepted BOARD` holds to"
    )
    accept.add_argument("run", type=Path, metavar="RUN", help="folder that `run` wrote")
    accept.add_argument(
        "--incomplete", action="store_true",
        help="also accept a run of a part of the corners, or with corners that were not simulated; the"
        " reference says so",
    )  # fmt: skip
    references(accept)
    out(accept, "also write accept.csv there: what the acceptance changes against the reference before")
    accept.set_defaults(action=_accept)


def _accept(options: argparse.Namespace) -> int:
    from harness.findings import without_controls
    from harness.revision.accepting import accept
    from harness.writing import table_writer, write_together

    answer = accept(options.run, options.references, options.incomplete)
    if options.out:
        write_together(options.out, {"accept.csv": table_writer(answer.table)})
    for line in answer.lines:
        print(without_controls(line))
    return WITHIN
