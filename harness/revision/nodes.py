# SPDX-License-Identifier: GPL-3.0-or-later
"""Which node of a drawing is which node of another one, whatever their names."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.revision.drawn import DrawnPart

Drawing = Mapping[str, DrawnPart]


@dataclass(frozen=True)
class Nodes:
    """``names``: node before -> node after, of each circuit its own ones. ``ports``: by instance the nodes at
    its pins, before and after: what lies inside is connected to them as the instance is, so that an instance
    with two pins exchanged is one part that changed."""

    names: Mapping[str, str]
    ports: Mapping[str, frozenset[tuple[str, str]]]

    def same(self, name: str, before: Sequence[str], after: Sequence[str]) -> bool:
        """Whether a part, by its name in lower case, is connected before as it is after."""
        around = name.rpartition(".")[0]
        return len(before) == len(after) and all(
            self._is(around, old, new) for old, new in zip(before, after, strict=True)
        )

    def _is(self, around: str, old: str, new: str) -> bool:
        ports = self.ports.get(around, frozenset())
        if any(old == port for port, _ in ports):
            return (old, new) in ports
        return self.names.get(old, old) == new


def nodes_of(before: Drawing, after: Drawing) -> Nodes:
    """The nodes of two drawings by where the pins of common parts went: a drawing program numbers nodes anew
    when a part is added, and a pin that went elsewhere than most pins of its node was moved. A part that may
    be turned also speaks, more quietly, for its ends exchanged. Of a circuit's nodes only its own parts
    speak: an instance counts once, however much lies inside."""
    went: dict[str, Counter[str]] = defaultdict(Counter)
    ports: dict[str, frozenset[tuple[str, str]]] = {}
    for name, part in before.items():
        other = after.get(name)
        if other is None or len(other.nodes) != len(part.nodes):
            continue
        around, _, own = name.rpartition(".")
        if own.startswith("x"):
            ports[name] = frozenset(zip(part.nodes, other.nodes, strict=True))
        weights = [(other.nodes, 2), *([(other.nodes[::-1], 1)] if may_be_turned(part) else [])]
        for nodes, weight in weights:
            for old, new in zip(part.nodes, nodes, strict=True):
                if not around or old.startswith(f"{around}."):
                    went[old][new] += weight
    names = {
        old: old if old == "0" else max(counts, key=lambda new: (counts[new], new == old, new))
        for old, counts in went.items()
    }
    return Nodes(names, ports)


def may_be_turned(part: DrawnPart) -> bool:
    """Whether a part is the same with its ends exchanged, as a drawing program exports one that was turned:
    a resistor, or a capacitor that begins without a charge of its own."""
    letter = part.name.rpartition(".")[2][:1].lower()
    return letter == "r" or (letter == "c" and "ic" not in part.parameters)
