# SPDX-License-Identifier: GPL-3.0-or-later
"""``compare``: what changed between two states of a board, and what it did."""

from __future__ import annotations

import argparse

from harness.commands.options import SHORT, WITHIN, Commands, accuracy_option, out, references, simulating
from harness.commands.progress import Progress

_SIDE = "run folder, board file, REVISION:BOARD of a git repository, or the word accepted"


def add(commands: Commands) -> None:
    """Adds the command."""
    compare = commands.add_parser(
        "compare", help="what changed between two states of a board, and what it did"
    )
    compare.add_argument("before", metavar="A", help=f"{_SIDE}: the reference of the other side's board")
    compare.add_argument("after", metavar="B", help="the same, after the change")
    out(compare, "also write compare.csv and compare.html there")
    references(compare)
    simulating(compare)
    accuracy_option(compare)
    compare.set_defaults(action=_compare)


def _compare(options: argparse.Namespace) -> int:
    from harness.revision.comparison import compare
    from harness.revision.sides import Asked, sides
    from harness.revision.words import lines
    from harness.revision.written import write_comparison
    from harness.writing import make_folder

    if options.out:
        make_folder(options.out)  # before the work, not after it
    progress = Progress()
    asked = Asked(
        options.jobs, tuple(options.only), options.accuracy, options.ledger, progress, options.references
    )
    with sides(options.before, options.after, asked) as (before, after):
        progress.end()
        found = compare(before, after)
    if options.out:
        write_comparison(found, options.out)
        written = f"Page: {options.out / 'compare.html'}"
    else:
        written = "With --out DIR: compare.csv, every figure, and compare.html, the page."
    for line in (*lines(found), written):
        print(line)
    return SHORT if found.worse else WITHIN
