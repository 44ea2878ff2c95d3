# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the parts that a board file gives a role are connected as that role says.

The roles are the part of the intent that speaks about connections. What they say is compared with the
drawing: names of nodes only, never a value. Where boards of this kind may differ (a resistor in series with a
pin, a coupling capacitor, a follower), one part in between is allowed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.board import Board
from harness.findings import Finding
from harness.intent.cores import ChargedCore, IntegratorCore, SnappedCore
from harness.netlist import Netlist
from harness.pins import GROUND, OPEN_COLLECTOR, PIN_WORDS, all_parts, part_of, stage_pins

PASSIVE, ANY = "rcl", "rclqjmxeg"
FARTHEST = 4  # passive parts between the comparator's output and the board's: divider, coupling, cable


@dataclass(frozen=True)
class Connection:
    """A part that should be at a node and is not: ``intended`` and ``drawn`` in words."""

    part: str
    intended: str
    drawn: str


class _Drawing:
    def __init__(self, board: Board, netlist: Netlist) -> None:
        self.board, self.netlist, self.core = board, netlist, board.core
        named = [*vars(board.roles).values(), *(vars(board.core).values() if board.core else ())]
        self.with_role = {name.lower() for name in named if isinstance(name, str)}
        inside = f"{(board.roles.comparator or '').lower()}."
        self.around = [each for each in all_parts(netlist) if not each[0].startswith(inside) or inside == "."]
        self.rails = {end for _, letter, nodes in self.around if letter == "v" for end in nodes[:2]}

    def nodes(self, part: str | None) -> tuple[str, ...]:
        """Nodes of a part in lower case, as seen from the top level; none where there is no such part."""
        found = part_of(self.netlist, part)
        return tuple(node.lower() for node in found.nodes) if found else ()

    def at(self, part: str | None, node: str | None, between: str = "") -> Iterator[Connection]:
        """Finds fault where ``part`` has no pin at ``node``, nor at the other side of one part of the kinds
        ``between`` that has no role itself."""
        ends = self.nodes(part)
        if not ends or not node or part is None:
            return
        wanted = node.lower()
        if wanted in ends or any(self.joined(end, wanted, between) for end in ends):
            return
        yield Connection(part, f"at node {node}", f"at {', '.join(dict.fromkeys(ends))}")

    def joined(self, one: str, other: str, kinds: str) -> bool:
        if not kinds or "0" in (one, other):
            return False
        return any(
            letter in kinds and name not in self.with_role and {one, other} <= set(nodes)
            for name, letter, nodes in self.around
        )

    def near(self, node: str) -> set[str]:
        """A node and those that a chain of a few passive parts without a role joins to it, rails left out."""
        reached, held = {node.lower()}, {*self.rails, GROUND}
        for _ in range(FARTHEST):
            for name, letter, nodes in self.around:
                if letter in PASSIVE and name not in self.with_role and set(nodes) & reached - held:
                    reached |= set(nodes) - held
        return reached

    def leads_to(self, part: str | None, node: str) -> Iterator[Connection]:
        """Finds fault where no pin of ``part`` is near ``node``."""
        ends = self.nodes(part)
        if ends and part is not None and not set(ends) & self.near(node):
            yield Connection(part, f"at node {node}", f"at {', '.join(dict.fromkeys(ends))}")

    def shared(self, one: str | None, other: str | None) -> Iterator[Connection]:
        """Finds fault where two parts have no node but ground in common."""
        mine, theirs = self.nodes(one), self.nodes(other)
        if one and other and mine and theirs and not (set(mine) & set(theirs)) - {"0"}:
            yield Connection(one, f"joined to {other}", f"at {', '.join(dict.fromkeys(mine))}")


def misplaced(board: Board, netlist: Netlist) -> list[Connection]:
    """Parts that are not where their roles say, each once, in the order of the roles."""
    drawing, roles = _Drawing(board, netlist), board.roles
    supply, pins = drawing.nodes(roles.supply), stage_pins(board, netlist)
    found = [
        *_pins(drawing, netlist),
        *drawing.at(roles.comparator, roles.ramp, ANY),
        *drawing.at(roles.comparator, roles.threshold, "r"),
        *drawing.leads_to(roles.comparator, roles.output),
        *drawing.at(roles.comparator, supply[0] if supply else None, "rl"),
        *drawing.at(roles.pullup, pins.output if pins else roles.output, PASSIVE),
        *drawing.at(roles.load_resistor, roles.output, PASSIVE),
        *drawing.at(roles.load_capacitor, roles.output, PASSIVE),
    ]
    core = board.core
    if isinstance(core, ChargedCore):
        found += [
            *drawing.at(core.capacitor, roles.ramp),
            *drawing.at(core.comparator, roles.ramp, ANY),
            *drawing.at(core.comparator, core.trip, "r"),
            *drawing.shared(core.gate_pullup, core.comparator),
            *drawing.shared(core.reset_resistor, core.reset_switch),
            *drawing.shared(core.pulldown_resistor, core.pulldown_switch),
            *_spanning(drawing, core.reset_resistor, core.reset_switch, roles.ramp),
            *_spanning(drawing, core.pulldown_resistor, core.pulldown_switch, core.trip),
        ]
    if isinstance(core, SnappedCore):
        found += [
            *drawing.at(core.switch, core.reference, "r"),
            *drawing.at(core.follower, roles.ramp),
            *drawing.at(core.comparator, roles.ramp, ANY),
            *drawing.at(core.comparator, core.trip, "r"),
            *drawing.shared(core.gate_pullup, core.comparator),
            *drawing.shared(core.hold_resistor, core.hold_capacitor),
        ]
    if isinstance(core, IntegratorCore):
        found += [
            *drawing.at(core.amplifier, roles.ramp, ANY),
            *drawing.at(core.capacitor, roles.ramp, ANY),
            *drawing.shared(core.capacitor, core.amplifier),
            *drawing.shared(core.reset_switch, core.capacitor),
            *drawing.shared(core.reset_resistor, core.reset_switch),
            *_spanning(drawing, core.reset_resistor, core.reset_switch, roles.ramp),
            *drawing.at(core.comparator, core.trip, "r"),
            *drawing.shared(core.gate_pullup, core.comparator),
        ]
    if isinstance(core, ChargedCore | SnappedCore) and core.converter:
        converter = core.converter
        found += [
            *drawing.at(converter.pair, converter.reference_base),
            *drawing.at(converter.pair, converter.output_base),
            *drawing.shared(converter.reference, converter.pair),
            *drawing.shared(converter.amplifier, converter.pair),
        ]
    return list({connection.part: connection for connection in reversed(found)}.values())[::-1]


def comparator_misplaced(board: Board, netlist: Netlist) -> Connection | None:
    """The slicing comparator, where its pins are not where the roles say."""
    return next(_pins(_Drawing(board, netlist), netlist), None)


def without_pullup(board: Board, netlist: Netlist) -> Iterator[Finding]:
    """An open collector that nothing pulls up: no resistor and no other device is at it."""
    roles, pins = board.roles, stage_pins(board, netlist)
    part = part_of(netlist, roles.comparator)
    if pins is None or part is None or roles.comparator_class not in OPEN_COLLECTOR:
        return
    drawing = _Drawing(board, netlist)
    if not any(letter not in "cv" and pins.output in nodes for _, letter, nodes in drawing.around):
        message = (
            f"the output of a {roles.comparator_class}-class comparator only sinks, and nothing pulls"
            f' "{pins.output}" up: expected a resistor to a supply'
        )
        yield Finding(part.line.path, message, part.name, part.line.number)


def _pins(drawing: _Drawing, netlist: Netlist) -> Iterator[Connection]:
    """Finds fault with the comparator's pins by their names in its subcircuit's header: a line with its nodes
    in another order, a model with its pins in another order, or ``ramp_input`` the wrong way round. Headers
    that number their pins say nothing."""
    roles = drawing.board.roles
    part = part_of(netlist, roles.comparator)
    model = netlist.cards.top.find_subcircuit(part.model) if part and part.letter == "x" else None
    if part is None or model is None or roles.comparator is None or len(model.nodes) != len(part.nodes):
        return
    drawn = dict(zip(model.nodes, drawing.nodes(part.name), strict=True))
    names = {pin: [node for node in drawn if node.lower() in words] for pin, words in PIN_WORDS.items()}
    if any(len(names[pin]) != 1 for pin in ("plus", "minus", "output")):
        return
    ramp, other = ("plus", "minus") if roles.ramp_input == "plus" else ("minus", "plus")
    supply = drawing.nodes(roles.supply)
    meant = [(ramp, roles.ramp, ANY), (other, roles.threshold, "r"), ("output", roles.output, PASSIVE)]
    if len(names["supply"]) == 1 and supply:
        meant.append(("supply", supply[0], "rl"))
    wrong = [
        (names[pin][0], node)
        for pin, node, between in meant
        if drawn[names[pin][0]] != node.lower()
        and not drawing.joined(drawn[names[pin][0]], node.lower(), between)
        and not (pin == "output" and drawn[names[pin][0]] in drawing.near(node))
    ]
    if wrong:
        fed = {names["supply"][0]: f" ({roles.supply})"} if len(names["supply"]) == 1 else {}
        yield Connection(
            roles.comparator,
            ", ".join(f"{pin} at {node}{fed.get(pin, '')}" for pin, node in wrong),
            ", ".join(f"{pin} at {drawn[pin]}" for pin, _ in wrong),
        )


def _spanning(
    drawing: _Drawing, resistor: str | None, switch: str | None, node: str | None
) -> Iterator[Connection]:
    """Finds fault where neither a switch nor the resistor in series with it is at the node it pulls down."""
    if node and node.lower() not in drawing.nodes(switch):
        yield from drawing.at(resistor or switch, node)
