# SPDX-License-Identifier: GPL-3.0-or-later
"""The small N-channel MOSFET and the small PNP, measured alone in ngspice, against figures of their class.

The published figures, with document and table, lie in shared/devices/. Limits are limits; a typical figure is
one maker's, and another maker's may differ by half, so a model is held within a third of it.
"""

from __future__ import annotations

import numpy as np
import pytest

from harness.engine.session import Session, session
from harness.sheets import read_sheet

MOSFET = read_sheet("mosfet_small_n")
PNP = read_sheet("pnp_small")
NEAR = 1 / 3  # share of a typical figure
SWITCH = "m1 d g 0 0 mosfet_small_n w=1 l=1"
ROOM = ".options temp=25"


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


def at_rest(engine: Session, *lines: str) -> dict[str, float]:
    engine.load([*MOSFET.model_lines(), *PNP.model_lines(), *lines, ROOM])
    return engine.operating_point()


def capacitance_current(engine: Session, *lines: str) -> dict[str, float]:
    """Source currents (A) in the middle of a rise of 1 V that lasts 10 us: capacitance times ``SLOPE``."""
    engine.load([*MOSFET.model_lines(), *PNP.model_lines(), *lines, f"{ROOM} reltol=1e-5"])
    wave = engine.transient(0.1e-6, 12e-6, 0.1e-6, initial=False)
    middle = int(np.searchsorted(wave["time"], 6e-6))
    return {name: float(wave[name][middle]) for name in wave if name.endswith("#branch")}


SLOPE = 1.0 / 10e-6


def rise(around: float) -> str:
    return f"pulse({around - 0.5!r} {around + 0.5!r} 1u 10u 1u 1 2)"


# --- MOSFET


def test_threshold(engine: Session) -> None:
    figure = MOSFET.figures["threshold"]
    voltage = at_rest(engine, "i1 0 d 250u", "m1 d d 0 0 mosfet_small_n w=1 l=1")["d"]
    assert figure.allows(voltage)
    assert voltage == pytest.approx(figure.typical, rel=NEAR)


@pytest.mark.parametrize(
    ("name", "gate", "current"), [("on_resistance", 10.0, 0.5), ("on_resistance_low_gate", 4.5, 0.2)]
)
def test_on_resistance(engine: Session, name: str, gate: float, current: float) -> None:
    figure = MOSFET.figures[name]
    resistance = at_rest(engine, f"vg g 0 {gate!r}", f"i1 0 d {current!r}", SWITCH)["d"] / current
    assert figure.allows(resistance)
    assert resistance == pytest.approx(figure.typical, rel=NEAR)


def test_capacitances(engine: Session) -> None:
    drain = capacitance_current(engine, f"vd d 0 {rise(20.0)}", "vg g 0 0", SWITCH)
    gate = capacitance_current(engine, "vd d 0 20", f"vg g 0 {rise(0.0)}", SWITCH)
    measured = {
        "output_capacitance": -drain["vd#branch"] / SLOPE,
        "reverse_capacitance": drain["vg#branch"] / SLOPE,
        "input_capacitance": -gate["vg#branch"] / SLOPE,
    }
    for name, value in measured.items():
        assert value == pytest.approx(MOSFET.figures[name].typical, rel=NEAR), name


def test_body_diode(engine: Session) -> None:
    figure = MOSFET.figures["diode_drop"]
    drop = -at_rest(engine, "i1 d 0 200m", "m1 d 0 0 0 mosfet_small_n w=1 l=1")["d"]
    assert figure.allows(drop)
    assert drop == pytest.approx(figure.typical, rel=NEAR)


def test_switch_that_is_off_hardly_leaks(engine: Session) -> None:
    rest = at_rest(engine, "vd d 0 60", "m1 d 0 0 0 mosfet_small_n w=1 l=1")
    assert MOSFET.figures["drain_leakage"].allows(-rest["vd#branch"])


# --- PNP


def gain_and_voltage(engine: Session, current: float) -> tuple[float, float]:
    """DC current gain and base-emitter voltage (V) at this emitter current (A), 5 V collector to base."""
    lines = (f"ie 0 e {current!r}", "vb b 0 5", "vc c 0 0", "q1 c b e pnp_small")
    rest = at_rest(engine, *lines)
    return rest["vc#branch"] / rest["vb#branch"], rest["e"] - rest["b"]


def test_gain_and_base_voltage(engine: Session) -> None:
    gain, voltage = gain_and_voltage(engine, 2e-3)
    assert PNP.figures["gain"].allows(gain)
    assert PNP.figures["base_voltage"].allows(voltage)
    assert voltage == pytest.approx(PNP.figures["base_voltage"].typical, abs=0.02)
    assert gain_and_voltage(engine, 10e-6)[0] == pytest.approx(PNP.figures["gain_low"].typical, rel=NEAR)


def test_saturation(engine: Session) -> None:
    figure = PNP.figures["saturation"]
    rest = at_rest(engine, "ve e 0 5", "ib b 0 0.5m", "ic c 0 10m", "q1 c b e pnp_small")
    drop = rest["e"] - rest["c"]
    assert figure.allows(drop)
    assert drop == pytest.approx(figure.typical, rel=NEAR)


def test_output_admittance(engine: Session) -> None:
    figure = PNP.figures["output_admittance"]
    base = 2e-3 / gain_and_voltage(engine, 2e-3)[0]
    currents = [
        at_rest(engine, "ve e 0 10", f"ib b 0 {base!r}", f"vc c 0 {10 - drop!r}", "q1 c b e pnp_small")[
            "vc#branch"
        ]
        for drop in (4.5, 5.5)
    ]
    admittance = currents[1] - currents[0]  # A for 1 V
    assert figure.allows(admittance)
    assert admittance == pytest.approx(figure.typical, rel=NEAR)


def test_collector_capacitance(engine: Session) -> None:
    current = capacitance_current(
        engine, f"vc c 0 {rise(-10.0)}", "vb b 0 0", "ie 0 e 0", "q1 c b e pnp_small"
    )
    measured = -current["vc#branch"] / SLOPE
    assert measured == pytest.approx(PNP.figures["collector_capacitance"].typical, rel=NEAR)


def test_cutoff_current(engine: Session) -> None:
    rest = at_rest(engine, "vc c 0 -30", "vb b 0 0", "ie 0 e 0", "q1 c b e pnp_small")
    assert PNP.figures["cutoff_current"].allows(rest["vc#branch"])
