# SPDX-License-Identifier: GPL-3.0-or-later
"""The commands ``worst``, ``yield`` and ``fit``."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness.preferred import SERIES

if TYPE_CHECKING:
    from harness.studies.answers import Answer

MOST_DRAWS = 1_000_000
MOST_CONFIRMED = 100


def add_studies(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    common: Callable[[argparse.ArgumentParser], None],
    report: Callable[[Answer, argparse.Namespace], int],
    progress: Callable[[], Any],
) -> None:
    """Adds the commands. ``common`` adds the options that they share with ``run``; ``report`` prints and
    writes an answer and returns the exit code."""
    worst = commands.add_parser("worst", help="the worst case of every limit over all tolerances")
    worst.add_argument("board", type=Path, metavar="BOARD", help="board file, NAME.board.toml")
    common(worst)
    _within(worst)
    worst.set_defaults(action=lambda options: report(_worst(options, progress()), options))

    share = commands.add_parser("yield", help="the share of boards that keep every limit, from random draws")
    share.add_argument("board", type=Path, metavar="BOARD", help="board file, NAME.board.toml")
    share.add_argument("--draws", type=_draws, default=200, metavar="N", help="boards to draw; default 200")
    share.add_argument("--seed", type=_seed, default=1, metavar="S", help="whole number; default 1")
    share.add_argument(
        "--distribution", choices=("uniform", "normal"), default="uniform",
        help="of the deviations within their tolerances; default uniform",
    )  # fmt: skip
    share.add_argument(
        "--low-discrepancy", action="store_true", help="evenly spread points instead of independent draws"
    )
    common(share)
    _within(share)
    share.set_defaults(action=lambda options: report(_yield(options, progress()), options))

    values = commands.add_parser("fit", help="preferred values that meet the limits, or goals of your own")
    values.add_argument("board", type=Path, metavar="BOARD", help="board file, NAME.board.toml")
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
    common(values)
    _within(values)
    values.set_defaults(action=lambda options: report(_fit(options, progress()), options))


def _within(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--within", type=_seconds, metavar="SECONDS",
        help="do not start a study that would take longer; says how long it would",
    )  # fmt: skip


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds < 1e9:
        raise argparse.ArgumentTypeError(f'expected a number of seconds above 0, got "{text}"')
    return seconds


def _worst(options: argparse.Namespace, progress: Any) -> Answer:
    from harness.studies.answers import worst_case

    answer = worst_case(options.board, options.only, options.jobs, options.ledger, progress, options.within)
    progress.end()
    return answer


def _yield(options: argparse.Namespace, progress: Any) -> Answer:
    from harness.studies.answers import share_that_passes

    answer = share_that_passes(
        options.board, options.draws, options.seed, options.distribution, options.low_discrepancy,
        options.only, options.jobs, options.ledger, progress, options.within,
    )  # fmt: skip
    progress.end()
    return answer


def _fit(options: argparse.Namespace, progress: Any) -> Answer:
    from harness.studies.fit import Asked, fit

    asked = Asked(tuple(options.part), tuple(options.goal), options.series, options.confirm)
    answer = fit(
        options.board, asked, options.only, options.jobs, options.ledger, progress, options.within
    )  # fmt: skip
    progress.end()
    return answer


def _few(text: str) -> int:
    if not (text.isdecimal() and 1 <= int(text) <= MOST_CONFIRMED):
        raise argparse.ArgumentTypeError(
            f'expected a number of candidates, 1 to {MOST_CONFIRMED}, got "{text}"'
        )
    return int(text)


def _draws(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = 0
    if not 1 <= number <= MOST_DRAWS:
        raise argparse.ArgumentTypeError(f'expected a number of boards, 1 to {MOST_DRAWS}, got "{text}"')
    return number


def _seed(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = -1
    if number < 0:
        raise argparse.ArgumentTypeError(f'expected a whole number from 0 on, got "{text}"')
    return number
