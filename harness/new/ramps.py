# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a ramp may be in a drawing: at a PULSE source with a slow edge, or at a capacitor that a switch
empties."""

from __future__ import annotations

from dataclasses import dataclass

from harness.findings import NetlistError
from harness.new.drawing import Drawing
from harness.new.pins import Pins, other_input
from harness.pins import GROUND

_SLOW = 0.5  # of the period: an edge from here on is a ramp
SWITCHES = "mqjsw"


@dataclass(frozen=True)
class RampGuess:
    """``node`` of the ramp, and why. ``source``: the PULSE source that draws it, between ``low`` and
    ``high`` (V). ``capacitor`` and ``resets``: the capacitor that a switch empties, and the comparators (full
    names) whose outputs reach the switch."""

    node: str
    reason: str
    source: str | None = None
    low: float = 0.0
    high: float = 0.0
    capacitor: str | None = None
    switch: str | None = None
    switch_resistor: str | None = None
    resets: tuple[str, ...] = ()


def ramps_of(drawing: Drawing, pins: dict[str, Pins]) -> list[RampGuess]:
    """Candidates, the likeliest first."""
    inputs = {node for told in pins.values() for node in (told.plus, told.minus)}
    found = [*_capacitors(drawing, pins), *_sources(drawing)]
    return sorted(found, key=lambda ramp: (ramp.node not in inputs, not ramp.resets and ramp.source is None))


def _sources(drawing: Drawing) -> list[RampGuess]:
    found = []
    for name, part in drawing.parts.items():
        if part.part.letter != "v" or part.part.function is None or part.part.function[0] != "pulse":
            continue
        try:
            function = drawing.netlist.source_function(name)
        except NetlistError:
            continue
        if function is None or len(function[1]) < 7:
            continue
        low, high, _, rise, fall, _, period = function[1][:7]
        node = part.nodes[0] if part.nodes[0] != GROUND else part.nodes[1]
        if period > 0 and max(rise, fall) >= _SLOW * period and low != high:
            way = "rises" if rise >= fall else "falls"
            share = max(rise, fall) / period
            reason = f"{drawing.shown(name)} draws it: a PULSE that {way} for {share:.3g} of its period"
            found.append(RampGuess(node, reason, name, min(low, high), max(low, high)))
    return found


def _capacitors(drawing: Drawing, pins: dict[str, Pins]) -> list[RampGuess]:
    found = []
    for name, part in drawing.parts.items():
        if part.part.letter != "c":
            continue
        for node in part.nodes[:2]:
            if node == GROUND or node in drawing.rails:
                continue
            if not any(other_input(told, node) is not None for told in pins.values()):
                continue
            for switch, resistor in _switches_at(drawing, node):
                resets = _driving(drawing, pins, switch, node)
                if resets:
                    reason = (
                        f"{drawing.shown(name)} is charged there and {drawing.shown(switch)} empties it, "
                        f"driven by {', '.join(drawing.devices[each].shown for each in resets)}"
                    )
                    found.append(
                        RampGuess(
                            node,
                            reason,
                            capacitor=name,
                            switch=switch,
                            switch_resistor=resistor,
                            resets=resets,
                        )
                    )
    return found


def _switches_at(drawing: Drawing, node: str) -> list[tuple[str, str | None]]:
    """Switches with a contact at a node, directly or behind one resistor."""
    found: list[tuple[str, str | None]] = [(name, None) for name, part in _contacts(drawing, node)]
    for resistor, part in drawing.at(node, "r"):
        beyond = part.nodes[1] if part.nodes[0] == node else part.nodes[0]
        if beyond != GROUND and beyond not in drawing.rails:
            found += [(name, resistor) for name, _ in _contacts(drawing, beyond)]
    return found


def _contacts(drawing: Drawing, node: str) -> list[tuple[str, tuple[str, ...]]]:
    return [
        (name, part.nodes)
        for name, part in drawing.at(node, SWITCHES, 3)
        if node in (part.nodes[0], part.nodes[1] if part.part.letter in "sw" else part.nodes[2])
    ]


def control_of(drawing: Drawing, switch: str) -> tuple[str, ...]:
    """The nodes that work a switch: a gate or base, the control nodes of a switch."""
    part = drawing.parts[switch]
    if part.part.letter == "s":
        return part.nodes[2:4]
    return part.nodes[1:2] if part.part.letter in "mqj" else ()


def _driving(drawing: Drawing, pins: dict[str, Pins], switch: str, ramp: str) -> tuple[str, ...]:
    """Comparators with the ramp at an input whose output reaches the switch over resistors, capacitors and
    diodes. A switch that the ramp itself works is its own comparator and is no answer here."""
    reach: set[str] = set()
    for node in control_of(drawing, switch):
        if node != GROUND and node not in drawing.rails:
            reach |= {
                near for near in drawing.beyond(node, "rcd", 3) if near not in drawing.rails and near != ramp
            }
    return tuple(
        name for name, told in pins.items() if told.output in reach and other_input(told, ramp) is not None
    )
