# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables ``[axes.*]`` and ``[corners]``: what is varied, and over which grids."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import product

from harness.findings import nearest
from harness.intent.objects import Axis
from harness.intent.tables import Table, described, read_quantity
from harness.units import Quantity, parse_unit

MOST_CORNERS = 1_000_000
_TEMPERATURE = "degC"
_TARGET = "the netlist parameter, source or part that takes the value"
_VALUES = 'a list such as [0, 2, "4 V"], or a table that names the values such as { open = 0, closed = 1 }'
_NUMERIC = re.compile(r"\s*[-+.]?\d")
Grids = tuple[tuple[str, ...], ...]


def read_axes(root: Table) -> dict[str, Axis]:
    """Every axis, in the order of the file, which is also the order of the columns of a corner table."""
    tables = root.table("axes", "one table an axis such as [axes.control]")
    axes: dict[str, Axis] = {}
    targets: dict[str, str] = {}
    for name in tables.names():
        table = tables.table(name, 'a table with values and unit such as { values = [0, 4, 8], unit = "V" }')
        axis = _axis(table, name) if isinstance(tables.data[name], dict) else None
        if axis is None:
            continue
        axes[name] = axis
        first = targets.setdefault(axis.sets.lower(), name) if axis.sets else name
        if first != name:
            message = f'"{axis.sets}" is set by the axis "{first}" already; two axes cannot set one thing'
            table.wrong("sets", message)
    return axes


def _axis(table: Table, name: str) -> Axis | None:
    written = table.text("unit", 'a unit such as "V"')
    usual = _TEMPERATURE if name == "temperature" else ""
    try:
        unit = parse_unit(written or usual).unit
    except ValueError as error:
        table.wrong("unit", str(error))
        unit, written = None, None
    if name == "temperature" and unit not in (None, _TEMPERATURE):
        table.wrong("unit", f'temperature is given in "{_TEMPERATURE}", got "{written}"')
        unit, written = _TEMPERATURE, _TEMPERATURE
    sets = table.text("sets", _TARGET)
    if unit == _TEMPERATURE and "sets" in table:
        table.wrong("sets", "the temperature is set for the whole circuit; leave this key out")
    elif unit != _TEMPERATURE and name != "temperature" and "sets" not in table:
        table.missing("sets", _TARGET)
    listed = table.data.get("values")
    names = _names(table) if isinstance(listed, dict) else []
    items = (
        list(listed.values()) if isinstance(listed, dict) else table.items("values", _VALUES, required=True)
    )
    if listed in ([], {}):
        kind = "table" if isinstance(listed, dict) else "list"
        table.wrong("values", f"the {kind} is empty; an axis needs one value at least")
    if unit is None:  # the numbers mean nothing then; they are not looked at
        table.asked.add("nominal")
        table.finish()
        return None
    values: list[float] = []
    places: Sequence[str | int] = names or range(len(items))
    for place, item in zip(places, items, strict=True):
        quantity = read_quantity(table.source, (*table.path, "values", place), item, written or usual)
        if quantity is not None and quantity.value in values:
            table.source.add((*table.path, "values", place), f"{described(item)} stands twice in this axis")
        elif quantity is not None:
            values.append(quantity.value)
    if not values or (names and len(values) < len(items)):
        table.asked.add("nominal")
        table.finish()
        return None
    middle = values[(len(values) - 1) // 2]
    axis = Axis(name, tuple(values), unit, sets, middle, written or usual, tuple(names))
    nominal = read_axis_value(table, "nominal", axis)
    table.finish()
    return replace(axis, nominal=nominal.value) if nominal else axis


def _names(table: Table) -> list[str]:
    """What the values are called where ``values`` is a table."""
    names = table.table("values").names()
    for name in names:
        if not name.strip() or _NUMERIC.match(name):
            message = f'"{name}" is no name for a value; expected words that do not begin with a number'
            table.source.add((*table.path, "values", name), message)
    return names


def read_axis_value(table: Table, key: str, axis: Axis) -> Quantity | None:
    """A value of an axis by its name, or as a number or a text with a unit; None where absent or wrong."""
    written = table.data.get(key)
    if isinstance(written, str) and axis.names and not _NUMERIC.match(written):
        table.asked.add(key)
        value = axis.named(written.strip())
        if value is None:
            valid = ", ".join(f'"{name}"' for name in axis.names)
            table.wrong(key, f'the axis "{axis.name}" has no value "{written}" (valid: {valid})')
            return None
        return Quantity(value, axis.unit)
    return table.quantity(key, axis.written_unit)


def read_grids(root: Table, axes: Mapping[str, Axis]) -> Grids:
    """The grids of ``[corners]``; one full grid over all axes where there are none."""
    table = root.table("corners", "a table [corners] with grids")
    written = root.data.get("axes")
    declared = list(written) if isinstance(written, dict) else []
    expected = 'a list of lists of axes such as [["control", "supply"]]'
    grids: list[tuple[str, ...]] = []
    for place, grid in enumerate(table.items("grids", expected)):
        path = (*table.path, "grids", place)
        if not isinstance(grid, list) or not grid or not all(isinstance(name, str) for name in grid):
            table.source.add(path, f"expected a list of axes, got {described(grid)}")
            continue
        for name in dict.fromkeys(grid):
            if name not in declared:
                table.source.add(path, f'there is no axis "{name}"{nearest(name, declared)}')
            elif grid.count(name) > 1:
                table.source.add(path, f'the axis "{name}" stands twice in one grid')
        grids.append(tuple(name for name in dict.fromkeys(grid) if name in axes))
    if table.data.get("grids") == []:
        table.wrong(
            "grids", f"the list is empty; expected {expected}, or no such key for all axes in one grid"
        )
    table.finish()
    return tuple(grids) or (tuple(axes),)


def name_corners(root: Table, axes: Mapping[str, Axis], grids: Grids) -> dict[tuple[float, ...], str]:
    """The name of each corner, by its values in the order of ``axes``; empty, and a finding, where they are
    too many.
    """
    count = sum(math.prod(len(axes[name].values) for name in grid) for grid in grids)
    if count > MOST_CORNERS:
        root.source.add(("corners", "grids"), f"{count} corners are too many; at most {MOST_CORNERS} are run")
        return {}
    rows = corner_rows(axes, grids)
    return dict(zip(rows, corner_names(len(rows)), strict=True))


def corner_rows(axes: Mapping[str, Axis], grids: Sequence[Sequence[str]]) -> list[tuple[float, ...]]:
    """The union of full grids, one value for each axis in the order of ``axes``; axes outside a grid at
    nominal.

    The last axis varies fastest, whatever the order of names in a grid. A corner that two grids share comes
    once, at its first place. Without axes there is one row with no values.
    """
    rows: dict[tuple[float, ...], None] = {}
    for grid in grids:
        choices = [axis.values if axis.name in grid else (axis.nominal,) for axis in axes.values()]
        rows.update(dict.fromkeys(product(*choices)))
    return list(rows)


def corner_names(count: int) -> list[str]:
    """``c001``, ``c002``, ...; as many digits as the last one needs, three at least."""
    width = max(3, len(str(count)))
    return [f"c{number:0{width}d}" for number in range(1, count + 1)]
