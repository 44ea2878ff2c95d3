# SPDX-License-Identifier: GPL-3.0-or-later
"""Waveforms are drawn from where the ramp begins its sweep, whatever moment the record begins at."""

from __future__ import annotations

import numpy as np
import pytest

from harness.report.cycles import from_the_sweep

PERIOD, RESET = 2e-3, 0.03


def record(phase: float, falling: bool = False, length: float = 1.1) -> dict[str, np.ndarray]:
    """A saw from 1 V to 6 V sliced at 3 V, begun at ``phase`` of its cycle, for ``length`` cycles."""
    time = np.linspace(0.0, length * PERIOD, 4001)
    cycle = (time / PERIOD + phase) % 1.0
    saw = np.where(cycle < 1.0 - RESET, cycle / (1.0 - RESET), (1.0 - cycle) / RESET)
    ramp = 6.0 - 5.0 * saw if falling else 1.0 + 5.0 * saw
    return {"time": time, "ramp": ramp, "output": np.where(ramp < 3.0, 8.0, 0.0)}


@pytest.mark.parametrize("falling", [False, True])
def test_records_of_any_phase_look_alike(falling: bool) -> None:
    """Begun just behind the reset, the same wave whatever moment the record began at."""
    first = from_the_sweep(record(0.0, falling), PERIOD)
    grid = np.linspace(0.01, 1.03, 50) * PERIOD
    for phase in (0.1, 0.37, 0.5, 0.8, 0.96, 0.99):
        turned = from_the_sweep(record(phase, falling), PERIOD)
        since = turned["time"] - turned["time"][0]
        assert np.all(np.diff(since) > 0.0)
        assert since[-1] == pytest.approx(1.06 * PERIOD, abs=0.03 * PERIOD)
        got = np.interp(grid, since, turned["ramp"])
        wanted = np.interp(grid, first["time"] - first["time"][0], first["ramp"])
        assert (np.abs(got - wanted) > 0.1).sum() <= 2  # at the reset itself, where a sample's width is all
        assert turned["ramp"][0] == pytest.approx(6.0 if falling else 1.0, abs=0.2)


def test_an_output_that_only_twitches_is_no_obstacle() -> None:
    """A stuck output hardly moves; what little it does need not repeat."""
    waves = record(0.4)
    waves["output"] = np.linspace(0.0, 1e-3, len(waves["time"]))
    assert from_the_sweep(waves, PERIOD) is not waves


def test_the_record_itself_stays_as_it_was() -> None:
    waves = record(0.4)
    before = {name: wave.copy() for name, wave in waves.items()}
    from_the_sweep(waves, PERIOD)
    assert all(np.array_equal(waves[name], before[name]) for name in waves)


def test_what_is_no_settled_cycle_is_drawn_as_it_came() -> None:
    """Too short, without a known period, without a ramp that moves, or other after one cycle."""
    for waves, period in (
        (record(0.4, length=0.8), PERIOD),
        (record(0.4), np.nan),
        (record(0.4) | {"ramp": np.full(4001, 2.0)}, PERIOD),
        (record(0.4), 0.83 * PERIOD),
    ):
        assert from_the_sweep(waves, period) is waves
