# SPDX-License-Identifier: GPL-3.0-or-later
"""``faults``: what a single fault does, before power is applied."""

from __future__ import annotations

import argparse

from harness.commands.answering import answered
from harness.commands.options import Commands, of_a_board, out, simulating, within
from harness.commands.progress import Progress
from harness.faults.kinds import KINDS


def add(commands: Commands) -> None:
    """Adds the command."""
    command = of_a_board(
        commands, "faults", "what a single fault does: sound, stress on parts, and whether a bench shows it"
    )
    command.add_argument(
        "--corners", choices=("nominal", "all"), default="nominal",
        help="the nominal corner, with axes where --only puts them (default), or every corner of the table",
    )  # fmt: skip
    command.add_argument(
        "--kind", action="append", default=[], choices=KINDS, metavar="KIND",
        help=f"only faults of this kind, may be given several times: {', '.join(KINDS)}",
    )  # fmt: skip
    out(command)
    simulating(command)
    within(command)
    command.set_defaults(action=_faults)


def _faults(options: argparse.Namespace) -> int:
    from harness.faults.answer import faults_of

    progress = Progress("simulation")
    answer = faults_of(
        options.board, options.only, options.jobs, options.ledger, progress, options.within,
        options.corners == "all", options.kind,
    )  # fmt: skip
    progress.end()
    return answered(answer, options)
