# SPDX-License-Identifier: GPL-3.0-or-later
"""What a family hands over: a random circuit to simulate, and what is true of it by other means."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from harness.engine.steps import Plan
from harness.measure.cycle import Probes

ROOM = 27.0  # degC: the nominal temperature of device models, so that no temperature law enters
BOLTZMANN, ELEMENTARY_CHARGE, ICE_POINT = 1.380649e-23, 1.602176634e-19, 273.15  # SI, 2019
THERMAL_VOLTAGE = BOLTZMANN * (ROOM + ICE_POINT) / ELEMENTARY_CHARGE
LEAKAGE = 1e-12  # S: what the engine puts across every junction (its default ``gmin``)


@dataclass(frozen=True)
class Truth:
    """True figures of the settled cycle, SI units; not a number where a family does not know one."""

    duty: float
    frequency: float
    ramp_low: float = math.nan
    ramp_high: float = math.nan
    threshold: float = math.nan


@dataclass(frozen=True)
class Circuit:
    """A random circuit: what to run, where to look, and its truth.

    ``truth`` is None where only several independent runs of the engine can tell (real transistor models).
    ``settling``: periods that a careful user would wait for before the last cycle counts; ``started``: lines
    that a careful user adds so that a plain run starts at all.
    """

    plan: Plan
    probes: Probes
    truth: Truth | None
    settling: int = 10
    started: tuple[str, ...] = ()


Family = Callable[[np.random.Generator], Circuit]


def log_uniform(draw: np.random.Generator, low: float, high: float) -> float:
    """A random number whose logarithm is uniform."""
    return float(np.exp(draw.uniform(math.log(low), math.log(high))))


def uniform(draw: np.random.Generator, low: float, high: float) -> float:
    """A uniform random number as a plain float, whose ``repr`` a netlist understands."""
    return float(draw.uniform(low, high))


def period_of(draw: np.random.Generator) -> float:
    """A period between 20 µs and 50 ms."""
    return log_uniform(draw, 2e-5, 5e-2)


@dataclass(frozen=True)
class OpenOutput:
    """An ideal open output: a switch with on- and off-resistance below a pull-up, and a load capacitor.

    The output settles between edges, so its edges are whole exponentials: 50 % after ln 2 time constants.
    """

    supply: float
    pullup: float
    on: float
    load: float
    off: float = 1e9

    @classmethod
    def random(cls, draw: np.random.Generator, period: float) -> OpenOutput:
        """A pull-up of 1 to 10 kOhm with an edge of at most 1/300 of the period."""
        pullup = log_uniform(draw, 1e3, 1e4)
        load = log_uniform(draw, 1e-5, 3e-3) * period / pullup
        return cls(uniform(draw, 3.0, 12.0), pullup, log_uniform(draw, 5.0, 100.0), load)

    def deck(self, plus: str, minus: str) -> tuple[str, ...]:
        """Lines; the output is low while ``plus`` is above ``minus``."""
        return (
            f"Vrail rail 0 {self.supply!r}",
            f"Rpull rail out {self.pullup!r}",
            f"Cload out 0 {self.load!r}",
            f"Sslice out 0 {plus} {minus} slicer",
            f".model slicer SW(vt=0 vh=0 ron={self.on!r} roff={self.off!r})",
        )

    @property
    def rise_delay(self) -> float:
        """From the switch's opening to the middle of the edge, s."""
        return math.log(2) * self.load * self.pullup * self.off / (self.pullup + self.off)

    @property
    def fall_delay(self) -> float:
        """From the switch's closing to the middle of the edge, s."""
        return math.log(2) * self.load * self.pullup * self.on / (self.pullup + self.on)

    @property
    def middle(self) -> float:
        """A hint of the 50 % level, V."""
        return 0.5 * self.supply

    def probes(self, ramp: str, threshold: str | None) -> Probes:
        """Where to look."""
        return Probes(ramp=ramp, threshold=threshold, output="out", pullup_nodes=("rail", "out"))
