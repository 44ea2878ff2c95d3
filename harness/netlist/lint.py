# SPDX-License-Identifier: GPL-3.0-or-later
"""What is probably not meant: warnings about a netlist that the engine would run all the same."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from harness.findings import Finding, NetlistError
from harness.netlist import Netlist, words
from harness.netlist.cards import Circuit
from harness.netlist.lines import Line
from harness.netlist.parts import Part
from harness.netlist.scopes import FlatPart
from harness.units import engineering, parse_spice

LEAST_RESISTANCE = 1.0  # Ohm: below this, an "M" in the text was meant as mega
MOST_CAPACITANCE = 0.1  # F: above this, the text was not meant as farads
LEAST_CAPACITANCE = 1e-13  # F: below this, an "F" in the text was meant as farad
_CONDUCTING = frozenset("rlvdqmjszwehtou")  # letters of parts that carry a direct current


_READ = re.compile(r"\bv\s*\(\s*([^(),]+?)\s*(?:,\s*([^(),]+?)\s*)?\)", re.IGNORECASE)


def lint(netlist: Netlist) -> list[Finding]:
    """Warnings in the order of the lines: floating nodes, nodes without a way to ground, rings of voltage
    sources, unused parameters, suffixes that mean something else than they look like, parts that engines
    treat differently."""
    found = [
        *_floating(netlist),
        *_undriven(netlist),
        *_loops(netlist),
        *_unused(netlist),
        *(finding for part in netlist.flat.values() for finding in _suffix(netlist, part)),
        *(finding for part in netlist.flat.values() for finding in _engines(part)),
        *(note for note in netlist.notes if "the last one counts" in note.message),
    ]
    return sorted(
        dict.fromkeys(found), key=lambda finding: (str(finding.path), finding.line or 0, finding.key)
    )


def _finding(line: Line, message: str, key: str) -> Finding:
    return Finding(line.path, message, key, line.number)


def _floating(netlist: Netlist) -> Iterator[Finding]:
    """Nodes with one connection only: a misspelt name, or a pin left open."""
    for circuit in _used_circuits(netlist):
        ends: Counter[str] = Counter(name for part in circuit.parts.values() for name in part.nodes)
        ends.update({*circuit.nodes, *netlist.cards.global_nodes, "0"})
        for part in circuit.parts.values():  # what an expression reads is connected to it
            ends.update(
                name.strip().lower() for pair in _READ.findall(part.line.text) for name in pair if name
            )
        for part in circuit.parts.values():
            for name in dict.fromkeys(part.nodes):
                if ends[name] == 1:
                    yield _finding(part.line, f'nothing else is connected to the node "{name}"', part.name)


def _used_circuits(netlist: Netlist) -> list[Circuit]:
    """The top level and every subcircuit that has an instance, each once."""
    return list({id(scope.circuit): scope.circuit for scope in netlist.scopes}.values())


def _first_part(netlist: Netlist) -> dict[str, FlatPart]:
    first: dict[str, FlatPart] = {}
    for part in netlist.flat.values():
        for name in part.nodes:
            first.setdefault(name, part)
    return first


class _Groups:
    """Nodes that hang together."""

    def __init__(self) -> None:
        self._leader: dict[str, str] = {}

    def of(self, name: str) -> str:
        while self._leader.setdefault(name, name) != name:
            self._leader[name] = self._leader[self._leader[name]]
            name = self._leader[name]
        return name

    def join(self, one: str, other: str) -> bool:
        """False where the two hung together already."""
        apart = self.of(one) != self.of(other)
        self._leader[self.of(one)] = self.of(other)
        return apart


def _loops(netlist: Netlist) -> Iterator[Finding]:
    """Voltage sources in a ring: they contradict each other, or share a current that nobody can tell."""
    groups = _Groups()
    for part in netlist.flat.values():
        if part.part.letter in "veh" or part.part.function == ("expression", ("v",)):
            one, other = part.nodes[:2]
            if not groups.join(one, other):
                message = f"closes a ring of voltage sources between {one} and {other}"
                yield _finding(part.part.line, message, part.scope.name(part.part.name))


def _undriven(netlist: Netlist) -> Iterator[Finding]:
    """Nodes that no part ties to ground for direct current: their voltage is whatever the engine makes of
    it."""
    groups = _Groups()
    ends: Counter[str] = Counter()
    for part in netlist.flat.values():
        ends.update(part.nodes)
        for one, other in _paths(part.part, part.nodes):
            groups.join(one, other)
    for name, part in _first_part(netlist).items():
        if ends[name] > 1 and groups.of(name) != groups.of("0"):
            message = f'the node "{name}" has no way to ground for direct current'
            yield _finding(part.part.line, message, part.scope.name(part.part.name))


def _paths(part: Part, nodes: tuple[str, ...]) -> list[tuple[str, str]]:
    """Pairs of nodes between which a part can carry a direct current."""
    letter = part.letter
    if letter == "a" or letter == "x":
        return [(nodes[0], name) for name in nodes[1:]]
    if letter == "b":
        return [(nodes[0], nodes[1])] if part.function == ("expression", ("v",)) else []
    if letter not in _CONDUCTING:
        return []
    if letter == "m":
        return [(nodes[0], nodes[2]), *((nodes[3], name) for name in (nodes[0],) if len(nodes) > 3)]
    if letter in ("q", "j", "z"):
        return [(nodes[0], name) for name in nodes[1:3]]
    if letter == "t":
        return [(nodes[0], nodes[2]), (nodes[1], nodes[3])]
    return [(nodes[0], nodes[1])]


def _unused(netlist: Netlist) -> Iterator[Finding]:
    """Parameters that nothing refers to."""
    for circuit in _used_circuits(netlist):
        used = set(_names_in(circuit))
        for name, parameter in circuit.parameters.items():
            if name not in used:
                yield _finding(parameter.line, "is a parameter that nothing uses", name)
        for name in circuit.defaults:
            if name not in used and circuit.line is not None:
                yield _finding(
                    circuit.line, f"{circuit.name} does not use this parameter of its header", name
                )


def _names_in(circuit: Circuit) -> Iterator[str]:
    """Names in every line of a circuit and of those written inside it, or called by it; left sides left
    out."""
    for inner in circuit.all_circuits():
        texts = [parameter.text for parameter in inner.parameters.values()]
        texts += [function.body for function in inner.functions.values()]
        texts += list(inner.defaults.values())
        texts += [text for model in inner.models.values() for text in model.parameters.values()]
        texts += [text for part in inner.parts.values() for text in part.texts()]
        texts += [condition.text for condition in inner.conditions]
        for text in texts:
            yield from words.names_used(text)
        for part in inner.parts.values():
            called = inner.find_subcircuit(part.model) if part.letter == "x" else None
            if called is not None and called not in (circuit, inner):
                yield from _names_in(called)


def _suffix(netlist: Netlist, found: FlatPart) -> Iterator[Finding]:
    """``10M`` is 10 milliohm, ``1F`` a femtofarad, ``1MHz`` a millihertz."""
    part, key = found.part, found.scope.name(found.part.name)
    if part.letter in ("r", "c"):
        try:
            value = netlist.value(found.name)
        except NetlistError:
            return
        letters = re.sub(rf"^[+-]?{words.NUMBER}", "", part.value_text.strip()).lower()
        if part.letter == "r" and 0 < value < LEAST_RESISTANCE:
            meant = '; "M" means milli in a netlist: write Meg' if letters.startswith("m") else ""
            yield _finding(part.line, f"is only {engineering(value, 'Ohm')}{meant}", key)
        if part.letter == "r" and value < 0:
            yield _finding(part.line, f"is negative: {engineering(value, 'Ohm')}", key)
        if part.letter == "c" and value > MOST_CAPACITANCE:
            meant = "; a suffix such as u, n or p may be missing"
            yield _finding(part.line, f"is as much as {engineering(value, 'F')}{meant}", key)
        if part.letter == "c" and 0 < value < LEAST_CAPACITANCE and letters.startswith("f"):
            yield _finding(part.line, f'is only {engineering(value, "F")}; "F" means femto in a netlist', key)
    for text in part.texts():
        for word in re.findall(rf"(?<![\w.]){words.NUMBER}mhz(?!\w)", text, re.IGNORECASE):
            yield _finding(part.line, f'"{word}" is {engineering(parse_spice(word), "Hz")}; write MegHz', key)


def _engines(found: FlatPart) -> Iterator[Finding]:
    """Parts that engines 39, 44 and 47 are known to treat differently, and one that all of them read in
    another way than it looks."""
    part, key = found.part, found.scope.name(found.part.name)
    if part.function is not None and part.function[0] in ("sffm", "am"):
        message = f"{part.function[0].upper()} gives different waveforms in different versions of the engine"
        yield _finding(part.line, message, key)
    if part.function is not None and part.function[0] == "pulse" and len(part.function[1]) > 6:
        fall, width = (_is_nought(text) for text in part.function[1][4:6])
        if width and not fall:
            message = "to the engine a width of 0 lasts to the end of the period: this fall is never drawn"
            yield _finding(part.line, f"{message}; write a small width such as 1n", key)
    model = found.scope.circuit.find_model(part.model) if part.model else None
    if model is not None and model.kind.startswith("vdmos") and not {"vto", "kp"} <= set(model.parameters):
        message = "a vdmos model without vto and kp conducts differently in different versions of the engine"
        yield _finding(model.line, message, model.name)
    if part.letter == "a":
        message = "wants code models, which many installations of the engine lack; value={...} does not"
        yield _finding(part.line, message, key)
    base = re.search(r"(?<![\w.])pow\s*\(\s*-", part.value_text, re.IGNORECASE)
    if base:
        yield _finding(part.line, "pow() of a negative number differs between versions of the engine", key)


def _is_nought(text: str) -> bool:
    """Whether a number is written that is 0; of a formula that is not known."""
    return words.is_number(text) and parse_spice(text) == 0.0
