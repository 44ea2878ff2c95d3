# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts whose value can be chosen from a series of preferred values, and the same board with them as axes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from harness.findings import Finding, InputError, nearest
from harness.intent.objects import Trim
from harness.intent.parts import PART_UNITS
from harness.pins import part_of
from harness.preferred import series_for
from harness.units import parse_spice

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist

VALUED = ("Ohm", "F", "H")
#: Series of parts that state no tolerance, by their unit: common practice, no source.
USUAL = {"Ohm": "E24", "F": "E6", "H": "E12"}


@dataclass(frozen=True)
class Settable:
    """A part, its drawn value (SI) and the series it is chosen from."""

    name: str
    drawn: float
    unit: str
    series: str


def settable_parts(board: Board, netlist: Netlist) -> tuple[Settable, ...]:
    """Every intended resistor, capacitor and inductor of one plain drawn value that the board is free to
    choose: no load, none that an axis or a trimmer sets."""
    loads = {name.lower() for name in (board.roles.load_resistor, board.roles.load_capacitor) if name}
    free = [name for name in board.intended if name.lower() not in loads]
    return tuple(part for name in free if isinstance(part := _settable(board, netlist, name), Settable))


def named_parts(
    board: Board, netlist: Netlist, names: Sequence[str], series: str | None = None
) -> tuple[Settable, ...]:
    """The parts of these names, case-blind; all that can be chosen where none is named. ``series``: instead
    of those of their tolerances. Raises InputError with a finding for each that cannot be chosen."""
    if not names:
        found = list(settable_parts(board, netlist))
        if not found:
            message = (
                "no part can be chosen: [intended] has no resistor or capacitor with a plain drawn value"
            )
            raise InputError([Finding(board.path, message, "intended")])
    else:
        found, findings = [], []
        written = {name.lower(): name for name in board.intended}
        for name in dict.fromkeys(text.lower() for text in names):
            part: Settable | str = f'[intended] has no part "{name}"{nearest(name, board.intended)}'
            if name in written:
                part = _settable(board, netlist, written[name])
            if isinstance(part, Settable):
                found.append(part)
            else:
                findings.append(Finding(board.path, part, "--part"))
        if findings:
            raise InputError(findings)
    return tuple(replace(part, series=series or part.series) for part in found)


def _settable(board: Board, netlist: Netlist, name: str) -> Settable | str:
    """The part, or why its value cannot be chosen."""
    intended, part = board.intended[name], part_of(netlist, name)
    unit = PART_UNITS.get(name.rpartition(".")[2][:1].upper(), "")
    if unit not in VALUED:
        return f"{name} is no resistor, capacitor or inductor: there are no preferred values for it"
    if part is None:
        return f"{name} is not drawn"
    if any(axis.sets and axis.sets.lower() == name.lower() for axis in board.axes.values()):
        return f"{name} is set by an axis"
    if any(trim.part.lower() == name.lower() for trim in board.trims.values()):
        return f"{name} is a trimmer: it is set on the finished board"
    if Counter(id(flat.part.line) for flat in netlist.flat.values())[id(part.line)] > 1:
        return f"{name} is one line of a subcircuit that is used more than once"
    try:
        drawn = parse_spice(part.value_text)
    except ValueError:
        drawn = 0.0
    if not drawn > 0.0:
        return f'{name} has no plain value above 0 in the netlist ("{part.value_text}")'
    usual = USUAL[unit] if intended.tolerance is None else series_for(intended.tolerance)
    return Settable(name, drawn, unit, usual)


def with_axes(board: Board, parts: Sequence[Settable]) -> Board:
    """The board with these parts as the only things that vary: no tolerances, the rest as drawn."""
    trims = {
        part.name: Trim(part.name, part.name, part.drawn, part.drawn, part.unit, "", 0.0, {})
        for part in parts
    }
    intended = {name: replace(value, tolerance=None) for name, value in board.intended.items()}
    return replace(board, intended=intended, spread={}, tracking={}, trims=trims)
