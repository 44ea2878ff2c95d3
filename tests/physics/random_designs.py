# SPDX-License-Identifier: GPL-3.0-or-later
"""Random ramp cores and slicing stages, each written down twice: as a netlist and as differential equations.

Both come from the same drawn numbers and from Kirchhoff's laws by hand; neither is made from the other. Where
a closed form of the package covers the design, its period and duty stand beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from switched_systems import Switch, System

from harness.predict.core import ChargedCapacitor, pulse_source
from harness.predict.ramp import Ramp
from harness.predict.stage import duty

Draw = np.random.Generator
LN2 = math.log(2.0)
PULL = 5.0  # V: supply of the output's pull-up


@dataclass(frozen=True)
class Design:
    """``deck``: the netlist, nodes ramp, thr and out. ``predicted``: ramp, and duty, in closed form."""

    family: str
    deck: tuple[str, ...]
    system: System
    period: float
    ramp_level: float
    predicted: Callable[[], tuple[Ramp, float]] | None = None


def decade(draw: Draw, low: float, high: float) -> float:
    """A number between two powers of ten, even in its logarithm."""
    return float(10 ** draw.uniform(low, high))


@dataclass(frozen=True)
class Output:
    """An open-collector output: a switch (Ohm) to ground, a pull-up (Ohm) to ``PULL``, a load (F)."""

    pull: float
    sink: float
    load: float

    @classmethod
    def drawn(cls, draw: Draw, period: float) -> Output:
        pull = decade(draw, 3.0, 4.0)
        return cls(pull, decade(draw, 1.0, 2.0), period * decade(draw, -5.0, -2.8) / pull)

    @property
    def low(self) -> float:
        return PULL * self.sink / (self.pull + self.sink)

    @property
    def middle(self) -> float:
        return (PULL + self.low) / 2

    @property
    def rise_delay(self) -> float:
        """To 50 % through the pull-up (s)."""
        return LN2 * self.pull * self.load

    @property
    def fall_delay(self) -> float:
        """To 50 % through switch and pull-up in parallel (s)."""
        return LN2 * self.load / (1 / self.pull + 1 / self.sink)

    def slope(self, out: float, conducts: bool) -> float:
        """V/s."""
        return ((PULL - out) / self.pull - (out / self.sink if conducts else 0.0)) / self.load

    def lines(self, control: str) -> list[str]:
        return [
            f"Vpull pull 0 {PULL!r}",
            f"Rpull pull out {self.pull!r}",
            f"Cload out 0 {self.load!r}",
            f"Sslice out 0 {control} slicer",
            f".model slicer SW(vt=0 vh=0 ron={self.sink!r} roff=1e15)",
        ]


def slicer(threshold: float, high_below: bool) -> tuple[str, Switch]:
    """The controlling nodes of the output's switch, and the same switch for the equations."""
    if high_below:
        return "ramp thr", Switch(lambda x, _: x[0] - threshold, 0.0, 0.0)
    return "thr ramp", Switch(lambda x, _: threshold - x[0], 0.0, 0.0)


def one(value: float) -> np.ndarray:
    return np.array([value])


def lag(seconds: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda slope: np.full_like(slope, seconds)


def width(ramp: Ramp, threshold: float, high_below: bool, **delays: Any) -> float:
    return float(duty(ramp, (one(threshold), one(threshold)), high_below, **delays)[0])


@dataclass(frozen=True)
class Snap:
    """A capacitor with a leak, charged by a current and emptied by a switch with two levels."""

    period: float
    capacitance: float
    current: float
    leak: float
    reset: float
    low: float
    high: float
    threshold: float

    @classmethod
    def drawn(cls, draw: Draw) -> Snap:
        period, capacitance = decade(draw, -5.0, -0.5), decade(draw, -9.0, -7.5)
        low, high = float(draw.uniform(0.3, 1.0)), float(draw.uniform(4.0, 9.0))
        current = capacitance * (high - low) / period
        leak = high / current * decade(draw, 0.7, 3.0)
        reset = period * decade(draw, -4.0, -2.0) / capacitance
        threshold = low + (high - low) * float(draw.uniform(0.08, 0.92))
        return cls(period, capacitance, current, leak, reset, low, high, threshold)

    def slope(self, ramp: float, empties: bool) -> float:
        taken = ramp / self.leak + (ramp / self.reset if empties else 0.0)
        return (self.current - taken) / self.capacitance

    def lines(self) -> list[str]:
        middle, half = (self.low + self.high) / 2, (self.high - self.low) / 2
        return [
            f"Icharge 0 ramp {self.current!r}",
            f"Cramp ramp 0 {self.capacitance!r}",
            f"Rleak ramp 0 {self.leak!r}",
            "Sreset ramp 0 ramp 0 reset",
            f".model reset SW(vt={middle!r} vh={half!r} ron={self.reset!r} roff=1e15)",
            f"Vthr thr 0 {self.threshold!r}",
            ".ic v(ramp)=0.2",
        ]

    def switch(self) -> Switch:
        return Switch(lambda x, _: x[0], self.high, self.low)

    def ramp(self) -> Ramp:
        return ChargedCapacitor(
            one(self.capacitance), one(self.current), one(self.high), one(self.low), one(self.reset),
            one(1 / self.leak),
        ).ramp()  # fmt: skip


def snapped(draw: Draw) -> Design:
    """Core with a switch of two levels; an open-collector stage on either side of the threshold."""
    core, below = Snap.drawn(draw), bool(draw.integers(2))
    output = Output.drawn(draw, core.period)
    control, slicing = slicer(core.threshold, below)
    system = System(
        (0.2, PULL), lambda x, s: [core.slope(x[0], s[0]), output.slope(x[1], s[1])],
        (core.switch(), slicing), core.period, (core.low + core.high) / 2, 1, output.middle,
    )  # fmt: skip

    def predicted() -> tuple[Ramp, float]:
        edges = {"fall_edge": output.fall_delay, "rise_edge": output.rise_delay}
        return core.ramp(), width(core.ramp(), core.threshold, below, **edges)

    deck = (*core.lines(), *output.lines(control))
    return Design("snapped", deck, system, core.period, system.ramp_level, predicted)


def falling(draw: Draw) -> Design:
    """The same upside down: a current draws the ramp down from a rail that a switch ties it to again."""
    core, below = Snap.drawn(draw), bool(draw.integers(2))
    rail = core.low + core.high
    output = Output.drawn(draw, core.period)
    threshold = rail - core.threshold
    control, slicing = slicer(threshold, below)
    middle, half = (core.low + core.high) / 2, (core.high - core.low) / 2
    deck = (
        f"Vrail rail 0 {rail!r}",
        f"Idraw ramp 0 {core.current!r}",
        f"Cramp ramp 0 {core.capacitance!r}",
        f"Rleak ramp rail {core.leak!r}",
        "Sreset rail ramp rail ramp reset",
        f".model reset SW(vt={middle!r} vh={half!r} ron={core.reset!r} roff=1e15)",
        f"Rupper rail thr {10e3 * (rail - threshold)!r}",
        f"Rlower thr 0 {10e3 * threshold!r}",
        f".ic v(ramp)={rail - 0.2!r}",
        *output.lines(control),
    )
    system = System(
        (rail - 0.2, PULL), lambda x, s: [-core.slope(rail - x[0], s[0]), output.slope(x[1], s[1])],
        (Switch(lambda x, _: rail - x[0], core.high, core.low), slicing),
        core.period, middle, 1, output.middle,
    )  # fmt: skip

    def predicted() -> tuple[Ramp, float]:  # seen from the rail: the far side of the threshold
        edges = {"fall_edge": output.fall_delay, "rise_edge": output.rise_delay}
        return core.ramp(), width(core.ramp(), core.threshold, not below, **edges)

    return Design("falling", deck, system, core.period, middle, predicted)


def lagging_trip(draw: Draw) -> Design:
    """A comparator whose output charges the reset switch's gate through a resistor; the same gate pulls a
    divider down, which sets the two trip levels."""
    period, capacitance = decade(draw, -5.0, -0.5), decade(draw, -9.0, -7.5)
    supply, low, high = 15.0, float(draw.uniform(0.5, 1.0)), float(draw.uniform(5.0, 8.0))
    current = capacitance * (high - low) / period
    reset = period * decade(draw, -3.7, -2.3) / capacitance
    gate_pull, gate_sink, pull_sink = 10e3, 100.0, 50.0
    gate_load = period * decade(draw, -4.5, -2.7) / gate_pull
    upper, lower = 100e3, 100e3 * high / (supply - high)
    foot = (
        1 / ((supply - low) / low / upper - 1 / lower) - pull_sink
    )  # low = supply times the divider's share
    threshold = low + (high - low) * float(draw.uniform(0.1, 0.9))
    below = bool(draw.integers(2))
    output = Output.drawn(draw, period)
    control, slicing = slicer(threshold, below)

    def trip(pulled: bool) -> float:
        return supply / upper / (1 / upper + 1 / lower + (1 / (foot + pull_sink) if pulled else 0.0))

    def law(x: np.ndarray, s: tuple[bool, ...]) -> list[float]:
        holds, empties, _, conducts = s
        return [
            (current - (x[0] / reset if empties else 0.0)) / capacitance,
            output.slope(x[1], conducts),
            ((PULL - x[2]) / gate_pull - (x[2] / gate_sink if holds else 0.0)) / gate_load,
        ]

    switches = (
        Switch(lambda x, s: trip(s[2]) - x[0], 0.0, 0.0),
        Switch(lambda x, _: x[2], 3.0, 2.0),
        Switch(lambda x, _: x[2], 2.6, 2.4),
        slicing,
    )
    deck = (
        f"Vcc vcc 0 {supply!r}",
        f"Icharge 0 ramp {current!r}",
        f"Cramp ramp 0 {capacitance!r}",
        f"Rupper vcc trip {upper!r}",
        f"Rlower trip 0 {lower!r}",
        f"Rfoot trip foot {foot!r}",
        "Spull foot 0 gate 0 puller",
        f"Rgate pull gate {gate_pull!r}",
        f"Cgate gate 0 {gate_load!r}",
        "Strip gate 0 trip ramp tripping",
        "Sreset ramp 0 gate 0 emptying",
        f".model tripping SW(vt=0 vh=0 ron={gate_sink!r} roff=1e15)",
        f".model emptying SW(vt=2.5 vh=0.5 ron={reset!r} roff=1e15)",
        f".model puller SW(vt=2.5 vh=0.1 ron={pull_sink!r} roff=1e15)",
        f"Vthr thr 0 {threshold!r}",
        ".ic v(ramp)=0.2 v(gate)=0",
        *output.lines(control),
    )
    system = System((0.2, PULL, 0.0), law, switches, period, (low + high) / 2, 1, output.middle)
    return Design("lagging trip", deck, system, period, system.ramp_level)


def relaxation(draw: Draw) -> Design:
    """A capacitor charged through two resistors and emptied through the lower one: a curved sweep."""
    supply, capacitance = float(draw.uniform(9.0, 15.0)), decade(draw, -9.0, -7.5)
    low, high = supply * float(draw.uniform(0.2, 0.35)), supply * float(draw.uniform(0.6, 0.75))
    period, sink = decade(draw, -5.0, -0.5), 20.0
    total = period / capacitance / math.log((supply - low) / (supply - high))
    lower = total * decade(draw, -2.5, -0.5)
    upper = total - lower
    threshold = low + (high - low) * float(draw.uniform(0.1, 0.9))
    below = bool(draw.integers(2))
    output = Output.drawn(draw, period)
    control, slicing = slicer(threshold, below)

    def law(x: np.ndarray, s: tuple[bool, ...]) -> list[float]:
        if s[0]:
            joint = (supply / upper + x[0] / lower) / (1 / upper + 1 / lower + 1 / sink)
            current = (joint - x[0]) / lower
        else:
            current = (supply - x[0]) / total
        return [current / capacitance, output.slope(x[1], s[1])]

    middle, half = (low + high) / 2, (high - low) / 2
    deck = (
        f"Vcc vcc 0 {supply!r}",
        f"Rcharge vcc joint {upper!r}",
        f"Rempty joint ramp {lower!r}",
        f"Cramp ramp 0 {capacitance!r}",
        "Sempty joint 0 ramp 0 emptying",
        f".model emptying SW(vt={middle!r} vh={half!r} ron={sink!r} roff=1e15)",
        f"Vthr thr 0 {threshold!r}",
        ".ic v(ramp)=1",
        *output.lines(control),
    )
    switches = (Switch(lambda x, _: x[0], high, low), slicing)
    system = System((1.0, PULL), law, switches, period, middle, 1, output.middle)
    return Design("relaxation", deck, system, period, middle)


def hysteresis(draw: Draw) -> Design:
    """A stage whose output moves its own threshold through a resistor, with a capacitor at the threshold."""
    core = Snap.drawn(draw)
    output = Output.drawn(draw, core.period)
    upper, lower, back = 100e3, 100e3 * core.threshold / (15.0 - core.threshold), decade(draw, 6.0, 6.7)
    held = core.period * decade(draw, -4.5, -3.0) / 50e3

    def law(x: np.ndarray, s: tuple[bool, ...]) -> list[float]:
        ramp, out, threshold = x
        into = (15.0 - threshold) / upper - threshold / lower + (out - threshold) / back
        drained = (out - threshold) / back / output.load
        return [core.slope(ramp, s[0]), output.slope(out, s[1]) - drained, into / held]

    def rest(conducts: bool) -> float:
        """Level of the output at rest: the two node equations."""
        down = 1 / output.sink if conducts else 0.0
        node = np.array(
            [[1 / output.pull + down + 1 / back, -1 / back], [-1 / back, 1 / upper + 1 / lower + 1 / back]]
        )
        return float(np.linalg.solve(node, [PULL / output.pull, 15.0 / upper])[0])

    deck = (
        *(line for line in core.lines() if not line.startswith("Vthr")),
        "Vcc vcc 0 15.0",
        f"Rupper vcc thr {upper!r}",
        f"Rlower thr 0 {lower!r}",
        f"Rback out thr {back!r}",
        f"Cthr thr 0 {held!r}",
        *output.lines("ramp thr"),
    )
    switches = (core.switch(), Switch(lambda x, _: x[0] - x[2], 0.0, 0.0))
    start = (0.2, PULL, core.threshold)
    level = (rest(True) + rest(False)) / 2
    system = System(start, law, switches, core.period, (core.low + core.high) / 2, 1, level)
    return Design("hysteresis", deck, system, core.period, system.ramp_level)


def lagging_slicer(draw: Draw) -> Design:
    """A stage of two switches: the first charges and drains a node through resistors, late in both ways."""
    core, below = Snap.drawn(draw), bool(draw.integers(2))
    output = Output.drawn(draw, core.period)
    pull, sink = 10e3, decade(draw, 2.0, 3.3)
    load = core.period * decade(draw, -4.5, -2.7) / pull
    control, slicing = slicer(core.threshold, not below)  # drains the node where the output is to let go
    level, floor = 2.5, PULL * sink / (pull + sink)

    def law(x: np.ndarray, s: tuple[bool, ...]) -> list[float]:
        node = ((PULL - x[2]) / pull - (x[2] / sink if s[1] else 0.0)) / load
        return [core.slope(x[0], s[0]), output.slope(x[1], s[2]), node]

    deck = (
        *core.lines(),
        f"Rnode pull node {pull!r}",
        f"Cnode node 0 {load!r}",
        f"Sfirst node 0 {control} first",
        f".model first SW(vt=0 vh=0 ron={sink!r} roff=1e15)",
        *output.lines("node level"),
        f"Vlevel level 0 {level!r}",
    )
    switches = (core.switch(), slicing, Switch(lambda x, _: x[2], level, level))
    system = System(
        (0.2, PULL, 0.0), law, switches, core.period, (core.low + core.high) / 2, 1, output.middle
    )

    def predicted() -> tuple[Ramp, float]:
        conducts = pull * load * math.log((PULL - floor) / (PULL - level))
        lets_go = load / (1 / pull + 1 / sink) * math.log((PULL - floor) / (level - floor))
        delays = {"fall_delay": lag(conducts), "rise_delay": lag(lets_go)}
        edges = {"fall_edge": output.fall_delay, "rise_edge": output.rise_delay}
        return core.ramp(), width(core.ramp(), core.threshold, below, **delays, **edges)

    return Design("lagging slicer", deck, system, core.period, system.ramp_level, predicted)


def smooth_stage(draw: Draw) -> Design:
    """A stage without a switch: a hyperbolic tangent of 20 to 200 per volt, and a resistor and capacitor."""
    core, gain = Snap.drawn(draw), decade(draw, 1.3, 2.3)
    resistance = 10e3
    load = core.period * decade(draw, -5.0, -2.8) / resistance

    def law(x: np.ndarray, s: tuple[bool, ...]) -> list[float]:
        stage = 2.5 + 2.5 * math.tanh(gain * (core.threshold - x[0]))
        return [core.slope(x[0], s[0]), (stage - x[1]) / resistance / load]

    deck = (
        *core.lines(),
        f"Bstage stage 0 V = 2.5 + 2.5 * tanh({gain!r} * (v(thr) - v(ramp)))",
        f"Rstage stage out {resistance!r}",
        f"Cload out 0 {load!r}",
    )
    system = System((0.2, 0.0), law, (core.switch(),), core.period, (core.low + core.high) / 2, 1, 2.5)
    return Design("smooth stage", deck, system, core.period, system.ramp_level)


def drawn_ramp(draw: Draw) -> Design:
    """A ramp that a source draws, with any share of time going up; the stage has a threshold node."""
    period, up = decade(draw, -5.0, -0.5), float(draw.uniform(0.02, 0.98))
    low, high = float(draw.uniform(-1.0, 1.0)), float(draw.uniform(4.0, 9.0))
    threshold = low + (high - low) * float(draw.uniform(0.08, 0.92))
    below = bool(draw.integers(2))
    output = Output.drawn(draw, period)
    control, slicing = slicer(threshold, below)
    top = 1e-4 * period
    rise, fall = period * up - top, period * (1 - up)
    faster, slower = (high - low) / rise, (high - low) / fall
    beyond = top / (1 / faster + 1 / slower)  # up and down again above the clipped top

    def law(x: np.ndarray, s: tuple[bool, ...]) -> list[float]:
        return [-slower if s[0] else faster, output.slope(x[1], s[1])]

    deck = (
        f"Vramp ramp 0 PULSE({low!r} {high!r} 0 {rise!r} {fall!r} {top!r} {period!r})",
        f"Vthr thr 0 {threshold!r}",
        *output.lines(control),
    )
    switches = (Switch(lambda x, _: x[0], high + beyond, low), slicing)
    system = System((low, PULL), law, switches, period, (low + high) / 2, 1, output.middle, high)

    def predicted() -> tuple[Ramp, float]:
        ramp = pulse_source(*(one(v) for v in (low, high, rise, top, fall, period)))
        edges = {"fall_edge": output.fall_delay, "rise_edge": output.rise_delay}
        return ramp, width(ramp, threshold, below, **edges)

    return Design("drawn ramp", deck, system, period, system.ramp_level, predicted)


FAMILIES: tuple[Callable[[Draw], Design], ...] = (
    snapped, falling, lagging_trip, relaxation, hysteresis, lagging_slicer, smooth_stage, drawn_ramp,
)  # fmt: skip


def designs(family: Callable[[Draw], Design], count: int, seed: int) -> list[Design]:
    """Drawn designs of one family."""
    draw = np.random.default_rng([seed, FAMILIES.index(family)])
    return [family(draw) for _ in range(count)]
