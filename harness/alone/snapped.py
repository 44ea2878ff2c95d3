# SPDX-License-Identifier: GPL-3.0-or-later
"""The parts of a falling core alone: trip comparator with the switch that it works, the switch, the
follower."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import Engine, PartAlone, deck, first_crossing, integral, ohms, piecewise, run, volts

Array = NDArray[np.float64]
PROBE = 0.05  # V across a switch that conducts
BEYOND = 0.3  # V: how far a ramp goes beyond the level that it passes
STEEP = 1e6  # V/s: a ramp that is no matter
GATE = 1e5  # Ohm: to the control of a switch at rest, so that a gate that conducts does not count
START = 2e-6  # s: from the reference to where a ramp begins
REST = 60e-6  # s: what a run gives a comparator to answer


@dataclass(frozen=True)
class TripStage:
    """A trip comparator, what it drives, and the switch at the end of that. Nodes as drawn, lower case:
    ``ramp``, ``trip`` and ``gate`` of the comparator, ``control`` of the switch, its ends ``upper`` (at the
    reference) and ``lower``. ``chain``: the parts between gate and control."""

    comparator: PartAlone
    switch: PartAlone
    chain: tuple[PartAlone, ...]
    ramp: str
    trip: str
    gate: str
    control: str
    upper: str
    lower: str

    @property
    def support(self) -> list[str]:
        """What the models need."""
        parts = (self.comparator, self.switch, *self.chain)
        return [line for part in parts for line in part.support]


@dataclass(frozen=True)
class TripPlace:
    """What it works with: ``held`` rails (node -> V), the network at the trip node (open level in V with the
    gate at 0 V, share of the gate's voltage, resistance in Ohm, capacitance in F), the reference (V) with
    the resistor (Ohm) that leads from it, levels where it trips and lets go (V)."""

    temperature: float
    held: Mapping[str, float]
    open_level: float
    feedback: float
    resistance: float
    capacitance: float
    reference: float
    reset_resistance: float
    trip: float
    release: float


def _lines(stage: TripStage, where: TripPlace, tag: str) -> list[str]:
    """One such stage; the ramp is node ``ramp<tag>``, the lower end of its switch ``lower<tag>``."""
    own = {stage.trip: "trip", stage.upper: "upper", stage.control: "control", stage.gate: "gate"}
    senses, snaps = own | {stage.ramp: "ramp"}, own | {stage.lower: "lower"}  # one node without a follower

    def among(nodes: Mapping[str, str], node: str) -> str:
        key = node.lower()
        return f"{nodes[key]}{tag}" if key in nodes else "0" if key == "0" else f"held_{key}"

    def named(node: str) -> str:
        return among(snaps, node)

    kept = 1.0 - where.feedback
    lines = [
        stage.comparator.line(f"trip{tag}", lambda node: among(senses, node)),
        stage.switch.line(f"snap{tag}", named),
        *(part.line(f"chain{tag}_{k}", named) for k, part in enumerate(stage.chain)),
        volts(f"open{tag}", f"open{tag}", where.open_level / kept),
        ohms(f"open{tag}", f"open{tag}", f"trip{tag}", max(where.resistance / kept, 1e-3)),
        volts(f"top{tag}", f"top{tag}", where.reference),
        ohms(f"top{tag}", f"top{tag}", f"upper{tag}", max(where.reset_resistance, 1e-3)),
    ]
    if where.feedback > 0:
        lines.append(ohms(f"back{tag}", f"gate{tag}", f"trip{tag}", where.resistance / where.feedback))
    if where.capacitance > 0:
        lines.append(f"ctrip{tag} trip{tag} 0 {where.capacitance!r}")
    return lines


def _rails(where: TripPlace) -> list[str]:
    return [volts(f"held{k}", f"held_{node}", v) for k, (node, v) in enumerate(sorted(where.held.items()))]


def output_levels(engine: Engine, stage: TripStage, where: TripPlace) -> dict[str, float]:
    """``low_level`` and ``high_level`` (V) of the comparator's output with what it drives, at rest."""
    elements = [*_rails(where), *_lines(stage, where, ""), volts("lower", "lower", where.trip)]
    elements.append(volts("ramp", "ramp", where.reference))
    engine.load(deck(stage.support, elements, where.temperature), "trip comparator at rest")
    levels = {"low_level": engine.operating_point()["gate"]}
    engine.alter("vramp", where.trip - BEYOND)
    engine.alter("vlower", where.reference)  # that near the capacitor has come when it lets go
    return levels | {"high_level": engine.operating_point()["gate"]}


def close_delays(
    engine: Engine, stage: TripStage, where: TripPlace, slopes: Array, offset: float
) -> tuple[list[float], float]:
    """Delays (s) from the ramp's fall through the trip level until the switch conducts, for slopes in V/s;
    and half the time (s) within which its current grows at the steepest of them.

    By charge: the time that a switch without any delay would take less for what it lets through. The growth
    is taken from the instants of a tenth and of nine tenths, as of a straight line.
    """
    approach = [float(np.clip(slope * REST, 0.02, 1.0)) for slope in slopes]
    begin = START + REST + max(height / slope for height, slope in zip(approach, slopes, strict=True))
    rest = REST + 5e-3 / float(min(slopes))
    elements = _rails(where)
    level = where.open_level + where.feedback * output_levels(engine, stage, where)["low_level"] + offset
    for k, (height, slope) in enumerate(zip(approach, slopes, strict=True)):
        beyond = float(min(slope * rest, BEYOND))
        points = [(0.0, where.reference), (START, level + height)]  # from above, for it has two states
        points += [
            (begin - height / slope, level + height),
            (begin, level),
            (begin + beyond / slope, level - beyond),
        ]
        elements += [*_lines(stage, where, str(k)), piecewise(f"ramp{k}", f"ramp{k}", points)]
        elements.append(volts(f"lower{k}", f"lower{k}", where.trip))
    waves = run(
        engine, stage.support, elements, where.temperature, begin + rest, "trip comparator closes", 200
    )
    delays = []
    for k in range(len(slopes)):
        current = waves[f"vlower{k}#branch"]
        delays.append(integral(waves["time"], 1.0 - current / current[-1], START) - (begin - START))
    share = waves[f"vlower{int(np.argmax(slopes))}#branch"]
    share = share / share[-1]
    ends = [first_crossing(waves["time"], share, level, True, START) for level in (0.1, 0.9)]
    return delays, (ends[1] - ends[0]) / 1.6


@dataclass(frozen=True)
class Opening:
    """How a switch opens, against the times between closing and the ramp's rise through the release level:
    ``delays`` (s) from that rise until it no longer conducts, and by how many volts a capacitor that it found
    at the trip level is then short of the reference (negative), ``short``. ``injected``: by how many volts
    opening moves the capacitor."""

    delays: list[float]
    short: list[float]
    injected: float


def opening(
    engine: Engine, stage: TripStage, where: TripPlace, dwells: Array, offset: float, load: float,
    series: float,
) -> Opening:  # fmt: skip
    """How the switch of a trip stage opens, for times (s) between closing and the rise through the release
    level, and a capacitor ``load`` (F) with ``series`` (Ohm) at the switch."""
    closing = close_delays(engine, stage, where, np.array([STEEP]), offset)[0][0]
    fall = START + REST  # where the ramp passes the trip level
    high = output_levels(engine, stage, where)["high_level"]
    release = where.open_level + where.feedback * high + offset
    foot, top = where.trip - 0.05, max(release + BEYOND, where.reference)
    count, longest = len(dwells), float(max(dwells))

    def stored(k: int, level: float) -> list[str]:
        store = f"store{k}"
        charged = [f"c{store} {store} 0 {load!r}", f".ic v({store})={level!r} v(lower{k})={level!r}"]
        return [ohms(store, f"lower{k}", store, max(series, 1e-3)), *charged]

    ends = [[volts(f"lower{k}", f"lower{k}", where.reference - PROBE)] for k in range(count)]
    ends.append([volts(f"lower{count}", f"lower{count}", where.reference)])  # nothing flows but charge
    ends.append(stored(count + 1, where.reference))
    ends += [stored(count + 2 + k, where.trip) for k in range(count)]
    elements, rises = _rails(where), []
    for k, (dwell, end) in enumerate(zip((*dwells, longest, longest, *dwells), ends, strict=True)):
        begin, slope = fall + max(closing, 0.1 / STEEP), (release - foot) / dwell
        points = [(0.0, where.reference), (START, where.trip + BEYOND)]
        points += [(fall - BEYOND / STEEP, where.trip + BEYOND)]
        points += [(fall + 0.05 / STEEP, foot), (begin, foot), (begin + (top - foot) / slope, top)]
        elements += [*_lines(stage, where, str(k)), piecewise(f"ramp{k}", f"ramp{k}", points), *end]
        rises.append(begin + dwell)
    stop = fall + closing + longest * (top - foot) / (release - foot) + REST
    waves = run(engine, stage.support, elements, where.temperature, stop, "trip comparator lets go", 1000)
    time, delays = waves["time"], []
    own = waves[f"vlower{count}#branch"]
    charge = integral(time, own - own[-1], rises[count])  # that the control pushes through
    for k, rise in enumerate(rises[:count]):
        current = waves[f"vlower{k}#branch"]
        conducting = float(np.interp(rise, time, current)) - current[-1]
        delays.append((integral(time, current - current[-1], rise) - charge) / conducting)
    levels = [float(waves[f"store{k}"][-1]) for k in range(count + 1, 2 * count + 2)]
    return Opening(delays, [level - levels[0] for level in levels[1:]], levels[0] - where.reference)


@dataclass(frozen=True)
class SwitchPlace:
    """A switch with its control at a level (V); ``held`` rails; the reference (V) at its upper end."""

    control: float
    held: Mapping[str, float]
    reference: float
    temperature: float


def switch_currents(
    engine: Engine, stage: TripStage, where: SwitchPlace, levels: Sequence[float]
) -> list[float]:
    """Current (A) from the reference through the switch into its lower end, held at each of ``levels``
    (V)."""
    own = {stage.control: "control", stage.upper: "upper", stage.lower: "lower", "0": "0"}
    line = stage.switch.line("snap", lambda node: own.get(node.lower(), f"held_{node.lower()}"))
    elements = [line, volts("control", "drive", where.control), ohms("control", "drive", "control", GATE)]
    elements.append(volts("upper", "upper", where.reference))
    elements += [volts(f"held{k}", f"held_{n}", v) for k, (n, v) in enumerate(sorted(where.held.items()))]
    elements.append(volts("lower", "lower", levels[0]))
    engine.load(deck(stage.switch.support, elements, where.temperature), "switch alone")
    currents = []
    for level in levels:
        engine.alter("vlower", level)
        currents.append(engine.operating_point()["vlower#branch"])
    return currents


@dataclass(frozen=True)
class FollowerAlone:
    """An amplifier whose output is tied to its inverting input. Nodes of its line, lower case."""

    part: PartAlone
    plus: str
    output: str

    def line(self, plus: str = "in", output: str = "out") -> str:
        """Its element line."""
        own = {self.plus: plus, self.output: output, "0": "0"}
        return self.part.line("follow", lambda node: own.get(node.lower(), f"held_{node.lower()}"))


def follower_figures(
    engine: Engine,
    follower: FollowerAlone,
    held: Mapping[str, float],
    levels: Sequence[float],
    slope: float,
    temperature: float,
) -> tuple[list[float], float, float, float]:
    """Offset (V, output above input) at each level, bias (A, out of the pin, middle level), lag (s) behind a
    ramp that falls by ``slope`` (V/s), and slew rate (V/s) of a rise between the outer levels."""
    rails = [volts(f"held{k}", f"held_{node}", v) for k, (node, v) in enumerate(sorted(held.items()))]
    still = [follower.line(), *rails, volts("in", "in", levels[0])]
    engine.load(deck(follower.part.support, still, temperature), "follower at rest")
    offsets, biases = [], []
    for level in levels:
        engine.alter("vin", level)
        point = engine.operating_point()
        offsets.append(point["out"] - level)
        biases.append(point["vin#branch"])
    low, high = float(levels[0]), float(levels[-1])
    fall = (high - low) / slope
    points = [(0.0, high), (0.1 * fall, high), (1.1 * fall, low), (1.3 * fall, low)]
    waves = run(
        engine, follower.part.support, [follower.line(), *rails, piecewise("in", "in", points)], temperature,
        1.3 * fall, "follower on a ramp", 500,
    )  # fmt: skip
    time, middle = waves["time"], 0.5 * (low + high)
    passes = [first_crossing(time, waves[node], middle + shift, False) for node, shift in
              (("in", 0.0), ("out", offsets[len(levels) // 2]))]  # fmt: skip
    rise = 1e-9
    points = [(0.0, low), (1e-6, low), (1e-6 + rise, high), (101e-6, high)]
    waves = run(
        engine, follower.part.support, [follower.line(), *rails, piecewise("in", "in", points)], temperature,
        101e-6, "follower on a step", 2000,
    )  # fmt: skip
    first, last = (
        first_crossing(waves["time"], waves["out"], low + share * (high - low), True) for share in (0.1, 0.5)
    )
    return offsets, biases[len(levels) // 2], passes[1] - passes[0], 0.4 * (high - low) / (last - first)
