# SPDX-License-Identifier: GPL-3.0-or-later
"""Matched pairs as exponential converters use them, in ngspice against Shockley's law in closed form.

The law: collector current I = I_s exp((V_be - r I) / V_T) with V_T = kT/q and the exact constants of the SI;
with a bulk resistance r it is solved by the Lambert W function. Published figures of the pairs are held in
test_device_sheets.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import lambertw

from harness.engine.session import Session, session
from harness.sheets import read_sheet

PAIRS = [("npn_pair", 1.0), ("pnp_pair", -1.0)]
LOWEST = 100e-6 / 2**8  # A, eight octaves below 100 uA


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


def thermal(temperature: float) -> float:
    """kT/q (V) at a temperature (degC)."""
    return 1.380649e-23 / 1.602176634e-19 * (temperature + 273.15)


def currents(
    engine: Session, pair: str, sign: float, bases: list[float], parameters: str, temperature: float = 27.0
) -> list[tuple[float, float]]:
    """Collector currents (A) of both halves, emitters together, the first base at 0.5 V and the second higher
    by each of ``bases`` (V); collectors at their bases, so that the collector voltage does not join in."""
    lines = [
        *read_sheet(pair).model_lines(), f"x1 c1 b1 0 c2 b2 0 {pair} {parameters}",
        f"vb1 b1 0 {0.5 * sign!r}", "vb2 b2 0 0", "vc1 c1 b1 0", "vc2 c2 b2 0",
        f".options temp={temperature!r} reltol=1e-6 abstol=1e-15 vntol=1e-9 gmin=1e-15",
    ]  # fmt: skip
    engine.load(lines)
    found = []
    for base in bases:
        engine.alter("vb2", sign * (0.5 + base))
        rest = engine.operating_point()
        found.append((-sign * rest["vc1#branch"], -sign * rest["vc2#branch"]))
    return found


def cents(ratio: float) -> float:
    return 1200.0 * float(np.log2(ratio))


@pytest.mark.parametrize(("pair", "sign"), PAIRS)
@pytest.mark.parametrize("temperature", [0.0, 27.0, 60.0])
def test_eight_octaves_within_a_cent(engine: Session, pair: str, sign: float, temperature: float) -> None:
    """Without bulk resistance each step of V_T ln 2 doubles the current, up to 100 uA."""
    step = thermal(temperature) * np.log(2.0)
    first = currents(engine, pair, sign, [0.0], "bulk=0", temperature)[0][1]
    lowest = thermal(temperature) * np.log(LOWEST / first)
    bases = [float(lowest + octave * step) for octave in range(9)]
    found = [other for _, other in currents(engine, pair, sign, bases, "bulk=0", temperature)]
    assert found[-1] == pytest.approx(100e-6, rel=1e-3)
    for octave, current in enumerate(found):
        assert abs(cents(current / found[0] / 2**octave)) < 1.0


@pytest.mark.parametrize(("pair", "sign"), PAIRS)
def test_bulk_resistance_flattens_as_the_closed_form_says(engine: Session, pair: str, sign: float) -> None:
    """Of 3 Ohm at 100 uA: -20 cents, a common figure (from memory), and the Lambert form all the way."""
    volts = thermal(27.0)
    ideal = [other for _, other in currents(engine, pair, sign, [0.0, 0.05, 0.1, 0.12], "bulk=0")]
    bent = [other for _, other in currents(engine, pair, sign, [0.0, 0.05, 0.1, 0.12], "bulk=3")]
    for straight, found in zip(ideal, bent, strict=True):
        resistance = 3.0 * (1 + 1 / 290)  # the emitter carries the base current too
        closed = volts / resistance * float(lambertw(straight * resistance / volts).real)
        assert abs(cents(found / closed)) < 0.5
    top = float(np.interp(100e-6, ideal, [cents(b / a) for a, b in zip(ideal, bent, strict=True)]))
    assert top == pytest.approx(-20.0, abs=1.0)


@pytest.mark.parametrize(("pair", "sign"), PAIRS)
def test_ratio_of_the_halves_does_not_drift_where_one_does(engine: Session, pair: str, sign: float) -> None:
    """One transistor's current grows many times over 50 K; two with the same bases stay alike to a cent."""
    cold, hot = (currents(engine, pair, sign, [0.0], "", t)[0] for t in (10.0, 60.0))
    assert hot[0] > 20 * cold[0]
    for one, other in (cold, hot):
        assert abs(cents(other / one)) < 1.0


@pytest.mark.parametrize(("pair", "sign"), PAIRS)
def test_scale_falls_with_absolute_temperature(engine: Session, pair: str, sign: float) -> None:
    """18 mV give 1/T octaves: +3300 ppm/K is what compensates it at 27 degC (T = 300 K)."""
    octaves = []
    for temperature in (27.0, 37.0):
        one, other = currents(engine, pair, sign, [0.018], "bulk=0", temperature)[0]
        octaves.append(np.log2(other / one))
    assert octaves[0] / octaves[1] == pytest.approx(310.15 / 300.15, rel=1e-4)


@pytest.mark.parametrize(("pair", "sign"), PAIRS)
def test_offset_is_what_the_second_base_needs_less(engine: Session, pair: str, sign: float) -> None:
    one, other = currents(engine, pair, sign, [0.0], f"offset={2e-3 * sign!r} bulk=0")[0]
    assert other / one == pytest.approx(np.exp(2e-3 / thermal(27.0)), rel=2e-3)


@pytest.mark.parametrize(("pair", "sign"), PAIRS)
def test_spread_parameters_move_what_they_name(engine: Session, pair: str, sign: float) -> None:
    plain = currents(engine, pair, sign, [0.0], "bulk=0")[0][0]
    assert currents(engine, pair, sign, [0.0], "bulk=0 area=2.6")[0][0] == pytest.approx(
        2.6 * plain, rel=1e-3
    )
    gains = []
    for gain in (200, 450):
        engine.load(
            [*read_sheet(pair).model_lines(), f"x1 c1 b1 0 0 0 0 {pair} gain={gain}", f"vc c1 0 {5 * sign!r}",
             f"ib 0 b1 {2e-3 / gain * sign!r}"]
        )  # fmt: skip
        gains.append(-sign * engine.operating_point()["vc#branch"] / (2e-3 / gain))
    assert gains == pytest.approx([200, 450], rel=0.05)
