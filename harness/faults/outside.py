# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults that come from outside a board: its jacks, its output, its supplies.

A board's netlist does not say what hangs on it, so each of these is made of what the board file names: a
jack of the source that an axis sets (:mod:`harness.faults.feeds`), the output and the supplies of its roles.
Sources keep their lines and values, so that axes may still set them; they are lifted off their nodes, as in
:mod:`harness.faults.surgery`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.board import Board
from harness.faults.fault import Change, Fault
from harness.faults.feeds import GROUND, Feeds, feeds_of, hot_end, hot_node
from harness.faults.kinds import JACK, JOINED, OUTPUT, SUPPLY
from harness.faults.surgery import BRIDGE, BRIDGE_RESISTANCE, lifted, with_lines
from harness.faults.twin import twin_lines
from harness.netlist import Netlist


@dataclass(frozen=True)
class Outside:
    """Faults from outside, and sentences on what was taken for what and what was left out."""

    faults: tuple[Fault, ...]
    assumed: tuple[str, ...]


def outside_faults(board: Board, netlist: Netlist) -> Outside:
    """Jacks, output and supplies of a board, each at fault in every way that its netlist lets us draw."""
    feeds, assumed = feeds_of(board, netlist), []
    faults = [*_jacks(feeds, netlist), *_shorted(board, feeds, netlist)]
    try:
        faults.append(_joined(twin_lines(board, netlist)))
    except ValueError as error:
        assumed.append(str(error))
    faults += _missing(feeds, netlist)
    return Outside(tuple(faults), (*_assumed(feeds, netlist), *assumed))


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


def _shorted(board: Board, feeds: Feeds, netlist: Netlist) -> Iterator[Fault]:
    output = board.roles.output.lower()
    held = {"0 V": GROUND} | {rail: hot_node(netlist.parts[name]) for rail, name in feeds.supplies.items()}
    for rail, node in held.items():
        text = f"{output} is shorted to {rail}"
        change = _then_bridged(_unchanged, output, node)
        yield Fault(f"output shorted to {rail}", OUTPUT, text, (), change)


def _joined(lines: Sequence[str]) -> Fault:
    text = (
        "the output of a second board like this, always at the opposite level, is plugged into the same point"
    )
    return Fault("outputs joined", JOINED, text, (), lambda drawn: with_lines(drawn, lines))


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
