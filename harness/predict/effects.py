# SPDX-License-Identifier: GPL-3.0-or-later
"""The real-part effects that the refined prediction knows by name, and what each needs to be known."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Effect:
    """``needs``: real-part values without which the effect is unknown; ``core``: the kind of core it belongs
    to, None for any; ``law``: its origin where it needs no real-part value."""

    name: str
    needs: tuple[str, ...] = ()
    core: str | None = None
    law: str = ""


CHARGED = "charged capacitor"
SOURCE = "ramp source"

THRESHOLD_BIAS = Effect("input bias current at the threshold", ("slicer.bias_threshold",))
OFFSET = Effect("input offset", ("slicer.offset",))
SATURATION = Effect("output saturation", ("slicer.sink",))
LEAKAGE = Effect("output leakage", ("slicer.leakage",))
SLICER_DELAY = Effect("comparator delay at the threshold", ("slicer.fall_delay", "slicer.rise_delay"))
TURN_ON = Effect("slow turn-on of the output", ("slicer.fall_extra",))
OWN_RISE = Effect("rise time of the comparator alone", ("slicer.rise_extra",))
EDGES = Effect("output edges", law="load and pull-up as drawn")
SOURCE_RESET = Effect("reset time", core=SOURCE, law="the drawn source's fall and rests")
RESET = Effect("reset time", core=CHARGED, law="capacitor and reset resistor as drawn")
ON_RESISTANCE = Effect("switch on-resistance", ("reset.on_resistance",), CHARGED)
FOOT_RESISTANCE = Effect("pull-down switch on-resistance", ("pulldown.on_resistance",), CHARGED)
CLOSE_DELAY = Effect("trip delay overshoot", ("trip.close_delay",), CHARGED)
OPEN_DELAY = Effect("reset ended late by comparator delay", ("trip.open_delay",), CHARGED)
TRIP_BIAS = Effect("input bias current at the trip level", ("trip.bias_trip",), CHARGED)
TRIP_OFFSET = Effect("input offset of the trip comparator", ("trip.offset",), CHARGED)
RAMP_BIAS = Effect(
    "input bias current into the ramp capacitor", ("slicer.bias_ramp", "trip.bias_ramp"), CHARGED
)
MIRROR = Effect("mirror error", ("mirror.current",), CHARGED)
RAMP_CAPACITANCE = Effect("capacitance of the parts on the ramp", ("ramp.capacitance",), CHARGED)

ALL = (
    THRESHOLD_BIAS, OFFSET, SATURATION, LEAKAGE, SLICER_DELAY, TURN_ON, OWN_RISE, EDGES,
    SOURCE_RESET, RESET, ON_RESISTANCE, FOOT_RESISTANCE, CLOSE_DELAY, OPEN_DELAY, TRIP_BIAS, TRIP_OFFSET,
    RAMP_BIAS, MIRROR, RAMP_CAPACITANCE,
)  # fmt: skip
