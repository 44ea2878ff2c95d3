# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a ramp may be in a drawing: at a PULSE source with a slow edge, or at a capacitor that a switch
empties, which a comparator works, a source, or the ramp itself."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, replace

from harness.findings import NetlistError
from harness.new.drawing import Drawing
from harness.new.pins import Pins, other_input
from harness.pins import GROUND

_INSTANT = 1e-9  # of the period: what is left of a difference of times
_SLOW = 0.5  # of the period: an edge from here on is a ramp
SWITCHES = "mqjsw"
_SWITCH_MODEL = r"switch|4066|4016|4053"


@dataclass(frozen=True)
class RampGuess:
    """``node`` of the ramp, and why. ``source``: the PULSE source that draws it, between ``low`` and
    ``high`` (V) in ``moving`` seconds of each ``period``, resting for the times ``at_low`` and ``at_high``
    (s). ``capacitor`` and ``resets``: the capacitor that a switch empties, and the comparators (full
    names) whose outputs reach the switch; ``held``: the capacitor's node, which a ``follower`` may show."""

    node: str
    reason: str
    source: str | None = None
    low: float = 0.0
    high: float = 0.0
    period: float = 0.0
    moving: float = 0.0
    at_low: float = 0.0
    at_high: float = 0.0
    capacitor: str | None = None
    switch: str | None = None
    switch_resistor: str | None = None
    resets: tuple[str, ...] = ()
    held: str | None = None
    follower: str | None = None


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
        low, high, _, rise, fall, width, period = function[1][:7]
        node = part.nodes[0] if part.nodes[0] != GROUND else part.nodes[1]
        if period > 0 and max(rise, fall) >= _SLOW * period and low != high:
            way = "rises" if rise >= fall else "falls"
            share = max(rise, fall) / period
            reason = f"{drawing.shown(name)} draws it: a PULSE that {way} for {share:.3g} of its period"
            left = period - rise - fall - width
            rests = [0.0 if each < _INSTANT * period else each for each in (left, width)]
            at_low, at_high = rests if low < high else rests[::-1]
            found.append(RampGuess(
                node, reason, name, min(low, high), max(low, high), period, rise + fall, at_low, at_high,
            ))  # fmt: skip
    return found


def _capacitors(drawing: Drawing, pins: dict[str, Pins]) -> list[RampGuess]:
    return [
        ramp
        for name, part in drawing.parts.items()
        if part.part.letter == "c"
        for held in part.nodes[:2]
        if held != GROUND and held not in drawing.rails
        for node, follower in _ramps_of_capacitor(pins, part.nodes, held)
        for switch, resistor in _switches_at(drawing, held)
        if (ramp := _emptied(drawing, pins, RampGuess(
            node, "", capacitor=name, switch=switch, switch_resistor=resistor, held=held, follower=follower,
        ))) is not None
    ]  # fmt: skip


def _emptied(drawing: Drawing, pins: dict[str, Pins], ramp: RampGuess) -> RampGuess | None:
    """The guess with the comparators that work its switch, or without any where a source or the ramp itself
    does; None where nothing is known to."""
    resets = _driving(drawing, pins, str(ramp.switch), ramp.node)
    by = "driven by " + ", ".join(drawing.devices[name].shown for name in resets)
    if not resets:
        worked = _worked_otherwise(drawing, str(ramp.switch), str(ramp.held))
        if worked is None:
            return None
        by = worked
    behind = f"; {drawing.devices[ramp.follower].shown} follows it" if ramp.follower else ""
    switch = drawing.shown(str(ramp.switch))
    reason = f"{drawing.shown(str(ramp.capacitor))} is charged and {switch} empties it, {by}{behind}"
    return replace(ramp, reason=reason, resets=resets)


def _worked_otherwise(drawing: Drawing, switch: str, held: str) -> str | None:
    """What works a switch where no comparator does: the capacitor's own voltage, or a source of pulses."""
    controls = control_of(drawing, switch)
    if (
        drawing.parts.get(switch) is not None
        and drawing.parts[switch].part.letter == "s"
        and held in controls
    ):
        return "worked by the voltage on it"
    for control in controls:
        for node in drawing.beyond(control, "rcd", 2):
            for name, part in drawing.at(node, "v"):
                if part.part.function is not None and part.part.function[0] == "pulse":
                    return f"driven by {drawing.shown(name)}"
    return None


def is_follower(told: Pins) -> bool:
    """Whether an op-amp's output is tied to its minus input, so that it compares nothing."""
    return told.output in (told.plus, told.minus)


def _ramps_of_capacitor(
    pins: dict[str, Pins], nodes: tuple[str, ...], held: str
) -> list[tuple[str, str | None]]:
    """Nodes that a capacitor's end may show as a ramp: its own, where a comparator or an op-amp that
    integrates has it, and the output of a follower; each with the follower."""
    found: list[tuple[str, str | None]] = []
    own = any(other_input(told, held) is not None for told in pins.values() if not is_follower(told))
    integrated = any(told.output == held and told.minus in nodes for told in pins.values())
    if own or integrated:
        found.append((held, None))
    found += [(told.output, name) for name, told in pins.items() if is_follower(told) and told.plus == held]
    return found


def _switches_at(drawing: Drawing, node: str) -> list[tuple[str, str | None]]:
    """Switches with a contact at a node, directly or behind one resistor."""
    found: list[tuple[str, str | None]] = [(name, None) for name in _contacts(drawing, node)]
    for resistor, part in drawing.at(node, "r"):
        beyond = part.nodes[1] if part.nodes[0] == node else part.nodes[0]
        if beyond != GROUND and beyond not in drawing.rails:
            found += [(name, resistor) for name in _contacts(drawing, beyond)]
    return found


def _contacts(drawing: Drawing, node: str) -> list[str]:
    parts = [name for name, _ in drawing.at(node, SWITCHES, 3) if node in contacts_of(drawing, name)]
    return parts + [name for name in drawing.devices if node in contacts_of(drawing, name)]


def contacts_of(drawing: Drawing, switch: str) -> tuple[str, ...]:
    """The two nodes that a switch joins: contacts, drain and source, collector and emitter. None for a
    device that is no switch."""
    device = drawing.devices.get(switch)
    if device is not None:
        return device.nodes[:2] if re.search(_SWITCH_MODEL, device.model) and len(device.nodes) >= 3 else ()
    part = drawing.parts[switch]
    return part.nodes[:2] if part.part.letter in "sw" else (part.nodes[0], part.nodes[2])


def control_of(drawing: Drawing, switch: str) -> tuple[str, ...]:
    """The nodes that work a switch: a gate or base, the control nodes of a switch."""
    if switch in drawing.devices:
        return drawing.devices[switch].nodes[2:3]
    part = drawing.parts[switch]
    if part.part.letter == "s":
        return part.nodes[2:4]
    return part.nodes[1:2] if part.part.letter in "mqj" else ()


def _driving(drawing: Drawing, pins: dict[str, Pins], switch: str, ramp: str) -> tuple[str, ...]:
    """Comparators with the ramp at an input, or behind one resistor from it, whose output reaches the switch
    over resistors, capacitors and diodes."""
    reach: set[str] = set()
    for node in control_of(drawing, switch):
        if node != GROUND and node not in drawing.rails:
            near = drawing.beyond(node, "rcd", 3)
            reach |= {each for each in near if each not in drawing.rails and each != ramp}
    sensed = {ramp, *(node for node in drawing.beyond(ramp, "r", 1) if node not in drawing.rails)}
    return tuple(
        name
        for name, told in pins.items()
        if told.output in reach and not is_follower(told) and sense_of(told, sensed) is not None
    )


def sense_of(told: Pins, sensed: Collection[str]) -> str | None:
    """The one input of a comparator that is among some nodes."""
    found = [node for node in (told.plus, told.minus) if node in sensed]
    return found[0] if len(found) == 1 else None
