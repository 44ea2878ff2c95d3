# SPDX-License-Identifier: GPL-3.0-or-later
"""The slicing stage seen from its comparator: which node of its line is what, and where its output goes.

Pins are told by their names in the header of the comparator's subcircuit; where a header numbers its pins, by
the nodes that the board file names and those that a source holds. Names of nodes and values of rails as
drawn, nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.intent.objects import Board, Roles
    from harness.netlist import Netlist, Part

GROUND = "0"
#: what the pins of a comparator are called where its subcircuit names them in words
PIN_WORDS: Mapping[str, tuple[str, ...]] = {
    "plus": ("plus", "in+", "inp", "in_p", "inplus", "noninverting"),
    "minus": ("minus", "in-", "inn", "inm", "in_n", "inminus", "inverting"),
    "output": ("output", "out", "vout"),
    "supply": ("supply", "vcc", "vdd", "v+"),
    "negative": ("negative", "vee", "vss", "v-", "ground", "gnd"),
    "emitter": ("emitter", "output_ground"),
}
#: classes whose output only sinks, so that a resistor has to pull it up; the others drive both ways
OPEN_COLLECTOR = ("393", "311")


@dataclass(frozen=True)
class StagePins:
    """Nodes of the comparator's line, lower case. ``reference``: what its output pulls down to. ``supply``:
    None where the board file names no source for it."""

    output: str
    supply: str | None
    negative: str
    reference: str


def drives_both_ways(roles: Roles) -> bool:
    """Whether the comparator's output is driven in its high state, too: by its class, and where the board
    file names none, by whether there is a pull-up."""
    if roles.comparator_class is not None:
        return roles.comparator_class not in OPEN_COLLECTOR
    return bool(roles.comparator) and roles.pullup is None


def part_of(netlist: Netlist, name: str | None) -> Part | None:
    """A part by name, case-blind, with its nodes as seen from the top level (``x1.out``); also one inside an
    instance (``x1.rpull``, ``x1.xslice``). None where there is none."""
    if not name:
        return None
    key = name.lower()
    if key in netlist.parts:
        return netlist.parts[key]
    if key in netlist.flat:
        found = netlist.flat[key]
        return replace(found.part, name=name, nodes=found.nodes)
    for scope in netlist.scopes:
        if scope.path.lower() == key and scope.instance is not None:
            return replace(scope.instance, name=name, nodes=tuple(_nodes_of(netlist, key)))
    return None


def _nodes_of(netlist: Netlist, path: str) -> Sequence[str]:
    """Nodes of the instance ``path`` as seen from the top level."""
    scope = next(scope for scope in netlist.scopes if scope.path.lower() == path)
    return [scope.nodes[node] for node in scope.circuit.nodes if node in scope.nodes]


def all_parts(netlist: Netlist) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """(full name, letter, nodes as seen from the top level) of every part, those inside instances
    included."""
    for name, found in netlist.flat.items():
        yield name, found.part.letter, found.nodes


def named_pins(netlist: Netlist, part: Part) -> dict[str, str]:
    """Pin -> node for the pins that the subcircuit's header names in words of :data:`PIN_WORDS`, each
    once."""
    model = netlist.cards.top.find_subcircuit(part.model) if part.letter == "x" else None
    if model is None or len(model.nodes) != len(part.nodes):
        return {}
    drawn = dict(zip(model.nodes, (node.lower() for node in part.nodes), strict=True))
    found = {}
    for pin, words in PIN_WORDS.items():
        headers = [header for header in drawn if header.lower() in words]
        if len(headers) == 1:
            found[pin] = drawn[headers[0]]
    return found


def amplifier_pins(netlist: Netlist, part: Part) -> dict[str, str]:
    """Pin -> node of an op-amp: by the words of its header, else in the order that most models have, plus
    minus supply negative output, where the drawing bears it out: the third node is held at a higher voltage
    than the fourth, and nothing holds the fifth. Otherwise what the header says, which may be nothing."""
    named = named_pins(netlist, part)
    nodes, level = [node.lower() for node in part.nodes], rail_levels(netlist)
    if named or len(nodes) != 5:
        return named
    plus, minus, supply, negative, output = nodes
    usual = level.get(supply, -math.inf) > level.get(negative, math.inf) and output not in level
    return {"plus": plus, "minus": minus, "output": output} if usual else named


def stage_pins(board: Board, netlist: Netlist) -> StagePins | None:
    """The pins of the board's comparator; None where the board names none, or its output cannot be told."""
    roles = board.roles
    part = part_of(netlist, roles.comparator)
    if part is None:
        return None
    nodes = [node.lower() for node in part.nodes]
    named = named_pins(netlist, part)
    feed = part_of(netlist, roles.supply)
    supply = _supply_node([node.lower() for node in feed.nodes], nodes) if feed else None
    signals = {roles.ramp.lower(), roles.threshold.lower(), supply}
    output = _output_pin(netlist, roles, nodes, signals, named)
    if output is None:
        return None
    rest = [node for node in nodes if node not in signals and node != output]
    negative = named.get("negative") or lowest_rail(netlist, rest)
    reference = (roles.emitter or named.get("emitter") or negative).lower()
    return StagePins(output, supply, negative, reference)


def told_pins(board: Board, netlist: Netlist) -> dict[str, str]:
    """Pin -> node of the board's comparator for the pins that its roles and the sources tell, whatever its
    header calls them; none where its output or its supplies cannot be told."""
    roles, pins, part = board.roles, stage_pins(board, netlist), part_of(netlist, board.roles.comparator)
    nodes = [node.lower() for node in part.nodes] if part else []
    if pins is None or pins.supply not in nodes or pins.negative not in nodes:
        return {}
    plus = roles.ramp_input == "plus"
    found = {
        "plus": roles.ramp.lower() if plus else roles.threshold.lower(),
        "minus": roles.threshold.lower() if plus else roles.ramp.lower(),
        "output": pins.output,
        "supply": str(pins.supply),
        "negative": pins.negative,
        "emitter": pins.reference,
    }
    return {pin: node for pin, node in found.items() if node in nodes}


def _supply_node(nodes: Sequence[str], pins: Sequence[str]) -> str:
    """The node of the supply's source that is a pin of the comparator, or its positive one."""
    return next((node for node in nodes if node in pins and node != GROUND), nodes[0])


def _output_pin(
    netlist: Netlist, roles: Roles, nodes: Sequence[str], signals: set[str | None], named: Mapping[str, str]
) -> str | None:
    wanted = roles.output.lower()
    if wanted in nodes:
        return wanted
    if "output" in named:
        return named["output"]
    pullup = part_of(netlist, roles.pullup)
    near = [node.lower() for node in pullup.nodes] if pullup else []
    free = [node for node in nodes if node not in signals and node != GROUND]
    held = rail_levels(netlist)
    loose = {node for node in free if node not in held}
    return next((node for node in free if node in near), loose.pop() if len(loose) == 1 else None)


def lowest_rail(netlist: Netlist, pins: Sequence[str]) -> str:
    """Of some nodes the one at the lowest voltage as drawn; ground where there is none."""
    level = rail_levels(netlist)
    return min(pins, key=lambda pin: level.get(pin, math.inf), default=GROUND)


def rail_levels(netlist: Netlist) -> dict[str, float]:
    """Voltage as drawn (V) of ground and of every node that a source of a fixed voltage holds."""
    level = {GROUND: 0.0}
    for name, letter, nodes in all_parts(netlist):
        if letter == "v":
            upper, lower = nodes[:2]
            with suppress(KeyError, ValueError):  # a source of time has no value of its own
                if lower == GROUND:
                    level[upper] = netlist.value(name)
                elif upper == GROUND:
                    level[lower] = -netlist.value(name)
    return level
