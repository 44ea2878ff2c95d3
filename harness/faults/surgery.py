# SPDX-License-Identifier: GPL-3.0-or-later
"""A netlist with one fault in it: pins lifted, bridged or swapped, also of a part inside an instance.

Every part keeps its line and its value, so that an axis may still set it. A lifted pin goes to a node of its
own with a leak of :data:`OPEN_RESISTANCE` to 0 V, and so does the node that it leaves where nothing there
conducts any more: no node floats. A bridge is XX"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from harness.netlist import Netlist, rewritten
from harness.netlist.lines import Line
from harness.netlist.parts import Part
from harness.netlist.scopes import Scope, problem_at

OPEN_RESISTANCE = 1e9  # Ohm: surface leakage of a board that is not quite clean; common practice, no source
BRIDGE_RESISTANCE = 0.01  # Ohm: a drop of solder some millimetres long; common practice, no source
BRIDGE = "rramp_harness_bridge"
LEAK = "rramp_harness_open"
_WORD = re.compile(r"[^\s(),]+")
_HEADER = re.compile(r"(\.subckt\s+)\S+", re.IGNORECASE)
#: places of a part's nodes between which and the others no current flows at rest, by its letter
_INSULATED: Mapping[str, tuple[int, ...]] = {
    "c": (0, 1), "i": (0, 1), "m": (1,), "e": (2, 3), "g": (0, 1, 2, 3), "s": (2, 3),
}  # fmt: skip

Rewrite = Callable[[Part], Sequence[str]]


def lifted(netlist: Netlist, name: str, pins: Sequence[int]) -> Netlist:
    """The netlist with one leg of a part connected to nothing but a leak. ``pins``: places of its nodes on
    the part's line, from 0, all of them at one node."""
    left = _left_floating(netlist, name, pins)

    def rewrite(part: Part) -> list[str]:
        fresh = f"{part.name.lower()}_pin{pins[0] + 1}_open"
        leaks = [f"{LEAK} {fresh} 0 {OPEN_RESISTANCE!r}"]
        leaks += [f"{LEAK}_node {part.nodes[pins[0]]} 0 {OPEN_RESISTANCE!r}"] if left else []
        return [with_words(part, dict.fromkeys(pins, fresh)), *leaks]

    return with_part(netlist, name, rewrite)


def _left_floating(netlist: Netlist, name: str, pins: Sequence[int]) -> bool:
    """Whether nothing that conducts at rest is left at the node that a leg is lifted from."""
    lifted_from = netlist.find(name).nodes[pins[0]]
    return lifted_from != "0" and not any(
        node == lifted_from and place not in _INSULATED.get(found.part.letter, ())
        for other, found in netlist.flat.items()
        if other != name.lower()
        for place, node in enumerate(found.nodes)
    )


def bridged(netlist: Netlist, name: str, first: int, second: int) -> Netlist:
    """The netlist with two pins of a part (from 0) joined."""

    def rewrite(part: Part) -> list[str]:
        nodes = part.nodes[first], part.nodes[second]
        return [part.line.text, f"{BRIDGE} {nodes[0]} {nodes[1]} {BRIDGE_RESISTANCE!r}"]

    return with_part(netlist, name, rewrite)


def swapped(netlist: Netlist, name: str, places: Mapping[int, int]) -> Netlist:
    """The netlist with nodes of a part exchanged: ``places`` tells for a pin whose node it gets, from 0."""

    def rewrite(part: Part) -> list[str]:
        return [with_words(part, {pin: part.nodes[other] for pin, other in places.items()})]

    return with_part(netlist, name, rewrite)


def with_words(part: Part, nodes: Mapping[int, str], model: str | None = None) -> str:
    """A part's line with other nodes at some pins (from 0), and an instance with another subcircuit.

    Raises NetlistError where the words of the line are not where they are looked for.
    """
    spans = list(_WORD.finditer(part.line.text))
    wanted = {pin + 1: (part.nodes[pin], new) for pin, new in nodes.items()}
    if model is not None:
        wanted[len(part.nodes) + 1] = part.model, model
    text = part.line.text
    for place in sorted(wanted, reverse=True):
        old, new = wanted[place]
        found = spans[place][0].lower() if place < len(spans) else ""
        if ("0" if found == "gnd" else found) != old:
            raise problem_at(part.line, f'expected "{old}" as word {place + 1}', part.name)
        text = text[: spans[place].start()] + new + text[spans[place].end() :]
    return text


def with_part(netlist: Netlist, name: str, rewrite: Rewrite) -> Netlist:
    """The netlist with the line of one part, ``Rpull`` or ``x1.q3``, replaced by others.

    Raises NetlistError for a part that is not there or a line that cannot be told from others.
    """
    found = netlist.find(name)
    part, scope, replaced = found.part, found.scope, list(rewrite(found.part))
    beside: list[str] = []
    while scope.outer is not None and scope.instance is not None:
        copy = re.sub(r"\W", "_", f"{scope.circuit.name}_{scope.path.lower()}_faulted")
        header, *body, _ = _changed(scope, part, replaced)
        body = [_HEADER.sub(rf"\g<1>{copy}", header), *body, f".ends {copy}"]
        replaced = [with_words(scope.instance, {}, copy)]
        home = scope.circuit.outer
        if home is netlist.cards.top:
            beside += body
        elif home is scope.outer.circuit:
            replaced = [*body, *replaced]
        else:
            message = "stands in a subcircuit that is written elsewhere than where it is used"
            raise problem_at(part.line, message, part.name)
        part, scope = scope.instance, scope.outer
    return rewritten(netlist, [*_changed(scope, part, replaced), *beside])


def with_lines(netlist: Netlist, lines: Sequence[str]) -> Netlist:
    """The netlist with more lines of the top level. Raises NetlistError for lines that are not understood."""
    return rewritten(netlist, [*(line.text for line in netlist.deck()), *lines])


def _changed(scope: Scope, part: Part, instead: Sequence[str]) -> list[str]:
    """Lines of a circuit with one part's line replaced."""
    lines: list[Line] = scope.circuit.lines
    places = [place for place, line in enumerate(lines) if _same(line, part.line)]
    if len(places) != 1:
        raise problem_at(part.line, "cannot be told from another line of its circuit", part.name)
    texts = [line.text for line in lines]
    return [*texts[: places[0]], *instead, *texts[places[0] + 1 :]]


def _same(line: Line, other: Line) -> bool:
    """Whether two lines are one, brackets that were put around values left out of account."""
    return (line.path, line.number, line.keyword) == (other.path, other.number, other.keyword)
