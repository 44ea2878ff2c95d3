# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults that come from outside a board: its jacks, its output, its supplies.

A board's netlist does not say what hangs on it, so each of these is made of what the board file names: a
jack of the source that an axis sets (:mod:`harness.faults.feeds`), the output and the supplies of its roles.
Sources keep their lines and values, so that axes may still set them; they are lifted off their nodes, as in
:mod:`harness.faults.surgery`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from harness.board import Board
from harness.faults.fault import Change, Fault
from harness.faults.feeds import GROUND, Feeds, feeds_of, hot_end, hot_node
from harness.faults.kinds import JACK, JOINED, OUTPUT, SUPPLY
from harness.faults.surgery import BRIDGE, BRIDGE_RESISTANCE, lifted, with_lines, with_words
from harness.netlist import Netlist
from harness.netlist.parts import Part
from harness.pins import named_pins, part_of, stage_pins

TWIN = "ramp_harness_twin"


@dataclass(frozen=True)
class Outside:
    """Faults from outside, and sentences on what was taken for what and what was left out."""

    faults: tuple[Fault, ...]
    assumed: tuple[str, ...]


def outside_faults(board: Board, netlist: Netlist) -> Outside:
    """Jacks, output and supplies of a board, each at fault in every way that its netlist lets us draw."""
    feeds = feeds_of(board, netlist)
    faults = [*_jacks(feeds, netlist), *_output(board, feeds, netlist), *_missing(feeds, netlist)]
    return Outside(tuple(faults), tuple(_assumed(feeds, netlist)))


def _assumed(feeds: Feeds, netlist: Netlist) -> Iterator[str]:
    for axis, source in feeds.jacks.items():
        part = netlist.parts[source]
        yield f"{part.name} (axis {axis}) is taken for a jack at the node {hot_node(part)}"
    if not feeds.jacks:
        yield "no jack: no axis sets a voltage source that feeds the board through a resistor"
    yield from feeds.left_out
    if not feeds.supplies:
        yield "no supply is named in [roles]: none can be missing"
    others = [netlist.parts[name].name for name in (*feeds.others, *feeds.currents, *feeds.moving)]
    if others and feeds.supplies:
        yield f"while a supply is missing these sources stay as drawn: {', '.join(others)}"


def _jacks(feeds: Feeds, netlist: Netlist) -> Iterator[Fault]:
    for axis, source in feeds.jacks.items():
        part = netlist.parts[source]
        name, node, pin = part.name, hot_node(part), hot_end(part)
        parts = (name,)
        unplugged = _lifting(source, pin)
        yield Fault(
            f"{axis} unplugged", JACK, f"nothing is plugged in at {node}", parts, unplugged, steers=True
        )
        text = f"{node} is at 0 V, as while a plug goes in and its tip touches the sleeve"
        to_ground = _then_bridged(unplugged, node, GROUND)
        yield Fault(f"{axis} at 0 V", JACK, text, parts, to_ground, steers=True)
        for rail, supply in feeds.supplies.items():
            held = hot_node(netlist.parts[supply])
            text = f"what is plugged in at {node} is stuck at the supply {rail}"
            to_rail = _then_bridged(unplugged, node, held)
            yield Fault(f"{axis} stuck at {rail}", JACK, text, parts, to_rail, steers=True)


def _output(board: Board, feeds: Feeds, netlist: Netlist) -> Iterator[Fault]:
    output = board.roles.output.lower()
    held = {"0 V": GROUND} | {rail: hot_node(netlist.parts[name]) for rail, name in feeds.supplies.items()}
    for rail, node in held.items():
        text = f"{output} is shorted to {rail}"
        change = _then_bridged(_unchanged, output, node)
        yield Fault(f"output shorted to {rail}", OUTPUT, text, (), change)
    text = (
        "the output of a second board like this, always at the opposite level, is plugged into the same point"
    )
    try:
        lines = twin_lines(board, netlist)
    except ValueError as error:
        yield Fault("outputs joined", JOINED, text, (), _unchanged, str(error))
    else:
        yield Fault("outputs joined", JOINED, text, (), lambda drawn: with_lines(drawn, lines))


def _missing(feeds: Feeds, netlist: Netlist) -> Iterator[Fault]:
    for rail, source in feeds.supplies.items():
        part = netlist.parts[source]
        pin = hot_end(part)
        away = _lifting(source, pin)
        text = f"{part.name} gives nothing and its node is held at 0 V, as by a supply that is switched off"
        down = _then_bridged(away, part.nodes[pin], part.nodes[1 - pin])
        yield Fault(f"{rail} at 0 V", SUPPLY, text, (part.name,), down)
        text = f"{part.name} is not connected, so that its node may be fed through the board"
        yield Fault(f"{rail} not connected", SUPPLY, text, (part.name,), away)


def _unchanged(netlist: Netlist) -> Netlist:
    return netlist


def _lifting(source: str, pin: int) -> Change:
    return lambda drawn: lifted(drawn, source, (pin,))


def _then_bridged(before: Change, first: str, second: str) -> Change:
    line = f"{BRIDGE} {first} {second} {BRIDGE_RESISTANCE!r}"
    return lambda drawn: with_lines(before(drawn), [line])


def twin_lines(board: Board, netlist: Netlist) -> list[str]:
    """Lines that join the output of a second board to this one's, always at the opposite level.

    A second comparator of the same model sees the same inputs the other way round, through buffers, so that
    it loads nothing; its output network (pull-up, series parts) is copied, what hangs on the output is not.
    Raises ValueError with a sentence where the stage cannot be told.
    """
    drawn = part_of(netlist, board.roles.comparator)
    pins = stage_pins(board, netlist)
    if drawn is None or pins is None:
        raise ValueError("no comparator is named in [roles], so a second output cannot be drawn")
    if drawn.name.lower() not in netlist.parts:
        raise ValueError(f"{drawn.name} lies inside a subcircuit: a second output is not drawn beside it")
    seen = {board.roles.ramp.lower(), board.roles.threshold.lower()}
    named = named_pins(netlist, drawn)
    inputs = [named[pin] for pin in ("plus", "minus") if pin in named] or [
        n for n in drawn.nodes if n in seen
    ]
    if len(inputs) != 2:
        raise ValueError(f"the inputs of {drawn.name} cannot be told from its line")
    network, inner = _output_network(board, netlist, pins.output, {*inputs, *seen})
    output = board.roles.output.lower()
    fresh = {node: f"{TWIN}_{node}" for node in inner if node != output or node == pins.output}
    lines = []
    if pins.output == output:  # a lead of its own, whose current counts as that of either output
        lines.append(f"r{TWIN}_lead {fresh[output]} {output} {BRIDGE_RESISTANCE!r}")
    swapped: dict[str, str] = {}
    for place, (node, opposite) in enumerate(zip(inputs, reversed(inputs), strict=True)):
        swapped[node] = f"{TWIN}_input{place + 1}"
        lines.append(f"e{TWIN}{place + 1} {swapped[node]} 0 {opposite} 0 1")
    lines.append(_copied(drawn, swapped | fresh))
    return lines + [_copied(part, fresh) for part in network]


def _output_network(board: Board, netlist: Netlist, pin: str, stops: set[str]) -> tuple[list[Part], set[str]]:
    """Resistors, capacitors and inductors between a comparator's output pin, the rails and the board's
    output, loads left out; and the nodes among them that are no rail."""
    output = board.roles.output.lower()
    loads = {name.lower() for name in (board.roles.load_resistor, board.roles.load_capacitor) if name}
    rails = {node for part in netlist.parts.values() if part.letter == "v" for node in part.nodes[:2]} | {
        GROUND
    }
    links = [part for name, part in netlist.parts.items() if part.letter in "rcl" and name not in loads]
    inner, waiting = {pin}, [pin]
    while waiting:
        node = waiting.pop()
        if node == output:
            continue
        ends = {end for part in links if node in part.nodes[:2] for end in part.nodes[:2]}
        fresh = ends - rails - stops - inner
        inner |= fresh
        waiting += fresh
    allowed = inner | rails
    found = [
        part
        for part in links
        if set(part.nodes[:2]) <= allowed and set(part.nodes[:2]) & (inner - ({output} - {pin}))
    ]
    return found, inner


def _copied(part: Part, nodes: Mapping[str, str]) -> str:
    """A part's line under another name and, where given, at other nodes."""
    places = {place: nodes[node] for place, node in enumerate(part.nodes) if node in nodes}
    text = with_words(part, places)
    return f"{part.letter}{TWIN}_{part.name.lower()}{text[len(text.split(None, 1)[0]) :]}"
