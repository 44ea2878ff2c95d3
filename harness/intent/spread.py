# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables ``[spread]`` and ``[tracking]``: how far devices deviate, and which parts deviate together."""

from __future__ import annotations

from collections.abc import Mapping

from harness.findings import nearest
from harness.intent.objects import Intended
from harness.intent.tables import Table, described, read_quantity
from harness.units import Quantity


def read_spread(root: Table) -> dict[str, Quantity]:
    """``[spread]``: the largest deviation of device parameters in either direction, by ``Part.parameter``.

    With a unit it is added to the parameter, in % it is a share of it (``unit`` is "%" then).
    """
    table = root.table("spread", 'a table such as "Xslice.offset" = "5 mV"')
    found: dict[str, Quantity] = {}
    for name in table.names():
        written = table.data[name]
        part, dot, parameter = name.rpartition(".")
        if not dot or not part or not parameter:
            table.wrong(name, 'expected a part and its parameter in quotes, such as "Xslice.offset"')
            continue
        if not isinstance(written, str):
            message = f'expected a text with a unit or %, such as "5 mV" or "30 %", got {described(written)}'
            table.wrong(name, message)
            continue
        quantity = read_quantity(table.source, (*table.path, name), written, None)
        if quantity is None:
            continue
        if quantity.unit == "":
            table.wrong(name, f'{described(written)} has no unit; expected one such as "5 mV" or "30 %"')
        elif quantity.value <= 0.0:
            table.wrong(name, f"a spread is above 0, got {described(written)}")
        elif quantity.unit == "%" and quantity.value >= 1.0:
            table.wrong(name, f"{described(written)} leaves nothing; expected a share below 100 %")
        else:
            found[name] = quantity
    return found


def read_tracking(root: Table, intended: Mapping[str, Intended]) -> dict[str, tuple[str, ...]]:
    """``[tracking]``: groups of parts from one reel, network or potentiometer, which deviate by one share."""
    table = root.table("tracking", 'a table such as pot = ["Rupper", "Rlower"]')
    found: dict[str, tuple[str, ...]] = {}
    taken: dict[str, str] = {}
    names = {name.lower(): name for name in intended}
    for group in table.names():
        parts = table.texts(group, 'a list of parts such as ["Rupper", "Rlower"]')
        for place, part in enumerate(parts):
            path = (*table.path, group, place)
            if part.lower() not in names:
                table.source.add(path, f'"{part}" is no part of [intended]{nearest(part, intended)}')
            elif intended[names[part.lower()]].tolerance is None:
                table.source.add(
                    path, f'{part} has no tolerance in [intended]; expected one such as "10k 1%"'
                )
            elif part.lower() in taken:
                table.source.add(path, f"{part} is in the group {taken[part.lower()]} already")
            taken.setdefault(part.lower(), group)
        if isinstance(table.data[group], list) and len(parts) < 2:
            table.wrong(group, "expected two parts at least, which deviate together")
        if group.lower() in names:
            table.wrong(group, "is the name of a part; give the group another one")
        found[group] = parts
    return found
