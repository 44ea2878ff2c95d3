# SPDX-License-Identifier: GPL-3.0-or-later
"""The table ``[trim]``: parts that are set on the finished board, what they are set for, and where."""

from __future__ import annotations

from collections.abc import Mapping

from harness.findings import nearest
from harness.intent.axes import read_axis_value
from harness.intent.naming import no_quantity
from harness.intent.objects import Axis, Trim
from harness.intent.parts import PART_UNITS
from harness.intent.tables import Table
from harness.quantities import stem


def read_trims(root: Table, axes: Mapping[str, Axis]) -> dict[str, Trim]:
    """``[trim]``: one table a trimmer, by a name of its own."""
    tables = root.table("trim", 'one table a trimmer such as [trim.pitch] with part = "Rtrim"')
    found: dict[str, Trim] = {}
    for name in tables.names():
        table = tables.table(name, "part, least, most, quantity, target and at")
        if isinstance(tables.data[name], dict):
            trim = _one(table, name, axes)
            if trim is not None:
                found[name] = trim
    return found


def _one(table: Table, name: str, axes: Mapping[str, Axis]) -> Trim | None:
    before = len(table.source.findings)
    part = table.text("part", "the part or netlist parameter that is set", required=True)
    unit = PART_UNITS.get((part or "").rpartition(".")[2][:1].upper())
    if part and any(axis.sets and axis.sets.lower() == part.lower() for axis in axes.values()):
        table.wrong("part", f'"{part}" is set by an axis already')
    least, most = (table.quantity(key, unit, required=True) for key in ("least", "most"))
    if least and most and least.value >= most.value:
        table.wrong("least", f"least ({least}) is not below most ({most}); the trimmer has no travel")
    quantity = table.text("quantity", "the quantity that it is set for", required=True)
    target = None
    if quantity and (sentence := no_quantity(table.source, quantity)):
        table.wrong("quantity", sentence)
    elif quantity:
        target = table.quantity("target", stem(quantity).unit, required=True)
    table.asked.add("target")
    places = table.table("at", "a table such as { supply = 15 }")
    at = {axis.name: axis.nominal for axis in axes.values()}
    for axis_name in places.names():
        if axis_name not in axes:
            places.wrong(axis_name, f'there is no axis "{axis_name}"{nearest(axis_name, axes)}')
        elif value := read_axis_value(places, axis_name, axes[axis_name]):
            at[axis_name] = value.value
    table.finish()
    if len(table.source.findings) > before or not (part and least and most and quantity and target):
        return None
    return Trim(name, part, least.value, most.value, least.unit, quantity, target.value, at)
