# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables ``[expected]``, ``[tolerance]``, ``[limits]`` and ``[simulation]``: what figures are held
against.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from typing import cast, get_args

from harness.findings import nearest
from harness.intent.accuracy import sound_accuracy
from harness.intent.axes import read_axis_value
from harness.intent.naming import no_quantity
from harness.intent.objects import Axis, Expected, Limit, Simulation, Tolerance
from harness.intent.tables import Table, described, read_quantity
from harness.quantities import Scale, stem

Corners = Mapping[tuple[float, ...], str]
_SHARE = re.compile(r"(\d+\.?\d*|\.\d+)\s*%(?:\s+of\s+(?:the\s+)?(\w+))?")
_SHARED = tuple(scale for scale in get_args(Scale) if scale not in ("absolute", "cents"))
_OF_LEVELS = ("swing", "ramp")  # these scales are volts


def _quantities(table: Table) -> Iterator[str]:
    """The keys of a table that are quantities; the others are findings."""
    for name in table.names():
        if sentence := no_quantity(table.source, name):
            table.wrong(name, sentence)
        else:
            yield name


def read_expected(root: Table, axes: Mapping[str, Axis], corners: Corners) -> tuple[Expected, ...]:
    """``[expected]``: literal figures, each with the one corner it speaks for."""
    table = root.table("expected", "a table of figures such as duty = { value = 0.5, at = { control = 4 } }")
    found: list[Expected] = []
    for quantity in _quantities(table):
        written = table.data[quantity]
        listed = isinstance(written, list)
        if written == []:
            table.wrong(quantity, "the list is empty; expected { value = ..., at = { ... } }")
        for place, entry in enumerate(written if listed else [written]):
            path = (*table.path, quantity, place) if listed else (*table.path, quantity)
            if not isinstance(entry, dict):
                table.source.add(path, f"expected {{ value = ..., at = {{ ... }} }}, got {described(entry)}")
                continue
            one = _one_expected(Table(table.source, path, entry), quantity, axes, corners)
            if one is not None:
                found.append(one)
    return tuple(found)


def _one_expected(table: Table, quantity: str, axes: Mapping[str, Axis], corners: Corners) -> Expected | None:
    value = table.quantity("value", stem(quantity).unit, required=True)
    at = read_at(table, axes, corners)
    table.finish()
    if at is None or value is None:
        return None
    corner = {axis.name: at.get(axis.name, axis.nominal) for axis in axes.values()}
    row = tuple(corner.values())
    if row not in corners:
        where = ", ".join(f"{name} {axes[name].text(corner[name])}" for name in axes)
        table.source.add(table.path, f"the corner table has no corner at {where}; add a grid to [corners]")
        return None
    return Expected(quantity, value.value, corner, corners[row])


def read_at(table: Table, axes: Mapping[str, Axis], corners: Corners) -> dict[str, float] | None:
    """``at`` of ``table``: axis values that some corner has. None where one is wrong, or where axes and
    corners are."""
    at = table.table("at", "a table such as { control = 4 }")
    written = table.source.data.get("axes")
    declared = list(written) if isinstance(written, dict) else []
    found: dict[str, float] = {}
    sound = bool(corners)
    for name in at.names():
        if name not in declared:
            at.wrong(name, f'there is no axis "{name}"{nearest(name, declared)}')
        asked = read_axis_value(at, name, axes[name]) if name in axes else None
        if asked is None or not corners:
            sound = False
            continue
        place = list(axes).index(name)
        present = sorted({row[place] for row in corners})
        near = [known for known in present if math.isclose(known, asked.value, rel_tol=1e-9, abs_tol=1e-15)]
        if near:
            found[name] = near[0]
        else:
            valid = ", ".join(axes[name].text(known) for known in present)
            at.wrong(name, f"no corner has {name} at {axes[name].text(asked.value)} (valid: {valid})")
            sound = False
    return found if sound else None


def read_tolerance(root: Table) -> dict[str, Tolerance]:
    """``[tolerance]``: how far a figure may be off."""
    table = root.table("tolerance", 'a table such as duty = 0.01 or threshold = "2 % of ramp"')
    found: dict[str, Tolerance] = {}
    for quantity in _quantities(table):
        tolerance = read_apart(table, quantity, quantity)
        if tolerance is not None and tolerance.value <= 0.0:
            table.wrong(quantity, f"a tolerance is above 0, got {described(table.data[quantity])}")
        elif tolerance is not None:
            found[quantity] = tolerance
    return found


def read_apart(table: Table, key: str, quantity: str) -> Tolerance | None:
    """How far two figures of ``quantity`` may be apart, as it stands under ``key``: an absolute figure, a
    share, or cents; None where it is neither."""
    written, unit = table.data[key], stem(quantity).unit
    share = _SHARE.fullmatch(written.strip()) if isinstance(written, str) else None
    if share:
        scale = share[2] or ("figure" if unit else "")
        fitting = [name for name in _SHARED if unit == "V" or name not in _OF_LEVELS]
        valid = " or ".join(f'"% of {name}"' for name in fitting)
        if not scale:
            ways = f'write {float(share[1]) / 100.0:.9g}, or "{share[1]} % of figure"'
            table.wrong(key, f"{described(written)} can be read in two ways; {ways}")
        elif scale not in _SHARED:
            table.wrong(key, f'{described(written)}: there is no scale "{scale}"; expected {valid}')
        elif scale not in fitting:
            kind = f"in {unit}" if unit else "a plain number"
            message = f"{described(written)}: a share of the {scale} is in V, but {quantity} is {kind}"
            table.wrong(key, f"{message}; expected {valid}, or an absolute figure")
        else:
            return Tolerance(float(share[1]) / 100.0, cast(Scale, scale))
        return None
    if quantity == "frequency" and not isinstance(written, str):
        table.wrong(key, f'expected a text with its unit, "5 cents" or "2 Hz", got {described(written)}')
        return None
    in_cents = quantity == "frequency" and re.search(r"cents?\s*$", written) is not None
    read = read_quantity(table.source, (*table.path, key), written, "cent" if in_cents else unit)
    return Tolerance(read.value, "cents" if in_cents else "absolute") if read else None


def read_limits(root: Table) -> dict[str, Limit]:
    """``[limits]``: what a quantity must keep within."""
    tables = root.table("limits", "a table such as duty = { least = 0.05, most = 0.95 }")
    found: dict[str, Limit] = {}
    for quantity in _quantities(tables):
        table = tables.table(quantity, "{ least = ..., most = ... }")
        least, most = (table.quantity(key, stem(quantity).unit) for key in ("least", "most"))
        table.finish()
        if isinstance(tables.data[quantity], dict) and "least" not in table and "most" not in table:
            tables.wrong(quantity, "a limit needs least, most or both")
        if least and most and least.value > most.value:
            tables.wrong(quantity, f"least ({least}) is above most ({most}); no figure can be within")
        elif least and most and least.value == most.value:
            words = "no figure with an error bar can be within"
            tables.wrong(quantity, f"least and most are both {least}; {words}")
        found[quantity] = Limit(least.value if least else None, most.value if most else None)
    return found


def read_simulation(root: Table, corners: Corners) -> Simulation:
    """``[simulation]``: settings of the engine's runs; all of them optional."""
    table = root.table("simulation", "a table [simulation]")
    settings: dict[str, float] = {}
    for key, unit in (("accuracy", ""), ("period", "s"), ("seconds", "s")):
        quantity = table.quantity(key, unit)
        if quantity and quantity.value <= 0.0:
            table.wrong(key, f"expected a figure above 0, got {described(table.data[key])}")
        elif quantity:
            settings[key] = quantity.value
    try:
        sound_accuracy(settings.get("accuracy", Simulation.accuracy))
    except ValueError as error:
        table.wrong("accuracy", str(error))
        del settings["accuracy"]
    names = table.texts("report_corners", 'a list of corners such as ["c010"]')
    known = set(corners.values())
    for place, name in enumerate(names):
        if known and name not in known:
            message = f'there is no corner "{name}" (the table goes from {min(known)} to {max(known)})'
            table.source.add((*table.path, "report_corners", place), message)
    table.finish()
    return Simulation(**settings, report_corners=names)
