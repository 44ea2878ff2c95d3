# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures and bars of steered runs against closed forms of cores that have one.

Source: the circuit equations themselves. A capacitor charged by a constant current rises linearly;
discharged through a resistor against that current it falls exponentially towards I R. Switch levels and
resistances are those of the netlist, so period and crossing times are exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from harness.engine.session import session
from harness.engine.steps import NoCycle, Plan, Settled, settle
from harness.measure.cycle import Probes, measure_cycle


@dataclass(frozen=True)
class Core:
    """A rising ramp: current (A) into a capacitor (F), a switch with hysteresis empties it through R_on
    (Ohm)."""

    current: float
    capacitance: float
    resistance: float
    low: float
    high: float
    threshold: float

    @property
    def sweep(self) -> float:
        return self.capacitance * (self.high - self.low) / self.current

    @property
    def reset(self) -> float:
        end = self.current * self.resistance
        return self.resistance * self.capacitance * math.log((self.high - end) / (self.low - end))

    @property
    def frequency(self) -> float:
        return 1.0 / (self.sweep + self.reset)

    @property
    def duty(self) -> float:
        """Share of the period that the ramp lies below the threshold."""
        end = self.current * self.resistance
        sweep_part = self.capacitance * (self.threshold - self.low) / self.current
        reset_part = self.resistance * self.capacitance * math.log((self.threshold - end) / (self.low - end))
        return (sweep_part + reset_part) * self.frequency

    def deck(self) -> tuple[str, ...]:
        middle, half = 0.5 * (self.low + self.high), 0.5 * (self.high - self.low)
        return (
            f"Icharge 0 ramp {self.current!r}",
            f"Cramp ramp 0 {self.capacitance!r}",
            "Sreset ramp 0 ramp 0 reset",
            f".model reset SW(vt={middle!r} vh={half!r} ron={self.resistance!r} roff=1e15)",
            f"Vthr thr 0 {self.threshold!r}",
            "Vrail rail 0 5",
            "Rpull rail out 1k",
            "Sslice out 0 ramp thr slicer",
            ".model slicer SW(vt=0 vh=0 ron=1 roff=1e9)",
            ".ic v(ramp)=0.3",
        )


def random_cores(seed: int, count: int) -> list[Core]:
    """Cores of audio pitch with resets of 1/50 to 1/5000 of the period."""
    draw = np.random.default_rng(seed)
    cores = []
    for _ in range(count):
        low, high = draw.uniform(0.2, 0.8), draw.uniform(4.0, 8.0)
        cores.append(
            Core(
                current=float(10 ** draw.uniform(-5.3, -4.3)),
                capacitance=float(10 ** draw.uniform(-9, -8)),
                resistance=float(10 ** draw.uniform(1.5, 2.8)),
                low=float(low),
                high=float(high),
                threshold=float(low + (high - low) * draw.uniform(0.1, 0.9)),
            )
        )
    return cores


PROBES = Probes(
    ramp="ramp", threshold="thr", output="out", plus="thr", minus="ramp",
    pullup_current="@rpull[i]", pullup_nodes=("rail", "out"),
)  # fmt: skip


def simulate(
    core: Core, accuracy: float, period_hint: float = 1.0, level_hint: float | None = None
) -> Settled:
    plan = Plan(
        deck=core.deck(), ramp="ramp", output="out", period=period_hint / core.frequency,
        ramp_level=0.5 * (core.low + core.high) if level_hint is None else level_hint, output_level=2.5,
        saved=("@rpull[i]",), accuracy=accuracy,
    )  # fmt: skip
    return settle(session(), plan, lambda record, begin, end: measure_cycle(record, begin, end, PROBES))


@pytest.mark.parametrize("core", random_cores(20, 6), ids=lambda core: f"f={core.frequency:.0f}")
def test_truth_lies_inside_the_bars(core: Core) -> None:
    """Duty, frequency and ramp ends of a switched core lie within the stated bars of the closed form."""
    settled = simulate(core, 1e-4)
    truth = {"duty": core.duty, "frequency": core.frequency, "ramp_high": core.high, "ramp_low": core.low}
    for name, value in truth.items():
        assert abs(settled.figures[name] - value) <= settled.bars[name], name
    assert settled.bars["duty"] <= 1e-4
    assert settled.bars["frequency"] / core.frequency <= 1e-4
    assert settled.figures["pullup_current"] == pytest.approx(5 / 1001, rel=1e-4)


def test_wrong_hints_cost_time_but_change_nothing() -> None:
    """A period hint off by five and a level outside the ramp lead to the same figures within the bars."""
    core = random_cores(21, 1)[0]
    good = simulate(core, 1e-4)
    for hint, level in ((5.0, None), (0.2, None), (1.0, 30.0)):
        other = simulate(core, 1e-4, hint, level)
        assert abs(good.figures["duty"] - other.figures["duty"]) <= good.bars["duty"] + other.bars["duty"]


def test_default_steps_would_be_wrong_in_silence() -> None:
    """The engine's own default step control misses the closed form by far more than the steered bar."""
    core = random_cores(20, 1)[0]
    engine, period = session(), 1 / core.frequency
    engine.load(list(core.deck()), "defaults")
    record = engine.transient(period / 50, 10 * period, period / 50)
    time, out = record["time"], record["out"]
    rises = time[1:][(out[:-1] < 2.5) & (out[1:] >= 2.5)]
    assert abs(1 / (rises[-1] - rises[-2]) / core.frequency - 1) > 1e-3
    assert simulate(core, 1e-4).bars["frequency"] / core.frequency <= 1e-4


def test_a_ramp_that_stands_still_is_named() -> None:
    """A core that cannot reach its trip level has no cycle, and the message says where the ramp stays."""
    core = random_cores(22, 1)[0]
    stuck = tuple(line if not line.startswith("Sreset") else "Rstuck ramp 0 1k" for line in core.deck())
    plan = Plan(
        deck=stuck, ramp="ramp", output="out", period=1 / core.frequency, ramp_level=3.0, output_level=2.5
    )
    with pytest.raises(NoCycle, match="stays at"):
        settle(session(), plan, lambda record, begin, end: measure_cycle(record, begin, end, PROBES))


def test_same_input_gives_the_same_bytes() -> None:
    """Figures do not depend on what ran before in this process."""
    first, second = random_cores(23, 2)
    before = simulate(first, 1e-4)
    simulate(second, 1e-4)
    after = simulate(first, 1e-4)
    assert before.figures == after.figures
    assert before.bars == after.bars
