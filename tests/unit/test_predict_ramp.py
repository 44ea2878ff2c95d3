# SPDX-License-Identifier: GPL-3.0-or-later
"""Ramp records: pieces in closed form, passages, and the share below a level."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.predict.core import pulse_source
from harness.predict.ramp import Piece, Ramp, flow, straight, time_of_flow
from harness.predict.stage import duty, ideal_duty

ONE = np.ones(1)


@settings(derandomize=True, deadline=None)
@given(st.floats(-1e3, 1e6), st.floats(1e-9, 1e-3))
def test_flow_and_its_inverse(decay: float, time: float) -> None:
    """Time to an amount of flow and flow of a time undo each other, straight pieces included."""
    amount = flow(np.array([decay]), np.array([time]))
    if decay * time < 12:
        assert time_of_flow(np.array([decay]), amount)[0] == pytest.approx(time, rel=1e-8)


def test_piece_without_decay_is_straight() -> None:
    piece = Piece(ONE * 1.0, ONE * 100.0, ONE * 0.0, ONE * 0.02)
    assert piece.end[0] == pytest.approx(3.0)
    assert piece.time_to(ONE * 2.0)[0] == pytest.approx(0.01)
    assert np.isnan(Piece(ONE, ONE * 100.0, ONE * 200.0, ONE).time_to(ONE * 1.6)[0]), "beyond its end value"


def test_pulse_source_with_dwell() -> None:
    """Foot 0.6 V, top 7.5 V, period 1.5 ms, fall 10 us, dwell 0.2 us: figures by hand."""
    ramp = pulse_source(
        ONE * 0.6, ONE * 7.5, ONE * (1.5e-3 - 10.2e-6), ONE * 0.2e-6, ONE * 10e-6, ONE * 1.5e-3
    )
    assert ramp.period[0] == pytest.approx(1.5e-3)
    assert (ramp.low[0], ramp.high[0]) == pytest.approx((0.6, 7.5))
    share = (4.05 - 0.6) / 6.9
    assert ramp.time_below(ONE * 4.05)[0] == pytest.approx(share * (1.5e-3 - 0.2e-6))
    up, down = ramp.crossing(ONE * 4.05, True), ramp.crossing(ONE * 4.05, False)
    assert up.slope[0] == pytest.approx(6.9 / (1.5e-3 - 10.2e-6))
    assert down.slope[0] == pytest.approx(-6.9 / 10e-6)
    assert down.instant[0] == pytest.approx(1.5e-3 - 10e-6 + 0.5 * 10e-6)


def test_level_outside_the_ramp_is_stuck() -> None:
    ramp = pulse_source(ONE * 0.6, ONE * 7.5, ONE * 1.4e-3, ONE * 0.0, ONE * 0.1e-3, ONE * 1.5e-3)
    late = lambda slope: np.full_like(slope, 1e-6)  # noqa: E731
    assert duty(ramp, (ONE * 8.0, ONE * 8.0), True, late, late)[0] == 1.0
    assert duty(ramp, (ONE * 0.1, ONE * 0.1), True, late, late)[0] == 0.0
    assert duty(ramp, (ONE * 8.0, ONE * 8.0), False, late, late)[0] == 0.0


@settings(derandomize=True, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(0.2, 0.99))
def test_both_senses_share_the_period(share: float, sweep: float) -> None:
    """Output high below and output high above the threshold add up to the whole period; falling ramps
    mirror."""
    rise, fall = ONE * sweep, ONE * (1 - sweep)
    up = pulse_source(ONE * 0.0, ONE * 1.0, rise, ONE * 0.0, fall, ONE)
    down = pulse_source(ONE * 0.0, ONE * 1.0, fall, ONE * 0.0, rise, ONE)
    levels = (ONE * share, ONE * share)
    assert duty(up, levels, True)[0] + duty(up, levels, False)[0] == pytest.approx(1.0)
    assert duty(up, levels, True)[0] == pytest.approx(duty(down, levels, True)[0], abs=1e-12)


def test_delays_move_the_edges() -> None:
    """A late falling edge widens, a late rising edge narrows a pulse that is high below the threshold."""
    ramp = pulse_source(ONE * 0.0, ONE * 1.0, ONE * 0.9e-3, ONE * 0.0, ONE * 0.1e-3, ONE * 1e-3)
    constant = lambda value: lambda slope: np.full_like(slope, value)  # noqa: E731
    plain = duty(ramp, (ONE * 0.5, ONE * 0.5), True)[0]
    assert duty(ramp, (ONE * 0.5, ONE * 0.5), True, constant(5e-6), constant(2e-6), 1e-6, 3e-6)[
        0
    ] == pytest.approx(plain + 1e-3)


def test_jump_is_a_passage_of_infinite_slope() -> None:
    ramp = Ramp((straight(ONE * 1.0, ONE * 5.0, ONE * 1e-3), straight(ONE * 5.0, ONE * 1.0, ONE * 0.0)))
    assert ramp.time_below(ONE * 3.0)[0] == pytest.approx(0.5e-3)
    passage = ramp.crossing(ONE * 3.0, False)
    assert passage.slope[0] == -np.inf and passage.instant[0] == pytest.approx(1e-3)


def test_ideal_duty_is_clipped() -> None:
    """0 to 5 V, threshold 2 V: 0.4 below, 0.6 above (geometry)."""
    levels = np.array([2.0, -1.0, 6.0])
    assert ideal_duty(levels, 0.0 * levels, 0.0 * levels + 5.0, True) == pytest.approx([0.4, 0.0, 1.0])
    assert ideal_duty(levels, 0.0 * levels, 0.0 * levels + 5.0, False) == pytest.approx([0.6, 1.0, 0.0])
