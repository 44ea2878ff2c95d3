# SPDX-License-Identifier: GPL-3.0-or-later
"""``worst``, ``yield`` and ``fit``: many boards of one design."""

from __future__ import annotations

import argparse

from harness.commands.answering import answered
from harness.commands.options import Commands, draws_and_seed, of_a_board, out, simulating, within
from harness.commands.progress import Progress
from harness.preferred import SERIES

MOST_CONFIRMED = 100


def add(commands: Commands) -> None:
    """Adds the commands."""
    worst = of_a_board(commands, "worst", "the worst case of every limit over all tolerances")
    out(worst)
    simulating(worst)
    within(worst)
    worst.set_defaults(action=_worst)

    share = of_a_board(
        commands, "yield", "the share of boards that keep every limit and rating, from random draws"
    )
    draws_and_seed(share)
    share.add_argument(
        "--distribution", choices=("uniform", "normal"), default="uniform",
        help="of the deviations within their tolerances; default uniform",
    )  # fmt: skip
    share.add_argument(
        "--low-discrepancy", action="store_true", help="evenly spread points instead of independent draws"
    )
    out(share)
    simulating(share)
    within(share)
    share.set_defaults(action=_yield)

    values = of_a_board(commands, "fit", "preferred values that meet the limits, or goals of your own")
    values.add_argument(
        "--part", action="append", default=[], metavar="NAME",
        help="a part to choose; of several, all pairs are tried, too; default each of [intended] by itself",
    )  # fmt: skip
    values.add_argument(
        "--goal", action="append", default=[], metavar="GOAL",
        help='such as "duty 0.1..0.9", "rise_time ..5us", "threshold 2..2.1 V at control=4"; default the'
        " [limits]",
    )  # fmt: skip
    values.add_argument(
        "--series", choices=tuple(SERIES), help="of all parts; default by their tolerances (IEC 60063)"
    )
    values.add_argument(
        "--confirm", type=_few, default=3, metavar="N", help="candidates to simulate; default 3"
    )
    out(values)
    simulating(values)
    within(values)
    values.set_defaults(action=_fit)


def _worst(options: argparse.Namespace) -> int:
    from harness.studies.answers import worst_case

    progress = Progress("simulation")
    answer = worst_case(options.board, options.only, options.jobs, options.ledger, progress, options.within)
    progress.end()
    return answered(answer, options)


def _yield(options: argparse.Namespace) -> int:
    from harness.studies.answers import share_that_passes

    progress = Progress("simulation")
    answer = share_that_passes(
        options.board, options.draws, options.seed, options.distribution, options.low_discrepancy,
        options.only, options.jobs, options.ledger, progress, options.within,
    )  # fmt: skip
    progress.end()
    return answered(answer, options)


def _fit(options: argparse.Namespace) -> int:
    from harness.studies.fit import Asked, fit

    progress = Progress("simulation")
    asked = Asked(tuple(options.part), tuple(options.goal), options.series, options.confirm)
    answer = fit(
        options.board, asked, options.only, options.jobs, options.ledger, progress, options.within
    )  # fmt: skip
    progress.end()
    return answered(answer, options)


def _few(text: str) -> int:
    if not (text.isdecimal() and 1 <= int(text) <= MOST_CONFIRMED):
        raise argparse.ArgumentTypeError(
            f'expected a number of candidates, 1 to {MOST_CONFIRMED}, got "{text}"'
        )
    return int(text)
