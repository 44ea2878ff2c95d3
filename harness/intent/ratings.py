# SPDX-License-Identifier: GPL-3.0-or-later
"""The table ``[ratings]``: what parts of the board can bear, where no sheet of the package says so."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from harness.findings import nearest
from harness.intent.tables import Table, described, read_quantity
from harness.intent.toml_source import Position
from harness.units import Quantity

if TYPE_CHECKING:
    from harness.netlist import Netlist

SINK_CURRENT = "sink_current"
#: kinds of parts that a figure of a unit can be compared for
RATED = {"W": "RQMJ", "V": "RCDQMJ", "A": "RCDQMJ"}


def read_ratings(root: Table) -> dict[str, Quantity]:
    """``[ratings]``: part -> the power (W), voltage (V) or current (A) that it can bear, and ``sink_current``
    (A), which stands in for what the comparator's sheet says of its output."""
    table = root.table("ratings", 'a table of parts such as Rpull = "0.25 W"')
    found: dict[str, Quantity] = {}
    for name in table.names():
        written = table.data[name]
        if not isinstance(written, str):
            table.wrong(name, f'expected a text with a unit, such as "0.25 W", got {described(written)}')
            continue
        quantity = read_quantity(table.source, (*table.path, name), written, None)
        if quantity is None:
            continue
        letter = name.rpartition(".")[2][:1].upper()
        if name == SINK_CURRENT:
            if quantity.unit != "A":
                table.wrong(name, f'expected a current such as "20 mA", got {described(written)}')
                continue
        elif letter not in RATED.get(quantity.unit, ""):
            table.wrong(name, _misfit(name, letter, written))
            continue
        if quantity.value <= 0.0:
            table.wrong(name, f"a rating is above 0, got {described(written)}")
            continue
        found[name] = quantity
    return found


def _misfit(name: str, letter: str, written: str) -> str:
    units = [unit for unit, letters in RATED.items() if letter and letter in letters]
    if not units:
        return (
            f"{name} cannot be rated; expected {SINK_CURRENT}, or a part that begins with R, C, D, Q, M or J"
        )
    return f"a rating of {name} is in {' or '.join(units)}, got {described(written)}"


def unrated(netlist: Netlist, ratings: Mapping[str, Quantity]) -> Iterator[tuple[Position, str]]:
    """Key and sentence for every rated part that the netlist does not have."""
    for name in ratings:
        if name != SINK_CURRENT and name.lower() not in netlist.placed:
            known = [found.part.name for found in netlist.placed.values()]
            yield ("ratings", name), f'{netlist.path.name} has no part "{name}"{nearest(name, known)}'
