# SPDX-License-Identifier: GPL-3.0-or-later
"""Who plays which part in a drawing: proposals, each with its reason, and what could not be told."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from harness.findings import NetlistError
from harness.netlist import words
from harness.new.cores import CoreGuess, core_of
from harness.new.drawing import Device, Drawing
from harness.new.pins import Pins, other_input, pins_of
from harness.new.ramps import RampGuess, is_follower, ramps_of
from harness.pins import GROUND, OPEN_COLLECTOR

_OUTPUT_NAME = re.compile(r"^/?(.*[_/.])?(out|output|pulse)\d*$")
_CONTROL_NAME = re.compile(r"c(on)?tr?o?l|(^|[^a-z])cv|^vcv|mod|pwm|width|knob|lfo|env")
_REFERENCE_NAME = re.compile(r"ref|bias|off|rail|supply|vcc|vdd|vee|vss")
_FARTHEST = 4


@dataclass(frozen=True)
class Proposal:
    """A key of the board file, what is proposed for it, and why."""

    key: str
    value: str
    reason: str


@dataclass
class Guess:
    """``roles`` in the order of the board file; ``open``: sentences about what nobody could tell.

    ``pins`` of the slicing comparator; ``core``; ``control``: the source (full name) that moves the
    threshold; ``network``: full names of the resistors between the sources and the threshold, by source;
    ``axes``: what the axes control and supply set in the netlist.
    """

    drawing: Drawing
    roles: list[Proposal] = field(default_factory=list)
    supplies: dict[str, str] = field(default_factory=dict)
    amplifiers: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=list)
    pins: Pins | None = None
    ramp: RampGuess | None = None
    core: CoreGuess | None = None
    control: str | None = None
    network: dict[str, tuple[str, ...]] = field(default_factory=dict)
    axes: dict[str, str] = field(default_factory=dict)

    def role(self, key: str) -> str | None:
        """What is proposed for a role, as drawn."""
        return next((each.value for each in self.roles if each.key == key), None)

    def add(self, key: str, value: str, reason: str) -> None:
        self.roles.append(Proposal(key, value, reason))


def guess(drawing: Drawing) -> Guess:
    """Proposals for the roles of a board."""
    found = Guess(drawing)
    pins = pins_of(drawing, drawing.comparators)
    ramps = ramps_of(drawing, pins)
    slicer = _slicer(drawing, pins, ramps)
    if slicer is None:
        found.open.append(_why_no_slicer(drawing, pins, ramps))
        return found
    device, found.ramp = slicer
    found.pins = pins[device.name]
    found.add("ramp", drawing.node(found.ramp.node), found.ramp.reason)
    threshold = str(other_input(found.pins, found.ramp.node))
    found.add("threshold", drawing.node(threshold), f"the other input of {device.shown}")
    output, why = _output(drawing, found.pins.output, device)
    found.add("output", drawing.node(output), why)
    if output == found.pins.output:
        found.open += _leads_on(drawing, pins, output, {found.ramp.node, threshold})
    others = len([name for name in pins if name != device.name])
    said = (
        "its model says comparator"
        if device.called_a_comparator()
        else f"{len(device.nodes)} pins, the ramp at one input"
    )
    found.add(
        "comparator",
        device.shown,
        f"{said}; {found.pins.reason}" + (f"; {others} more of that kind" if others else ""),
    )
    class_ = device.class_()
    if class_:
        found.add("comparator_class", class_, f"from the name of its model, {device.model}")
    else:
        found.open.append(
            f'comparator_class: the name "{device.model}" says nothing; choose "393", "311", "07x", '
            '"rail-to-rail" or "push-pull", or leave it out and headroom is not judged'
        )
    side = "minus" if found.ramp.node == found.pins.minus else "plus"
    while_ = "below" if side == "minus" else "above"
    found.add("ramp_input", side, f"so the output is high while the ramp lies {while_} the threshold")
    _around_the_output(found, device, class_)
    _supplies(found)
    _network(found, threshold)
    for axis, name in (("control", found.control), ("supply", (found.role("supply") or "").lower())):
        sets = _settable(drawing, name) if name else None
        if sets is not None:
            found.axes[axis] = sets
    found.core = core_of(drawing, found.ramp, pins)
    found.amplifiers = [
        drawing.devices[name].shown
        for name, told in pins.items()
        if name not in (device.name, *found.ramp.resets) and told.output != found.ramp.node
        if told.minus in drawing.beyond(told.output, "r", 2)
        and threshold in drawing.beyond(told.output, "r", 3)
    ]
    return found


def _slicer(
    drawing: Drawing, pins: dict[str, Pins], ramps: list[RampGuess]
) -> tuple[Device, RampGuess] | None:
    """The comparator that slices, and its ramp: of those with a ramp at an input the one that resets none."""
    for ramp in ramps:
        fitting = [
            drawing.devices[name]
            for name, told in pins.items()
            if other_input(told, ramp.node) is not None and name not in ramp.resets
            if not is_follower(told) and told.output != ramp.node
        ]
        fitting.sort(
            key=lambda device: (
                not device.called_a_comparator(),
                not _OUTPUT_NAME.match(pins[device.name].output),
            )
        )
        if fitting:
            return fitting[0], ramp
    return None


def _why_no_slicer(drawing: Drawing, pins: dict[str, Pins], ramps: list[RampGuess]) -> str:
    if not pins:
        names = ", ".join(f"{device.shown} ({device.model})" for device in drawing.devices.values())
        return f"no comparator was found; devices drawn: {names or 'none'}"
    seen = ", ".join(drawing.devices[name].shown for name in pins)
    untold = [
        f"{device.shown} ({device.model}, {len(device.nodes)} pins)"
        for device in drawing.devices.values()
        if device.name not in pins
    ]
    told = f"; comparators and op-amps: {seen}"
    if untold:
        told += f"; not taken as such, for their pins could not be told: {', '.join(untold)}"
    if not ramps:
        return (
            "no ramp was found: neither a PULSE source that rises or falls slowly, nor a capacitor with a"
            f" switch at it that a comparator, a PULSE source or its own voltage works{told}"
        )
    nodes = ", ".join(drawing.node(ramp.node) for ramp in ramps)
    return f"no comparator has one of these nodes at an input: {nodes}{told}"


def _output(drawing: Drawing, pin: str, device: Device) -> tuple[str, str]:
    """The node of the pulse: the output pin, or a node behind it that is called an output."""
    if not _OUTPUT_NAME.match(pin):
        reach = drawing.beyond(pin, "rc", _FARTHEST)
        named = next((node for node in reach if _OUTPUT_NAME.match(node) and node not in drawing.rails), None)
        if named is not None and named != pin:
            via = ", ".join(drawing.shown(name) for name in reach[named])
            return named, f"called an output, behind {via} from the output pin of {device.shown}"
    return pin, f"the output pin of {device.shown}"


def _leads_on(drawing: Drawing, pins: dict[str, Pins], pin: str, signals: set[str]) -> Iterator[str]:
    """What leads from an output pin to a node without a telling name, and to no input."""
    inputs = {node for told in pins.values() for node in (told.plus, told.minus)} | signals
    reach = drawing.beyond(pin, "rc", _FARTHEST)
    ends = [node for node in reach if node != pin and node not in drawing.rails and node not in inputs]
    through = {name for node in reach if node in inputs for name in reach[node]}
    ends = [node for node in ends if not through & set(reach[node])]
    if ends:
        via = ", ".join(drawing.shown(name) for name in reach[ends[-1]])
        yield (
            f"output: {via} leads on to {drawing.node(ends[-1])}; write that node where the pulse leaves the"
            " board there, and its loads as load_resistor and load_capacitor"
        )


def _around_the_output(found: Guess, device: Device, class_: str | None) -> None:
    """Pull-up, supply and loads."""
    drawing, pins = found.drawing, found.pins
    assert pins is not None
    output = str(found.role("output")).lower()
    ground = drawing.rails.get(pins.negative, 0.0)
    ups = [
        (name, other)
        for name, part in drawing.at(pins.output, "r")
        if (other := _other(part.nodes, pins.output)) != GROUND and drawing.rails.get(other, ground) > ground
    ]
    if ups and class_ not in ("07x", "rail-to-rail", "push-pull"):
        name, rail = max(ups, key=lambda each: drawing.rails[each[1]])
        found.add(
            "pullup",
            drawing.shown(name),
            f"from the output up to {drawing.node(rail)}, {drawing.rails[rail]:g} V",
        )
    elif class_ in OPEN_COLLECTOR:
        found.open.append(
            f"pullup: no resistor leads from {pins.output} up to a rail, and a {class_} only sinks"
        )
    supply = _source_behind(drawing, pins.supply)
    if supply is None:
        found.open.append(f"supply: no voltage source was found that feeds {device.shown} at {pins.supply}")
    elif "." in supply:
        found.open.append(
            f"supply: {drawing.shown(supply)} feeds {device.shown} from inside a subcircuit; draw it outside"
        )
    else:
        found.add("supply", drawing.shown(supply), f"feeds {device.shown}, {drawing.value(supply):g} V")
    for key, letter in (("load_resistor", "r"), ("load_capacitor", "c")):
        loads = [name for name, part in drawing.at(output, letter) if _other(part.nodes, output) == GROUND]
        if loads:
            found.add(key, drawing.shown(loads[0]), f"from {drawing.node(output)} to ground")


def _source_behind(drawing: Drawing, node: str) -> str | None:
    """The plain voltage source at a node, or behind a resistor or inductor from it."""
    reach = drawing.beyond(node, "rl", 2)
    for near in reach:
        if near != GROUND and near in drawing.rails:
            return drawing.source_of(near)
    return None


def _supplies(found: Guess) -> None:
    """Sources that feed a device, or the top of the pull-up."""
    drawing = found.drawing
    fed = {node for device in drawing.devices.values() for node in device.nodes}
    pullup = found.role("pullup")
    fed.update(drawing.parts[pullup.lower()].nodes if pullup else ())
    signals = {str(found.role(key)).lower() for key in ("threshold", "ramp")}
    for node in drawing.rails:
        source = drawing.source_of(node)
        if node in fed and node not in signals and source and "." not in source and node != GROUND:
            name = re.sub(r"\W", "_", drawing.shown(source)).lower()
            found.supplies.setdefault(name, drawing.shown(source))


def _network(found: Guess, threshold: str) -> None:
    """Which sources reach the threshold over resistors, and which of them is the control."""
    drawing = found.drawing
    if threshold in drawing.rails:
        held = drawing.source_of(threshold)
        found.network = {held: ()} if held else {}
    else:
        for node, way in drawing.beyond(threshold, "r", 8).items():
            source = drawing.source_of(node) if node in drawing.rails and node != GROUND else None
            if source is not None:
                found.network.setdefault(source, way)
    rails = {name.lower() for name in (*found.supplies.values(), found.role("supply") or "")}
    free = [name for name in found.network if name not in rails and "." not in name]
    ranked = sorted(free, key=lambda name: _control_rank(drawing, name))
    if ranked and (len(free) == 1 or _control_rank(drawing, ranked[0]) < _control_rank(drawing, ranked[1])):
        found.control = ranked[0]
    elif ranked:
        names = " or ".join(drawing.shown(name) for name in ranked)
        found.control = ranked[-1]
        found.open.append(f"control: {names}; {drawing.shown(found.control)} was taken")
    else:
        found.open.append(
            "control: no source of its own moves the threshold, so there is no axis of that name"
        )


def _settable(drawing: Drawing, source: str) -> str | None:
    """What an axis sets for a source to have its values: the source, or the parameter that it is drawn
    as."""
    value = drawing.value(source)
    text = words.inner(drawing.parts[source].part.value_text)
    for name in (drawing.shown(source), text):
        try:
            drawing.netlist.set_values({name: value + 1.0})
        except NetlistError:
            continue
        if name == text and drawing.netlist.value(source, {text: value + 1.0}) != value + 1.0:
            continue
        return name
    return None


def _control_rank(drawing: Drawing, name: str) -> int:
    nodes = drawing.parts[name].nodes
    called = " ".join((name, *nodes)).lower()
    if _CONTROL_NAME.search(called):
        return 0
    return 2 if _REFERENCE_NAME.search(called) else 1


def _other(nodes: tuple[str, ...], node: str) -> str:
    return nodes[1] if nodes[0] == node else nodes[0]


def intended_parts(found: Guess) -> Iterator[str]:
    """Full names of the parts whose values are worth writing down, in the order of the netlist: those of the
    top level, and those of instances that are part of the drawing."""
    drawing = found.drawing
    for name, part in drawing.parts.items():
        plain = part.part.letter in "rcl" or (part.part.letter in "vi" and part.part.function is None)
        if (
            plain
            and name != found.control
            and drawing.value(name) == drawing.value(name)
            and drawing.value(name) != 0.0
        ):
            yield name
