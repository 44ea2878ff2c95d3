# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: what is said about all commands, and what becomes of errors.

Exit codes: 0 everything within and shown, 1 something falls short, 2 bad input, 3 the engine could not run.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from harness import __version__
from harness.commands import (
    accept,
    check,
    compare,
    engine,
    faults,
    ledger,
    new,
    order,
    parts,
    run,
    sources,
    studies,
)
from harness.commands.options import BAD_INPUT, NO_ENGINE, SHORT
from harness.findings import without_controls

COMMANDS = (
    run,
    check,
    studies,
    faults,
    compare,
    accept,
    order,
    ledger,
    new,
    engine,
    sources,
    parts,
)  # in the order of the help

_DESCRIPTION = """Checks a ramp core and its pulse comparator: what was intended, drawn and simulated, at
every corner. A board is described by NAME.board.toml beside its SPICE netlist."""
_EPILOG = """exit codes: 0 every limit within and every figure shown; 1 something falls short; 2 bad input;
3 the engine could not run. A simulation never says that a board is safe."""


def parser() -> argparse.ArgumentParser:
    """The command line's definition."""
    top = argparse.ArgumentParser(
        prog="ramp-harness", description=_DESCRIPTION, epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    top.add_argument("--version", action="version", version=f"ramp-harness {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add(commands)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit code. Input and engine errors become sentences on stderr."""
    options = parser().parse_args(arguments)
    action: Callable[[argparse.Namespace], int] = options.action
    try:
        if getattr(options, "cluster", None) is None:
            return action(options)
        from harness.engine.cluster import connected

        with connected(options.cluster) as options.jobs:
            return action(options)
    except BrokenPipeError:
        return SHORT
    except KeyboardInterrupt:
        _complain("stopped; earlier results are untouched")
        return NO_ENGINE
    except Exception as error:
        return _failed(error)


def _failed(error: Exception) -> int:
    """The exit code of an error: of the input, of the engine, or a fault of ours with all its details."""
    from harness.engine.errors import EngineError, EngineFailed, EngineMissing
    from harness.findings import InputError

    if isinstance(error, InputError):
        for finding in error.findings:
            _complain(str(finding))
        return BAD_INPUT
    if isinstance(error, (EngineFailed, EngineMissing, EngineError)):
        _complain(str(error))
        return NO_ENGINE
    if isinstance(error, OSError):
        _complain(f"{error.filename or 'file'}: {error.strerror or error}")
        return BAD_INPUT
    import traceback

    traceback.print_exception(error)
    _complain("This is a fault of ramp-harness, not of your files; earlier results are untouched.")
    return NO_ENGINE


def _complain(sentence: str) -> None:
    print(without_controls(sentence), file=sys.stderr)
