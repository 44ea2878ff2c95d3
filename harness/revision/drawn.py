# SPDX-License-Identifier: GPL-3.0-or-later
"""A drawing as plain records: every part with its value, nodes, model and parameters, as a run keeps them."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from harness.findings import NetlistError
from harness.netlist import Netlist, words
from harness.netlist.cards import Circuit
from harness.netlist.lines import Line
from harness.netlist.scopes import FlatPart, Scope, Values
from harness.units import engineering

UNITS = {"r": "Ohm", "c": "F", "l": "H", "v": "V", "i": "A"}
DRIVEN = "set by the axis "
SAME = 1e-9  # relative difference below which two values are the same


@dataclass(frozen=True)
class DrawnPart:
    """One part, model or function as drawn. ``value`` in SI units, None where there is no single
    one; ``text``: what stands in its place (a source's function, an expression, parameters put in). ``name``
    as a designer writes it, with its path.
    """

    name: str
    value: float | None = None
    text: str = ""
    nodes: tuple[str, ...] = ()
    model: str = ""
    parameters: Mapping[str, str] = field(default_factory=dict)

    @property
    def unit(self) -> str:
        """The unit of ``value``: by the first letter of the last piece of the name."""
        return UNITS.get(self.name.rpartition(".")[2][:1].lower(), "")

    def value_words(self, digits: int = 4) -> str:
        """The value for people, or what stands in its place."""
        pieces = [engineering(self.value + 0.0, self.unit, digits)] if self.value is not None else []
        return " ".join([*pieces, *([self.text] if self.text else [])])

    def words(self) -> str:
        """Everything that can be said in a few words: value, else model, else nodes."""
        return self.value_words() or self.model or " ".join(self.nodes)

    def plain(self) -> dict[str, Any]:
        """Ready for JSON, what is empty left out."""
        content = {key: value for key, value in asdict(self).items() if value not in (None, "", (), {})}
        return {key: list(value) if isinstance(value, tuple) else value for key, value in content.items()}


def part_from(content: Mapping[str, Any]) -> DrawnPart:
    """The part that :meth:`DrawnPart.plain` made plain. Raises KeyError, TypeError or ValueError for other
    content."""
    value = content.get("value")
    return DrawnPart(
        name=str(content["name"]),
        value=None if value is None else float(value),
        text=str(content.get("text", "")),
        nodes=tuple(str(node) for node in content.get("nodes", ())),
        model=str(content.get("model", "")),
        parameters={str(key): str(text) for key, text in dict(content.get("parameters", {})).items()},
    )


def drawn_parts(netlist: Netlist, driven: Mapping[str, str]) -> dict[str, DrawnPart]:
    """Every part, instance, model and function of a netlist by its name in lower case, as drawn.

    ``driven``: name in lower case of a part that an axis sets -> the axis; its drawn value says nothing.
    """
    values = Values({})
    found = {name: _part(netlist, values, placed, driven) for name, placed in netlist.placed.items()}
    for circuit in netlist.cards.top.all_circuits():
        found |= {part.name.lower(): part for part in _definitions(circuit)}
    return found


def drawn_parameters(netlist: Netlist) -> dict[str, float]:
    """Value (SI) of every parameter of the top level that has one."""
    values, top = Values({}), netlist.scopes[0]
    found = {}
    for name, parameter in netlist.cards.top.parameters.items():
        try:
            found[name] = values.parameter(top, name, parameter.line, parameter.text)
        except NetlistError:
            continue  # an expression of what only the engine knows
    return {name: value for name, value in found.items() if math.isfinite(value)}


def _part(netlist: Netlist, values: Values, placed: FlatPart, driven: Mapping[str, str]) -> DrawnPart:
    part, scope = placed.part, placed.scope
    name = scope.name(part.name)
    value, text = _value(netlist, placed.name), ""
    if placed.name in driven:
        value, text = None, f"{DRIVEN}{driven[placed.name]}"
    elif part.function is not None:
        kind, arguments = part.function
        text = f"{kind.upper()}({' '.join(_put_in(values, scope, each, part.line) for each in arguments)})"
        value = value or None
    elif value is None and part.value_text:
        text = _put_in(values, scope, part.value_text, part.line)
    outer = scope.outer if part.letter == "x" and scope.outer is not None else scope
    parameters = {
        key: _put_in(values, outer if part.letter == "x" else scope, each, part.line)
        for key, each in sorted(part.parameters.items())
    }
    nodes = (*placed.nodes, *(f"({control})" for control in part.controls))
    return DrawnPart(name, value, text, nodes, part.model, parameters)


def _value(netlist: Netlist, name: str) -> float | None:
    try:
        value = float(netlist.value(name))
    except NetlistError:
        return None
    return value if math.isfinite(value) else None


def _put_in(values: Values, scope: Scope, text: str, line: Line) -> str:
    """A number in one spelling; an expression with the values of its parameters in their places."""
    try:
        return f"{values.evaluate(scope, text, line):.12g}"
    except NetlistError:
        pass  # of voltages, currents or time
    bare, known = words.inner(text), {}
    for name in set(words.names_used(bare)):
        try:
            known[name] = f"{values.parameter(scope, name, line, bare):.12g}"
        except NetlistError:
            continue
    return re.sub(r"\s+", " ", words.replace_names(bare, known)).strip().lower()


def _definitions(circuit: Circuit) -> Iterator[DrawnPart]:
    """Models and functions that are written in one circuit."""
    within = f" of {circuit.name}" if circuit.outer is not None else ""
    for model in circuit.models.values():
        parameters = {key.lower(): _spelt(text) for key, text in sorted(model.parameters.items())}
        yield DrawnPart(f".model {model.name}{within}", model=model.kind, parameters=parameters)
    for function in circuit.functions.values():
        body = re.sub(r"\s+", " ", function.body).strip().lower()
        yield DrawnPart(f".func {function.name}({','.join(function.arguments)}){within}", text=body)


def _spelt(text: str) -> str:
    from harness.units import parse_spice

    try:
        return f"{parse_spice(text):.12g}"
    except ValueError:
        return re.sub(r"\s+", " ", text).strip().lower()


def inside(name: str, of: Collection[str]) -> bool:
    """Whether a part lies within an instance among some, all in lower case."""
    pieces = name.split(".")
    return any(".".join(pieces[:count]) in of for count in range(1, len(pieces)))
