# SPDX-License-Identifier: GPL-3.0-or-later
"""Small sawtooth boards with closed forms: netlists, and what is true of their settled cycle.

Source: the circuit equations. A capacitor and a constant current make a straight line; a capacitor that a
switch connects to a voltage through a resistance makes an exponential, and so does an averager between the
edges of the pulse that it averages.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from scipy.optimize import brentq

from harness.engine.session import session
from harness.engine.steps import Plan, Settled, settle
from harness.measure.cycle import Probes, measure_cycle

PROBES = Probes(
    ramp="ramp", threshold="thr", output="out", plus="thr", minus="ramp", pullup_nodes=("rail", "out")
)
SLICER = (
    "Vrail rail 0 5", "Rpull rail out 1k", ".model slicer SW(vt=0 vh=0 ron=1 roff=1e9)",
)  # fmt: skip


@dataclass(frozen=True)
class Sawtooth:
    """A ramp between two levels (V): a current (A) sweeps a capacitor (F), a switch of some Ohm with
    hysteresis snaps it back towards ``rest`` (V).

    ``falling``: the sweep falls and the snap rises. ``inverted``: the output is high above the threshold.
    """

    current: float = 15e-6
    capacitance: float = 4.7e-9
    resistance: float = 300.0
    low: float = 0.5
    high: float = 7.5
    threshold: float = 3.0
    rest: float = 0.0
    falling: bool = False
    inverted: bool = False

    @property
    def sweep(self) -> float:
        """Duration of the sweep, s."""
        return self.capacitance * (self.high - self.low) / self.current

    def snap(self, start: float, end: float) -> float:
        """Time (s) that the snap takes between two levels (V)."""
        pull = self.current * self.resistance * (-1 if self.falling else 1)
        return (
            self.resistance
            * self.capacitance
            * math.log((self.rest + pull - start) / (self.rest + pull - end))
        )

    @property
    def period(self) -> float:
        ends = (self.low, self.high) if self.falling else (self.high, self.low)
        return self.sweep + self.snap(*ends)

    @property
    def duty(self) -> float:
        """Share of the period that the output is high, by an ideal comparator."""
        swept = self.capacitance * (self.threshold - self.low) / self.current
        snapped = self.snap(self.low, self.threshold) if self.falling else self.snap(self.threshold, self.low)
        below = (swept + snapped) / self.period
        return 1 - below if self.inverted else below

    def deck(self, threshold: bool = True) -> tuple[str, ...]:
        middle, half = 0.5 * (self.low + self.high), 0.5 * (self.high - self.low)
        current, control = ("ramp 0", "0 ramp") if self.falling else ("0 ramp", "ramp 0")
        inputs = "thr ramp" if self.inverted else "ramp thr"
        level = -middle if self.falling else middle
        return (
            f"Isweep {current} {self.current!r}",
            f"Csweep ramp 0 {self.capacitance!r}",
            f"Vrest rest 0 {self.rest!r}",
            f"Ssnap ramp rest {control} snap",
            f".model snap SW(vt={level!r} vh={half!r} ron={self.resistance!r} roff=1e15)",
            *((f"Vthr thr 0 {self.threshold!r}",) if threshold else ()),
            *SLICER,
            f"Sslice out 0 {inputs} slicer",
            f".ic v(ramp)={middle!r}",
        )


@dataclass(frozen=True)
class Averager:
    """A threshold that follows the averaged output through R1, beside a fixed 8 V through R2 and R3 to 0 V.

    ``cycles``: time constant of the averager in periods. ``timed``: the ramp comes from an ideal source.
    """

    cycles: float
    timed: bool = False
    core: Sawtooth = field(default_factory=Sawtooth)

    FALL, DWELL = 10e-6, 1e-7  # s, of the ideal source
    R1, R2, R3, PULL, ON = 100e3, 150e3, 400e3, 1e3, 1.0

    @property
    def period(self) -> float:
        return self.core.period

    def ways(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """(rest in V, time constant in s) of the threshold while the output is low, and while it is high."""
        on = self.ON * self.PULL / (self.ON + self.PULL)
        low = 5 * self.ON / (self.ON + self.PULL)
        found = []
        conductances = [1 / (out + self.R1) + 1 / self.R2 + 1 / self.R3 for out in (on, self.PULL)]
        capacitance = self.cycles * self.period * conductances[1]
        for out, level, total in ((on, low, conductances[0]), (self.PULL, 5.0, conductances[1])):
            found.append(((level / (out + self.R1) + 8 / self.R2) / total, capacitance / total))
        return found[0], found[1]

    @property
    def capacitance(self) -> float:
        return self.ways()[1][1] * (1 / (self.PULL + self.R1) + 1 / self.R2 + 1 / self.R3)

    def deck(self) -> tuple[str, ...]:
        core = self.core.deck(threshold=False)
        if self.timed:
            rise = self.period - self.FALL - self.DWELL
            times = f"0 {rise!r} {self.FALL!r} {self.DWELL!r} {self.period!r}"
            source = f"PULSE({self.core.low} {self.core.high} {times})"
            kept = [
                line
                for line in core
                if not line.lower().startswith(("isweep", "csweep", "ssnap", "vrest", ".ic"))
            ]
            core = (*(line for line in kept if "snap" not in line), f"Vramp ramp 0 {source}")
        return (
            *core, "Vb vb 0 8", f"R1 out thr {self.R1}", f"R2 vb thr {self.R2}", f"R3 thr 0 {self.R3}",
            f"Cthr thr 0 {self.capacitance!r}",
        )  # fmt: skip

    def ramp(self, t: float) -> float:
        """The ramp (V) from the begin of its sweep (s)."""
        core = self.core
        if self.timed:
            rise = self.period - self.FALL - self.DWELL
            if t < rise + self.DWELL:
                return core.low + (core.high - core.low) * min(1.0, t / rise)
            return core.high - (core.high - core.low) * (t - rise - self.DWELL) / self.FALL
        if t < core.sweep:
            return core.low + core.current * t / core.capacitance
        pull = core.current * core.resistance
        return pull + (core.high - pull) * math.exp(-(t - core.sweep) / (core.resistance * core.capacitance))

    def truth(self) -> tuple[float, float]:
        """Duty and the threshold (V) at the end of the sweep below it, in the periodic state."""
        (low, slow_low), (high, slow_high) = self.ways()
        turn = self.period - self.FALL if self.timed else self.core.sweep

        def cycle(start: float) -> tuple[float, float, float, float]:
            def first(t: float) -> float:
                return high + (start - high) * math.exp(-t / slow_high)

            falls = brentq(lambda t: self.ramp(t) - first(t), 0, turn, xtol=1e-18)
            at = first(falls)

            def second(t: float) -> float:
                return low + (at - low) * math.exp(-(t - falls) / slow_low)

            rises = brentq(lambda t: self.ramp(t) - second(t), turn, self.period, xtol=1e-18)
            return (
                high + (second(rises) - high) * math.exp(-(self.period - rises) / slow_high),
                falls,
                rises,
                at,
            )

        start = brentq(lambda v: cycle(v)[0] - v, self.core.low + 0.05, self.core.high - 0.05, xtol=1e-14)
        _, falls, rises, at = cycle(start)
        return (falls + self.period - rises) / self.period, at


@dataclass(frozen=True)
class DelayedTrip:
    """A rising ramp whose reset begins and ends an RC delay after the comparator; ``delay`` and ``reset`` are
    shares of the period."""

    delay: float
    reset: float
    period: float = 1e-3
    low: float = 0.5
    high: float = 5.0
    threshold: float = 2.0
    capacitance: float = 4.7e-9

    @property
    def current(self) -> float:
        return self.capacitance * (self.high - self.low) / self.period

    @property
    def tau(self) -> float:
        return self.period * self.delay / math.log(2)

    @property
    def resistance(self) -> float:
        return self.reset * self.period / self.capacitance / math.log(self.high / self.low)

    def deck(self) -> tuple[str, ...]:
        return (
            f"Isweep 0 ramp {self.current!r}",
            f"Csweep ramp 0 {self.capacitance!r}",
            f"Btrip trip 0 V = V(ramp) > (V(gate) > 2.5 ? {self.low!r} : {self.high!r}) ? 5 : 0",
            "Rgate trip gate 10k",
            f"Cgate gate 0 {self.tau / 1e4!r}",
            "Ssnap ramp 0 gate 0 snap",
            f".model snap SW(vt=2.5 vh=0 ron={self.resistance!r} roff=1e15)",
            f"Vthr thr 0 {self.threshold!r}",
            *SLICER,
            "Sslice out 0 ramp thr slicer",
            ".ic v(ramp)=0.3",
        )

    def truth(self) -> dict[str, float]:
        """Duty, frequency (Hz) and ramp ends (V), stretch by stretch until the cycle repeats itself."""
        end, rc = self.current * self.resistance, self.resistance * self.capacitance
        gate = 0.0
        for _ in range(6):
            closes = self.tau * math.log((5 - gate) / 2.5)
            top = self.high + self.current * closes / self.capacitance
            falls = rc * math.log((top - end) / (self.low - end))
            opens = self.tau * math.log((5 - 2.5 * math.exp(-falls / self.tau)) / 2.5)
            bottom = end + (self.low - end) * math.exp(-opens / rc)
            sweep = self.capacitance * (self.high - bottom) / self.current
            gate = 2.5 * math.exp(-sweep / self.tau)
        period = sweep + closes + falls + opens
        snapped = falls + opens - rc * math.log((top - end) / (self.threshold - end))
        swept = self.capacitance * (self.threshold - bottom) / self.current
        return {
            "duty": (swept + snapped) / period,
            "frequency": 1 / period,
            "ramp_high": top,
            "ramp_low": bottom,
        }


def simulate(
    deck: tuple[str, ...],
    period: float = math.nan,
    level: float = math.nan,
    accuracy: float = 1e-4,
    probes: Probes = PROBES,
    middle: float | None = None,
) -> Settled:
    """A deck through the step control; ``period`` and ``level`` are the hints, not a number: unknown."""
    plan = Plan(
        deck=deck, ramp="ramp", output=probes.output, period=period, ramp_level=level,
        output_level=(2.5 if math.isfinite(level) else math.nan) if middle is None else middle,
        accuracy=accuracy,
    )  # fmt: skip
    return settle(session(), plan, lambda record, begin, end: measure_cycle(record, begin, end, probes))


def assert_inside(settled: Settled, truth: dict[str, float]) -> None:
    """Every true figure lies within the stated bar."""
    for name, value in truth.items():
        apart, bar = abs(settled.figures[name] - value), settled.bars[name]
        assert apart <= bar, f"{name}: {settled.figures[name]!r} +/- {bar:.2g}, true {value!r}"
