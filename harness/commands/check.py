# SPDX-License-Identifier: GPL-3.0-or-later
"""``check``: intended against drawn, without a simulation."""

from __future__ import annotations

import argparse

from harness.commands.options import SHORT, WITHIN, Commands, of_a_board, out


def add(commands: Commands) -> None:
    """Adds the command."""
    check = of_a_board(commands, "check", "intended against drawn, predictions, lint; no simulation")
    out(check, "also write check.csv and predictions.csv there")
    check.set_defaults(action=_check)


def _check(options: argparse.Namespace) -> int:
    from harness.checking import check, check_lines, write_check
    from harness.findings import without_controls

    result = check(options.board)
    if options.out:
        write_check(result, options.out)
    for line in check_lines(result):
        print(without_controls(line))
    return SHORT if result.falls_short else WITHIN
