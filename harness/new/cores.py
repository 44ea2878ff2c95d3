# SPDX-License-Identifier: GPL-3.0-or-later
"""What kind of core makes a ramp, where the drawing shows it plainly."""

from __future__ import annotations

from dataclasses import dataclass

from harness.new.drawing import Device, Drawing
from harness.new.pins import Pins, other_input
from harness.new.ramps import RampGuess, control_of
from harness.pins import GROUND


@dataclass(frozen=True)
class CoreGuess:
    """``keys`` of ``[core]`` with their reasons, ``kind`` first; ``lacking``: keys that the kind cannot do
    without and that were not found (then the table is only a suggestion)."""

    kind: str
    keys: tuple[tuple[str, str | tuple[str, ...], str], ...]
    lacking: tuple[str, ...] = ()


def core_of(drawing: Drawing, ramp: RampGuess, slicer: Device, pins: dict[str, Pins]) -> CoreGuess | None:
    """The core of a ramp; None where nothing of it was recognised."""
    if ramp.source is not None:
        return CoreGuess("ramp source", (("source", drawing.shown(ramp.source), ramp.reason),))
    if ramp.capacitor is None or ramp.switch is None or not ramp.resets:
        return None
    trip = pins[ramp.resets[0]]
    node = other_input(trip, ramp.node)
    if node is None:
        return None
    return _integrator(drawing, ramp, trip, node, pins) or _charged(drawing, ramp, trip, node)


def _charged(drawing: Drawing, ramp: RampGuess, trip: Pins, node: str) -> CoreGuess | None:
    """A current charges the capacitor up to a trip level; a switch to ground empties it."""
    switch = drawing.parts[str(ramp.switch)]
    capacitor = drawing.parts[str(ramp.capacitor)]
    grounded = GROUND in capacitor.nodes and GROUND in switch.nodes
    if not grounded or ramp.node != trip.plus:
        return None
    keys: list[tuple[str, str | tuple[str, ...], str]] = [
        ("capacitor", drawing.shown(str(ramp.capacitor)), "from the ramp to ground")
    ]
    current, mirror = _current(drawing, ramp.node)
    if current:
        keys.append(("current", drawing.shown(current), "the source whose current reaches the ramp"))
    keys.append(
        ("comparator", drawing.devices[ramp.resets[0]].shown, "its output works the switch at the ramp")
    )
    keys.append(("trip", drawing.node(node), "its other input"))
    pull = _pullup(drawing, trip)
    if pull:
        keys.append(("gate_pullup", drawing.shown(pull), "from its output up to a rail"))
    keys.append(("reset_switch", drawing.shown(str(ramp.switch)), "empties the capacitor"))
    if ramp.switch_resistor:
        keys.append(("reset_resistor", drawing.shown(ramp.switch_resistor), "in series with it"))
    down = _pulldown(drawing, node, ramp)
    if down:
        keys.append(("pulldown_switch", drawing.shown(down[0]), "pulls the trip level down meanwhile"))
        if down[1]:
            keys.append(("pulldown_resistor", drawing.shown(down[1]), "in series with it"))
    if mirror:
        keys.append(
            ("mirror", tuple(drawing.shown(name) for name in mirror), "carry the current to the ramp")
        )
    return CoreGuess("charged capacitor", tuple(keys), () if current else ("current",))


def _integrator(
    drawing: Drawing, ramp: RampGuess, trip: Pins, node: str, pins: dict[str, Pins]
) -> CoreGuess | None:
    """An op-amp with the capacitor between its output and its minus input, and the switch across it."""
    capacitor = drawing.parts[str(ramp.capacitor)]
    for name, told in pins.items():
        if told.output == ramp.node and set(capacitor.nodes[:2]) == {told.output, told.minus}:
            keys: list[tuple[str, str | tuple[str, ...], str]] = [
                (
                    "capacitor",
                    drawing.shown(str(ramp.capacitor)),
                    "from the op-amp's output to its minus input",
                ),
                ("amplifier", drawing.devices[name].shown, "its output is the ramp"),
                ("comparator", drawing.devices[ramp.resets[0]].shown, "its output works the switch"),
                ("trip", drawing.node(node), "its other input"),
                ("reset_switch", drawing.shown(str(ramp.switch)), "across the capacitor"),
            ]
            pull = _pullup(drawing, trip)
            if pull:
                keys.append(("gate_pullup", drawing.shown(pull), "from the comparator's output up to a rail"))
            if ramp.switch_resistor:
                keys.append(
                    ("reset_resistor", drawing.shown(ramp.switch_resistor), "in series with the switch")
                )
            return CoreGuess("integrator", tuple(keys))
    return None


def _current(drawing: Drawing, ramp: str) -> tuple[str | None, tuple[str, ...]]:
    """The current source that reaches the ramp, directly or over transistors, and those transistors."""
    direct = next((name for name, _ in drawing.at(ramp, "i")), None)
    if direct:
        return direct, ()
    nodes, mirror = {ramp}, []
    first = [name for name, part in drawing.at(ramp, "q", 1)]
    waiting = first
    while waiting:
        name = waiting.pop(0)
        mirror.append(name)
        fresh = [
            node for node in drawing.parts[name].nodes[:3] if node not in drawing.rails and node not in nodes
        ]
        nodes.update(fresh)
        for node in fresh:
            waiting += [
                other for other, _ in drawing.at(node, "q", 3) if other not in mirror and other not in waiting
            ]
    source = next((name for node in sorted(nodes) for name, _ in drawing.at(node, "i")), None)
    order = [name for name in drawing.parts if name in mirror]
    return (source, tuple(order)) if source else (None, ())


def _pullup(drawing: Drawing, trip: Pins) -> str | None:
    for name, part in drawing.at(trip.output, "r"):
        other = part.nodes[1] if part.nodes[0] == trip.output else part.nodes[0]
        if drawing.rails.get(other, 0.0) > drawing.rails.get(trip.negative, 0.0):
            return name
    return None


def _pulldown(drawing: Drawing, trip: str, ramp: RampGuess) -> tuple[str, str | None] | None:
    """A switch at the trip level, directly or behind a resistor, worked by the node that works the reset."""
    gates = set(control_of(drawing, str(ramp.switch))) - {GROUND}
    ways: list[tuple[str, str | None]] = [(trip, None)]
    for name, part in drawing.at(trip, "r"):
        ways.append((part.nodes[1] if part.nodes[0] == trip else part.nodes[0], name))
    for node, resistor in ways:
        for name, _ in drawing.at(node, "mqjs", 1):
            if name != ramp.switch and set(control_of(drawing, name)) & gates and node not in (GROUND,):
                return name, resistor
    return None
