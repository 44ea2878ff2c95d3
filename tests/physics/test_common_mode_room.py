# SPDX-License-Identifier: GPL-3.0-or-later
"""Common-mode limits as the sheets print them; the source stands beside each check."""

from __future__ import annotations

import numpy as np
import pytest

from harness.measure.room import room

TIME = np.array([0.0, 1.0])


def limits(class_: str, supply: float, ground: float, temperature: float) -> tuple[float, float]:
    """Levels (V) of both inputs at which headroom and floor room are used up."""
    at_zero, rail = np.zeros(2), np.full(2, supply)
    headroom, floor_room = room(
        TIME, at_zero, at_zero, rail, 0.0, 1.0, class_, temperature=temperature, ground=np.full(2, ground)
    )
    return headroom, -floor_room


@pytest.mark.parametrize(("supply", "limit"), [(15.0, 13.5), (12.0, 10.5), (5.0, 3.5)])
def test_393_class_at_25_degrees(supply, limit):
    """0 to VCC - 1.5 V at 25 degC: TI SLCS005Y 6.6; lower limit -0.3 V of any input: 6.1, note 2."""
    assert limits("393", supply, 0.0, 25.0) == pytest.approx((limit, -0.3))


@pytest.mark.parametrize("temperature", [0.0, 50.0, 70.0])
@pytest.mark.parametrize(("supply", "limit"), [(15.0, 13.0), (12.0, 10.0), (5.0, 3.0)])
def test_393_class_elsewhere(supply, limit, temperature):
    """0 to VCC - 2.0 V over the full range: TI SLCS005Y 6.6."""
    assert limits("393", supply, 0.0, temperature) == pytest.approx((limit, -0.3))


def test_311_class_at_15_volt():
    """13 V to -14.5 V (least) at +-15 V: TI SLCS007H."""
    assert limits("311", 15.0, -15.0, 25.0) == pytest.approx((13.0, -14.5))


@pytest.mark.parametrize("swapped", [False, True])
def test_393_class_with_one_input_above_its_range_is_right_with_both_it_is_not(swapped):
    """TI SLCS005Y 8.2.2.1: cases 2 and 3 (one input above) keep the sign, case 4 (both above) does not."""
    supply, inside, above = np.full(2, 15.0), np.full(2, 6.0), np.full(2, 14.0)
    one = (above, inside) if swapped else (inside, above)
    assert room(TIME, *one, supply, 0.0, 1.0, "393")[0] > 0
    assert room(TIME, above, above, supply, 0.0, 1.0, "393")[0] < 0
