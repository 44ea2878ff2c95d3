# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole core and slicer of real transistor models: one comparator empties the ramp through a MOSFET and
pulls its own trip level down meanwhile, the other slices."""

from __future__ import annotations

import numpy as np

from families.circuit import Circuit, log_uniform, uniform
from families.real_slicer import model_lines
from harness.engine.steps import Plan
from harness.measure.cycle import Probes


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; period about 0.3 to 5 ms."""
    supply = uniform(generator, 12.0, 16.0)
    upper, lower = log_uniform(generator, 5e3, 2e4), log_uniform(generator, 5e3, 2e4)
    top = min(supply * lower / (upper + lower), supply - 4.0)
    upper = lower * (supply / top - 1)
    foot_share = uniform(generator, 0.06, 0.12)
    foot = upper * lower / (upper + lower) * foot_share / (1 - foot_share)
    period, capacitance = log_uniform(generator, 3e-4, 5e-3), log_uniform(generator, 1e-9, 1e-8)
    current = capacitance * top * (1 - foot_share) / period
    reset = log_uniform(generator, 1e-6, 5e-6) / capacitance
    low = top * foot_share
    threshold = low + (top - low) * uniform(generator, 0.12, 0.9)
    rail, pullup = uniform(generator, 4.0, 10.0), log_uniform(generator, 2e3, 1e4)
    deck = (
        *model_lines("comparator_393.inc", "mosfet_small_n.inc"),
        f"Vcc vcc 0 {supply!r}",
        f"Vrail rail 0 {rail!r}",
        f"Icharge 0 ramp {current!r}",
        f"Cramp ramp 0 {capacitance!r}",
        f"Rreset ramp drain {reset!r}",
        "Mreset drain gate 0 0 mosfet_small_n w=1 l=1",
        f"Rupper vcc trip {upper!r}",
        f"Rlower trip 0 {lower!r}",
        f"Rfoot trip foot {foot!r}",
        "Mfoot foot gate 0 0 mosfet_small_n w=1 l=1",
        f"Ctrip trip 0 {log_uniform(generator, 1e-11, 5e-11)!r}",
        "Xtrip ramp trip vcc 0 gate comparator_393",
        f"Rgate vcc gate {log_uniform(generator, 3e3, 8e3)!r}",
        f"Vthr thr 0 {threshold!r}",
        "Xslice thr ramp vcc 0 out comparator_393",
        f"Rpull rail out {pullup!r}",
        f"Cload out 0 {log_uniform(generator, 1e-10, 1e-9)!r}",
        ".ic v(ramp)=0",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", threshold="thr", period=period, ramp_level=0.5 * (low + top),
        output_level=0.5 * rail, temperature=uniform(generator, 0.0, 60.0),
    )  # fmt: skip
    probes = Probes(ramp="ramp", threshold="thr", output="out", pullup_nodes=("rail", "out"))
    return Circuit(plan, probes, None)
