# SPDX-License-Identifier: GPL-3.0-or-later
"""``parts``: device models measured alone."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from harness.commands.options import SHORT, WITHIN, Commands, out


def add(commands: Commands) -> None:
    """Adds the command."""
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
    out(parts, "also write parts.csv there")
    parts.set_defaults(action=_parts)


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
    if options.out:
        write_together(options.out, {"parts.csv": table_writer(table)})
    for line in part_lines(table, whole=not sys.stdout.isatty()):
        print(line)
    return SHORT if falls_short(table) else WITHIN
