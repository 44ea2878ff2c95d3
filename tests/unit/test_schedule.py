# SPDX-License-Identifier: GPL-3.0-or-later
"""Which decades are run, and when two of them are enough."""

from __future__ import annotations

import pytest

from harness.engine.schedule import CHARGES, Schedule


def figures(duty: float, frequency: float = 1000.0) -> dict[str, float]:
    return {"duty": duty, "frequency": frequency}


@pytest.mark.parametrize(
    ("accuracy", "switches", "driven", "decades"),
    [
        (1e-4, False, False, [0.5, 1, 2, 3]),
        (1e-4, False, True, [0, 0.5, 1, 2]),
        (1e-5, False, True, [0, 1, 2, 3]),
        (1e-4, True, False, [0.5, 1, 2, 3]),
        (1e-5, True, True, [0.5, 1, 2, 3]),
    ],
)
def test_the_decades(accuracy: float, switches: bool, driven: bool, decades: list[float]) -> None:
    schedule = Schedule(accuracy)
    found = [schedule.first(switches, driven)]
    assert schedule.settling == switches
    if switches:
        found.append(schedule.settled(figures(0.5)))
    while len(found) < len(decades):
        found.append(schedule.finer(found[-1]))
    assert found == decades
    assert schedule.charges[0] == (1e-13 if accuracy == 1e-4 and not switches else CHARGES[0])


def smooth() -> Schedule:
    schedule = Schedule(1e-4)
    schedule.first(switches=False, driven=True)
    return schedule


def test_two_smooth_decades() -> None:
    """Near each other, the coarser pair nearer; a fine accuracy asks for three in any case."""
    near, far = [figures(0.5), figures(0.5 + 4e-5)], [figures(0.5), figures(0.5 + 6e-5)]
    assert smooth().may_judge(near, 1) and not smooth().may_judge(far, 1)
    assert not smooth().may_judge(near, 0.5) and smooth().may_judge([figures(0.5), figures(0.500002)], 0.5)
    assert smooth().may_judge([*far, figures(0.7)], 1)
    assert not Schedule(1e-5).may_judge([figures(0.5), figures(0.5)], 1)


def test_a_start_that_is_far_off_does_not_count_but_is_remembered() -> None:
    """Figures that come back from where they went have errors that cancel: 2e-5 apart is too much then."""
    for third, enough in ((0.6 + 2e-5, True), (0.6 - 2e-5, False), (0.6 - 4e-6, True)):
        schedule = smooth()
        assert schedule.start_anew([figures(0.5), figures(0.6)])
        assert not schedule.start_anew([figures(0.6), figures(0.7)])  # once is enough
        assert schedule.may_judge([figures(0.6), figures(third)], 1) == enough


def test_two_decades_of_switches_need_the_settling_run_as_a_witness() -> None:
    """1e-5 apart and on the way back, as three runs that agreed by luck were: no."""
    for settled, enough in (
        (figures(0.5, 999.99), True),
        (figures(0.5, 1000.012), False),
        (figures(0.5, 1000.004), True),
        (figures(0.5, 999.97), False),
    ):
        schedule = Schedule(1e-4)
        schedule.first(switches=True, driven=False)
        schedule.settled(settled)
        assert schedule.may_judge([figures(0.5, 1000.0), figures(0.5, 1000.002)], 2) == enough
