# SPDX-License-Identifier: GPL-3.0-or-later
"""Two bipolar transistors as an exponential converter; its current empties the capacitor of a falling core
that a switch fills again, late by an RC.

The converter is solved from the transistor equations (Ebers and Moll with Early effect and emitter
resistance) at five capacitor voltages; the curve through them holds in between to better than 1e-8.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial
from scipy.optimize import root

from families.circuit import (
    LEAKAGE,
    ROOM,
    THERMAL_VOLTAGE,
    Circuit,
    OpenOutput,
    Truth,
    log_uniform,
    period_of,
    uniform,
)
from families.switched import Guard, State, follow
from harness.engine.steps import Plan

DRIVE, CLOSES, OPENS = 5.0, 3.0, 2.0  # V, gate of the switch


@dataclass(frozen=True)
class Transistor:
    """Saturation current (A), forward and reverse current gain, Early voltage (V), emitter resistance."""

    saturation: float
    gain: float
    reverse: float
    early: float
    emitter: float

    def currents(self, base_emitter: float, base_collector: float) -> tuple[float, float]:
        """Collector and base current (A) at junction voltages (V)."""
        forward = self.saturation * math.expm1(base_emitter / THERMAL_VOLTAGE) + LEAKAGE * base_emitter
        if base_collector > -5 * THERMAL_VOLTAGE:
            backward = self.saturation * math.expm1(base_collector / THERMAL_VOLTAGE)
        else:
            backward = -self.saturation
        backward += LEAKAGE * base_collector
        transfer = (forward - backward) * (1 - base_collector / self.early)
        return transfer - backward / self.reverse, forward / self.gain + backward / self.reverse

    def card(self, name: str) -> str:
        return (
            f".model {name} npn(is={self.saturation!r} bf={self.gain!r} br={self.reverse!r}"
            f" vaf={self.early!r} re={self.emitter!r})"
        )


def converter_current(kind: Transistor, reference: float, control: float, collector: float) -> float:
    """Current (A) into the collector of the second transistor at ``collector`` (V).

    ``reference`` (A) flows into the first one, tied as a diode, whose emitter stands at ``control`` (V).
    """

    def balance(unknown: np.ndarray) -> list[float]:
        base, first, second = (float(x) for x in unknown)  # base node and inner emitters, V
        c1, b1 = kind.currents(base - first, 0.0)
        c2, b2 = kind.currents(base - second, base - collector)
        return [
            (c1 + b1 + b2) / reference - 1,
            ((first - control) / kind.emitter - c1 - b1) / reference,
            (second / kind.emitter - c2 - b2) / reference,
        ]

    guess = THERMAL_VOLTAGE * math.log(reference / kind.saturation)
    likely = reference * math.exp(control / THERMAL_VOLTAGE)
    start = [guess + control + reference * kind.emitter, control + reference * kind.emitter,
             likely * kind.emitter]  # fmt: skip
    solution = root(balance, start, tol=1e-15)
    if max(abs(x) for x in balance(solution.x)) > 1e-9:
        raise RuntimeError("the converter has no operating point")
    base, _, second = solution.x
    return kind.currents(base - second, base - collector)[0]


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; the control voltage goes over four octaves."""
    kind = Transistor(
        log_uniform(generator, 1e-16, 1e-14), uniform(generator, 100.0, 500.0), uniform(generator, 1.0, 5.0),
        uniform(generator, 40.0, 200.0), uniform(generator, 0.5, 5.0),
    )  # fmt: skip
    reference, control = log_uniform(generator, 2e-5, 1e-4), uniform(generator, -0.018, 0.054)
    low, top = uniform(generator, 1.5, 3.0), uniform(generator, 7.0, 10.0)
    levels = np.linspace(0.6 * low, top, 5)
    current = Polynomial.fit(levels, [converter_current(kind, reference, control, v) for v in levels], 4)
    between = 0.5 * (levels[0] + levels[1])
    assert abs(current(between) / converter_current(kind, reference, control, between) - 1) < 1e-8
    period = period_of(generator)
    capacitance = float(current(0.5 * (low + top))) * period / (top - low)
    delay = log_uniform(generator, 1 / 3e4, 1 / 500) * period
    filling = delay * uniform(generator, 0.15, 0.5)
    output = OpenOutput.random(generator, period)
    drive = {"sweep": 0.0, "tripped": DRIVE, "filling": DRIVE, "opening": 0.0}

    def slope(y: State, mode: str) -> list[float]:
        level = float(y[0])
        flow = -float(current(level)) / capacitance
        if mode in ("filling", "opening"):
            flow += (top - level) / filling
        return [flow, (drive[mode] - float(y[1])) / delay]

    guards = (
        Guard("sweep", lambda y: float(y[0]) - low, -1, "tripped"),
        Guard("tripped", lambda y: float(y[1]) - CLOSES, 1, "filling"),
        Guard("filling", lambda y: float(y[0]) - low, 1, "opening"),
        Guard("opening", lambda y: float(y[1]) - OPENS, -1, "sweep"),
    )
    _, _, state = follow(slope, guards, (), (top, OPENS), "sweep", 12, 3 * period).switched[-1]
    threshold = low + (float(state[0]) - low) * uniform(generator, 0.05, 0.95)
    trace = follow(slope, guards, (lambda y: float(y[0]) - threshold,), state, "sweep", 8, 3 * period)
    starts = [t for t, mode, _ in trace.switched if mode == "sweep"][-2:]
    period = starts[1] - starts[0]
    up, down = trace.last(0, 1)[0], trace.last(0, -1)[0]
    ends = {mode: float(state[0]) for _, mode, state in trace.switched[-4:]}
    duty = ((up - down) % period + output.fall_delay - output.rise_delay) / period
    deck = (
        f"Iref 0 base {reference!r}",
        "Qref base base control npn_pair",
        f"Vcontrol control 0 {control!r}",
        "Qout ramp base 0 npn_pair",
        kind.card("npn_pair"),
        f"Cramp ramp 0 {capacitance!r}",
        f"Vtop top 0 {top!r}",
        "Sfill top ramp gate 0 fill",
        f".model fill SW(vt={(CLOSES + OPENS) / 2} vh={(CLOSES - OPENS) / 2}"
        f" ron={filling / capacitance!r} roff=1e15)",
        f"Btrip trip 0 V = V(ramp) < {low!r} ? {DRIVE} : 0",
        "Rgate trip gate 1k",
        f"Cgate gate 0 {delay / 1e3!r}",
        f"Vthr thr 0 {threshold!r}",
        f".ic v(ramp)={top!r} v(base)=0.6",
        *output.deck("ramp", "thr"),
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * (low + top), output_level=output.middle, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(duty, 1 / period, ends["filling"], ends["sweep"], threshold)
    return Circuit(plan, output.probes("ramp", "thr"), truth)
