# SPDX-License-Identifier: GPL-3.0-or-later
"""Which node of a drawn integrator is what. Names of nodes only, never a value, save for rails by which an
amplifier's pins without names are told apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from harness.pins import all_parts, lowest_rail, named_pins, part_of

if TYPE_CHECKING:
    from harness.intent.cores import IntegratorCore
    from harness.netlist import Netlist, Part


@dataclass(frozen=True)
class Parts:
    """Nodes, lower case. Of the integrator: ``ramp`` (its output), ``minus`` (the virtual ground), ``plus``.
    Of the trip comparator: ``sense`` (the input that moves with the ramp), ``level`` (the other one),
    ``output``, ``reference`` (what the output pulls down to). Of the switch: ``gate``, and ``far``, its end
    towards the ramp; the other end is the virtual ground."""

    ramp: str
    minus: str
    plus: str
    sense: str
    level: str
    output: str
    reference: str
    gate: str
    far: str


def _nodes(part: Part | None) -> list[str]:
    return [node.lower() for node in part.nodes] if part else []


def parts_of(netlist: Netlist, ramp: str, core: IntegratorCore) -> Parts | None:
    """The nodes of a core; None where one of them cannot be told."""
    amplifier, comparator, switch = (
        part_of(netlist, name) for name in (core.amplifier, core.comparator, core.reset_switch)
    )
    if amplifier is None or comparator is None or switch is None:
        return None
    ramp = ramp.lower()
    minus = next((node for node in _nodes(part_of(netlist, core.capacitor)) if node != ramp), None)
    plus = _plus(netlist, amplifier, ramp, minus)
    gate = _control(switch, minus)
    output = _output(netlist, core, comparator, gate)
    level = core.trip.lower()
    if None in (minus, plus, gate, output) or level not in _nodes(comparator):
        return None
    sense = _sense(netlist, comparator, level, output)
    ends = [node for node in _nodes(switch) if node not in (minus, gate)]
    if sense is None or not ends or minus not in _nodes(switch):
        return None
    named = named_pins(netlist, comparator)
    others = [node for node in _nodes(comparator) if node not in (sense, level, output)]
    negative = named.get("negative") or lowest_rail(netlist, others)
    reference = named.get("emitter") or negative
    assert minus is not None and plus is not None and gate is not None and output is not None
    return Parts(ramp, minus, plus, sense, level, output, reference, gate, ends[0])


def _plus(netlist: Netlist, amplifier: Part, ramp: str, minus: str | None) -> str | None:
    """The amplifier's other input: by name, else the middle one of its further pins as the rails stand."""
    named = named_pins(netlist, amplifier)
    if "plus" in named:
        return named["plus"]
    others = [node for node in _nodes(amplifier) if node not in (ramp, minus)]
    for _ in range(2):  # take the lowest away, then the lowest of what is left is the middle of three
        if len(others) < 2:
            break
        lowest = lowest_rail(netlist, others)
        others.remove(lowest)
        if len(others) == 2:
            return lowest_rail(netlist, others)
    return None


def _control(switch: Part, minus: str | None) -> str | None:
    """The node that opens and closes a switch: the second pin of a transistor, the third of a switch."""
    place = {"j": 1, "m": 1, "q": 1, "s": 2}.get(switch.letter)
    nodes = _nodes(switch)
    return nodes[place] if place is not None and len(nodes) > place and nodes[place] != minus else None


def _output(netlist: Netlist, core: IntegratorCore, comparator: Part, gate: str | None) -> str | None:
    named, pins = named_pins(netlist, comparator), _nodes(comparator)
    if "output" in named:
        return named["output"]
    pullup = _nodes(part_of(netlist, core.gate_pullup))
    return next(
        (node for node in pins if node == gate or (node in pullup and node != core.trip.lower())), None
    )


def _sense(netlist: Netlist, comparator: Part, level: str, output: str | None) -> str | None:
    """The comparator's input that is not the level: by name, else the one that a resistor joins to the
    output."""
    named = named_pins(netlist, comparator)
    inputs = [named[pin] for pin in ("plus", "minus") if pin in named]
    if len(inputs) == 2:
        return next((node for node in inputs if node != level), None)
    pins = [node for node in _nodes(comparator) if node not in (level, output)]
    joined = [set(ends) for _, letter, ends in all_parts(netlist) if letter == "r" and output in ends]
    return next((node for node in pins if any(node in ends for ends in joined)), None)
