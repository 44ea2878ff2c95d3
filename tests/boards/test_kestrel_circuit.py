# SPDX-License-Identifier: GPL-3.0-or-later
"""The Kestrel circuit in ngspice: starts by itself, keeps its levels, and moves as first principles say.

Runs here use plain fine steps and are measured by a few lines of their own, so that they also stand as a
second opinion on what the harness makes of the same board. Laws, as in any textbook: C dV/dt = I for the
sweep, a divider for the trip levels, a straight line cut by a threshold for the duty factor.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.engine.session import Session, session
from harness.netlist import read_netlist
from harness.resources import netlists_folder

BOARD = netlists_folder() / "boards" / "kestrel" / "kestrel.cir"
STEPS = ".options method=trap reltol=1e-4 trtol=0.1 abstol=1e-12 vntol=1e-7 temp=25"
CAPACITANCE = 4.7e-9
RAIL = 8.0


@dataclass(frozen=True)
class Cycle:
    """The last whole cycle, trip to trip: frequency (Hz), duty, reset time (s), node voltages (V)."""

    frequency: float
    duty: float
    reset: float
    waves: Mapping[str, NDArray[np.float64]]

    def span(self, node: str) -> tuple[float, float]:
        return float(self.waves[node].min()), float(self.waves[node].max())


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


@pytest.fixture(scope="module")
def deck() -> list[str]:
    return [line.text for line in read_netlist(BOARD).deck()]


def crossings(
    time: NDArray[np.float64], wave: NDArray[np.float64], level: float
) -> tuple[list[float], list[float]]:
    """Instants (s) of rising and of falling crossings, straight between points."""
    above = wave > level
    k = np.flatnonzero(above[1:] != above[:-1])
    instants = time[k] + (level - wave[k]) * (time[k + 1] - time[k]) / (wave[k + 1] - wave[k])
    return [float(t) for t in instants[above[k + 1]]], [float(t) for t in instants[~above[k + 1]]]


def run(engine: Session, deck: list[str], settings: Mapping[str, float], knob: float = 0.5) -> Cycle:
    """Some four periods from a cold start."""
    engine.load([*deck, f".param knob={knob!r}", STEPS], "kestrel")
    for device, value in settings.items():
        engine.alter(device, value)
    period = CAPACITANCE * 7.0 / settings.get("ipitch", 15e-6)
    waves = engine.transient(period / 200, 4.4 * period, period / 200, initial=True)
    time = waves["time"]
    trips, ends = crossings(time, waves["gate"], 3.0)
    assert len(trips) >= 3, "the core does not oscillate"
    begin, end = trips[-2:]
    inside = (time >= begin) & (time <= end)
    rises, falls = crossings(time[inside], waves["out"][inside], RAIL / 2)
    duty = ((falls[0] - rises[0]) / (end - begin)) % 1.0 if len(rises) == len(falls) == 1 else float("nan")
    reset = next(instant for instant in ends if instant > begin) - begin
    return Cycle(1.0 / (end - begin), duty, reset, {name: wave[inside] for name, wave in waves.items()})


@pytest.mark.parametrize("supply", [13.5, 15.0, 16.5])
def test_ramp_follows_the_supply_and_the_threshold_does_not(
    engine: Session, deck: list[str], supply: float
) -> None:
    cycle = run(engine, deck, {"vcc": supply})
    low, high = cycle.span("ramp")
    divider = 430.0 * 10e3 / (430.0 + 10e3)
    assert high == pytest.approx(supply / 2, rel=0.005)
    assert 0.4 < low < supply * divider / (10e3 + divider)  # the comparator's delay carries it below the foot
    assert np.median(cycle.waves["thr"]) == pytest.approx(3.98, abs=0.01)


def test_duty_is_where_the_threshold_cuts_the_ramp(engine: Session, deck: list[str]) -> None:
    """Sweep and reset are both cut at the threshold; delays of the slicer add less than 2 us in 2.2 ms."""
    for control in (0.0, 4.0, 10.0):
        cycle = run(engine, deck, {"vcontrol": control})
        low, high = cycle.span("ramp")
        threshold = float(np.median(cycle.waves["thr"]))
        sweep = (threshold - low) / (high - low) * (1.0 / cycle.frequency - cycle.reset)
        time, ramp = cycle.waves["time"], cycle.waves["ramp"]
        falling = time < time[0] + cycle.reset
        below = float(np.interp(-threshold, -ramp[falling][1:], time[falling][1:]))
        expected = (sweep + time[0] + cycle.reset - below) * cycle.frequency
        assert cycle.duty == pytest.approx(expected, abs=2e-3)


def test_frequency_is_the_charge_a_period_needs(engine: Session, deck: list[str]) -> None:
    """C dV = (I + both bias currents) T_sweep; stray capacitance of the transistors may add up to 0.5 %."""
    for current in (7.5e-6, 15e-6, 60e-6):
        cycle = run(engine, deck, {"ipitch": current})
        low, high = cycle.span("ramp")
        sweep = CAPACITANCE * (high - low) / (current + 2 * 26e-9)
        ideal = 1.0 / (sweep + cycle.reset)
        assert ideal * 0.995 < cycle.frequency < ideal * 1.0005


def test_bias_sharpens_low_notes(engine: Session, deck: list[str]) -> None:
    """Without the bias of two inputs, some 52 nA, the sweep is slower by their share of the pitch current."""
    without = [line.replace("bias=25n", "bias=0") for line in deck]
    assert without != deck
    for current in (7.5e-6, 30e-6):
        with_bias = run(engine, deck, {"ipitch": current})
        ideal = run(engine, without, {"ipitch": current})
        sharper = 1200 * np.log2(with_bias.frequency / ideal.frequency)
        share = 1.0 - with_bias.reset * with_bias.frequency
        assert sharper == pytest.approx(1200 * np.log2(1 + 2 * 26e-9 / current) * share, rel=0.1)


def test_no_pulse_at_the_low_end_of_the_knob(engine: Session, deck: list[str]) -> None:
    cycle = run(engine, deck, {"vcontrol": 0.0}, knob=0.0)
    assert cycle.span("thr")[1] < cycle.span("ramp")[0]
    assert cycle.span("out")[1] < 0.4
    assert run(engine, deck, {"vcontrol": 4.0}, knob=0.0).duty > 0.1


def test_pulse_never_ends_at_the_high_end_of_the_knob_under_full_control(
    engine: Session, deck: list[str]
) -> None:
    cycle = run(engine, deck, {"vcontrol": 10.0}, knob=1.0)
    assert cycle.span("thr")[0] > cycle.span("ramp")[1]
    assert cycle.span("out")[0] > RAIL - 0.05


def test_mirror_passes_the_pitch_current_on(engine: Session, deck: list[str]) -> None:
    """Four equal transistors: the copy is within 0.3 % of the current drawn, all the way up the ramp."""
    inner = [
        line for line in deck if not line.lower().startswith(("cramp", "rreset", "xtrip", "xslice", ".ic"))
    ]
    for current in (7.5e-6, 60e-6):
        engine.load([*inner, "vprobe ramp 0 0.5", STEPS], "mirror")
        engine.alter("ipitch", current)
        copied = engine.dc_sweep("vprobe", 0.5, 8.5, 0.5)["vprobe#branch"]
        assert np.allclose(copied, current, rtol=3e-3)
