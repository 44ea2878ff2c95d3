# SPDX-License-Identifier: GPL-3.0-or-later
"""The faults of the parts of a board: pins open, pins joined, pins exchanged.

Parts are those of the netlist and of the designer's own subcircuits; what makes up the model of a device is
no part. A netlist does not know which pins of a package lie beside each other: pins count as adjacent in
the order of the model's header.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

from harness.faults.fault import Fault
from harness.faults.kinds import BRIDGED, OPEN, SHORTED, SWAPPED
from harness.faults.surgery import bridged, lifted, swapped
from harness.pins import GROUND, PIN_WORDS
from harness.report.rounding import count as number_of
from harness.resources import netlists_folder
from harness.sheets import models

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist
    from harness.netlist.cards import Circuit
    from harness.netlist.scopes import FlatPart

#: legs of a part by its letter, each with the places of its nodes
_LEGS: Mapping[str, tuple[str, ...]] = {
    "r": ("first end", "second end"),
    "c": ("first end", "second end"),
    "l": ("first end", "second end"),
    "d": ("anode", "cathode"),
    "q": ("collector", "base", "emitter"),
    "j": ("drain", "gate", "source"),
    "z": ("drain", "gate", "source"),
    "m": ("drain", "gate", "source"),
}
_PASSIVE = ("r", "c", "l")
_SOURCES = ("v", "i")
_BEHAVIOUR = frozenset("befghaswou")  # what a macromodel is made of, and a drawing of parts is not
PIN_ORDER = (
    "pins count as adjacent in the order of the model's header: which of them lie side by side on a package"
    " is not in a netlist"
)
THREE = 3  # legs up to which every two of a device are joined and exchanged


@dataclass(frozen=True)
class Leg:
    """One leg of a part: its name, and the places (from 0) of its nodes on the part's line."""

    name: str
    places: tuple[int, ...]


@dataclass(frozen=True)
class PartFaults:
    """Faults of the parts of a board, and in words what was left out."""

    faults: tuple[Fault, ...]
    left_out: tuple[str, ...]


def part_faults(board: Board, netlist: Netlist) -> PartFaults:
    """Every fault of every part, in the order of the netlist."""
    found: list[Fault] = []
    skipped: dict[str, list[str]] = {}
    held = held_nodes(netlist)
    for name, placed in parts_of(board, netlist):
        label = label_of(name, placed)
        if placed.part.letter in _SOURCES:
            skipped.setdefault("sources, which stand for what feeds the board", []).append(label)
        elif not (legs := legs_of(netlist, placed)):
            skipped.setdefault("parts of which a netlist does not tell the pins", []).append(label)
        else:
            found += _faults(name, label, placed, legs, held)
    left_out = [
        f"left out: {why} ({number_of(len(names), 'part')}: {', '.join(names)})"
        for why, names in skipped.items()
    ]
    return PartFaults(tuple(found), (*left_out, PIN_ORDER))


def parts_of(board: Board, netlist: Netlist) -> Iterator[tuple[str, FlatPart]]:
    """The parts of a board by their full names: those of its own subcircuits, not those inside devices."""
    inside: list[str] = []
    for name, placed in netlist.placed.items():
        if any(name.startswith(f"{path}.") for path in inside):
            continue
        if placed.part.letter != "x":
            yield name, placed
        elif is_device(board, netlist, name, placed):
            inside.append(name)
            yield name, placed


def is_device(board: Board, netlist: Netlist, name: str, placed: FlatPart) -> bool:
    """Whether an instance stands for one device: by its role, by its sheet, since its model ships with this
    package, or since its subcircuit holds models and functions, as macromodels do."""
    circuit = placed.scope.circuit.find_subcircuit(placed.part.model)
    if circuit is None or placed.part.model in models() or name in _roles(board):
        return True
    if circuit.line is not None and circuit.line.path.is_relative_to(netlists_folder() / "parts"):
        return True
    return any(inner.models or _behaves(inner) for inner in circuit.all_circuits())


def _behaves(circuit: Circuit) -> bool:
    return any(part.letter in _BEHAVIOUR for part in circuit.parts.values())


def _roles(board: Board) -> set[str]:
    names = [board.roles.comparator, *board.roles.amplifiers]
    if board.core is not None:
        names += [name for _, name in board.core.part_names()]
    return {name.lower() for name in names if name}


def legs_of(netlist: Netlist, placed: FlatPart) -> list[Leg]:
    """The legs of a part: one that ends at two of its nodes, as bulk and source of a transistor with three
    legs do, counts once. Empty for a part that is not told by legs."""
    part = placed.part
    if part.letter == "x":
        circuit = placed.scope.circuit.find_subcircuit(part.model)
        pins = enumerate(circuit.nodes) if circuit else ()
        return [Leg(f"pin {node}" if node.isdigit() else node, (place,)) for place, node in pins]
    names = _LEGS.get(part.letter, ())
    legs = [Leg(name, (place,)) for place, name in enumerate(names)]
    if part.letter == "m" and len(part.nodes) > THREE and part.nodes[3] == part.nodes[2]:
        legs[2] = Leg("source", (2, 3))
    return legs


def held_nodes(netlist: Netlist) -> frozenset[str]:
    """Ground and the nodes that voltage sources alone hold against it."""
    held, links = {GROUND}, [p.nodes[:2] for p in netlist.flat.values() if p.part.letter == "v"]
    while more := {node for pair in links if held & set(pair) for node in pair} - held:
        held |= more
    return frozenset(held)


def label_of(name: str, placed: FlatPart) -> str:
    """A part's name as the designer writes it, inside an instance with the path."""
    path, dot, _ = name.rpartition(".")
    return f"{path}{dot}{placed.part.name}"


def _faults(
    name: str, label: str, placed: FlatPart, legs: Sequence[Leg], held: frozenset[str]
) -> Iterator[Fault]:
    """Faults of one part."""
    two = placed.part.letter in (*_PASSIVE, "d")
    if two:
        yield Fault(f"{label} open", OPEN, f"{label} is missing, or one end is not soldered", (label,),
                    partial(lifted, name=name, pins=legs[0].places))  # fmt: skip
        yield _joined(name, label, placed, legs[0], legs[1], held, SHORTED)
        if placed.part.letter == "d":
            yield _exchanged(name, label, placed, legs[0], legs[1])
        return
    for leg in legs:
        yield Fault(f"{label} {leg.name} open", OPEN, f"the {leg.name} of {label} is not soldered", (label,),
                    partial(lifted, name=name, pins=leg.places))  # fmt: skip
    every = list(combinations(legs, 2))
    for first, second in every if len(legs) <= THREE else pairwise(legs):
        if not _same(placed, first, second):
            yield _joined(name, label, placed, first, second, held, BRIDGED)
    for first, second in every if len(legs) <= THREE else _inputs(legs):
        if not _same(placed, first, second):
            yield _exchanged(name, label, placed, first, second)


def _same(placed: FlatPart, first: Leg, second: Leg) -> bool:
    return placed.nodes[first.places[0]] == placed.nodes[second.places[0]]


def _inputs(legs: Sequence[Leg]) -> list[tuple[Leg, Leg]]:
    """The two inputs of an amplifier or comparator: by the words of the header, else its first two pins."""
    named = [leg for word in ("plus", "minus") for leg in legs if leg.name.lower() in PIN_WORDS[word]]
    if len(named) == 2:
        return [(named[0], named[1])]
    return [] if len(legs) > 2 * THREE - 1 else [(legs[0], legs[1])]


def _joined(
    name: str, label: str, placed: FlatPart, first: Leg, second: Leg, held: frozenset[str], kind: str
) -> Fault:
    ends = placed.nodes[first.places[0]], placed.nodes[second.places[0]]
    why = ""
    if ends[0] == ends[1]:
        why = "both ends are one node"
    elif set(ends) <= held:
        why = (
            f"it joins {ends[0]} and {ends[1]}, which sources hold: what flows then is up to what feeds the"
            " board, which is not drawn"
        )
    if kind == SHORTED:
        title, text = f"{label} shorted", f"a bridge across {label}"
    else:
        title = f"{label} {first.name} to {second.name}"
        text = f"a bridge from {first.name} to {second.name} of {label}"
    change = partial(bridged, name=name, first=first.places[0], second=second.places[0])
    return Fault(title, kind, text, (label,), change, why)


def _exchanged(name: str, label: str, placed: FlatPart, first: Leg, second: Leg) -> Fault:
    places = {place: second.places[0] for place in first.places}
    places |= {place: first.places[0] for place in second.places}
    reversed_ = placed.part.letter == "d"
    title = f"{label} reversed" if reversed_ else f"{label} {first.name} and {second.name} swapped"
    text = f"{first.name} and {second.name} of {label} are exchanged"
    return Fault(title, SWAPPED, text, (label,), partial(swapped, name=name, places=places))
