# SPDX-License-Identifier: GPL-3.0-or-later
"""Simulated and predicted figures of random designs against differential equations with event location.

Source of the second opinion: scipy.integrate.solve_ivp (see switched_systems.py) on equations written from
Kirchhoff's laws, without a look at how the package reads netlists, steers the engine or measures. Goal for
every design: duty and frequency to 1e-4, ends of the ramp to 0.1 mV. Eight families: cores that rise, fall,
trip late and curve; stages with late edges, hysteresis and without any switch. ``-m slow -rP`` prints the
worst of each family.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from harness.engine.session import session
from harness.engine.steps import Plan, Settled, settle
from harness.measure.cycle import Probes, measure_cycle

sys.path.insert(0, str(Path(__file__).parent))  # designs and their solver lie beside the tests
from random_designs import FAMILIES, PULL, Design, designs
from switched_systems import Truth, settled_cycle

GOAL = 1e-4  # duty, and relative frequency
CLOSED = 1e-7  # a closed form has no steps: what is left is the integrator's own tolerance
LEVELS = 1e-4  # V, ends of the ramp
SEED = 1907
EACH = 30
PROBES = Probes(ramp="ramp", threshold="thr", output="out", swing=(0.0, PULL))


def simulated(design: Design) -> Settled:
    plan = Plan(
        deck=design.deck, ramp="ramp", output="out", period=1.1 * design.period,
        ramp_level=design.ramp_level, output_level=PULL / 2, accuracy=GOAL,
    )  # fmt: skip
    return settle(session(), plan, lambda record, begin, end: measure_cycle(record, begin, end, PROBES))


def differences(design: Design, truth: Truth) -> dict[str, float]:
    """What is asserted of one design, and by how much each figure misses."""
    found = simulated(design)
    assert found.words["state"] == "pulsing"
    off = {
        "duty": abs(found.figures["duty"] - truth.duty),
        "frequency": abs(found.figures["frequency"] * truth.period - 1),
        "ramp low": abs(found.figures["ramp_low"] - truth.low),
        "ramp high": abs(found.figures["ramp_high"] - truth.high),
    }
    off["duty over bar"] = off["duty"] / found.bars["duty"]
    off["frequency over bar"] = off["frequency"] * found.figures["frequency"] / found.bars["frequency"]
    if design.predicted is not None:
        ramp, width = design.predicted()
        off["predicted duty"] = abs(width - truth.duty)
        off["predicted period"] = abs(ramp.period[0] / truth.period - 1)
        off["predicted height"] = abs(ramp.height[0] - (truth.high - truth.low))
    limits = {"duty": GOAL, "frequency": GOAL, "ramp low": LEVELS, "ramp high": LEVELS}
    for name, miss in off.items():
        assert miss <= (CLOSED if name.startswith("predicted") else limits.get(name, 1.0)), (name, design)
    return off


@pytest.mark.parametrize("number", range(10))
def test_ten_designs(number: int) -> None:
    """One design of each family, two of the first two: all within 1e-4, closed forms within 1e-7."""
    design = designs(FAMILIES[number % len(FAMILIES)], 2, SEED)[number // len(FAMILIES)]
    differences(design, settled_cycle(design.system))


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.__name__)
def test_thirty_designs_of_each_family(family) -> None:  # type: ignore[no-untyped-def]
    """240 designs in all; the first two repeat those of the quick test."""
    worst: dict[str, float] = {}
    for design in designs(family, EACH, SEED):
        for name, miss in differences(design, settled_cycle(design.system)).items():
            worst[name] = max(worst.get(name, 0.0), miss)
    shown = ", ".join(f"{name} {miss:.1e}" for name, miss in worst.items())
    print(f"\n{family.__name__}: {EACH} designs, worst differences: {shown}")


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.__name__)
def test_the_second_opinion_agrees_with_itself(family) -> None:  # type: ignore[no-untyped-def]
    """The same equations by another method (Radau IIA of order 5 beside LSODA) to 1e-7."""
    design = designs(family, 1, SEED)[0]
    one, other = (settled_cycle(design.system, method) for method in ("LSODA", "Radau"))
    assert other.duty == pytest.approx(one.duty, abs=1e-7)
    assert other.period == pytest.approx(one.period, rel=1e-7)
    assert (other.low, other.high) == pytest.approx((one.low, one.high), abs=1e-6)
