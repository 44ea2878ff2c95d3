# SPDX-License-Identifier: GPL-3.0-or-later
"""What feeds a board from outside, told from its sources: supplies, jacks, and what is neither.

A jack is an axis (not the temperature, not a supply) that sets a voltage source whose node leads on through
resistors alone. A source that sits on a node with anything else may as well stand for a stage that is not
drawn: what happens when it is pulled out cannot be known, and that is said in words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.board import Board
from harness.intent.objects import Axis
from harness.netlist import Netlist
from harness.netlist import words as netlist_words
from harness.netlist.parts import Part
from harness.quantities import TEMPERATURE

GROUND = "0"


@dataclass(frozen=True)
class Feeds:
    """Sources of the netlist's top level by their names in it, lower case.

    ``supplies``: rail -> source. ``jacks``: axis -> source. ``others``: further plain voltage sources, such
    as references, and sources of an axis that are no jack. ``currents``: current sources. ``moving``:
    sources that are functions of time, such as one that draws the ramp. ``left_out``: sentences on axes that
    are no jacks.
    """

    supplies: Mapping[str, str]
    jacks: Mapping[str, str]
    others: tuple[str, ...] = ()
    currents: tuple[str, ...] = ()
    moving: tuple[str, ...] = ()
    left_out: tuple[str, ...] = field(default=())


def feeds_of(board: Board, netlist: Netlist) -> Feeds:
    """The sources of a board, sorted by what they are for its user."""
    supplies = {rail: source.lower() for rail, source in board.roles.supplies.items()}
    if board.roles.supply and board.roles.supply.lower() not in supplies.values():
        supplies = {board.roles.supply: board.roles.supply.lower(), **supplies}
    jacks: dict[str, str] = {}
    left_out: list[str] = []
    for rail, named in list(supplies.items()):
        if netlist.parts[named].function is not None:
            left_out.append(f"{netlist.parts[named].name} is a function of time: not taken for a supply")
            del supplies[rail]
    for axis in board.axes.values():
        source = _source_of(netlist, axis)
        if source is None or source in supplies.values():
            continue
        part = netlist.parts[source]
        if part.letter == "i":
            left_out.append(f"{axis.name} sets the current source {part.name}: not taken for a jack")
        elif part.function is not None:
            left_out.append(
                f"{part.name} of the axis {axis.name} is a function of time: not taken for a jack"
            )
        elif (other := _beside_resistors(netlist, part)) is not None:
            left_out.append(
                f"{part.name} of the axis {axis.name} sits on {hot_node(part)} together with {other}, not"
                " behind resistors alone: not taken for a jack"
            )
        else:
            jacks[axis.name] = source
    known = {*supplies.values(), *jacks.values()}
    sources = {
        name: part for name, part in netlist.parts.items() if part.letter in "vi" and name not in known
    }
    return Feeds(
        supplies,
        jacks,
        others=tuple(n for n, part in sources.items() if part.letter == "v" and part.function is None),
        currents=tuple(n for n, part in sources.items() if part.letter == "i" and part.function is None),
        moving=tuple(n for n, part in sources.items() if part.function is not None),
        left_out=tuple(left_out),
    )


def hot_end(part: Part) -> int:
    """The end (0 or 1) of a source that is not at 0 V; the first where neither is."""
    return 1 if part.nodes[0] == GROUND else 0


def hot_node(part: Part) -> str:
    """The node that a source feeds."""
    return part.nodes[hot_end(part)]


def level_of(netlist: Netlist, source: str, settings: Mapping[str, float]) -> float:
    """The voltage (V) that a source puts on its hot node against its other one, under some settings."""
    value = netlist.value(source, settings)
    return value if hot_end(netlist.parts[source]) == 0 else -value


def held_levels(netlist: Netlist, settings: Mapping[str, float]) -> dict[str, float]:
    """Node -> voltage (V) of ground and of every node that a plain source holds against it."""
    levels = {GROUND: 0.0}
    for name, part in netlist.parts.items():
        if part.letter == "v" and part.function is None and GROUND in part.nodes[:2]:
            levels[hot_node(part)] = level_of(netlist, name, settings)
    return levels


def _source_of(netlist: Netlist, axis: Axis) -> str | None:
    """The source (V or I) of the top level that an axis sets, by its name or as the parameter that is its
    whole value; None where it sets something else."""
    if axis.name == TEMPERATURE or not axis.sets:
        return None
    key = axis.sets.lower()
    if key in netlist.parts and key not in netlist.parameters:
        return key if netlist.parts[key].letter in "vi" else None
    users = [
        name
        for name, found in netlist.placed.items()
        if any(key in netlist_words.names_used(text) for text in found.part.texts())
    ]
    further = any(key in netlist_words.names_used(text) for text in netlist.parameters.values())
    if len(users) != 1 or further or users[0] not in netlist.parts:
        return None
    part = netlist.parts[users[0]]
    whole = netlist_words.inner(part.value_text).strip().lower() == key
    return users[0] if part.letter in "vi" and whole else None


def _beside_resistors(netlist: Netlist, source: Part) -> str | None:
    """A part at a source's hot node that is neither the source nor a resistor; None where there is none."""
    node = hot_node(source)
    for name, found in netlist.flat.items():
        if node in found.nodes and name != source.name.lower() and found.part.letter != "r":
            return name.split(".")[0] if "." in name else found.part.name
    return None
