# SPDX-License-Identifier: GPL-3.0-or-later
"""A capacitor charged by a current up to a trip level and emptied by a switch, which its trip comparator
closes until a lower level is reached."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.intent.cores import ChargedCore
from harness.predict import converter
from harness.predict.converter import DrawnConverter
from harness.predict.core import ChargedCapacitor, Delay, no_delay
from harness.predict.cores.kind import CoreKind
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.ramp import Ramp
from harness.predict.stage import ideal_duty

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]

RESET = Effect("reset time", law="capacitor and reset resistor as drawn")
ON_RESISTANCE = Effect("switch on-resistance", ("reset.on_resistance",))
FOOT_RESISTANCE = Effect("pull-down switch on-resistance", ("pulldown.on_resistance",))
CLOSE_DELAY = Effect("trip delay overshoot", ("trip.close_delay",))
OPEN_DELAY = Effect("reset ended late by comparator delay", ("trip.open_delay",))
TRIP_BIAS = Effect("input bias current at the trip level", ("trip.bias_trip",))
TRIP_OFFSET = Effect("input offset of the trip comparator", ("trip.offset",))
RAMP_BIAS = Effect("input bias current into the ramp capacitor", ("slicer.bias_ramp", "trip.bias_ramp"))
MIRROR = Effect("mirror error", ("mirror.current",))
RAMP_CAPACITANCE = Effect("capacitance of the parts on the ramp", ("ramp.capacitance",))

EFFECTS = (
    RESET, ON_RESISTANCE, FOOT_RESISTANCE, CLOSE_DELAY, OPEN_DELAY, TRIP_BIAS, TRIP_OFFSET, RAMP_BIAS, MIRROR,
    RAMP_CAPACITANCE, *converter.EFFECTS,
)  # fmt: skip


def core_of(drawn: Drawn) -> ChargedCore:
    """The board's core. Raises TypeError where it is of another kind."""
    core = drawn.board.core
    if not isinstance(core, ChargedCore):
        raise TypeError(f"{core!r} is no charged capacitor")
    return core


def sweep_current(drawn: Drawn) -> Array:
    """The charging current (A), by the law alone: that of a source, or of an exponential converter."""
    core = core_of(drawn)
    return DrawnConverter(drawn, core.converter).current if core.converter else drawn.value(core.current)


def trip_high(drawn: Drawn) -> Array:
    """Upper trip level (V): the divider with the pull-down switch open."""
    return drawn.node(core_of(drawn).trip)


def trip_low(drawn: Drawn, switch_resistance: Array | None = None) -> Array:
    """Lower trip level (V): the divider while the pull-down switch conducts, ideally or with a resistance
    (Ohm)."""
    core = core_of(drawn)
    ends = switch_ends(drawn, core.pulldown_switch)
    if ends is None:
        return drawn.unknown
    if switch_resistance is None:
        return drawn.node(core.trip, ends)
    return drawn.node_with_switch(core.trip, *ends, switch_resistance)


def switch_ends(drawn: Drawn, name: str | None) -> tuple[str, str] | None:
    """The two nodes that a switch joins: those of its pins that are not the gate, told by the trip
    comparator's output."""
    part = drawn.part(name)
    if part is None:
        return None
    gate = gate_node(drawn)
    ends = list(dict.fromkeys(node.lower() for node in part.nodes if node.lower() != gate))
    return (ends[0], ends[1]) if len(ends) == 2 else None


def gate_node(drawn: Drawn) -> str | None:
    """The node that the trip comparator drives: the end of the gate pull-up that is one of its pins."""
    core = core_of(drawn)
    comparator, pullup = drawn.part(core.comparator), drawn.part(core.gate_pullup)
    if comparator is None or pullup is None:
        return None
    pins = [node.lower() for node in comparator.nodes]
    supply = drawn.supply_node
    shared = [node.lower() for node in pullup.nodes[:2] if node.lower() in pins and node.lower() != supply]
    return shared[0] if shared else None


def _ramp(
    drawn: Drawn, known: Characteristics, on: frozenset[Effect], threshold: Array, high_below: bool
) -> Ramp:
    core = core_of(drawn)
    conditions = {"temperature": drawn.temperature, "supply": drawn.supply}

    def figure(name: str) -> Array:
        return known.table(name).at(**conditions)

    def delay(name: str, effect: Effect) -> Delay:
        if effect not in on:
            return no_delay
        table = known.table(name)
        return lambda slope: table.at(**conditions, slope=np.log10(slope))

    high = trip_high(drawn)
    foot_switch = figure("pulldown.on_resistance") if FOOT_RESISTANCE in on else None
    low = trip_low(drawn, foot_switch)
    ideal_low, ideal_high = low, high
    if TRIP_BIAS in on:
        bias = figure("trip.bias_trip")
        high = high + bias * drawn.resistance(core.trip)
        ends = switch_ends(drawn, core.pulldown_switch)
        if ends is not None:
            joined = (*ends, foot_switch if foot_switch is not None else drawn.all(0.0))
            low = low + bias * drawn.resistance(core.trip, joined)
    if TRIP_OFFSET in on:
        high, low = high + figure("trip.offset"), low + figure("trip.offset")

    wanted = sweep_current(drawn)
    current, droop = wanted, drawn.all(0.0)
    if core.converter:
        at_low, at_high = DrawnConverter(drawn, core.converter).currents(
            known, on, (ideal_low, ideal_high), drawn.value(core.capacitor)
        )
        droop = (at_low - at_high) / (ideal_high - ideal_low)
        current = at_low + droop * ideal_low
    if MIRROR in on:
        table = known.table("mirror.current")
        at_low, at_high = (
            table.at(**conditions, current=np.log10(wanted), level=level) * wanted
            for level in (ideal_low, ideal_high)
        )
        droop = (at_low - at_high) / (ideal_high - ideal_low)
        current = at_low + droop * ideal_low
    if RAMP_BIAS in on:
        below = ideal_duty(threshold, ideal_low, ideal_high, True)
        slicer = known.table("slicer.bias_ramp")
        under, over = (slicer.at(**conditions, difference=sign) for sign in (-1.0, 1.0))
        current = current + below * under + (1.0 - below) * over + figure("trip.bias_ramp")

    capacitance = drawn.value(core.capacitor)
    if RAMP_CAPACITANCE in on:
        capacitance = capacitance + figure("ramp.capacitance")
    resistance = drawn.value(core.reset_resistor) if core.reset_resistor else drawn.all(0.0)
    if ON_RESISTANCE in on:
        resistance = resistance + figure("reset.on_resistance")
    return ChargedCapacitor(
        capacitance,
        current,
        high,
        low,
        resistance,
        droop,
        delay("trip.close_delay", CLOSE_DELAY),
        delay("trip.open_delay", OPEN_DELAY),
    ).ramp(instant_reset=RESET not in on)


def _solved(drawn: Drawn) -> dict[str, Array]:
    return {"ramp_high": trip_high(drawn), "ramp_low": trip_low(drawn)}


def _nodes(drawn: Drawn) -> dict[str, str]:
    return {"ramp_high": core_of(drawn).trip}


KIND = CoreKind(ChargedCore.kind, _ramp, EFFECTS, frozenset({RESET}), _solved, _nodes)
