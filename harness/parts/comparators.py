# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for comparators. Pins of the sheet: plus, minus, supply, ground or negative, output, emitter.

``supply`` and ``negative`` are the supplies in V against ground, where an emitter pin is tied to. ``pullup``:
Ohm, from the output to ``to`` (V, the supply where None); 0 for an output that drives both ways.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from harness.alone.bench import first_crossing, ohms, piecewise, volts
from harness.parts.rows import BenchFunction
from harness.parts.subject import ROOM, Subject

NODES = {"plus": "p", "minus": "m", "supply": "vcc", "output": "out"}
AROUND = {"negative": "vee", "ground": "0", "emitter": "0"}
NOTHING = 1e9  # Ohm, an output without a load
APART = 20e-3  # V that the inputs lie apart where the common mode is tried
WIDEST = 20e-3  # V to either side that a trip point is looked for
NEAR = 0.3e-3  # V to either side of a trip point that the slope is looked for
PULLUP = 5.1e3  # Ohm, the load of the 393's sheet
SIDES = {"positive": "vcc", "negative": "vee"}


def nodes(part: Subject, negative: str = "0") -> dict[str, str]:
    """Node names by pin: p, m, vcc, out; ground and emitter at 0, a negative supply at ``negative``."""
    return {pin: {**AROUND, **NODES, "negative": negative}[pin] for pin in part.pins}


def _supplies(supply: float, negative: float) -> list[str]:
    return [volts("cc", "vcc", supply), volts("ee", "vee", negative)]


def _load(supply: float, pullup: float, to: float | None) -> list[str]:
    if not pullup:
        return [ohms("load", "out", "0", NOTHING)]
    return [volts("up", "up", supply if to is None else to), ohms("load", "up", "out", pullup)]


def saturation(
    part: Subject,
    current: float,
    supply: float = 5.0,
    negative: float = 0.0,
    temperature: float = ROOM,
    parameters: str = "",
) -> float:
    """Low level (V) of an output that takes in ``current`` (A); inputs 1 V below the other, at 1 V and 2 V.

    A clamp at the supply takes over what the output does not.
    """
    around = [
        volts("p", "p", 1.0), volts("m", "m", 2.0), *_supplies(supply, negative),
        volts("clamp", "clamp", supply), f"isink 0 out {current!r}", "dclamp out clamp clamp_diode",
        ".model clamp_diode d(is=1e-15 n=1 rs=0.1)",
    ]  # fmt: skip
    return part.with_parameters(parameters).at_rest(nodes(part, "vee"), around, temperature)["out"]


def high_drop(part: Subject, current: float, supply: float = 5.0, temperature: float = ROOM) -> float:
    """How far (V) a driven high level lies below the supply while ``current`` (A) is taken out of it."""
    around = [
        volts("p", "p", 2.0),
        volts("m", "m", 1.0),
        *_supplies(supply, 0.0),
        f"isource out 0 {current!r}",
    ]
    return supply - part.at_rest(nodes(part, "vee"), around, temperature)["out"]


def output_current(
    part: Subject, level: float, state: str = "low", supply: float = 5.0, temperature: float = ROOM,
    parameters: str = "",
) -> float:  # fmt: skip
    """Size of the current (A) that flows in the output's pin, held at ``level`` (V), in a state: ``low``,
    ``high``."""
    plus = {"low": 1.0, "high": 3.0}[state]
    around = [
        volts("p", "p", plus),
        volts("m", "m", 2.0),
        *_supplies(supply, 0.0),
        volts("out", "out", level),
    ]
    rest = part.with_parameters(parameters).at_rest(nodes(part, "vee"), around, temperature)
    return abs(rest["vout#branch"])


def supply_current(
    part: Subject,
    supply: float,
    halves: float = 1.0,
    temperature: float = ROOM,
    negative: float = 0.0,
    state: str = "high",
    side: str = "positive",
    apart: float = 0.1,
) -> float:
    """Size of the current (A) of one supply, output unloaded; ``halves``: how many make one device.

    ``state``: that of the output. ``side``: ``positive`` or ``negative`` supply. ``apart``: V between inputs.
    """
    plus, minus = (0.4 + apart, 0.4) if state == "high" else (0.4, 0.4 + apart)
    around = [
        volts("p", "p", plus), volts("m", "m", minus), *_supplies(supply, negative),
        ohms("out", "out", "0", NOTHING),
    ]  # fmt: skip
    return abs(halves * part.at_rest(nodes(part, "vee"), around, temperature)[f"v{SIDES[side][1:]}#branch"])


def bias(
    part: Subject,
    supply: float = 5.0,
    negative: float = 0.0,
    common: float = 1.0,
    direction: str = "out",
    temperature: float = ROOM,
    parameters: str = "",
) -> float:
    """Larger current (A) of the two inputs, ``out`` of the pins or ``in``, 0.1 V apart to either side."""
    part = part.with_parameters(parameters)
    sign, found = (1.0 if direction == "out" else -1.0), []
    for apart in (-0.1, 0.1):
        around = [
            volts("p", "p", common + apart), volts("m", "m", common), *_supplies(supply, negative),
            *_load(supply, PULLUP if "emitter" in part.pins else 0.0, None),
        ]  # fmt: skip
        rest = part.at_rest(nodes(part, "vee"), around, temperature)
        found += [sign * rest["vp#branch"], sign * rest["vm#branch"]]
    return max(found)


def offset(
    part: Subject,
    supply: float = 5.0,
    negative: float = 0.0,
    common: float = 1.0,
    pullup: float = PULLUP,
    temperature: float = ROOM,
    parameters: str = "",
) -> float:
    """How far (V) plus lies above minus where the output passes half its range, minus at ``common`` (V)."""
    return _trips(part.with_parameters(parameters), supply, negative, common, pullup, temperature)[0]


def hysteresis(
    part: Subject, supply: float = 5.0, common: float = 1.0, temperature: float = ROOM, parameters: str = ""
) -> float:
    """Distance (V) of the two trip points of an output that drives both ways."""
    up, down = _trips(part.with_parameters(parameters), supply, 0.0, common, 0.0, temperature)
    return up - down


def _trips(
    part: Subject, supply: float, negative: float, common: float, pullup: float, temperature: float
) -> tuple[float, float]:
    """Input differences (V) where the output passes half its range, upwards and downwards; NaN for none."""
    around = _with_difference(supply, negative, common, pullup)
    up, down = (_trip(part, around, supply / 2, way, temperature) for way in (1.0, -1.0))
    return up, down


def _with_difference(supply: float, negative: float, common: float, pullup: float) -> list[str]:
    """Supplies, load, minus at ``common`` (V), and a source ``vd`` from minus to plus."""
    return ["vd p m 0", volts("m", "m", common), *_supplies(supply, negative), *_load(supply, pullup, None)]


def _trip(part: Subject, around: Sequence[str], level: float, way: float, temperature: float = ROOM) -> float:
    """Input difference (V) where the output passes ``level`` (V) while ``vd`` is swept, upwards for ``way``
    1, downwards for -1; NaN for none."""
    span = (-way * WIDEST, way * WIDEST, way * WIDEST / 400)
    sweep = part.sweep(nodes(part, "vee"), around, "vd", span, temperature)
    return first_crossing(sweep["sweep"] * way, sweep["out"], level, way > 0, -math.inf) * way


def gain(
    part: Subject, supply: float, negative: float = 0.0, common: float = 1.0, pullup: float = PULLUP
) -> float:
    """Steepest slope of the output against the input difference, looked for around the trip point, which an
    offset of the model moves; NaN where the output does not trip."""
    around = _with_difference(supply, negative, common, pullup)
    trip = _trip(part, around, supply / 2, 1.0)
    if math.isnan(trip):
        return math.nan
    span = (trip - NEAR, trip + NEAR, NEAR / 300)
    sweep = part.sweep(nodes(part, "vee"), around, "vd", span)
    return float(np.gradient(sweep["out"], sweep["sweep"]).max())


def leakage(part: Subject, voltage: float, supply: float | None = None, temperature: float = ROOM) -> float:
    """Current (A) into the switched-off output at ``voltage`` (V); the supply is the same where not given."""
    rail = voltage if supply is None else supply
    around = [volts("p", "p", 1.0), volts("m", "m", 0.5), *_supplies(rail, 0.0), volts("out", "out", voltage)]
    return -part.at_rest(nodes(part, "vee"), around, temperature)["vout#branch"]


def is_right(
    part: Subject,
    plus: float,
    minus: float,
    supply: float,
    negative: float = 0.0,
    pullup: float = PULLUP,
    temperature: float = ROOM,
) -> bool:
    """Whether the output is in the state that the inputs (V) ask for."""
    around = [
        volts("p", "p", plus), volts("m", "m", minus), *_supplies(supply, negative),
        *_load(supply, pullup, None),
    ]  # fmt: skip
    level = part.at_rest(nodes(part, "vee"), around, temperature)["out"]
    return (level > 0.9 * supply) if plus > minus else (level < 0.2 * supply)


def common_mode(
    part: Subject,
    room: float,
    side: str = "upper",
    supply: float = 5.0,
    negative: float = 0.0,
    pullup: float = PULLUP,
    temperature: float = ROOM,
) -> float:
    """Distance (V) from a supply within which the common mode stops working, found to 20 mV from ``room`` on.

    ``room``: V inside the supply (negative: beyond it), where it has to work: NaN where it does not.
    ``side``: ``upper`` or ``lower``. Works means the right state with either input 20 mV above the other.
    Farther than half a volt beyond the supply nothing is tried.
    """

    def works(inside: float) -> bool:
        common = supply - inside if side == "upper" else negative + inside
        return all(
            is_right(part, common + apart, common, supply, negative, pullup, temperature)
            for apart in (APART, -APART)
        )

    if not works(room):
        return math.nan
    good, bad = room, min(-0.5, room)
    if good == bad or works(bad):
        return bad
    while good - bad > 0.02:
        middle = (good + bad) / 2
        good, bad = (middle, bad) if works(middle) else (good, middle)
    return good


def one_beyond(part: Subject, supply: float, inside: float, beyond: float) -> float:
    """1 where the output is right with one input inside the common-mode range, the other at ``beyond`` (V),
    either way round; NaN where it is not."""
    tried = [(beyond, inside), (inside, beyond)]
    return 1.0 if all(is_right(part, plus, minus, supply) for plus, minus in tried) else math.nan


def response(
    part: Subject,
    overdrive: float,
    edge: str = "slower",
    step: float = 0.1,
    common: float = 0.0,
    supply: float = 5.0,
    negative: float = 0.0,
    pullup: float = PULLUP,
    to: float = 5.0,
    load: float = 15e-12,
    level: float = 1.4,
    longest: float = 4e-6,
    temperature: float = ROOM,
    parameters: str = "",
) -> float:
    """Time (s) from a step of plus by ``step`` (V), ``overdrive`` (V) beyond minus, to ``level`` (V).

    ``edge``: of the output, ``rising``, ``falling``, or the ``slower`` of both. NaN where it does not come
    within ``longest`` (s).
    """
    if edge == "slower":
        settings = (step, common, supply, negative, pullup, to, load, level, longest, temperature, parameters)
        return max(response(part, overdrive, each, *settings) for each in ("rising", "falling"))
    way, start = (1.0 if edge == "rising" else -1.0), longest / 8
    before, after = common + way * (overdrive - step), common + way * overdrive
    around = [
        piecewise("p", "p", [(0.0, before), (start, before), (start + 1e-9, after)]), volts("m", "m", common),
        *_supplies(supply, negative), *_load(supply, pullup, to), f"cload out 0 {load!r}",
    ]  # fmt: skip
    part = part.with_parameters(parameters)
    wave = part.over_time(nodes(part, "vee"), around, start + longest, longest / 1000, temperature)
    return first_crossing(wave["time"], wave["out"], level, way > 0, start) - start


BENCHES: dict[str, BenchFunction] = {
    "saturation": saturation, "high_drop": high_drop, "output_current": output_current,
    "supply_current": supply_current, "bias": bias, "offset": offset, "hysteresis": hysteresis, "gain": gain,
    "leakage": leakage, "common_mode": common_mode, "one_beyond": one_beyond, "response": response,
}  # fmt: skip
