# SPDX-License-Identifier: GPL-3.0-or-later
"""A netlist as a drawing: parts between nodes, devices as boxes with pins, rails with their voltages.

What an instance is, a box or only a part of the drawing of its own, is told by what its subcircuit holds.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import cached_property

from harness.findings import NetlistError
from harness.netlist import Netlist
from harness.netlist.cards import Circuit
from harness.netlist.scopes import FlatPart
from harness.pins import GROUND
from harness.resources import netlists_folder

#: parts that belong to the inside of a device model
_INSIDE = frozenset("qjmdegbfhasw")
_FEWEST_INSIDE = 3
_NOTHING = 1.0  # Ohm: less between two nodes is no resistor of the drawing, but a source's or a wire's
_CLASSES = (
    ("393", r"(?<!\d)([123]93|[123]39|2903|2901)(?!\d)"),
    ("311", r"(?<!\d)[123]11(?!\d)"),
    ("07x", r"(?<!\d)0[678][x1248](?!\d)"),
    ("push-pull", r"push_?pull"),
    ("rail-to-rail", r"rail_?to_?rail|rrio"),
)
_COMPARATOR = re.compile(r"comp|cmp|slic|(?<!\d)(393|339|2903|2901|[123]11|319|360|361|710|1016|1011)(?!\d)")
_OTHER = re.compile(
    r"switch|pair|4066|4053|4051|4016|555|timer|pot(?![a-z])|trim|fuse|conn|jack|regul|78[lm]?\d\d"
)


@dataclass(frozen=True)
class Device:
    """An instance that is a device: its full name, the name of its model, its nodes pin by pin."""

    name: str
    model: str
    nodes: tuple[str, ...]
    header: tuple[str, ...]
    instance: FlatPart

    @property
    def shown(self) -> str:
        """The name as drawn."""
        return self.instance.scope.name(self.instance.part.name)

    def called_a_comparator(self) -> bool:
        """Whether the model's name says that it is a comparator."""
        return _COMPARATOR.search(self.model) is not None

    def class_(self) -> str | None:
        """The class of comparator or op-amp that the model's name speaks of."""
        return next((name for name, pattern in _CLASSES if re.search(pattern, self.model)), None)


class Drawing:
    """``netlist`` with its devices closed: only pins of them are seen."""

    def __init__(self, netlist: Netlist) -> None:
        self.netlist = netlist
        self.devices: dict[str, Device] = {}
        for name, found in sorted(netlist.placed.items(), key=lambda item: item[0].count(".")):
            if found.part.letter == "x" and not self._inside(name):
                circuit = found.scope.circuit.find_subcircuit(found.part.model)
                if circuit is not None and _is_device(circuit):
                    self.devices[name] = Device(name, found.part.model, found.nodes, circuit.nodes, found)
        self.parts: dict[str, FlatPart] = {
            name: found for name, found in netlist.flat.items() if not self._inside(name)
        }

    def _inside(self, name: str) -> bool:
        return any(name.startswith(f"{device}.") for device in self.devices)

    @cached_property
    def _spellings(self) -> dict[str, str]:
        """Nodes of the top level as written, by lower case."""
        written: dict[str, str] = {}
        for part in self.netlist.parts.values():
            for word in re.split(r"[\s(),]+", part.line.text)[1 : len(part.nodes) + 1]:
                if word.lower() in part.nodes:
                    written.setdefault(word.lower(), word)
        return written

    def node(self, name: str) -> str:
        """A node's name as drawn."""
        return self._spellings.get(name, name)

    def shown(self, name: str) -> str:
        """A part's full name as drawn."""
        found = self.netlist.placed[name]
        return found.scope.name(found.part.name)

    @cached_property
    def comparators(self) -> list[Device]:
        """Devices with the pins of a comparator or op-amp, those called comparators first."""
        found = [
            device
            for device in self.devices.values()
            if 5 <= len(device.nodes) <= 8 and not _OTHER.search(device.model)
        ]
        return sorted(found, key=lambda device: not device.called_a_comparator())

    @cached_property
    def rails(self) -> dict[str, float]:
        """Volts at rest of every node that plain voltage sources tie to ground, as drawn; less than an ohm
        between counts as nothing."""
        levels = {GROUND: 0.0}
        sources = [(found.nodes, 0.0) for name, found in self.parts.items() if self.joins(name)]
        for name, found in self.parts.items():
            if found.part.letter == "v" and found.part.function is None and math.isfinite(self.value(name)):
                sources.append((found.nodes, self.value(name)))
        for _ in sources:
            for (upper, lower), value in sources:
                if lower in levels:
                    levels.setdefault(upper, levels[lower] + value)
                elif upper in levels:
                    levels.setdefault(lower, levels[upper] - value)
        return levels

    def joins(self, name: str) -> bool:
        """Whether a part is a resistor of almost nothing."""
        return self.parts[name].part.letter == "r" and 0.0 < self.value(name) < _NOTHING

    def source_of(self, node: str) -> str | None:
        """The plain voltage source that holds a node, if need be over less than an ohm."""
        near = [node]
        for name, part in self.at(node, "r"):
            near += [other for other in part.nodes if self.joins(name)]
        for here in near:
            for name, part in self.at(here, "v"):
                if part.part.function is None and here != GROUND:
                    return name
        return None

    def value(self, name: str) -> float:
        """The drawn value (SI) of a part, not a number where it has none."""
        try:
            return self.netlist.value(name)
        except NetlistError:
            return math.nan

    def at(self, node: str, letters: Collection[str], ends: int = 2) -> Iterator[tuple[str, FlatPart]]:
        """Parts of some kinds with one of their first ``ends`` pins at a node, as the netlist has them."""
        for name, found in self.parts.items():
            if found.part.letter in letters and node in found.nodes[:ends]:
                yield name, found

    def beyond(self, node: str, letters: Collection[str], most: int = 4) -> dict[str, tuple[str, ...]]:
        """Nodes that hang together with ``node`` over two-pin parts of some kinds, rails not passed through;
        each with the parts on the way, the nearest first."""
        found: dict[str, tuple[str, ...]] = {node: ()}
        waiting = [node]
        while waiting:
            here = waiting.pop(0)
            if len(found[here]) >= most or (here in self.rails and here != node):
                continue
            for name, part in self.at(here, letters):
                other = part.nodes[1] if part.nodes[0] == here else part.nodes[0]
                if other not in found:
                    found[other] = (*found[here], name)
                    waiting.append(other)
        return found


def _is_device(circuit: Circuit) -> bool:
    """Whether a subcircuit is a model of a device: it ships as one, is called one, or holds the insides of
    one. A mere wrapper is what it wraps."""
    if circuit.line is not None and circuit.line.path.is_relative_to((netlists_folder() / "parts").resolve()):
        return True
    own = [part for part in circuit.parts.values() if part.letter in _INSIDE]
    inner = [part for part in circuit.parts.values() if part.letter == "x"]
    if len(own) >= _FEWEST_INSIDE or (_COMPARATOR.search(circuit.name) and len(own) >= 1):
        return True
    if len(circuit.parts) == 1 and len(inner) == 1 and set(inner[0].nodes) <= {*circuit.nodes, GROUND}:
        wrapped = circuit.find_subcircuit(inner[0].model)
        return wrapped is not None and _is_device(wrapped)
    return any(part.letter in "begfh" for part in own) and not inner
