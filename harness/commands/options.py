# SPDX-License-Identifier: GPL-3.0-or-later
"""What commands share: exit codes, options, and how the words of an option become values."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any, TypeAlias

MOST_DRAWS = 1_000_000
WITHIN, SHORT, BAD_INPUT, NO_ENGINE = 0, 1, 2, 3

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def of_a_board(commands: Commands, name: str, words: str) -> argparse.ArgumentParser:
    """Adds a command that begins with a board file; ``words``: what the help says of it."""
    command = commands.add_parser(name, help=words)
    command.add_argument("board", type=Path, metavar="BOARD", help="board file, NAME.board.toml")
    return command


def out(command: argparse.ArgumentParser, words: str = "also write the tables there") -> None:
    """Adds ``--out``."""
    command.add_argument("--out", type=Path, metavar="DIR", help=words)


def references(command: argparse.ArgumentParser) -> None:
    """Adds ``--references``."""
    command.add_argument(
        "--references", type=Path, default=Path("reports") / "accepted", metavar="DIR",
        help="folder of accepted references; default reports/accepted",
    )  # fmt: skip


def simulating(command: argparse.ArgumentParser) -> None:
    """Adds the options of every command that simulates corners."""
    who = command.add_mutually_exclusive_group()
    for name, option in SIMULATING.items():
        (who if name in ("jobs", "cluster") else command).add_argument(f"--{name}", **option)


def accuracy_option(command: argparse.ArgumentParser) -> None:
    """Adds ``--accuracy``."""
    command.add_argument("--accuracy", **ACCURACY)


def positive(text: str) -> int:
    """A whole number from 1."""
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1, got {text!r}")
    return int(text)


def accuracy(text: str) -> float:
    """A share of the period."""
    from harness.intent.accuracy import sound_accuracy

    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a number such as 1e-4, got {text!r}") from None
    try:
        return sound_accuracy(value)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def setting(text: str) -> tuple[str, str]:
    """``AXIS=VALUE``; the value stays as typed, since a plain number counts in the axis's own unit."""
    axis, sign, value = text.partition("=")
    if not sign or not axis or not value:
        raise argparse.ArgumentTypeError(f"expected AXIS=VALUE, got {text!r}")
    return axis, value


#: Options of everything that simulates corners, by their names; pytest gets them under its own prefix.
SIMULATING: dict[str, dict[str, Any]] = {
    "jobs": {
        "type": positive,
        "metavar": "N",
        "help": "worker processes; default 2, or the cores there are",
    },
    "cluster": {
        "metavar": "ADDRESS",
        "help": "simulate on the workers of the Dask scheduler there, such as tcp://127.0.0.1:8786",
    },
    "only": {
        "type": setting,
        "action": "append",
        "default": [],
        "metavar": "AXIS=VALUE",
        "help": "only corners with this axis value, a plain number in the axis's unit; may be given several"
        " times",
    },
    "ledger": {
        "type": Path,
        "metavar": "FILE",
        "help": "file of finished corners, which are not simulated again; default .ramp-harness/ledger.sqlite"
        " beside the board file",
    },
}
ACCURACY: dict[str, Any] = {
    "type": accuracy,
    "metavar": "A",
    "help": "duty bar to reach, as a share of the period; default 1e-4 or the board file's",
}


def within(command: argparse.ArgumentParser) -> None:
    """Adds ``--within``."""
    command.add_argument(
        "--within", type=seconds, metavar="SECONDS",
        help="do not start a study that would take longer; says how long it would",
    )  # fmt: skip


def seconds(text: str) -> float:
    """A number above 0."""
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds < 1e9:
        raise argparse.ArgumentTypeError(f'expected a number of seconds above 0, got "{text}"')
    return seconds


def draws_and_seed(command: argparse.ArgumentParser) -> None:
    """Adds ``--draws`` and ``--seed``."""
    command.add_argument("--draws", type=draws, default=200, metavar="N", help="boards to draw; default 200")
    command.add_argument("--seed", type=seed, default=1, metavar="S", help="whole number; default 1")


def draws(text: str) -> int:
    """A number of boards."""
    try:
        number = int(text)
    except ValueError:
        number = 0
    if not 1 <= number <= MOST_DRAWS:
        raise argparse.ArgumentTypeError(f'expected a number of boards, 1 to {MOST_DRAWS}, got "{text}"')
    return number


def seed(text: str) -> int:
    """A whole number from 0."""
    try:
        number = int(text)
    except ValueError:
        number = -1
    if number < 0:
        raise argparse.ArgumentTypeError(f'expected a whole number from 0 on, got "{text}"')
    return number
