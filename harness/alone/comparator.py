# SPDX-License-Identifier: GPL-3.0-or-later
"""A comparator alone: bias, offset, output curve, leakage, supply current, and delays against slope.

The pins are told apart by the nodes of its line: the one that sees the ramp, the one that sees the level it
is compared with, the output, and the rest, which are held at the voltages that the drawing gives them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import (
    Engine,
    PartAlone,
    among,
    deck,
    first_crossing,
    integral,
    ohms,
    piecewise,
    run,
    volts,
)

Array = NDArray[np.float64]
BIAS_SWING = 1.0  # V on either side of the level
FINE, FINE_STEP, COARSE_STEP = 0.6, 0.02, 0.25  # V: output curve
REST_AFTER = 25e-6  # s: what a run gives the output to answer
OFFSET_SPAN, OFFSET_STEP = 20e-3, 0.2e-3  # V
LEAST_STEP = 0.5  # V between the states of an output that drives both ways
LET_GO = 0.1  # of the current of a conducting output; what an output takes in that is off is far less


@dataclass(frozen=True)
class Pins:
    """Nodes of the comparator's line by what they do. ``held``: node -> V for all that is neither input nor
    output; ``reference``: the node that the output pulls down to, where that is not the lowest of them."""

    ramp: str
    level: str
    output: str
    held: Mapping[str, float]
    reference: str | None = None


@dataclass(frozen=True)
class Switch:
    """A switch transistor driven by the comparator: its pins, and the resistor that feeds its drain."""

    part: PartAlone
    gate: str
    drain: str
    source: str
    resistance: float


@dataclass(frozen=True)
class Feedback:
    """What holds the level where the output has a say in it: ``source`` (V) through ``series`` (Ohm), the
    output through ``feedback`` (Ohm), and ``capacitance`` (F) to what stands still."""

    source: float
    series: float
    feedback: float
    capacitance: float


@dataclass(frozen=True)
class Surroundings:
    """What the comparator works with: level at its inputs (V), voltage and resistance that load its output;
    an infinite resistance is no load."""

    level: float
    feed: float
    resistance: float
    temperature: float
    held: Mapping[str, float] = field(default_factory=dict)
    feedback: Feedback | None = None

    def without_feedback(self) -> Surroundings:
        """The same with the load of the output less what the feedback makes of it."""
        if self.feedback is None:
            return self
        through = 1.0 / (self.feedback.series + self.feedback.feedback)
        rest = 1.0 / self.resistance - through
        if rest <= 1e-6 * through:
            return replace(self, feed=0.0, resistance=float("inf"))
        feed = (self.feed / self.resistance - self.feedback.source * through) / rest
        return replace(self, feed=feed, resistance=1.0 / rest)


@dataclass(frozen=True)
class Span:
    """Output voltages (V) of an output curve, from the lowest pin to ``highest``: close together near the
    bottom, which ``moves`` by so many V between the surroundings."""

    lowest: float
    highest: float
    moves: float = 0.0

    @property
    def fine(self) -> Array:
        """The voltages near the bottom."""
        count = round((FINE + self.moves) / FINE_STEP) + 1
        return np.asarray(self.lowest + FINE_STEP * np.arange(count), dtype=float)

    @property
    def coarse(self) -> Array:
        """Those above."""
        start = self.fine[-1] + COARSE_STEP
        count = max(int((self.highest - start) / COARSE_STEP + 1e-6) + 1, 2)
        return np.asarray(start + COARSE_STEP * np.arange(count), dtype=float)

    @property
    def voltages(self) -> Array:
        """All of them, rising."""
        return np.concatenate([self.fine, self.coarse])


def span_of(pins: Pins, cells: Iterable[Surroundings], feed: Array) -> Span:
    """The span of an output that hangs on ``feed`` (V), the same for all surroundings."""
    highest = 1.05 * float(feed[np.isfinite(feed)].max())
    if pins.reference is not None:
        usual = pins.held.get(pins.reference, 0.0)
        bottoms = [usual, *(cell.held.get(pins.reference, usual) for cell in cells)]
        return Span(min(bottoms), highest, max(bottoms) - min(bottoms))
    return Span(min([0.0, *pins.held.values(), *(v for cell in cells for v in cell.held.values())]), highest)


def instance(comparator: PartAlone, pins: Pins, name: str, tag: str) -> str:
    """The comparator's line with nodes ``ramp<tag>``, ``level<tag>``, ``output<tag>``; shared nodes for the
    rest."""
    own = {pins.ramp: f"ramp{tag}", pins.level: f"level{tag}", pins.output: f"output{tag}"}
    return comparator.line(
        name, lambda node: own.get(node.lower(), f"held_{node.lower()}" if node != "0" else "0")
    )


def held_pins(pins: Pins, where: Surroundings) -> list[str]:
    voltages = {**pins.held, **where.held}
    return [volts(f"held{k}", f"held_{node}", v) for k, (node, v) in enumerate(sorted(voltages.items()))]


def _at_rest(comparator: PartAlone, pins: Pins, where: Surroundings) -> list[str]:
    """The comparator with both inputs at the level and its output on its resistor."""
    elements = [
        instance(comparator, pins, "dut", ""),
        *held_pins(pins, where),
        volts("ramp", "ramp", where.level),
        volts("level", "level", where.level),
        *_load(where, ""),
    ]
    return deck(comparator.support, elements, where.temperature)


def _load(where: Surroundings, tag: str) -> list[str]:
    """The resistor that loads the output, and its feed where that is the only output (no ``tag``)."""
    feed = [] if tag else [volts("feed", "feed", where.feed)]
    if not np.isfinite(where.resistance):
        return feed
    return [*feed, ohms(f"load{tag}", "feed", f"output{tag}", where.resistance)]


def _turned(engine: Engine, where: Surroundings) -> float:
    """The input difference (V, ramp above level) at which the loaded comparator turns; NaN where it does not.

    A sweep that is looked at again where the output turns, for a sharp comparator turns between two points.
    """
    span, step, place = OFFSET_SPAN, OFFSET_STEP, where.level
    for _ in range(2):
        swept = engine.dc_sweep("vramp", place - span, place + span, step)
        inputs, output = swept["sweep"], swept["output"]
        if abs(output[-1] - output[0]) < 1e-3:
            return float("nan")
        middle = 0.5 * (output[0] + output[-1])
        place = first_crossing(inputs, output, middle, bool(output[-1] > output[0]), inputs[0])
        span, step = 1.5 * step, step / 50
    return place - where.level


def turning_point(engine: Engine, comparator: PartAlone, pins: Pins, where: Surroundings) -> float:
    """The input difference (V) at which the comparator turns at rest, 0 where that lies beyond 20 mV
    (hysteresis)."""
    engine.load(_at_rest(comparator, pins, where), "comparator input sweep")
    return float(np.nan_to_num(_turned(engine, where)))


def rest_figures(
    engine: Engine,
    comparator: PartAlone,
    pins: Pins,
    where: Surroundings,
    high_below: bool,
    driven: bool = False,
) -> dict[str, float]:
    """Bias currents (A, out of the pins), offset (V, ramp above level where it turns), leakage (A, into the
    output; NaN where the output does not let go), sense (1 where the output is off, or high, while the ramp
    is above the level, -1 below, 0 where it is the same on both sides).

    ``high_below``: the output is off while the ramp is below the level; ``driven``: it drives both ways.
    """
    engine.load(_at_rest(comparator, pins, where), "comparator at rest")
    figures = {"offset": _turned(engine, where)}
    currents, levels = {}, {}
    for name, difference in (("below", -BIAS_SWING), ("near", -OFFSET_SPAN), ("above", BIAS_SWING)):
        engine.alter("vramp", where.level + difference)
        point = engine.operating_point()
        figures[f"bias_ramp_{name}"] = point["vramp#branch"]
        figures[f"bias_level_{name}"] = point["vlevel#branch"]
        levels[name] = point["output"]
        currents[name] = (where.feed - point["output"]) / where.resistance
    lets_go = {
        off: abs(currents[off]) < LET_GO * abs(currents[on])
        for off, on in (("below", "above"), ("above", "below"))
    }
    off = "below" if high_below else "above"
    figures["sense"] = float(lets_go["above"]) - float(lets_go["below"])
    if driven:
        step = levels["above"] - levels["below"]
        figures["sense"] = float(np.sign(step)) if abs(step) > LEAST_STEP else 0.0
    return figures | {"leakage": currents[off] if lets_go[off] else float("nan")}


def output_curve(
    engine: Engine, comparator: PartAlone, pins: Pins, where: Surroundings, high_below: bool, span: Span
) -> Array:
    """The currents (A) that the conducting output takes in at the voltages of a span."""
    on = BIAS_SWING if high_below else -BIAS_SWING
    elements = [
        instance(comparator, pins, "dut", ""),
        *held_pins(pins, where),
        volts("ramp", "ramp", where.level + on),
        volts("level", "level", where.level),
        volts("out", "output", 0.0),
    ]
    engine.load(deck(comparator.support, elements, where.temperature), "comparator output curve")
    parts = [
        engine.dc_sweep("vout", knots[0], knots[-1] + 1e-3 * step, step)["vout#branch"]
        for knots, step in ((span.fine, FINE_STEP), (span.coarse, COARSE_STEP))
    ]
    return -np.concatenate(parts)


@dataclass(frozen=True)
class Answer:
    """What a comparator did after one crossing: ``delay`` to the 50 % level and ``edge`` from 10 % to 90 %
    (s)."""

    delay: float
    edge: float


def answers(
    engine: Engine,
    comparator: PartAlone,
    pins: Pins,
    where: Surroundings,
    cases: Sequence[tuple[float, float]],
    load: float,
    offset: float = 0.0,
    steps: int = 50,
    rest: float = REST_AFTER,
) -> list[Answer]:
    """How the output follows ramps of (slope in V/s, direction +1 or -1) through the level, offset included.

    The output hangs on its resistor and ``load`` (F); ``steps``: least number of steps; ``rest``: s that it
    gets to answer. NaN where it does not turn.
    """

    alone = where.without_feedback()

    def hang(tag: str) -> list[str]:
        lines = _load(alone, tag)
        return [*lines, f"cload{tag} output{tag} 0 {float(load)!r}"] if load > 0 else lines

    tau = where.resistance * load if np.isfinite(where.resistance) else 0.0
    settling = 10 * tau + load * abs(where.feed) / 2e-3
    waves, begin = _race(engine, comparator, pins, where, cases, hang, rest=rest + settling, steps=steps)
    found = []
    for k, (slope, direction) in enumerate(cases):
        output = waves[f"output{k}"]
        first, last = output[0], output[-1]
        at10, at50, at90 = (
            first_crossing(waves["time"], output, first + share * (last - first), bool(last > first))
            for share in (0.1, 0.5, 0.9)
        )
        later = direction * (offset + waves[f"level{k}"][0] - where.level) / slope
        found.append(Answer(at50 - begin - later, at90 - at10))
    return found


def switching_delays(
    engine: Engine,
    comparator: PartAlone,
    pins: Pins,
    where: Surroundings,
    switches: Sequence[Switch],
    slopes: Array,
    rising: bool,
    offset: float = 0.0,
) -> list[float]:
    """Delays (s) from the input's crossing until the first switch closes (``rising``) or opens, by charge.

    The comparator drives the gates through its pull-up; every drain hangs on its resistor from the level. The
    delay is the time that a switch without any would need to take the same charge.
    """
    direction = 1.0 if rising else -1.0

    def load(tag: str) -> list[str]:
        lines = [ohms(f"load{tag}", "feed", f"output{tag}", where.resistance)]
        for k, switch in enumerate(switches):
            nodes = {switch.gate: f"output{tag}", switch.drain: f"drain{tag}_{k}", switch.source: "0"}
            lines.append(switch.part.line(f"switch{tag}_{k}", among(nodes)))
            lines.append(volts(f"drain{tag}_{k}", f"top{tag}_{k}", where.level))
            lines.append(
                ohms(f"drain{tag}_{k}", f"top{tag}_{k}", f"drain{tag}_{k}", max(switch.resistance, 1.0))
            )
        return lines

    cases = [(s, direction) for s in slopes]
    support = [line for switch in switches for line in switch.part.support]
    waves, begin = _race(engine, comparator, pins, where, cases, load, support)
    found = []
    for k, (slope, _) in enumerate(cases):
        current = -waves[f"vdrain{k}_0#branch"]
        crossing = begin + direction * offset / slope
        conducting = current[-1] if rising else current[0]
        share = 1.0 - current / conducting if rising else current / conducting
        found.append(integral(waves["time"], share, crossing))
    return found


def _moved(where: Surroundings) -> float:
    """How far (V) feedback may hold the level from where it was meant to be: the largest swing's share."""
    if where.feedback is None:
        return 0.0
    volts_around = [0.0, where.feed, *where.held.values()]
    share = where.feedback.series / (where.feedback.series + where.feedback.feedback)
    return 1.2 * share * (max(volts_around) - min(volts_around))


def _level(where: Surroundings, tag: str) -> list[str]:
    """What holds the level of one of the comparators side by side."""
    if where.feedback is None:
        return [volts(f"level{tag}", f"level{tag}", where.level)]
    feedback = where.feedback
    lines = [
        volts(f"source{tag}", f"source{tag}", feedback.source),
        ohms(f"series{tag}", f"source{tag}", f"level{tag}", feedback.series),
        ohms(f"feedback{tag}", f"output{tag}", f"level{tag}", feedback.feedback),
    ]
    if feedback.capacitance > 0:
        lines.append(f"clevel{tag} level{tag} 0 {feedback.capacitance!r}")
    return lines


def _race(
    engine: Engine,
    comparator: PartAlone,
    pins: Pins,
    where: Surroundings,
    cases: Sequence[tuple[float, float]],
    load: Callable[[str], list[str]],
    extra_support: Sequence[str] = (),
    rest: float = REST_AFTER,
    steps: int = 50,
) -> tuple[dict[str, Array], float]:
    """Comparators side by side, every input crossing its level at the same instant. Gives waves and that
    instant."""
    moved = _moved(where)
    approach = [moved + float(np.clip(slope * 60e-6, 0.1, 2.0)) for slope, _ in cases]
    rest = rest + moved / min(slope for slope, _ in cases)
    begin = 1e-6 + max(height / slope for height, (slope, _) in zip(approach, cases, strict=True))
    elements = [*held_pins(pins, where), volts("feed", "feed", where.feed)]
    if not np.isfinite(where.resistance):
        elements.pop()
    for k, (height, (slope, direction)) in enumerate(zip(approach, cases, strict=True)):
        tag, level = str(k), where.level
        beyond = min(slope * rest, height)
        points = [
            (0.0, level - direction * height),
            (begin - height / slope, level - direction * height),
            (begin, level),
            (begin + beyond / slope, level + direction * beyond),
        ]
        elements += [
            instance(comparator, pins, f"dut{tag}", tag),
            piecewise(f"ramp{tag}", f"ramp{tag}", points),
        ]
        elements += [*_level(where, tag), *load(tag)]
    support = [*comparator.support, *extra_support]
    stop = begin + rest
    return run(engine, support, elements, where.temperature, stop, "comparator delays", steps), begin
