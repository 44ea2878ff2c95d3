# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables ``[roles]``, ``[core]``, ``[intended]`` and ``[given]``: who plays which part, and intended
values.
"""

from __future__ import annotations

import re
from dataclasses import Field
from typing import Any, TypeVar

from harness.intent.cores import KINDS, Core, Keys, is_required
from harness.intent.objects import Intended, Roles
from harness.intent.tables import Table, described, read_quantity
from harness.units import Quantity, split_tolerance_letter

COMPARATOR_CLASSES = ("393", "311", "07x", "rail-to-rail", "push-pull")
# The unit of a part's value by the first letter of its name, as in a netlist.
PART_UNITS = {"R": "Ohm", "C": "F", "L": "H", "V": "V", "I": "A"}
_KINDS = {
    "R": "a resistor", "C": "a capacitor", "V": "a voltage source", "I": "a current source",
    "X": "an instance of a subcircuit", "M": "a MOSFET", "Q": "a bipolar transistor", "J": "a JFET",
    "S": "a switch",
}  # fmt: skip
_ROLE_LETTERS = {"comparator": "X", "pullup": "R", "supply": "V", "load_resistor": "R", "load_capacitor": "C"}
_TOP_LEVEL = ("supply",)
_Kind = TypeVar("_Kind", bound=Keys)
_WITH_TOLERANCE = re.compile(r"(.+?)(?:\s*(?:\u00b1|\+/-|\s)\s*(\d+\.?\d*|\.\d+)\s*%)?", re.DOTALL)
_SIGNED_TOLERANCE = re.compile(r"\S\s*(?<![/\d.])[-+]\s*(?:\d+\.?\d*|\.\d+)\s*%\s*$")


def read_roles(root: Table) -> Roles:
    """``[roles]``; a node that is missing is a finding, and an empty text meanwhile."""
    table = root.table("roles", "a table [roles] that names ramp, threshold and output", required=True)
    if "roles" not in root:
        return Roles("", "", "")
    ramp, threshold, output = (
        table.text(role, "the name of a node", required=True) for role in ("ramp", "threshold", "output")
    )
    parts = {role: _part(table, role, letters) for role, letters in _ROLE_LETTERS.items()}
    parts.update({role: _at_the_top(table, role, parts[role]) for role in _TOP_LEVEL})
    rails = table.table("supplies", 'a table such as { vcc = "Vcc" }')
    supplies = {rail: _at_the_top(rails, rail, _part(rails, rail, "V")) for rail in rails.names()}
    comparator_class = table.choice("comparator_class", COMPARATOR_CLASSES)
    emitter = table.text("emitter", "the name of a node")
    amplifiers = table.texts("amplifiers", 'a list of op-amps such as ["Xsum"]')
    ramp_input = table.choice("ramp_input", ("minus", "plus"))
    if parts["comparator"] and "ramp_input" not in table:
        table.missing("ramp_input", 'the comparator input that sees the ramp, "minus" or "plus"')
    table.finish()
    return Roles(
        ramp or "",
        threshold or "",
        output or "",
        **parts,
        comparator_class=comparator_class,
        emitter=emitter,
        ramp_input=ramp_input,
        supplies={rail: name for rail, name in supplies.items() if name},
        amplifiers=amplifiers,
    )


def read_core(root: Table) -> Core | None:
    """``[core]``; None where there is none."""
    if "core" not in root:
        return None
    table = root.table("core", 'a table [core] with kind = "charged capacitor" or "ramp source"')
    kind = table.choice("kind", KINDS, required=True)
    if kind is None:
        return None
    return _read_keys(table, KINDS[kind])


def _read_keys(table: Table, kind: type[_Kind]) -> _Kind:
    """A table whose keys are the fields of ``kind``."""
    named = {key.name: _named(table, key) for key in kind.fields()}
    for first, *others in kind.one_of:
        if not any(name in table for name in (first, *others)):
            inner = ".".join(map(str, (*table.path, others[0])))
            table.missing(first, f"the name of a part, or a table [{inner}]")
    table.finish()
    return kind(**named)


def _named(table: Table, key: Field[Any]) -> Any:
    """What a key names: a node, a part, or a list of parts; or what its own table holds."""
    if "table" in key.metadata:
        inner = table.table(key.name) if key.name in table else None
        return _read_keys(inner, key.metadata["table"]) if inner is not None else None
    if "list" in key.metadata:
        return table.texts(key.name, key.metadata["list"])
    if "node" in key.metadata:
        return table.text(key.name, "the name of a node", is_required(key))
    return _part(table, key.name, key.metadata["letters"], is_required(key))


def _part(table: Table, key: str, letters: str, required: bool = False) -> str | None:
    """The name of a part of one of the kinds ``letters``, the first letters that a netlist knows."""
    kinds = " or ".join(_KINDS[letter] for letter in letters)
    name = table.text(key, f"the name of {kinds}", required)
    if name and name.rpartition(".")[2][:1].upper() not in letters:
        table.wrong(key, f'expected {kinds}, whose name begins with {" or ".join(letters)}; got "{name}"')
        return None
    return name


def _at_the_top(table: Table, key: str, name: str | None) -> str | None:
    """``name`` where it is a part of the board itself; a part inside a subcircuit is a finding."""
    if name and "." in name:
        message = f'"{name}" is inside a subcircuit; expected a part of the netlist\'s top level'
        table.wrong(key, f"{message}, so draw it there")
        return None
    return name


def read_intended(root: Table) -> dict[str, Intended]:
    """``[intended]``: values that are independent of the netlist, with the tolerance as a share."""
    table = root.table("intended", 'a table of parts such as Rpull = "3.3k 1%"')
    intended: dict[str, Intended] = {}
    for part in table.names():
        written = table.data[part]
        value, share = written, None
        unit = PART_UNITS.get(part.rpartition(".")[2][:1].upper())
        coded = None
        if isinstance(written, str):
            if _SIGNED_TOLERANCE.search(written):
                table.wrong(part, f'{described(written)}: a tolerance has no sign; write it such as "10k 1%"')
                continue
            parted = _WITH_TOLERANCE.fullmatch(written.strip())
            value, share = (parted[1], parted[2]) if parted else (written, None)
            if coded := split_tolerance_letter(written, unit or ""):
                value = coded[0]
        quantity = read_quantity(table.source, ("intended", part), value, unit)
        if quantity is None:
            continue
        tolerance = float(share) / 100.0 if share is not None else coded[1] if coded else None
        if unit in ("Ohm", "F", "H") and quantity.value <= 0.0:
            table.wrong(part, f"expected a value above 0, got {described(written)}")
        elif tolerance is not None and not 0.0 < tolerance < 1.0:
            says = "leaves nothing" if tolerance else "is none"
            table.wrong(part, f"a tolerance of {share} % {says}; expected one above 0 and below 100 %")
        else:
            intended[part] = Intended(quantity.value, tolerance, quantity.unit, str(written).strip())
    return intended


def read_given(root: Table) -> dict[str, Quantity]:
    """``[given]``: constants of the hand formulas that are no parts."""
    table = root.table("given", 'a table of constants such as saturation = "0.15 V"')
    read = {name: table.quantity(name, None) for name in table.names()}
    return {name: quantity for name, quantity in read.items() if quantity is not None}
