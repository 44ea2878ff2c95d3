# SPDX-License-Identifier: GPL-3.0-or-later
"""The output of a second board, always at the opposite level, to be joined to the output of a board.

A second comparator of the same model sees the same inputs the other way round, through buffers, so that it
loads nothing. A stage that is drawn as a subcircuit is copied as a whole; since it may hold resistors around
its comparator, its ramp is mirrored at the threshold instead, within some tenths of a volt of it. What lies
between the output's pin and the output (pull-up, series parts) is copied, what hangs on the output is not.
"""

from __future__ import annotations

from collections.abc import Mapping

from harness.board import Board
from harness.faults.feeds import GROUND
from harness.faults.surgery import BRIDGE_RESISTANCE, with_words
from harness.netlist import Netlist
from harness.netlist.parts import Part
from harness.pins import named_pins, part_of, stage_pins

TWIN = "ramp_harness_twin"
_NEAR = 0.2  # V from the threshold that a mirrored ramp keeps to, inside the common-mode range where that is


def twin_lines(board: Board, netlist: Netlist) -> list[str]:
    """Lines of the top level that draw the second output and join it.

    Raises ValueError with a sentence where the stage cannot be told.
    """
    drawn, pins = part_of(netlist, board.roles.comparator), stage_pins(board, netlist)
    if drawn is None or pins is None:
        raise ValueError("no second output is joined: [roles] names no comparator whose output can be told")
    ramp, threshold, output = (
        node.lower() for node in (board.roles.ramp, board.roles.threshold, board.roles.output)
    )
    pin = pins.output
    if drawn.name.lower() in netlist.parts:
        lines, seen = _exchanged(netlist, drawn, {ramp, threshold})
    else:
        drawn = netlist.parts[drawn.name.lower().partition(".")[0]]
        pin = pin if pin in drawn.nodes else output
        lines, seen = _mirrored(netlist, drawn, ramp, threshold, pin)
    network, inner = _output_network(board, netlist, pin, {*seen, ramp, threshold})
    fresh = {node: f"{TWIN}_{node}" for node in inner if node != output or node == pin}
    if pin == output:  # a lead of its own, whose current counts as that of either output
        lines.append(f"r{TWIN}_lead {fresh[output]} {output} {BRIDGE_RESISTANCE!r}")
    lines.append(_copied(drawn, seen | fresh))
    return lines + [_copied(part, fresh) for part in network]


def _exchanged(netlist: Netlist, comparator: Part, known: set[str]) -> tuple[list[str], dict[str, str]]:
    """Lines that give a comparator's inputs the other way round, and the node that takes the place of
    each."""
    named = named_pins(netlist, comparator)
    inputs = [named[pin] for pin in ("plus", "minus") if pin in named]
    inputs = inputs or [node for node in comparator.nodes if node in known]
    if len(inputs) != 2:
        raise ValueError(f"no second output is joined: the inputs of {comparator.name} cannot be told")
    instead = {node: f"{TWIN}_input{place}" for place, node in enumerate(inputs, 1)}
    sources = zip(instead.values(), reversed(inputs), strict=True)
    return [f"e{new} {new} 0 {node} 0 1" for new, node in sources], instead


def _mirrored(
    netlist: Netlist, stage: Part, ramp: str, threshold: str, output: str
) -> tuple[list[str], dict[str, str]]:
    """Lines that give a stage its inputs, the ramp mirrored at the threshold, and the node that takes the
    place of each; nodes that nothing else of the top level touches are its own."""
    if ramp not in stage.nodes or output not in stage.nodes or "." in threshold:
        raise ValueError(
            f"no second output is joined: ramp, threshold and output are not all nodes of {stage.name}, which"
            " holds the comparator"
        )
    held = _rails(netlist)
    elsewhere = {node for part in netlist.parts.values() if part is not stage for node in part.nodes}
    lines, instead = [], {}
    for place, node in enumerate(dict.fromkeys(stage.nodes), 1):
        if node in held or node == output:
            continue
        instead[node] = new = f"{TWIN}_input{place}"
        if node == ramp:
            away = f"min(max(v({threshold})-v({ramp}),{-_NEAR!r}),{_NEAR!r})"
            lines.append(f"b{new} {new} 0 V=v({threshold})+{away}")
        elif node in elsewhere:
            lines.append(f"e{new} {new} 0 {node} 0 1")
    return lines, instead


def _rails(netlist: Netlist) -> set[str]:
    """Ground and the nodes of plain voltage sources."""
    parts = netlist.parts.values()
    plain = [part for part in parts if part.letter == "v" and part.function is None]
    return {GROUND} | {node for part in plain for node in part.nodes[:2]}


def _output_network(board: Board, netlist: Netlist, pin: str, stops: set[str]) -> tuple[list[Part], set[str]]:
    """Resistors, capacitors and inductors between a comparator's output pin, the rails and the board's
    output, loads left out; and the nodes among them that are no rail."""
    output = board.roles.output.lower()
    loads = {name.lower() for name in (board.roles.load_resistor, board.roles.load_capacitor) if name}
    links = [part for name, part in netlist.parts.items() if part.letter in "rcl" and name not in loads]
    rails = _rails(netlist)
    inner, waiting = {pin}, [pin]
    while waiting:
        node = waiting.pop()
        if node == output:
            continue
        ends = {end for part in links if node in part.nodes[:2] for end in part.nodes[:2]}
        fresh = ends - rails - stops - inner
        inner |= fresh
        waiting += fresh
    within, driven = inner | rails, inner - ({output} - {pin})
    return [p for p in links if set(p.nodes[:2]) <= within and set(p.nodes[:2]) & driven], inner


def _copied(part: Part, nodes: Mapping[str, str]) -> str:
    """A part's line under another name and, where given, at other nodes."""
    places = {place: nodes[node] for place, node in enumerate(part.nodes) if node in nodes}
    text = with_words(part, places)
    return f"{part.letter}{TWIN}_{part.name.lower()}{text[len(text.split(None, 1)[0]) :]}"
