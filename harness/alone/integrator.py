# SPDX-License-Identifier: GPL-3.0-or-later
"""The parts of an integrator core alone: the amplifier, and the trip comparator with the network around it
and the switch that it drives."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import (
    Engine,
    PartAlone,
    deck,
    first_crossing,
    integral,
    ohms,
    piecewise,
    run,
    volts,
)
from harness.predict.integrator_parts import Parts
from harness.predict.network import GROUND

Array = NDArray[np.float64]
OVERDRIVE = 1.0  # V at the input of an amplifier that is to stand at its limit
STEP_TIME = 10e-9  # s
SLEW_RUN = 200e-6  # s: longest time that a step is given
SLEW_STEPS = 2000
CURVE_STEPS = 400
#: V across a switch at which its current is kept
CURVE = np.array([0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.5, 6.0, 8.0, 12.0])
APART = 0.5  # V beyond a trip level: there the comparator has made up its mind
APPROACH = 0.03  # V before a trip level at which a slow ramp begins
SETTLE, REST = 30e-6, 25e-6  # s: before a slow ramp, and after the crossing
DELAY_STEPS = 100
KICK_SHARE, KICK_POINTS, KICK_RUN = 1e-3, 300, 2.0  # what counts of a kick; its points; lengths around it
SLOW = 1.0  # V/s: so slow that no delay counts


@dataclass(frozen=True)
class Amplifier:
    """An amplifier and its pins. ``plus``: V at its non-inverting input; ``held``: node -> V of its rails;
    ``feed`` and ``load``: voltage (V) and resistance (Ohm) that its output works against."""

    part: PartAlone
    nodes: Parts
    plus: float
    held: Mapping[str, float]
    feed: float
    load: float
    temperature: float

    def elements(self) -> list[str]:
        """Its line with nodes ``plus``, ``minus`` and ``output``, its rails, and its load."""
        own = {self.nodes.ramp: "output", self.nodes.minus: "minus", self.nodes.plus: "plus"}
        line = self.part.line("dut", _renamed(own, set(self.held)))
        rails = [
            volts(f"held{k}", _spelled(f"held_{n}"), v) for k, (n, v) in enumerate(sorted(self.held.items()))
        ]
        loaded = [volts("feed", "feed", self.feed), ohms("load", "feed", "output", self.load)]
        return [line, *rails, *(loaded if np.isfinite([self.feed, self.load]).all() else [])]


def _renamed(own: Mapping[str, str], held: set[str]) -> Callable[[str], str]:
    rails = {node: _spelled(f"held_{node}") for node in held}
    return lambda node: own.get(node.lower(), rails.get(node.lower(), node.lower()))


def _spelled(node: str) -> str:
    """A node's name on a bench, where no instance is around it."""
    return node.replace(".", "_")


def amplifier_at_rest(engine: Engine, amplifier: Amplifier, level: float) -> tuple[float, float]:
    """(input offset, V: how far the inverting input stands above the other; bias current, A, out of the
    inverting input) with the output at ``level`` (V), finite gain included."""
    elements = [
        *amplifier.elements(),
        volts("plus", "plus", amplifier.plus),
        f"vshift output minus {float(level - amplifier.plus)!r}",
        f".nodeset v(output)={float(level)!r} v(minus)={amplifier.plus!r}",  # not with its phase reversed
    ]
    engine.load(deck(amplifier.part.support, elements, amplifier.temperature), "amplifier at rest")
    point = engine.operating_point()
    return point["minus"] - amplifier.plus, -point["vshift#branch"]


def amplifier_swing(engine: Engine, amplifier: Amplifier, upwards: bool) -> float:
    """The output (V) of an amplifier driven against its upper or lower limit."""
    side = -OVERDRIVE if upwards else OVERDRIVE
    elements = [
        *amplifier.elements(),
        volts("plus", "plus", amplifier.plus),
        volts("minus", "minus", amplifier.plus + side),
    ]
    engine.load(deck(amplifier.part.support, elements, amplifier.temperature), "amplifier at its limit")
    return engine.operating_point()["output"]


def amplifier_slew(engine: Engine, amplifier: Amplifier, first: float, last: float) -> float:
    """Slew rate (V/s): between 20 % and 80 % of a step of the output from one level (V) to another, as an
    inverter of gain 1."""
    points = [(0.0, 2 * amplifier.plus - first), (1e-6, 2 * amplifier.plus - first)]
    points += [(1e-6 + STEP_TIME, 2 * amplifier.plus - last), (SLEW_RUN, 2 * amplifier.plus - last)]
    elements = [
        *amplifier.elements(),
        volts("plus", "plus", amplifier.plus),
        piecewise("step", "step", points),
        ohms("in", "step", "minus", 10e3),
        ohms("back", "output", "minus", 10e3),
    ]
    waves = run(
        engine,
        amplifier.part.support,
        elements,
        amplifier.temperature,
        SLEW_RUN,
        "amplifier step",
        SLEW_STEPS,
    )
    up = last > first
    early, late = (
        first_crossing(waves["time"], waves["output"], first + share * (last - first), up, 1e-6)
        for share in (0.2, 0.8)
    )
    return 0.6 * abs(last - first) / (late - early)


@dataclass(frozen=True)
class Trip:
    """The trip comparator with the parts around it and its switch.

    ``around``: resistors, capacitors and diodes that join its pins, gate and ramp; ``held``: node -> V of all
    that they and the comparator hang on; ``ground``: V of the virtual ground; ``resistance`` (Ohm): in series
    with the switch.
    """

    comparator: PartAlone
    switch: PartAlone
    around: tuple[PartAlone, ...]
    support: tuple[str, ...]
    nodes: Parts
    held: Mapping[str, float]
    ground: float
    resistance: float
    temperature: float

    def elements(self, tag: str = "", path: str = "path") -> list[str]:
        """Their lines with nodes of their own; the ramp's is ``ramp``, the switch's resistor hangs on
        ``path`` and its current flows into ``vground``; what parts around them bring to the virtual
        ground flows into ``vsumming``."""
        own = {
            node: _spelled(f"n{tag}_{node}")
            for alone in self.around
            for node in alone.part.nodes
            if node not in self.held
        }
        own |= {
            n: _spelled(f"n{tag}_{n}")
            for n in (self.nodes.sense, self.nodes.level, self.nodes.output, self.nodes.gate)
        }
        own = {node: name for node, name in own.items() if node not in self.held and node != GROUND}
        own |= {self.nodes.ramp: f"ramp{tag}", self.nodes.minus: f"summing{tag}"}
        tie = _renamed(own, set(self.held))
        lines = [self.comparator.line(f"trip{tag}", tie)]
        lines += [alone.line(f"around{tag}_{k}", tie) for k, alone in enumerate(self.around)]
        ends = {self.nodes.gate: own.get(self.nodes.gate, tie(self.nodes.gate))}
        ends |= {self.nodes.minus: f"ground{tag}", self.nodes.far: f"far{tag}"}
        lines.append(self.switch.line(f"switch{tag}", lambda node: ends.get(node.lower(), tie(node))))
        lines.append(ohms(f"path{tag}", path, f"far{tag}", max(self.resistance, 1e-3)))
        if self.leads_to_ground:
            lines.append(volts(f"summing{tag}", f"summing{tag}", self.ground))
        return [*lines, volts(f"ground{tag}", f"ground{tag}", self.ground)]

    @property
    def leads_to_ground(self) -> bool:
        """Whether a part around them, such as a resistor at the gate, ends at the virtual ground."""
        return any(self.nodes.minus in map(str.lower, alone.part.nodes) for alone in self.around)

    def rails(self) -> list[str]:
        """What they hang on."""
        return [
            volts(f"held{k}", _spelled(f"held_{n}"), v) for k, (n, v) in enumerate(sorted(self.held.items()))
        ]

    def output(self, tag: str = "") -> str:
        """Name of the comparator's output node."""
        return _spelled(f"n{tag}_{self.nodes.output}")

    def before(self, end: float, start: float) -> float:
        """A level of the ramp (V) on the far side of the end of the reset: there the sweep goes on."""
        return start - APART if end > start else start + APART

    def beyond(self, end: float, start: float) -> float:
        """A level of the ramp (V) on the far side of the end of the sweep: there the reset goes on."""
        return end + APART if end > start else end - APART


def sweeping_figures(engine: Engine, trip: Trip, end: float, start: float) -> tuple[float, float]:
    """(saturation, V: the comparator's output above what it pulls down to; leakage, A, of the open switch
    and of what hangs on its gate into the virtual ground) during a sweep from ``start`` to ``end`` (V)."""
    elements = [*trip.elements(), *trip.rails(), volts("ramp", "ramp", trip.before(end, start))]
    elements.append(volts("path", "path", 0.5 * (start + end)))
    engine.load(deck(trip.support, elements, trip.temperature), "trip during the sweep")
    point = engine.operating_point()
    leakage = point["vground#branch"] + point.get("vsumming#branch", 0.0)
    return point[trip.output()] - trip.held.get(trip.nodes.reference, 0.0), leakage


def switch_curve(engine: Engine, trip: Trip, end: float, start: float) -> Array:
    """Currents (A) through the closed switch at the voltages :data:`CURVE` across it, counted from its higher
    end, its gate driven as during a reset from ``end`` to ``start`` (V)."""
    elements = [*trip.elements(), *trip.rails(), volts("ramp", "ramp", end), "epath path 0 ramp 0 1"]
    engine.load(deck(trip.support, elements, trip.temperature), "switch alone")
    first = trip.beyond(end, start)
    last = start + 0.02 * (end - start)
    waves = engine.dc_sweep("vramp", first, last, (last - first) / CURVE_STEPS)
    current = waves["vground#branch"]
    across = waves["sweep"] - trip.ground - max(trip.resistance, 1e-3) * current
    side = np.sign(end - trip.ground)
    across, current = side * across[::-1], side * current[::-1]
    known: Array = np.interp(CURVE, across, current)
    below, above = across[0] > CURVE, across[-1] < CURVE
    known[below] = current[0] * CURVE[below] / across[0]
    slope = max((current[-1] - current[-2]) / (across[-1] - across[-2]), 1e-9)
    known[above] = current[-1] + slope * (CURVE[above] - across[-1])
    return known


@dataclass(frozen=True)
class Turn:
    """How a trip answers: ``delay`` (s) until the switch has closed or opened, by charge; ``gate`` (C): what
    its gate pushes into the virtual ground; ``time`` (s) and ``current`` (A) of that."""

    delay: float
    gate: float
    time: Array
    current: Array


def turns(
    engine: Engine, trip: Trip, slopes: Sequence[float], level: float, closing: bool, end: float, start: float
) -> list[Turn]:
    """How the trip turns on ramps of these slopes (V/s, positive) through ``level`` (V).

    Two equal trips see each ramp: across the switch of one stands the voltage of that level, across the other
    none, so that what flows there is the gate's charge alone. The delay is the time that a switch without any
    would need to take the same charge.
    """
    away = np.sign(end - start) * (1.0 if closing else -1.0)
    outside = trip.before(end, start) if closing else trip.beyond(end, start)
    found = []
    for slope in slopes:
        begin = SETTLE + APPROACH / slope
        stop = begin + REST + 0.1 * APPROACH / slope
        near = level - away * APPROACH
        points = [(0.0, outside), (1e-6, outside), (0.3 * SETTLE, near), (SETTLE, near)]
        points.append((stop, level + away * (stop - begin) * slope))
        elements = [*trip.elements("a", "patha"), *trip.elements("b", "pathb"), *trip.rails()]
        elements += [piecewise("ramp", "ramp", points), "erampa rampa 0 ramp 0 1", "erampb rampb 0 ramp 0 1"]
        elements += [volts("patha", "patha", level), volts("pathb", "pathb", trip.ground)]
        waves = run(engine, trip.support, elements, trip.temperature, stop, "trip delays", DELAY_STEPS)
        time, gate = waves["time"], waves["vgroundb#branch"]
        through = waves["vgrounda#branch"] - gate
        quiet = float(np.interp(SETTLE, time, gate))
        conducting = through[-1] if closing else float(np.interp(SETTLE, time, through))
        share = 1.0 - through / conducting if closing else through / conducting
        delay = integral(time, share, SETTLE) - (begin - SETTLE)
        found.append(Turn(delay, integral(time, gate - quiet, SETTLE), time, gate - quiet))
    return found


def amplifier_kick(
    engine: Engine, amplifier: Amplifier, capacitance: float, turn: Turn
) -> tuple[float, float]:
    """How far (V) below and above its levels before and after the output goes while the gate's charge flows
    into the virtual ground: for a moment the amplifier does not follow."""
    inside = turn.time > SETTLE
    moving = np.flatnonzero(np.abs(turn.current) > KICK_SHARE * np.abs(turn.current[inside]).max(initial=0.0))
    first, last = moving[moving >= np.argmax(inside)][[0, -1]]
    shown = np.unique(
        np.linspace(max(first - 2, 0), min(last + 2, len(turn.time) - 1), KICK_POINTS).astype(int)
    )
    lead = KICK_RUN * (turn.time[shown[-1]] - turn.time[shown[0]])
    time = turn.time[shown] - turn.time[shown[0]] + lead
    points = [(0.0, 0.0), *zip(time, turn.current[shown], strict=True), (time[-1] + lead, 0.0)]
    text = " ".join(f"{float(t)!r} {float(i)!r}" for t, i in points)
    elements = [
        *amplifier.elements(),
        volts("plus", "plus", amplifier.plus),
        f"cback output minus {float(capacitance)!r}",
        ohms("back", "output", "minus", KICK_RUN * 1e3 * (time[-1] + lead) / capacitance),
        f"ikick 0 minus pwl({text})",
    ]
    stop = time[-1] + lead
    waves = run(
        engine, amplifier.part.support, elements, amplifier.temperature, stop, "gate kick", SLEW_STEPS
    )
    output = waves["output"]
    ends = output[0], output[-1]
    return max(min(ends) - float(output.min()), 0.0), max(float(output.max()) - max(ends), 0.0)


def turning_level(engine: Engine, trip: Trip, guess: float, end: float, start: float) -> float:
    """The ramp's level (V) at which a sweep ends, however slow; ``guess`` (V) is to be close to it."""
    turn = turns(engine, trip, [SLOW], guess, True, end, start)[0]
    return guess + float(np.sign(end - start)) * SLOW * turn.delay
