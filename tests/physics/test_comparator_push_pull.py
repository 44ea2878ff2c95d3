# SPDX-License-Identifier: GPL-3.0-or-later
"""The push-pull model, measured alone in ngspice, against the published figures of its class.

The figures, with document and table, lie in shared/devices/comparator_push_pull.toml;
test_device_sheets.py holds the model to all of them. Here: polarity, both rails, what the figures move with,
and long runs.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.engine.session import Session, session
from harness.parts.comparators import (
    high_drop,
    hysteresis,
    is_right,
    offset,
    output_current,
    response,
    saturation,
)
from harness.parts.subject import Subject
from harness.sheets import read_sheet

sys.path.insert(0, str(Path(__file__).parent))  # the helper lies beside the tests
from slicing_runs import PERIODS, pulses_of_a_sliced_saw

SHEET = read_sheet("comparator_push_pull")
MODEL = SHEET.model_lines()
LOAD: dict[str, Any] = {
    "step": 0.2, "common": 2.5, "pullup": 0.0, "load": 36e-12, "level": 2.5, "longest": 40e-6,
}  # fmt: skip


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


@pytest.fixture(scope="module")
def part(engine: Session) -> Subject:
    return Subject.of(SHEET, engine)


@pytest.mark.parametrize("supply", [2.7, 3.3, 5.0, 5.5])
@pytest.mark.parametrize("temperature", [-40.0, 25.0, 85.0])
def test_output_is_high_while_plus_is_above_minus_from_rail_to_rail(
    part: Subject, supply: float, temperature: float
) -> None:
    for common in (-0.3, 0.0, supply / 2, supply, supply + 0.3):
        for apart in (0.01, -0.01):
            assert is_right(part, common + apart, common, supply, pullup=0.0, temperature=temperature)


def test_both_levels_lie_at_the_rails_without_a_load(engine: Session) -> None:
    for plus, right in ((3.0, 5.0), (1.0, 0.0)):
        engine.load(
            [*MODEL, "x1 p m vcc 0 out comparator_push_pull", "vcc vcc 0 5", f"vp p 0 {plus}", "vm m 0 2"]
        )
        assert engine.operating_point()["out"] == pytest.approx(right, abs=1e-3)


def test_pins_far_beyond_the_rails_draw_current(engine: Session) -> None:
    """Diodes to both rails; the absolute maximum is 1 V beyond them and 2 mA (DS21696H, 1.0)."""

    def current(plus: float) -> float:
        engine.load(
            [*MODEL, "x1 p m vcc 0 out comparator_push_pull", "vcc vcc 0 5", f"vp p 0 {plus}", "vm m 0 2"]
        )
        return -engine.operating_point()["vp#branch"]

    assert abs(current(5.3)) < 1e-9
    assert abs(current(-0.3)) < 1e-9
    assert current(6.0) > 1e-4
    assert current(-1.0) < -1e-4


def test_levels_move_with_the_current_alike_at_both_rails(part: Subject) -> None:
    currents = [0.5e-3, 2e-3, 10e-3]
    low = [saturation(part, current) for current in currents]
    high = [high_drop(part, current) for current in currents]
    assert np.all(np.diff(low) > 0)
    assert high == pytest.approx(low, rel=0.02)


def test_a_lower_supply_gives_less_output_current(part: Subject) -> None:
    shorts = [output_current(part, supply, supply=supply) for supply in (3.3, 5.0, 5.5)]
    assert np.all(np.diff(shorts) > 0)


@pytest.mark.parametrize("edge", ["rising", "falling"])
def test_more_overdrive_is_faster(part: Subject, edge: str) -> None:
    times = [response(part, drive, edge, **LOAD) for drive in (5e-3, 20e-3, 100e-3)]
    assert np.all(np.diff(times) < 0)


def test_every_effect_has_a_switch_and_its_published_spread(part: Subject) -> None:
    most = SHEET.figures["offset"].most
    assert abs(offset(part, common=2.5, pullup=0.0)) < 0.1e-3
    found = offset(part, common=2.5, pullup=0.0, parameters=f"offset={most!r}")
    assert found == pytest.approx(most, abs=0.1e-3)
    assert abs(hysteresis(part, common=2.5)) < 0.1e-3
    for asked in (SHEET.figures["hysteresis"].least, SHEET.figures["hysteresis"].most):
        found = hysteresis(part, common=2.5, parameters=f"hysteresis={asked!r}")
        assert found == pytest.approx(asked, abs=0.4e-3)
    assert (
        response(part, 0.1, "rising", **LOAD, parameters="delay=0")
        < response(part, 0.1, "rising", **LOAD) / 8
    )
    assert saturation(part, 2e-3, parameters="resistance=0.01") < saturation(part, 2e-3) / 30
    assert saturation(part, 2e-3, parameters="resistance=2") > 1.9 * saturation(part, 2e-3)


@pytest.mark.slow
@pytest.mark.parametrize("temperature", [0.0, 70.0])
@pytest.mark.parametrize("supply", [2.7, 5.5])
@pytest.mark.parametrize("parameters", ["", "hysteresis=3.3m"])
def test_slices_a_saw_for_many_periods(
    engine: Session, supply: float, temperature: float, parameters: str
) -> None:
    lines = [*MODEL, f"x1 p m vcc 0 out comparator_push_pull {parameters}", f"vcc vcc 0 {supply!r}"]
    for period in (1e-3, 50e-3):
        found = pulses_of_a_sliced_saw(engine, lines, 0.0, supply, supply / 2, period, temperature)
        assert abs(found - PERIODS) <= 1
