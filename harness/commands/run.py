# SPDX-License-Identifier: GPL-3.0-or-later
"""``run``: every corner simulated, compared, explained."""

from __future__ import annotations

import argparse
from pathlib import Path

from harness.commands.options import SHORT, WITHIN, Commands, accuracy_option, of_a_board, out, simulating
from harness.commands.progress import Progress


def add(commands: Commands) -> None:
    """Adds the command."""
    run = of_a_board(commands, "run", "simulate every corner, compare, explain, write the report")
    out(run, "where to write; default reports/<board>/<revision>/")
    simulating(run)
    accuracy_option(run)
    run.add_argument(
        "--waveforms", action="store_true", help="also write waveforms/CORNER.npz for every corner"
    )
    run.set_defaults(action=_run)


def _run(options: argparse.Namespace) -> int:
    from harness.findings import without_controls
    from harness.report.story import tell
    from harness.report.terminal import lines_of
    from harness.run import run
    from harness.writing import make_folder, write_run

    if options.out:
        make_folder(options.out)  # before the work, not after it
    progress = Progress()
    result = run(
        options.board, jobs=options.jobs, only=options.only, accuracy=options.accuracy, progress=progress,
        waveforms=options.waveforms, ledger=options.ledger,
    )  # fmt: skip
    progress.end()
    folder = options.out or Path("reports") / result.board.name / result.board.revision
    written = write_run(result, folder, options.waveforms)
    story = tell(result)
    for line in lines_of(story):
        print(line)
    print(f"Report: {folder / 'report.html'}")
    for remark in written.remarks:
        print(without_controls(remark))
    return SHORT if story.statement.reasons else WITHIN
