# SPDX-License-Identifier: GPL-3.0-or-later
"""The ramp of a board: its drawn core put into the closed forms, with the real-part effects that are in
force."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.predict import effects as named
from harness.predict.core import ChargedCapacitor, Delay, no_delay, pulse_source
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.ramp import Ramp
from harness.predict.stage import ideal_duty

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]


def ramp_of(
    drawn: Drawn, known: Characteristics, on: frozenset[Effect], threshold: Array, high_below: bool
) -> Ramp | None:
    """The settled cycle of the board's core; None where the board states none or its source is no pulse.

    ``threshold`` (V) tells which share of the sweep the slicing comparator's input spends on either side.
    """
    core = drawn.board.core
    if core is None:
        return None
    if core.kind == named.SOURCE:
        return _source(drawn, named.SOURCE_RESET not in on)
    if core.kind == named.CHARGED:
        return _charged(drawn, known, on, threshold)
    return None


def trip_high(drawn: Drawn) -> Array:
    """Upper trip level (V): the divider with the pull-down switch open."""
    return drawn.node(drawn.board.core.trip if drawn.board.core else None)


def trip_low(drawn: Drawn, switch_resistance: Array | None = None) -> Array:
    """Lower trip level (V): the divider while the pull-down switch conducts, ideally or with a resistance
    (Ohm)."""
    core = drawn.board.core
    ends = switch_ends(drawn, core.pulldown_switch) if core else None
    if core is None or ends is None:
        return drawn.unknown
    if switch_resistance is None:
        return drawn.node(core.trip, ends)
    return drawn.node_with_switch(core.trip, *ends, switch_resistance)


def switch_ends(drawn: Drawn, name: str | None) -> tuple[str, str] | None:
    """The two nodes that a switch joins: those of its pins that are not the gate, told by the trip
    comparator's output."""
    core, part = drawn.board.core, drawn.part(name)
    if core is None or part is None:
        return None
    gate = gate_node(drawn)
    ends = list(dict.fromkeys(node.lower() for node in part.nodes if node.lower() != gate))
    return (ends[0], ends[1]) if len(ends) == 2 else None


def gate_node(drawn: Drawn) -> str | None:
    """The node that the trip comparator drives: the end of the gate pull-up that is one of its pins."""
    core = drawn.board.core
    comparator = drawn.part(core.comparator) if core else None
    pullup = drawn.part(core.gate_pullup) if core else None
    if comparator is None or pullup is None:
        return None
    pins = [node.lower() for node in comparator.nodes]
    supply = drawn.supply_node
    shared = [node.lower() for node in pullup.nodes[:2] if node.lower() in pins and node.lower() != supply]
    return shared[0] if shared else None


def _source(drawn: Drawn, instant_reset: bool) -> Ramp | None:
    name = source_at(drawn, drawn.board.roles.ramp)
    pulse = drawn.pulse(name) if name else None
    return None if pulse is None else pulse_source(**pulse, instant_reset=instant_reset)


def source_at(drawn: Drawn, node: str | None) -> str | None:
    """The voltage source whose upper end is at a node."""
    wanted = (node or "").lower()
    for name, part in drawn.netlist.parts.items():
        if part.letter.lower() == "v" and part.nodes[0].lower() == wanted:
            return name
    return None


def _charged(drawn: Drawn, known: Characteristics, on: frozenset[Effect], threshold: Array) -> Ramp:
    core = drawn.board.core
    assert core is not None
    conditions = {"temperature": drawn.temperature, "supply": drawn.supply}

    def figure(name: str) -> Array:
        return known.table(name).at(**conditions)

    def delay(name: str, effect: Effect) -> Delay:
        if effect not in on:
            return no_delay
        table = known.table(name)
        return lambda slope: table.at(**conditions, slope=np.log10(slope))

    high = trip_high(drawn)
    foot_switch = figure("pulldown.on_resistance") if named.FOOT_RESISTANCE in on else None
    low = trip_low(drawn, foot_switch)
    ideal_low, ideal_high = low, high
    if named.TRIP_BIAS in on:
        bias = figure("trip.bias_trip")
        high = high + bias * drawn.resistance(core.trip)
        ends = switch_ends(drawn, core.pulldown_switch)
        if ends is not None:
            joined = (*ends, foot_switch if foot_switch is not None else drawn.all(0.0))
            low = low + bias * drawn.resistance(core.trip, joined)
    if named.TRIP_OFFSET in on:
        high, low = high + figure("trip.offset"), low + figure("trip.offset")

    wanted = drawn.value(core.current)
    current, droop = wanted, drawn.all(0.0)
    if named.MIRROR in on:
        table = known.table("mirror.current")
        at_low, at_high = (
            table.at(**conditions, current=np.log10(wanted), level=level) * wanted
            for level in (ideal_low, ideal_high)
        )
        droop = (at_low - at_high) / (ideal_high - ideal_low)
        current = at_low + droop * ideal_low
    if named.RAMP_BIAS in on:
        below = ideal_duty(threshold, ideal_low, ideal_high, True)
        slicer = known.table("slicer.bias_ramp")
        under, over = (slicer.at(**conditions, difference=sign) for sign in (-1.0, 1.0))
        current = current + below * under + (1.0 - below) * over + figure("trip.bias_ramp")

    capacitance = drawn.value(core.capacitor)
    if named.RAMP_CAPACITANCE in on:
        capacitance = capacitance + figure("ramp.capacitance")
    resistance = drawn.value(core.reset_resistor) if core.reset_resistor else drawn.all(0.0)
    if named.ON_RESISTANCE in on:
        resistance = resistance + figure("reset.on_resistance")
    return ChargedCapacitor(
        capacitance,
        current,
        high,
        low,
        resistance,
        droop,
        delay("trip.close_delay", named.CLOSE_DELAY),
        delay("trip.open_delay", named.OPEN_DELAY),
    ).ramp(instant_reset=named.RESET not in on)
