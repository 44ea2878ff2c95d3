# SPDX-License-Identifier: GPL-3.0-or-later
"""The real-part effects of the slicing stage by name, and what each needs to be known. Those of a core stand
in the module of its kind, see `harness.predict.cores`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Effect:
    """``needs``: real-part values without which the effect is unknown; ``law``: its origin where it needs no
    real-part value."""

    name: str
    needs: tuple[str, ...] = ()
    law: str = ""


THRESHOLD_BIAS = Effect("input bias current at the threshold", ("slicer.bias_threshold",))
OFFSET = Effect("input offset", ("slicer.offset",))
SATURATION = Effect("output saturation", ("slicer.sink",))
HIGH_SHORTFALL = Effect("output short of its upper supply", ("slicer.source",))
LEAKAGE = Effect("output leakage", ("slicer.leakage",))
SLICER_DELAY = Effect("comparator delay at the threshold", ("slicer.fall_delay", "slicer.rise_delay"))
TURN_ON = Effect("slow turn-on of the output", ("slicer.fall_extra",))
OWN_RISE = Effect("rise time of the comparator alone", ("slicer.rise_extra",))
SLEW = Effect("slewing edges of the output", ("slicer.rise_edge", "slicer.fall_edge"))
EDGES = Effect("output edges", law="output network as drawn")
DROOP = Effect("droop through coupling capacitors", law="output network as drawn")

#: effects that any board may have, whatever makes its ramp
ALWAYS = (
    THRESHOLD_BIAS, OFFSET, SATURATION, HIGH_SHORTFALL, LEAKAGE, SLICER_DELAY, TURN_ON, OWN_RISE, SLEW, EDGES,
    DROOP,
)  # fmt: skip
