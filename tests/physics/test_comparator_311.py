# SPDX-License-Identifier: GPL-3.0-or-later
"""The 311-class model, measured alone in ngspice, against the published figures of its class.

The figures, with document and table, lie in shared/devices/comparator_311.toml; test_device_sheets.py holds
the model to all of them. Here: polarity, the free emitter, what the figures move with, and long runs.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.engine.session import Session, session
from harness.parts.comparators import bias, is_right, offset, response, saturation
from harness.parts.subject import Subject
from harness.sheets import read_sheet

sys.path.insert(0, str(Path(__file__).parent))  # the helper lies beside the tests
from slicing_runs import PERIODS, pulses_of_a_sliced_saw

SHEET = read_sheet("comparator_311")
MODEL = SHEET.model_lines()
DUAL: dict[str, Any] = {"supply": 15.0, "negative": -15.0}
LOAD: dict[str, Any] = {"pullup": 500.0, "load": 5e-12, "longest": 2e-6}


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


@pytest.fixture(scope="module")
def part(engine: Session) -> Subject:
    return Subject.of(SHEET, engine)


def at_rest(
    engine: Session, plus: float, minus: float, *lines: str, emitter: float = 0.0
) -> dict[str, float]:
    """On +-15 V, the emitter at a voltage; nodes p, m, out."""
    around = ["vcc vcc 0 15", "vee vee 0 -15", f"ve e 0 {emitter!r}", f"vp p 0 {plus!r}", f"vm m 0 {minus!r}"]
    engine.load([*MODEL, "x1 p m vcc vee out e comparator_311", *around, *lines])
    return engine.operating_point()


@pytest.mark.parametrize(("supply", "negative"), [(5.0, 0.0), (15.0, 0.0), (12.0, -12.0), (18.0, -18.0)])
@pytest.mark.parametrize("temperature", [0.0, 25.0, 70.0])
def test_output_is_high_while_plus_is_above_minus(
    part: Subject, supply: float, negative: float, temperature: float
) -> None:
    for apart in (0.01, -0.01):
        assert is_right(part, 2.0 + apart, 2.0, supply, negative, 1e3, temperature)


@pytest.mark.parametrize("emitter", [-15.0, -7.0, 0.0, 12.0])
def test_low_level_lies_on_the_emitter_not_on_the_negative_supply(engine: Session, emitter: float) -> None:
    lines = (f"vup up 0 {emitter + 5.0!r}", "rup up out 1k")
    low = at_rest(engine, 0.0, 0.1, *lines, emitter=emitter)["out"]
    assert 0.05 < low - emitter < SHEET.figures["low_level"].most
    assert at_rest(engine, 0.1, 0.0, *lines, emitter=emitter)["out"] == pytest.approx(emitter + 5, abs=1e-3)


def test_emitter_carries_what_the_output_sinks(engine: Session) -> None:
    rest = at_rest(engine, 0.0, 0.1, "vup up 0 5", "rup up out 1k")
    sunk = (5.0 - rest["out"]) / 1e3
    base = (
        rest["ve#branch"] - sunk
    )  # what the output transistor's base adds; about 1 mA by the two supply figures
    assert 0 < base < 2e-3
    assert abs(at_rest(engine, 0.1, 0.0, "vup up 0 5", "rup up out 1k")["ve#branch"]) < 1e-6


def test_bias_flows_out_of_both_pins_whichever_is_higher(engine: Session) -> None:
    for plus, minus in ((1.0, -1.0), (-1.0, 1.0)):
        rest = at_rest(engine, plus, minus, "rup vcc out 5k")
        for source in ("vp#branch", "vm#branch"):  # positive: into the source, so out of the pin
            assert rest[source] == pytest.approx(SHEET.figures["bias"].typical, rel=0.05)


def test_saturation_rises_with_current_and_is_no_fixed_resistance(part: Subject) -> None:
    """230 mV at 8 mA is 29 Ohm, 750 mV at 50 mA is 15 Ohm."""
    currents = [1e-3, 4e-3, 8e-3, 20e-3, 50e-3]
    levels = [saturation(part, current, supply=4.5) for current in currents]
    assert np.all(np.diff(levels) > 0)
    resistance = np.divide(levels, currents)
    assert np.all(np.diff(resistance) < 0)
    assert resistance[2] > 1.5 * resistance[4]


def test_more_overdrive_is_faster_and_low_to_high_is_the_quicker_edge(part: Subject) -> None:
    for edge in ("rising", "falling"):
        times = [response(part, drive, edge, **DUAL, **LOAD) for drive in (2e-3, 5e-3, 20e-3, 0.09)]
        assert np.all(np.diff(times) < 0)
    assert response(part, 5e-3, "rising", **DUAL, **LOAD) < response(part, 5e-3, "falling", **DUAL, **LOAD)


def test_no_level_follows_the_inputs_far_beyond_the_common_mode_limits(part: Subject) -> None:
    for common in (14.9, -15.3):
        right = [is_right(part, common + apart, common, **DUAL, pullup=1e3) for apart in (0.005, -0.005)]
        assert right.count(True) < 2


def test_comes_back_from_beyond_the_limit(engine: Session) -> None:
    for above, right in ((0.1, 5.0), (-0.1, 0.0)):
        around = [
            "vcc vcc 0 15", "vee vee 0 -15", "vup up 0 5", "rup up out 1k", "cl out 0 15p",
            "vlift lift 0 pulse(0 14.8 5u 1u 1u 5u 1)", "vm m lift 0", f"vp p m {above!r}",
        ]  # fmt: skip
        options = ".options method=gear reltol=1e-4 trtol=1"
        engine.load([*MODEL, "x1 p m vcc vee out 0 comparator_311", *around, options])
        wave = engine.transient(20e-9, 20e-6, 50e-9, initial=False)
        assert np.all(np.abs(wave["out"][wave["time"] > 14e-6] - right) < 0.4)


def test_every_effect_has_a_switch_and_its_published_spread(part: Subject) -> None:
    around_zero: dict[str, Any] = {**DUAL, "common": 0.0, "pullup": 1e3}
    assert abs(offset(part, **around_zero)) < 0.1e-3
    most = SHEET.figures["offset"].most
    assert offset(part, **around_zero, parameters=f"offset={most!r}") == pytest.approx(most, abs=0.1e-3)
    assert bias(part, **DUAL, common=0.0, parameters="bias=0") < 0.1e-9
    most = SHEET.figures["bias"].most
    assert bias(part, **DUAL, common=0.0, parameters=f"bias={most!r}") == pytest.approx(most, rel=0.05)
    assert saturation(part, 8e-3, parameters="saturation=0") < 10e-3
    assert saturation(part, 8e-3, parameters="saturation=2") > 1.3 * saturation(part, 8e-3)
    quick = response(part, 5e-3, **DUAL, **LOAD, parameters="delay=0")
    assert quick < response(part, 5e-3, **DUAL, **LOAD) / 2.5
    slow = response(part, 5e-3, **DUAL, **LOAD, parameters="delay=2")
    assert slow > 1.5 * response(part, 5e-3, **DUAL, **LOAD)


@pytest.mark.slow
@pytest.mark.parametrize("temperature", [0.0, 70.0])
@pytest.mark.parametrize(
    ("supply", "negative", "emitter"), [(5.0, 0.0, 0.0), (15.0, -15.0, 0.0), (12.0, -12.0, -12.0)]
)
def test_slices_a_saw_for_many_periods(
    engine: Session, supply: float, negative: float, emitter: float, temperature: float
) -> None:
    lines = [
        *MODEL, "x1 p m vcc vee out e comparator_311", f"vcc vcc 0 {supply!r}", f"vee vee 0 {negative!r}",
        f"ve e 0 {emitter!r}", f"vup up 0 {supply!r}", "rup up out 2.2k",
    ]  # fmt: skip
    for period in (1e-3, 50e-3):
        found = pulses_of_a_sliced_saw(
            engine, lines, negative + 1, supply - 2.5, emitter + 2.5, period, temperature
        )
        assert abs(found - PERIODS) <= 1
