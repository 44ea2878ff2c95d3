# SPDX-License-Identifier: GPL-3.0-or-later
"""The CMOS switch and the switching JFET at work in ngspice: resistance, charge, control, capacitors emptied.

Published figures of both are held in test_device_sheets.py; here stand the laws between them, closed forms
and what each parameter is for.
"""

from __future__ import annotations

import numpy as np
import pytest

from harness.engine.session import Session, session
from harness.sheets import read_sheet

SWITCH = read_sheet("switch_cmos")
JFET = read_sheet("jfet_switching_n")
SUPPLIES = [5.0, 10.0, 15.0]
CURRENT = 100e-6  # A, that resistances are measured with


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


def switch(
    engine: Session, *lines: str, supply: float, parameters: str = "", temperature: float = 25.0
) -> None:
    """The switch between nodes a and b, its control at node c, with what stands around it."""
    part = f"x1 a b c s 0 switch_cmos {parameters}"
    options = f".options temp={temperature!r} reltol=1e-5 trtol=1 abstol=1e-14"
    engine.load([*SWITCH.model_lines(), part, f"vs s 0 {supply!r}", *lines, options])


def resistances(
    engine: Session, supply: float, parameters: str = "", temperature: float = 25.0
) -> np.ndarray:
    """Resistance (Ohm) of the closed switch at 21 levels from rail to rail."""
    lines = (f"vc c 0 {supply!r}", "va a 0 0", f"il b 0 {CURRENT!r}")
    switch(engine, *lines, supply=supply, parameters=parameters, temperature=temperature)
    sweep = engine.dc_sweep("va", 0.0, supply, supply / 20)
    return np.asarray((sweep["a"] - sweep["b"]) / CURRENT)


# --- resistance


def test_resistance_falls_with_the_supply_and_rises_with_temperature(engine: Session) -> None:
    worst = [resistances(engine, supply).max() for supply in SUPPLIES]
    assert worst[0] > 2 * worst[1] > 2 * worst[2]
    for supply in SUPPLIES:
        cold, warm, hot = (resistances(engine, supply, temperature=t).max() for t in (-40.0, 25.0, 85.0))
        assert cold < warm < hot
        assert hot / warm == pytest.approx(1.2, abs=0.1)  # 1050 to 1200, 240 to 300: +14 to 25 % in print


@pytest.mark.parametrize("supply", SUPPLIES)
def test_resistance_has_its_hump_between_the_rails(engine: Session, supply: float) -> None:
    """At each rail one channel conducts fully, in the middle both do half; the same from either rail."""
    curve = resistances(engine, supply)
    assert 3 < int(np.argmax(curve)) < 17
    assert curve.max() > 1.05 * max(curve[0], curve[-1])
    assert np.allclose(curve, curve[::-1], rtol=0.15)
    assert np.all(np.abs(np.diff(curve, 2)) < 0.15 * curve.max())  # no kinks


def test_resistance_parameter_scales(engine: Session) -> None:
    plain, double = resistances(engine, 10.0), resistances(engine, 10.0, "resistance=2.2")
    assert np.allclose(double / plain, 2.2, rtol=0.03)
    assert resistances(engine, 10.0, "resistance=0.001").max() < 1.0


@pytest.mark.parametrize(
    ("supply", "tau", "fall"), [(5.0, 470e-9, 2.16e-6), (10.0, 180e-9, 0.83e-6), (15.0, 125e-9, 0.58e-6)]
)
def test_empties_a_capacitor(engine: Session, supply: float, tau: float, fall: float) -> None:
    """1 nF from 5 V to 50 mV takes ln 100 times R C with the typical 470, 180, 125 Ohm (SCHS047M); the switch
    is faster near the rail, where its resistance is lower, by no more than its own curve says."""
    curve = resistances(engine, supply)
    lines = (f"vc c 0 pulse(0 {supply!r} 100n 20n 20n 1 2)", "va a 0 0", "cb b 0 1n", ".ic v(b)=5")
    switch(engine, *lines, supply=supply, parameters="charge=0 leakage=0")
    wave = engine.transient(1e-9, 5e-6, 5e-9, initial=True)
    falling = wave["time"] > 130e-9
    time, level = wave["time"][falling], wave["b"][falling]
    taken = float(np.interp(-0.05, -level, time) - np.interp(-4.5, -level, time))
    ideal = np.log(4.5 / 0.05)
    total = 1e-9 + 8e-12  # the switch adds some picofarads of its own
    assert ideal * curve[0] * total * 0.98 < taken < ideal * curve.max() * total * 1.02
    assert taken < 1.05 * fall * ideal / np.log(100) and curve.max() * 1e-9 == pytest.approx(tau, rel=0.05)


def test_conducts_beyond_the_rails(engine: Session) -> None:
    switch(engine, "vc c 0 0", "va a 0 0", "vb b 0 2", supply=5.0)
    for level, least in ((-0.9, 1e-5), (5.9, 1e-5)):
        engine.alter("va", level)
        assert abs(engine.operating_point()["va#branch"]) > least


# --- control


@pytest.mark.parametrize("supply", SUPPLIES)
def test_goes_over_smoothly_at_half_the_supply(engine: Session, supply: float) -> None:
    lines = ("vc c 0 0", f"va a 0 {supply / 2!r}", "rb b 0 10k")
    switch(engine, *lines, supply=supply)
    sweep = engine.dc_sweep("vc", 0.4 * supply, 0.6 * supply, supply / 2000)
    out = sweep["b"] / (supply / 2)
    assert out[0] < 0.01 and out[-1] > 0.95
    assert np.all(np.diff(out) > -1e-6)
    between = (out > 0.02) & (out < 0.95)
    assert np.count_nonzero(between) >= 20  # on its way for a hundredth of the supply or more: no step


def opened(engine: Session, supply: float, parameters: str = "") -> float:
    """Charge (C) that opening puts on 1 nF held at half the supply."""
    lines = (f"vc c 0 pulse({supply!r} 0 100n 20n 20n 1 2)", f"va a 0 {supply / 2!r}", "cb b 0 1n")
    switch(engine, *lines, supply=supply, parameters=parameters)
    wave = engine.transient(1e-9, 0.5e-6, 1e-9, initial=False)
    return float(wave["b"][-1] - wave["b"][0]) * 1e-9


def test_pushes_charge_that_grows_with_the_supply(engine: Session) -> None:
    """The gate that falls has 0.4 pF more to the switch than the one that rises: Q = 0.4 pF times supply."""
    for supply in SUPPLIES:
        assert opened(engine, supply) == pytest.approx(-0.4e-12 * supply, rel=0.1)
        assert abs(opened(engine, supply, "charge=0")) < 0.1 * 0.4e-12 * supply
    assert opened(engine, 10.0, "charge=3") == pytest.approx(3 * opened(engine, 10.0), rel=0.1)


def test_leakage_parameter(engine: Session) -> None:
    def through(parameters: str) -> float:
        switch(engine, "vc c 0 0", "va a 0 10", "vb b 0 0", supply=10.0, parameters=parameters)
        return engine.operating_point()["vb#branch"]

    assert through("leakage=100n") == pytest.approx(100e-9, rel=0.01)
    assert through("leakage=0") < 0.02e-9


def test_five_hundred_switchings_come_to_their_end(engine: Session) -> None:
    """A capacitor charged and emptied again and again: no step that the engine cannot take."""
    lines = ("vc c 0 pulse(0 5 5u 50n 50n 2u 10u)", "va a 0 0", "ib 0 b 100u", "cb b 0 1n")
    switch(engine, *lines, supply=5.0)
    wave = engine.transient(100e-9, 5e-3, 1e-6, initial=False)
    late = wave["time"] > 1e-3
    assert wave["b"][late].max() == pytest.approx(0.8, abs=0.15)
    assert wave["b"][late].min() > -0.1


# --- JFET


def drain_current(engine: Session, gate: float, drain: float, temperature: float = 25.0) -> float:
    lines = ("j1 d g 0 jfet_switching_n", f"vd d 0 {drain!r}", f"vg g 0 {gate!r}")
    engine.load([*JFET.model_lines(), *lines, f".options temp={temperature!r}"])
    return -engine.operating_point()["vd#branch"]


def test_resistance_belongs_to_cut_off_and_zero_bias_current(engine: Session) -> None:
    """Square law: |V_off| / (2 I_DSS) lies within 16 % of the pairs that onsemi prints (note 2); so do we."""
    resistance = 0.1 / drain_current(engine, 0.0, 0.1)
    square = 3.0 / (2 * drain_current(engine, 0.0, 15.0))
    for printed, current, voltage in ((52.0, 25e-3, 2.2), (30.0, 75e-3, 4.8)):
        assert voltage / (2 * current) == pytest.approx(printed, rel=0.16)
    assert square == pytest.approx(resistance, rel=0.16)


def test_jfet_empties_a_capacitor_in_time(engine: Session) -> None:
    """1 nF from 5 V to 50 mV takes ln 100 times R C, and no more on top than the drain current, which does
    not pass its zero-bias value, takes from 5 V down to where the channel is a resistor."""
    lines = ("j1 d g 0 jfet_switching_n", "vg g 0 pulse(-10 0 20n 1n 1n 1 2)", "cd d 0 1n", ".ic v(d)=5")
    engine.load([*JFET.model_lines(), *lines, ".options reltol=1e-5 trtol=1"])
    wave = engine.transient(0.1e-9, 500e-9, 0.5e-9, initial=True)
    begin = 21e-9
    empty = wave["time"][(wave["time"] > begin) & (wave["d"] < 0.05)][0] - begin
    resistance, most = 0.1 / drain_current(engine, 0.0, 0.1), drain_current(engine, 0.0, 4.0)
    total = 1e-9 + 25e-12  # the transistor adds its own capacitance
    assert np.log(100) * resistance * total < empty < np.log(100) * resistance * total + total * 2.0 / most


def test_jfet_resistance_rises_by_some_tenths_of_a_percent_a_kelvin(engine: Session) -> None:
    cold, hot = (0.1 / drain_current(engine, 0.0, 0.1, t) for t in (25.0, 75.0))
    assert 0.003 < (hot / cold - 1) / 50 < 0.008


def test_jfet_shut_and_its_gate_conducts_forwards(engine: Session) -> None:
    assert abs(drain_current(engine, -10.0, 5.0)) < 1e-9
    lines = ("j1 d g 0 jfet_switching_n", "vd d 0 0", "vg g 0 0.75")
    engine.load([*JFET.model_lines(), *lines])
    assert -engine.operating_point()["vg#branch"] > 1e-3
