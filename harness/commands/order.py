# SPDX-License-Identifier: GPL-3.0-or-later
"""``order``: the document that is signed before boards are ordered."""

from __future__ import annotations

import argparse

from harness.commands.options import (
    SHORT,
    WITHIN,
    Commands,
    accuracy_option,
    draws_and_seed,
    of_a_board,
    out,
    simulating,
    within,
)
from harness.commands.progress import Progress

STUDIES = ("worst", "yield", "faults")


def add(commands: Commands) -> None:
    """Adds the command."""
    order = of_a_board(commands, "order", "the document to sign before boards are ordered, as PDF")
    order.add_argument(
        "--with", dest="studies", type=_studies, action="extend", default=[], metavar="STUDY,...",
        help=f"also run and tell {', '.join(STUDIES)}; what is not run is named as not run",
    )  # fmt: skip
    draws_and_seed(order)
    out(order, "where to write; default reports/<board>/<revision>/")
    simulating(order)
    accuracy_option(order)
    within(order)
    order.set_defaults(action=_order)


def _order(options: argparse.Namespace) -> int:
    from harness.order.making import order
    from harness.order.studies import Asked
    from harness.report.terminal import in_ascii
    from harness.writing import make_folder

    if options.out:
        make_folder(options.out)  # before the work, not after it
    progress = Progress()
    asked = Asked(
        tuple(options.studies), options.only, options.jobs, options.accuracy, options.draws, options.seed,
        options.ledger, options.within, progress,
    )  # fmt: skip
    made = order(options.board, asked)
    progress.end()
    folder = options.out or made.folder
    written = made.write(folder)
    for line in made.lines():
        print(in_ascii(line))
    print(f"Document: {folder / 'order.pdf'}")
    for remark in written.remarks:
        print(in_ascii(remark))
    return SHORT if made.falls_short else WITHIN


def _studies(text: str) -> list[str]:
    names = [name.strip() for name in text.split(",") if name.strip()]
    wrong = [name for name in names if name not in STUDIES]
    if wrong or not names:
        raise argparse.ArgumentTypeError(f"expected studies out of {', '.join(STUDIES)}, got {text!r}")
    return names
