# SPDX-License-Identifier: GPL-3.0-or-later
"""``new``: a board to start from."""

from __future__ import annotations

import argparse
from pathlib import Path

from harness.commands.options import WITHIN, Commands, out


def add(commands: Commands) -> None:
    """Adds the command."""
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
    out(new, "folder; default beside the netlist, else here")
    new.set_defaults(action=_new)


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


def _volts(text: str) -> float:
    from harness.units import parse_si

    try:
        quantity = parse_si(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if quantity.unit not in ("", "V") or not quantity.value > 0:
        raise argparse.ArgumentTypeError(f"expected volts above 0 such as 12, got {text!r}")
    return quantity.value
