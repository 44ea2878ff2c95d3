# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole transistor model of a 393-class comparator on an ideal ramp, with random surroundings."""

from __future__ import annotations

import numpy as np

from families.circuit import Circuit, log_uniform, uniform
from harness.engine.steps import Plan
from harness.measure.cycle import Probes
from harness.resources import netlists_folder


def model_lines(*names: str) -> tuple[str, ...]:
    """The lines of device models that ship with the harness."""
    lines: list[str] = []
    for name in names:
        text = (netlists_folder() / "parts" / name).read_text(encoding="utf8")
        lines += [line for line in text.splitlines() if line.strip() and not line.startswith("*")]
    return tuple(lines)


def draw(generator: np.random.Generator) -> Circuit:
    """A random circuit; period 0.2 to 5 ms, input class parameters spread as parts are."""
    period = log_uniform(generator, 2e-4, 5e-3)
    supply = uniform(generator, 10.0, 16.0)
    low, high = uniform(generator, 0.3, 1.0), uniform(generator, 5.0, supply - 3.0)
    fall = log_uniform(generator, 1 / 500, 1 / 30) * period
    dwell = 0.05 * fall
    threshold = low + (high - low) * uniform(generator, 0.08, 0.92)
    rail, pullup = uniform(generator, 4.0, 12.0), log_uniform(generator, 2e3, 1e4)
    load = log_uniform(generator, 3e-11, 1e-9)
    spread = (
        f"offset={uniform(generator, -3e-3, 3e-3)!r} bias={log_uniform(generator, 1e-8, 6e-8)!r}"
        f" drive={uniform(generator, 0.7, 1.4)!r}"
    )
    source = log_uniform(generator, 1e3, 5e4)
    deck = (
        *model_lines("comparator_393.inc"),
        f"Vramp ramp 0 PULSE({low!r} {high!r} 0 {period - fall - dwell!r} {fall!r} {dwell!r} {period!r})",
        f"Vcc vcc 0 {supply!r}",
        f"Vrail rail 0 {rail!r}",
        f"Vset set 0 {threshold!r}",
        f"Rset set thr {source!r}",
        "Cset thr 0 22p",
        f"Xslice thr ramp vcc 0 out comparator_393 {spread}",
        f"Rpull rail out {pullup!r}",
        f"Cload out 0 {load!r}",
    )
    plan = Plan(
        deck=deck, ramp="ramp", output="out", threshold="thr", period=period, ramp_level=0.5 * (low + high),
        output_level=0.5 * rail, temperature=uniform(generator, 0.0, 60.0),
    )  # fmt: skip
    probes = Probes(ramp="ramp", threshold="thr", output="out", pullup_nodes=("rail", "out"))
    return Circuit(plan, probes, None)
