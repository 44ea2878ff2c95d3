# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for comparators. Pins of the sheet: plus, minus, supply, ground or negative, output, emitter."""

from __future__ import annotations

from harness.alone.bench import ohms, volts
from harness.parts.rows import BenchFunction
from harness.parts.subject import ROOM, Subject

NODES = {"plus": "p", "minus": "m", "supply": "vcc", "output": "out"}
AROUND = {"negative": "vee", "ground": "0", "emitter": "0"}


def nodes(part: Subject, negative: str = "0") -> dict[str, str]:
    """Node names by pin: p, m, vcc, out; ground and emitter at 0, a negative supply at ``negative``."""
    return {pin: {**AROUND, **NODES, "negative": negative}[pin] for pin in part.pins}


def saturation(part: Subject, current: float, supply: float = 5.0, temperature: float = ROOM) -> float:
    """Low level (V) of an output that takes in ``current`` (A); inputs 1 V below the other, at 1 V and 2 V.

    A clamp at the supply takes over what the output does not.
    """
    around = [
        volts("p", "p", 1.0), volts("m", "m", 2.0), volts("cc", "vcc", supply), volts("clamp", "clamp", supply),
        f"isink 0 out {current!r}", "dclamp out clamp clamp_diode", ".model clamp_diode d(is=1e-15 n=1 rs=0.1)",
    ]  # fmt: skip
    return part.at_rest(nodes(part), around, temperature)["out"]


def supply_current(part: Subject, supply: float, halves: float = 1.0, temperature: float = ROOM) -> float:
    """Current (A) that the supply gives, output high and unloaded; ``halves``: how many make one device."""
    around = [
        volts("p", "p", 0.5),
        volts("m", "m", 0.4),
        volts("cc", "vcc", supply),
        ohms("out", "out", "0", 1e9),
    ]
    return -halves * part.at_rest(nodes(part), around, temperature)["vcc#branch"]


BENCHES: dict[str, BenchFunction] = {"saturation": saturation, "supply_current": supply_current}
