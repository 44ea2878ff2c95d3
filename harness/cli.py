# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: ``ramp-harness run``, ``check``, ``engine``, ``sources``, ``parts``.

Exit codes: 0 everything within and shown, 1 something falls short, 2 bad input, 3 the engine could not run.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from harness import __version__
from harness.studies.command import add_studies

if TYPE_CHECKING:
    from harness.studies.answers import Answer

WITHIN, SHORT, BAD_INPUT, NO_ENGINE = 0, 1, 2, 3

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

    run = commands.add_parser("run", help="simulate every corner, compare, explain, write the report")
    run.add_argument("board", type=Path, metavar="BOARD", help="board file, NAME.board.toml")
    _simulating(run, "where to write; default reports/<board>/<revision>/")
    run.add_argument(
        "--accuracy", type=_accuracy, metavar="A",
        help="duty bar to reach, as a share of the period; default 1e-4 or the board file's",
    )  # fmt: skip
    run.add_argument(
        "--waveforms", action="store_true", help="also write waveforms/CORNER.npz for every corner"
    )
    run.set_defaults(action=_run)

    check = commands.add_parser("check", help="intended against drawn, predictions, lint; no simulation")
    check.add_argument("board", type=Path, metavar="BOARD", help="board file, NAME.board.toml")
    check.add_argument(
        "--out", type=Path, metavar="DIR", help="also write check.csv and predictions.csv there"
    )
    check.set_defaults(action=_check)

    add_studies(commands, _simulating, _study, _Progress)

    ledger = commands.add_parser("ledger", help="the finished corners of a board: list, prune, export")
    ledger.add_argument("board", type=Path, metavar="BOARD", help="board file, NAME.board.toml")
    ledger.add_argument("--ledger", type=Path, metavar="FILE", help="another file than the board's own")
    ledger.add_argument(
        "--prune", action="store_true",
        help="drop corners that no run can find again: of another version or another engine",
    )  # fmt: skip
    ledger.add_argument(
        "--older-than", type=_days, metavar="DAYS", help="with --prune: drop corners older than that, too"
    )
    ledger.add_argument("--out", type=Path, metavar="DIR", help="also write ledger.csv there")
    ledger.set_defaults(action=_ledger)

    new = commands.add_parser("new", help="start a board, from an exported netlist or from ready circuits")
    new.add_argument("name", metavar="NAME", help="name of the board; NAME.board.toml is written")
    new.add_argument(
        "--from", dest="netlist", type=Path, metavar="NETLIST",
        help="an exported netlist: roles and values are proposed, each with its reason",
    )  # fmt: skip
    new.add_argument(
        "--core",
        help='without --from: "ramp source" (default), "charged capacitor", "snapped capacitor" or '
        '"integrator"',
    )
    new.add_argument(
        "--stage", help='without --from: "393" (default), "311", "push-pull", "07x", "rail-to-rail"'
    )
    new.add_argument(
        "--network",
        help='without --from: what sets the threshold, "reference and control" (default), "control", "knob", '
        '"knob and jack"',
    )
    new.add_argument("--output", help='without --from: "direct" (default) or "divider"')
    new.add_argument("--supply", type=_volts, metavar="V", help="without --from: supply in volts")
    new.add_argument("--out", type=Path, metavar="DIR", help="folder; default beside the netlist, else here")
    new.set_defaults(action=_new)

    engine = commands.add_parser("engine", help="which ngspice is used, the tested range, how to mend")
    engine.add_argument("--out", type=Path, metavar="DIR", help="also write engine.csv there")
    engine.set_defaults(action=_engine)

    sources = commands.add_parser("sources", help="every outside check behind the tool, with its source")
    sources.add_argument("--out", type=Path, metavar="DIR", help="also write sources.csv there")
    sources.set_defaults(action=_sources)

    parts = commands.add_parser(
        "parts", help="device models measured alone, published figures beside what the models do"
    )
    parts.add_argument("models", nargs="*", metavar="MODEL", help="only these models of the package")
    parts.add_argument(
        "--model", type=Path, metavar="FILE", help="test the model in this file instead, as --as says"
    )
    parts.add_argument(
        "--as", dest="class_", metavar="CLASS",
        help="what FILE is taken as: 393, 311, push-pull, 07x, rail-to-rail, mosfet, jfet, bipolar, diode",
    )  # fmt: skip
    parts.add_argument("--name", default="", metavar="NAME", help="which subcircuit or model of FILE")
    parts.add_argument("--out", type=Path, metavar="DIR", help="also write parts.csv there")
    parts.set_defaults(action=_parts)
    return top


def _simulating(command: argparse.ArgumentParser, out: str = "also write the tables there") -> None:
    """Adds the options of every command that simulates corners."""
    command.add_argument("--out", type=Path, metavar="DIR", help=out)
    who = command.add_mutually_exclusive_group()
    who.add_argument(
        "--jobs", type=_positive, metavar="N", help="worker processes; default 2, or the cores there are"
    )
    who.add_argument(
        "--cluster", metavar="ADDRESS",
        help="simulate on the workers of the Dask scheduler there, such as tcp://127.0.0.1:8786",
    )  # fmt: skip
    command.add_argument(
        "--only", type=_setting, action="append", default=[], metavar="AXIS=VALUE",
        help="only corners with this axis value; may be given several times",
    )  # fmt: skip
    command.add_argument(
        "--ledger", type=Path, metavar="FILE",
        help="file of finished corners, which are not simulated again; default .ramp-harness/ledger.sqlite"
        " beside the board file",
    )  # fmt: skip


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


def _run(options: argparse.Namespace) -> int:
    from harness.report.terminal import summary_lines
    from harness.run import run
    from harness.verdict import what_falls_short
    from harness.writing import make_folder, write_run

    if options.out:
        make_folder(options.out)  # before the work, not after it
    progress = _Progress()
    result = run(
        options.board, jobs=options.jobs, only=options.only, accuracy=options.accuracy, progress=progress,
        waveforms=options.waveforms, ledger=options.ledger,
    )  # fmt: skip
    progress.end()
    folder = options.out or Path("reports") / result.board.name / result.board.revision
    write_run(result, folder, options.waveforms)
    for line in summary_lines(result):
        print(line)
    print(f"Report: {folder / 'report.html'}")
    return SHORT if what_falls_short(result.corners, result.check, result.expected) else WITHIN


def _study(answer: Answer, options: argparse.Namespace) -> int:
    """Prints what a study says and writes its tables; the exit code."""
    from harness.writing import json_writer, table_writer, write_together

    for line in answer.lines:
        print(line)
    if options.out:
        tables = {name: table_writer(table) for name, table in answer.tables.items()}
        write_together(options.out, {**tables, "run.json": json_writer(answer.run)})
    return SHORT if answer.falls_short else WITHIN


def _ledger(options: argparse.Namespace) -> int:
    from harness.bookkeeping import days_ago, ledger_lines, ledger_table, opened
    from harness.engine.session import engine_report
    from harness.findings import Finding, InputError
    from harness.writing import table_writer, write_together

    if options.older_than is not None and not options.prune:
        raise InputError([Finding(None, "--older-than says what to drop: give it with --prune")])
    engine = str(engine_report()["version_text"])
    with opened(options.board, options.ledger) as ledger:
        if options.prune:
            before = days_ago(options.older_than) if options.older_than is not None else ""
            print(f"{ledger.prune(engine, before)} corners dropped")
        table = ledger_table(ledger)
        for line in ledger_lines(ledger, table, engine):
            print(line)
    if options.out:
        write_together(options.out, {"ledger.csv": table_writer(table)})
    return WITHIN


def _check(options: argparse.Namespace) -> int:
    from harness.checking import check, check_lines, write_check

    result = check(options.board)
    for line in check_lines(result):
        print(line)
    if options.out:
        write_check(result, options.out)
    return SHORT if result.falls_short else WITHIN


def _new(options: argparse.Namespace) -> int:
    from harness.findings import Finding, InputError
    from harness.new.command import new_from, new_starter
    from harness.new.starters import Choice

    keys = ("core", "stage", "network", "output", "supply")
    given = {key: getattr(options, key) for key in keys if getattr(options, key) is not None}
    if options.netlist is None:
        started = new_starter(options.name, Choice(**given), options.out)
    else:
        if given:
            message = "goes without --from only; with it the netlist says what is drawn"
            raise InputError([Finding(None, message, f"--{key}") for key in given])
        started = new_from(options.name, options.netlist, options.out)
    for line in started.lines:
        print(line)
    return WITHIN


def _engine(options: argparse.Namespace) -> int:
    from harness.engine.session import engine_report

    report = engine_report()
    if report["found"]:
        inside = "inside" if report["within_tested"] else "outside"
        print(f"{report['version_text']}, {report['library']}")
        print(f"Tested with ngspice {report['tested']}: this one is {inside} that range.")
    if report["mend"]:
        print(report["mend"])
    if options.out:
        import pandas as pd

        from harness.writing import make_folder

        make_folder(options.out)
        pd.DataFrame(report.items(), columns=["item", "value"]).to_csv(
            options.out / "engine.csv", index=False
        )
    return WITHIN if report["found"] else NO_ENGINE


def _sources(options: argparse.Namespace) -> int:
    from harness.sources import sources_table
    from harness.writing import table_writer, write_together

    table = sources_table()
    for source, checks in table.groupby("source", sort=False):
        print(source)
        for row in checks.itertuples():
            print(f"  {row.verdict:<7} {row.check}: printed {row.printed}, got {row.got}")
            print(f"          {row.kind}: {row.place}")
    counts = table["verdict"].value_counts().to_dict()
    print(f"{len(table)} checks from {table['source'].nunique()} sources: ", end="")
    print(", ".join(f"{count} {verdict}" for verdict, count in counts.items()))
    print('"found" is a slip in print that the tool finds.')
    if options.out:
        write_together(options.out, {"sources.csv": table_writer(table)})
    return SHORT if "off" in counts else WITHIN


def _parts(options: argparse.Namespace) -> int:
    from harness.engine.session import session
    from harness.findings import Finding, InputError
    from harness.parts import parts_table
    from harness.parts.listing import falls_short, part_lines
    from harness.parts.self_test import self_test
    from harness.writing import table_writer, write_together

    if options.model is None:
        if options.class_ or options.name:
            raise InputError([Finding(None, "--as and --name speak of a file: name it with --model FILE")])
        table = parts_table(session(), options.models)
    elif options.models or not options.class_:
        said = f"drop {' '.join(options.models)}" if options.models else "say with --as CLASS what it is"
        raise InputError([Finding(None, f"--model {options.model}: tests that one file; {said}")])
    else:
        table = self_test(session(), options.model, options.class_, options.name)
    for line in part_lines(table, whole=not sys.stdout.isatty()):
        print(line)
    if options.out:
        write_together(options.out, {"parts.csv": table_writer(table)})
    return SHORT if falls_short(table) else WITHIN


class _Progress:
    """One line that is rewritten on a terminal, a plain line each tenth otherwise."""

    def __init__(self) -> None:
        self.terminal = sys.stderr.isatty()
        self.tenth = 0

    def __call__(self, done: int, count: int, text: str) -> None:
        if self.terminal:
            filled = 30 * done // count
            print(
                f"\r[{'#' * filled}{'.' * (30 - filled)}] {done} of {count}  {text:<40.40}",
                end="",
                file=sys.stderr,
            )
        elif 10 * done // count != self.tenth:
            self.tenth = 10 * done // count
            print(f"{done} of {count} {'corner' if count == 1 else 'corners'} done", file=sys.stderr)

    def end(self) -> None:
        """Leaves the line on a terminal."""
        if self.terminal:
            print(file=sys.stderr)


def _complain(sentence: str) -> None:
    print(sentence, file=sys.stderr)


def _volts(text: str) -> float:
    from harness.units import parse_si

    try:
        quantity = parse_si(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if quantity.unit not in ("", "V") or not quantity.value > 0:
        raise argparse.ArgumentTypeError(f"expected volts above 0 such as 12, got {text!r}")
    return quantity.value


def _positive(text: str) -> int:
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1, got {text!r}")
    return int(text)


def _days(text: str) -> float:
    try:
        days = float(text)
    except ValueError:
        days = -1.0
    if not 0.0 <= days < 1e6:
        raise argparse.ArgumentTypeError(f"expected a number of days, got {text!r}")
    return days


def _accuracy(text: str) -> float:
    from harness.intent.accuracy import sound_accuracy

    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a number such as 1e-4, got {text!r}") from None
    try:
        return sound_accuracy(value)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _setting(text: str) -> tuple[str, float | str]:
    axis, sign, value = text.partition("=")
    if not sign or not axis or not value:
        raise argparse.ArgumentTypeError(f"expected AXIS=VALUE, got {text!r}")
    try:
        return axis, float(value)
    except ValueError:
        return axis, value
