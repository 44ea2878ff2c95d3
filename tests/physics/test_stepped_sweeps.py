# SPDX-License-Identifier: GPL-3.0-or-later
"""The guard over whole sweeps on the engine itself: it sees starved steps, and leaves steered ones alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from harness.engine.session import session
from harness.engine.steps import Plan, load, settle
from harness.measure.cycle import Probes, measure_cycle
from harness.resources import netlists_folder
from harness.smoothness import stepped_sweeps

PERIOD, RAIL = 1e-3, 8.0
CONTROLS = np.linspace(0.0, 10.0, 13)
CLAIMED = {"duty": 5e-5, "threshold": 1e-3}  # what uniform steps have in place of bars
PROBES = Probes(ramp="ramp", threshold="thr", output="out", pullup_nodes=("rail", "out"))

Figures = tuple[dict[str, float], dict[str, float]]


def plan(control: float) -> Plan:
    """A transistor comparator on an ideal ramp, its threshold from a control through resistors."""
    text = (netlists_folder() / "parts" / "comparator_393.inc").read_text(encoding="utf8")
    model = [line for line in text.splitlines() if line.strip() and not line.startswith("*")]
    deck = (
        *model,
        f"Vramp ramp 0 PULSE(0.5 7.5 0 {0.97 * PERIOD!r} {0.02 * PERIOD!r} {0.01 * PERIOD!r} {PERIOD!r})",
        "Vcc vcc 0 15",
        f"Vrail rail 0 {RAIL!r}",
        f"Vcontrol control 0 {control!r}",
        "Rcontrol control thr 22k",
        "Rbias thr rail 68k",
        "Rfoot thr 0 47k",
        "Cthr thr 0 22p",
        "Xslice thr ramp vcc 0 out comparator_393",
        "Rpull rail out 3.3k",
        "Cload out 0 470p",
    )
    return Plan(
        deck=deck, ramp="ramp", output="out", threshold="thr", period=PERIOD, ramp_level=4.0,
        output_level=0.5 * RAIL,
    )  # fmt: skip


def steered(control: float) -> Figures:
    settled = settle(session(), plan(control), lambda record, a, b: measure_cycle(record, a, b, PROBES))
    return settled.figures, settled.bars


def starved(control: float) -> Figures:
    """Ten periods at the engine's own tolerances with steps of a twentieth of the period."""
    load(session(), plan(control), "reltol=1e-3")
    record = session().transient(PERIOD / 20, 10 * PERIOD, PERIOD / 20)
    figures = measure_cycle(record, 8 * PERIOD, 9 * PERIOD, PROBES)
    return {name: float(value) for name, value in figures.items() if not isinstance(value, str)}, CLAIMED


def sweep(corner: Callable[[float], Figures]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Corners, figures and bars over the control."""
    rows = [corner(float(control)) for control in CONTROLS]
    corners = pd.DataFrame({"control": CONTROLS, "state": "pulsing"})
    return corners, pd.DataFrame([figures for figures, _ in rows]), pd.DataFrame([bars for _, bars in rows])


@pytest.mark.slow
def test_starved_steps_are_seen_and_steered_ones_are_not_suspected() -> None:
    truth, guess = sweep(steered), sweep(starved)
    assert not stepped_sweeps(["control"], *truth)
    (found,) = stepped_sweeps(["control"], *guess)
    error = (guess[1]["duty"] - truth[1]["duty"]).abs().max()
    print(f"duty off by up to {error:.2g}; {found.sentence()}")
    assert error > 10 * CLAIMED["duty"]
    assert found.off > 0.3 * error
