# SPDX-License-Identifier: GPL-3.0-or-later
"""The 393-class model, measured alone in ngspice, against the published figures of its class.

The figures, with document and table, lie in shared/devices/comparator_393.toml. Typical figures carry no
tolerance in print; makers differ by a factor of three in some (80, 150 and 250 mV of typical saturation), so
where a test holds the model nearer than that, it holds it to the one document named.
"""

from __future__ import annotations

import numpy as np
import pytest

from harness.engine.session import Session, session
from harness.sheets import read_sheet

SHEET = read_sheet("comparator_393")
MODEL = SHEET.model_lines()
STEPS = ".options method=trap reltol=1e-4 trtol=0.1 abstol=1e-12 vntol=1e-7"


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


def circuit(*lines: str, parameters: str = "", supply: float = 5.0, temperature: float = 25.0) -> list[str]:
    """A comparator on nodes p, m, vcc, out, with what stands around it."""
    part = f"x1 p m vcc 0 out comparator_393 {parameters}"
    return [*MODEL, part, f"vcc vcc 0 {supply!r}", *lines, f".options temp={temperature!r}"]


def at_rest(engine: Session, *lines: str, **settings: object) -> dict[str, float]:
    engine.load(circuit(*lines, **settings))  # type: ignore[arg-type]
    return engine.operating_point()


def inputs(plus: float, minus: float) -> tuple[str, str]:
    return f"vp p 0 {plus!r}", f"vm m 0 {minus!r}"


PULLUP = "rpull vcc out 5.1k"


# --- polarity, supply


@pytest.mark.parametrize("supply", [2.0, 5.0, 15.0, 36.0])
@pytest.mark.parametrize("temperature", [0.0, 25.0, 70.0])
def test_output_is_high_while_plus_is_above_minus(engine: Session, supply: float, temperature: float) -> None:
    high = at_rest(engine, *inputs(0.11, 0.1), PULLUP, supply=supply, temperature=temperature)["out"]
    low = at_rest(engine, *inputs(0.1, 0.11), PULLUP, supply=supply, temperature=temperature)["out"]
    assert high == pytest.approx(supply, abs=1e-3)
    assert low < 0.4


def test_supply_current(engine: Session) -> None:
    def both_halves(supply: float) -> float:
        return -2 * at_rest(engine, *inputs(0.5, 0.4), supply=supply)["vcc#branch"]

    figure = SHEET.figures["supply_current"]
    assert figure.allows(both_halves(5.0))
    assert both_halves(5.0) == pytest.approx(figure.typical, rel=0.1)
    assert SHEET.figures["supply_current_high"].allows(both_halves(30.0))


# --- inputs


def test_bias_flows_out_of_the_pins(engine: Session) -> None:
    figure = SHEET.figures["bias"]
    for plus, minus in ((1.0, 1.1), (1.1, 1.0)):
        rest = at_rest(engine, *inputs(plus, minus), PULLUP)
        for source in ("vp#branch", "vm#branch"):  # positive: into the source, so out of the pin
            assert rest[source] == pytest.approx(figure.typical, rel=0.05)
    for temperature in (0.0, 70.0):
        rest = at_rest(engine, *inputs(1.0, 1.1), PULLUP, temperature=temperature)
        assert SHEET.figures["bias_hot"].allows(rest["vp#branch"])
        assert rest["vp#branch"] > 0


def test_bias_hardly_depends_on_the_input_difference(engine: Session) -> None:
    """Essentially constant, says the document; here within 10 % over 4 V to either side."""
    engine.load(circuit(*inputs(4.0, 4.0), PULLUP, supply=15.0))
    sweep = engine.dc_sweep("vp", 0.0, 8.0, 0.25)
    for source in ("vp#branch", "vm#branch"):
        current = sweep[source]
        assert np.ptp(current) / np.mean(current) < 0.10


@pytest.mark.parametrize("common", [0.0, 1.0, 3.4])
def test_no_offset_unless_asked_for(engine: Session, common: float) -> None:
    def trip(parameters: str) -> float:
        lines = ("vd p m 0", f"vm m 0 {common!r}", PULLUP)
        engine.load(circuit(*lines, parameters=parameters))
        sweep = engine.dc_sweep("vd", -8e-3, 8e-3, 0.05e-3)
        return float(np.interp(2.5, sweep["out"], sweep["sweep"]))

    assert abs(trip("")) < 0.1e-3
    assert trip("offset=5m") == pytest.approx(SHEET.figures["offset"].most, abs=0.1e-3)
    assert trip("offset=-5m") == pytest.approx(-SHEET.figures["offset"].most, abs=0.1e-3)


def test_gain(engine: Session) -> None:
    """The steepest slope of the output against the input difference reaches the least printed."""
    engine.load(circuit("vd p m 0", "vm m 0 5", "rpull vcc out 15k", supply=15.0))
    sweep = engine.dc_sweep("vd", -0.2e-3, 0.2e-3, 1e-6)
    assert SHEET.figures["gain"].allows(np.gradient(sweep["out"], sweep["sweep"]).max())


# --- common mode


@pytest.mark.parametrize("supply", [5.0, 15.0, 30.0])
@pytest.mark.parametrize("temperature", [0.0, 25.0, 70.0])
def test_right_up_to_the_common_mode_limit_and_lost_beyond(
    engine: Session, supply: float, temperature: float
) -> None:
    room = SHEET.figures["common_mode_room" if temperature == 25.0 else "common_mode_room_temperature"].most

    def levels(common: float) -> tuple[float, float]:
        rests = [
            at_rest(engine, *inputs(common + d, common), PULLUP, supply=supply, temperature=temperature)
            for d in (-0.02, 0.02)
        ]
        return rests[0]["out"], rests[1]["out"]

    low, high = levels(supply - room - 0.02)
    assert low < 0.4
    assert high > supply - 0.01
    low, high = levels(supply - 0.5)  # far beyond: the output no longer follows the difference
    assert abs(high - low) < 0.1


def test_one_input_beyond_the_limit_still_gives_the_right_output(engine: Session) -> None:
    for beyond in (14.0, 15.0, 20.0):
        assert at_rest(engine, *inputs(beyond, 5.0), PULLUP, supply=15.0)["out"] > 14.99
        assert at_rest(engine, *inputs(5.0, beyond), PULLUP, supply=15.0)["out"] < 0.4


def test_recovers_after_both_inputs_were_beyond_the_limit(engine: Session) -> None:
    """No level is claimed while both are beyond (dies differ); back inside, the output is right again."""
    for above, right in ((0.1, 15.0), (-0.1, 0.0)):
        lift = "pulse(0 9 20u 1u 1u 20u 1)"
        lines = (f"vm m foot {5.0!r}", f"vfoot foot 0 {lift}", f"vp p m {above!r}", PULLUP, "cload out 0 15p")
        engine.load([*circuit(*lines, supply=15.0), STEPS])
        wave = engine.transient(50e-9, 80e-6, 100e-9, initial=False)
        settled = wave["out"][wave["time"] > 50e-6]
        assert np.all(np.abs(settled - right) < 0.4)


def test_works_at_ground_and_slightly_below(engine: Session) -> None:
    for plus, minus, right in ((-0.2, -0.25, 5.0), (-0.25, -0.2, 0.0), (0.0, 1.0, 0.0), (1.0, -0.25, 5.0)):
        assert abs(at_rest(engine, *inputs(plus, minus), PULLUP)["out"] - right) < 0.4


def test_a_pin_far_below_ground_draws_current(engine: Session) -> None:
    assert SHEET.figures["input_floor"].least == pytest.approx(-0.3)
    assert abs(at_rest(engine, *inputs(-0.3, 1.0))["vp#branch"]) < 1e-6
    assert at_rest(engine, *inputs(-0.9, 1.0))["vp#branch"] > 1e-5


# --- output


def low_level(engine: Session, current: float, temperature: float = 25.0, parameters: str = "") -> float:
    """The low level with this current (A) pushed into the output."""
    lines = (*inputs(1.0, 2.0), f"isink 0 out {current!r}", "dclamp out clamp ideal", "vclamp clamp 0 5")
    model = ".model ideal d(is=1e-15 n=1 rs=0.1)"
    return at_rest(engine, *lines, model, temperature=temperature, parameters=parameters)["out"]


def test_saturation_at_4_mA(engine: Session) -> None:
    figure = SHEET.figures["low_level"]
    level = low_level(engine, 4e-3)
    assert figure.allows(level)
    assert level == pytest.approx(figure.typical, rel=0.1)
    for temperature in (0.0, 70.0):
        assert SHEET.figures["low_level_temperature"].allows(low_level(engine, 4e-3, temperature))


def test_saturation_rises_with_current_and_is_no_fixed_resistance(engine: Session) -> None:
    currents = [0.1e-3, 0.5e-3, 1e-3, 2e-3, 4e-3, 6e-3, 10e-3]
    levels = [low_level(engine, current) for current in currents]
    assert np.all(np.diff(levels) > 0)
    resistance = np.divide(levels, currents)
    assert resistance[0] > 2 * resistance[-1]
    assert levels[5] < 1.5  # 6 mA is the least that every maker promises at 1.5 V


def test_sink_current_is_limited(engine: Session) -> None:
    figure = SHEET.figures["sink_current"]
    for temperature in (0.0, 25.0, 70.0):
        sunk = -at_rest(engine, *inputs(1.0, 2.0), "vout out 0 1.5", temperature=temperature)["vout#branch"]
        assert figure.allows(sunk)
        if temperature == 25.0:
            assert sunk == pytest.approx(figure.typical, rel=0.1)
    assert low_level(engine, 30e-3) > 4.0  # pushed beyond it, the output lets go


def test_leakage(engine: Session) -> None:
    def leakage(voltage: float, temperature: float, parameters: str = "") -> float:
        lines = (*inputs(1.0, 0.5), f"vout out 0 {voltage!r}")
        settings = {"supply": voltage, "temperature": temperature, "parameters": parameters}
        return -at_rest(engine, *lines, **settings)["vout#branch"]

    figure = SHEET.figures["leakage"]
    assert leakage(5.0, 25.0) == pytest.approx(figure.typical, rel=0.3)
    assert SHEET.figures["leakage_hot"].allows(leakage(30.0, 70.0))
    assert leakage(5.0, 25.0, "leakage=0") < 0.2 * figure.typical


# --- response time


def response(engine: Session, before: float, after: float, parameters: str = "") -> float:
    """From a step of the plus input, around 1.4 V at the minus input, to 1.4 V at the output (s)."""
    step = f"vp p 0 pulse({before!r} {after!r} 5u 1n 1n 1 2)"
    lines = (step, "vm m 0 1.4", PULLUP, "cload out 0 15p")
    engine.load([*circuit(*lines, parameters=parameters), STEPS])
    wave = engine.transient(5e-9, 12e-6, 5e-9, initial=False)
    time, above = wave["time"], wave["out"] > 1.4
    changes = np.flatnonzero(above[1:] != above[:-1])
    assert len(changes) == 1
    return float(time[changes[0] + 1]) - 5e-6


def small_steps(engine: Session, parameters: str = "") -> tuple[float, float]:
    """Response (s) to 100 mV steps with 5 mV of overdrive, up and down."""
    up = response(engine, 1.4 - 0.095, 1.4 + 0.005, parameters)
    return up, response(engine, 1.4 + 0.095, 1.4 - 0.005, parameters)


def test_response_at_5_mV_overdrive(engine: Session) -> None:
    """Printed: 1.3 us, no edge and no limit. The slower edge has it, the other is within a factor of two."""
    figure = SHEET.figures["response_small"]
    edges = small_steps(engine)
    assert max(edges) == pytest.approx(figure.typical, rel=0.1)
    assert min(edges) > figure.typical / 2


def test_response_to_a_ttl_step(engine: Session) -> None:
    figure = SHEET.figures["response_large"]
    edges = response(engine, 0.4, 2.4), response(engine, 2.4, 0.4)
    assert max(edges) == pytest.approx(figure.typical, rel=0.15)
    assert min(edges) > figure.typical / 2


def test_more_overdrive_is_faster(engine: Session) -> None:
    times = [response(engine, 1.4 + drive - 0.1, 1.4 + drive) for drive in (5e-3, 10e-3, 20e-3, 50e-3)]
    assert np.all(np.diff(times) < 0)


# --- every effect has a switch


def test_effects_can_be_switched_off(engine: Session) -> None:
    rest = at_rest(engine, *inputs(1.0, 2.0), PULLUP, parameters="bias=0")
    assert max(abs(rest["vp#branch"]), abs(rest["vm#branch"])) < 0.1e-9
    assert low_level(engine, 4e-3, parameters="saturation=0") < 0.015
    assert max(small_steps(engine, "delay=0")) < max(small_steps(engine)) / 3


def test_spread_parameters_move_what_they_name(engine: Session) -> None:
    most = SHEET.figures["bias"].most
    rest = at_rest(engine, *inputs(1.0, 1.1), PULLUP, parameters=f"bias={most!r}")
    assert rest["vp#branch"] == pytest.approx(most, rel=0.1)
    lines = (*inputs(1.0, 2.0), "vout out 0 1.5")
    weak = -at_rest(engine, *lines, parameters="drive=0.5")["vout#branch"]
    typical = -at_rest(engine, *lines)["vout#branch"]
    assert weak == pytest.approx(typical / 2, rel=0.1)
