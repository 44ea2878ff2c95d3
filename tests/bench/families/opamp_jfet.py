# SPDX-License-Identifier: GPL-3.0-or-later
"""An op-amp integrator with a JFET across its capacitor: single-pole op-amp with output resistance,
square-law JFET, its gate driven through an RC by a comparator with two thresholds."""

from __future__ import annotations

import math

import numpy as np

from families.circuit import LEAKAGE, ROOM, Circuit, OpenOutput, Truth, log_uniform, period_of, uniform
from families.switched import Guard, State, follow
from harness.engine.steps import Plan

OFF, GATE_TURNS = -8.0, -5.0  # V: gate drive while the ramp rises, gate level that swaps the threshold


def square_law(beta: float, cut_off: float, gate: float, drain: float, source: float) -> float:
    """Channel current (A) from drain to source of an N-channel JFET (Shichman and Hodges 1968, without
    channel shortening)."""
    if drain < source:
        return -square_law(beta, cut_off, gate, source, drain)
    room, across = gate - source - cut_off, drain - source
    if room <= 0:
        return 0.0
    return beta * (room * room if across >= room else across * (2 * room - across))


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit whose gate is past its turning level before the ramp is back above its low one (else
    the core sticks there)."""
    while True:
        circuit = _drawn(generator)
        if circuit is not None:
            return circuit


def _drawn(generator: np.random.Generator) -> Circuit | None:
    period = period_of(generator)
    low, high = uniform(generator, 0.3, 1.0), uniform(generator, 4.0, 7.0)
    supply, resistor = uniform(generator, 5.0, 12.0), log_uniform(generator, 2e4, 2e5)
    current = supply / resistor
    capacitor = current * period / (high - low)
    cut_off = uniform(generator, -3.5, -2.0)
    reset = log_uniform(generator, 1 / 300, 1 / 30) * period  # about what the emptying takes
    beta = capacitor * math.log(high / low) / reset / (2 * -cut_off)
    gate_time = log_uniform(generator, 1 / 3000, 1 / 300) * period
    gain, bandwidth = log_uniform(generator, 3e4, 3e5), log_uniform(generator, 3e3, 3e4) / period
    output_resistance, load = 50.0 * resistor / 1e5, resistor * 0.2
    pole = 2 * math.pi * bandwidth / gain
    output = OpenOutput.random(generator, period)
    threshold = low + (high - low) * uniform(generator, 0.05, 0.95)
    drive = {"sweep": OFF, "reset": 0.0, "returning": 0.0, "opening": OFF}

    def nodes(y: State) -> tuple[float, float]:
        """Inverting input and output (V) from capacitor voltage and the op-amp's inner voltage."""
        across, inner = float(y[0]), float(y[1])
        conductance = 1 / output_resistance + 1 / load + 1 / resistor
        out = (inner / output_resistance + (across - supply) / resistor) / conductance
        return out - across, out

    def slope(y: State, mode: str) -> list[float]:
        minus, out = nodes(y)
        gate = float(y[2])
        channel = square_law(beta, cut_off, gate, out, minus)
        junction_s, junction_d = LEAKAGE * (gate - minus), LEAKAGE * (gate - out)
        # what flows through the capacitor from output to input is what the input takes away
        charging = (minus + supply) / resistor - channel - junction_s
        to_gate = (drive[mode] - gate) / gate_time - (junction_s + junction_d) * 1e3 / gate_time
        return [charging / capacitor, pole * (-gain * minus - float(y[1])), to_gate]

    def ramp(y: State) -> float:
        return nodes(y)[1]

    guards = (
        Guard("sweep", lambda y: ramp(y) - high, 1, "reset"),
        Guard("reset", lambda y: float(y[2]) - GATE_TURNS, 1, "returning"),
        Guard("returning", lambda y: ramp(y) - low, -1, "opening"),
        Guard("opening", lambda y: float(y[2]) - GATE_TURNS, -1, "sweep"),
        Guard("opening", lambda y: ramp(y) - low * (1 + 1e-6), 1, "stuck"),
    )
    watches = (lambda y: ramp(y) - threshold, lambda y: ramp(y) - 0.5 * (low + high))
    trace = follow(slope, guards, watches, (low, low, OFF), "sweep", 16, 3 * period)
    if trace.stuck:
        return None
    first, second = trace.last(1, 1, 2)
    period = second - first
    up, down = trace.last(0, 1)[0], trace.last(0, -1)[0]
    duty = ((up - down) % period + output.fall_delay - output.rise_delay) / period
    deck = (
        f"Vin in 0 {-supply!r}",
        f"Rin in minus {resistor!r}",
        f"Cramp ramp minus {capacitor!r}",
        "Jreset ramp gate minus empty",
        f".model empty njf(vto={cut_off!r} beta={beta!r} lambda=0 is=1e-18 cgs=0 cgd=0)",
        f"Gamp 0 inner minus 0 {-gain / 1e6!r}",
        "Ramp inner 0 1meg",
        f"Camp inner 0 {1 / pole / 1e6!r}",
        "Ebuffer strong 0 inner 0 1",
        f"Rbuffer strong ramp {output_resistance!r}",
        f"Rload ramp 0 {load!r}",
        f"Bhold hold 0 V = V(gate) > {GATE_TURNS} ? {low!r} : {high!r}",
        f"Btrip trip 0 V = V(ramp) > V(hold) ? 0 : {OFF}",
        "Rgate trip gate 1k",
        f"Cgate gate 0 {gate_time / 1e3!r}",
        f"Vthr thr 0 {threshold!r}",
        f".ic v(ramp)={low!r} v(inner)={low!r} v(minus)=0 v(gate)={OFF}",
        *output.deck("ramp", "thr"),
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", period=period * uniform(generator, 0.9, 1.1),
        ramp_level=0.5 * (low + high), output_level=output.middle, temperature=ROOM,
    )  # fmt: skip
    truth = Truth(duty, 1 / period, threshold=threshold)
    return Circuit(plan, output.probes("ramp", "thr"), truth)
