# SPDX-License-Identifier: GPL-3.0-or-later
"""What kind of core makes a ramp, where the drawing shows it plainly."""

from __future__ import annotations

from dataclasses import dataclass

from harness.intent.cores import KINDS, is_required
from harness.new.drawing import Drawing
from harness.new.pins import Pins, other_input
from harness.new.ramps import RampGuess, contacts_of, control_of, sense_of
from harness.pins import GROUND


@dataclass(frozen=True)
class CoreGuess:
    """``keys`` of ``[core]`` with their reasons, ``kind`` first; ``lacking``: keys that the kind cannot do
    without and that were not found (then the table is only a suggestion)."""

    kind: str
    keys: tuple[tuple[str, str | tuple[str, ...], str], ...]
    lacking: tuple[str, ...] = ()


def core_of(drawing: Drawing, ramp: RampGuess, pins: dict[str, Pins]) -> CoreGuess | None:
    """The core of a ramp; None where nothing of it was recognised."""
    if ramp.source is not None:
        return CoreGuess("ramp source", (("source", drawing.shown(ramp.source), ramp.reason),))
    if ramp.capacitor is None or ramp.switch is None or not ramp.resets:
        return None
    trip = pins[ramp.resets[0]]
    sensed = {ramp.node, *(node for node in drawing.beyond(ramp.node, "r", 1) if node not in drawing.rails)}
    sense = sense_of(trip, sensed)
    node = other_input(trip, sense) if sense else None
    if node is None:
        return None
    found = (
        _integrator(drawing, ramp, trip, node, pins)
        or _snapped(drawing, ramp, trip, node)
        or _charged(drawing, ramp, trip, node)
    )
    return found and _as_described(found)


def _as_described(found: CoreGuess) -> CoreGuess:
    """The guess with the keys that a board file knows, and with those that it wants and nobody could tell."""
    kind = KINDS[found.kind]
    known = {field.name for field in kind.fields()}
    keys = tuple(entry for entry in found.keys if entry[0] in known)
    given = {name for name, _, _ in keys}
    lacking = [field.name for field in kind.fields() if is_required(field) and field.name not in given]
    lacking += [" or ".join(group) for group in kind.one_of if not given & set(group)]
    return CoreGuess(found.kind, keys, tuple(lacking))


def _snapped(drawing: Drawing, ramp: RampGuess, trip: Pins, node: str) -> CoreGuess | None:
    """A switch snaps the capacitor up to a reference; a current sweeps it down to the trip level."""
    joined = set(contacts_of(drawing, str(ramp.switch)))
    ends = set(drawing.parts[ramp.switch_resistor].nodes) if ramp.switch_resistor else {str(ramp.held)}
    references = joined - ends - {GROUND}
    if ramp.node != trip.minus or len(references) != 1:
        return None
    keys: list[tuple[str, str | tuple[str, ...], str]] = [
        ("capacitor", drawing.shown(str(ramp.capacitor)), "swept down by a current"),
        ("reference", drawing.node(references.pop()), "where the switch leads"),
        ("switch", _switch(drawing, ramp), "snaps the capacitor up"),
    ]
    current, _ = _current(drawing, str(ramp.held))
    if current:
        keys.append(("current", drawing.shown(current), "the source whose current reaches the capacitor"))
    if ramp.switch_resistor:
        keys.append(("reset_resistor", drawing.shown(ramp.switch_resistor), "in series with the switch"))
    if ramp.follower:
        keys.append(("follower", drawing.devices[ramp.follower].shown, "shows the capacitor's voltage"))
    keys.append(("comparator", drawing.devices[ramp.resets[0]].shown, "its output works the switch"))
    keys.append(("trip", drawing.node(node), "its other input"))
    pull = _pullup(drawing, trip)
    if pull:
        keys.append(("gate_pullup", drawing.shown(pull), "from its output up to a rail"))
    for control in control_of(drawing, str(ramp.switch)):
        for name, part in drawing.at(control, "rc"):
            if part.part.letter == "r" and trip.output in part.nodes:
                keys.append(("hold_resistor", drawing.shown(name), "holds the switch closed a while"))
            if part.part.letter == "c" and GROUND in part.nodes:
                keys.append(("hold_capacitor", drawing.shown(name), "at the switch's control"))
        if not any(key == "hold_resistor" for key, _, _ in keys) and any(drawing.at(control, "d")):
            beside = [name for name, part in drawing.at(control, "r") if GROUND in part.nodes]
            keys += [("hold_resistor", drawing.shown(name), "empties it again") for name in beside[:1]]
    return CoreGuess("snapped capacitor", tuple(keys))


def _charged(drawing: Drawing, ramp: RampGuess, trip: Pins, node: str) -> CoreGuess | None:
    """A current charges the capacitor up to a trip level; a switch to ground empties it."""
    joined = contacts_of(drawing, str(ramp.switch))
    capacitor = drawing.parts[str(ramp.capacitor)]
    if GROUND not in capacitor.nodes or GROUND not in joined or ramp.node != trip.plus or ramp.follower:
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
    keys.append(("reset_switch", _switch(drawing, ramp), "empties the capacitor"))
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
    return CoreGuess("charged capacitor", tuple(keys))


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
                ("reset_switch", _switch(drawing, ramp), "across the capacitor"),
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


def _switch(drawing: Drawing, ramp: RampGuess) -> str:
    """The name of the reset switch as drawn."""
    name = str(ramp.switch)
    return drawing.devices[name].shown if name in drawing.devices else drawing.shown(name)


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
        ground = drawing.rails.get(trip.negative, 0.0)
        if drawing.rails.get(other, ground) > ground:
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
