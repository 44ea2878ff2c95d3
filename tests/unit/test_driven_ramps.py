# SPDX-License-Identifier: GPL-3.0-or-later
"""A ramp that a source makes: how it is known, and where its cycle is marked."""

from __future__ import annotations

import numpy as np
import pytest

from harness.engine.guards import DRIVEN_PLACES, driven_places, places_at_edges, quiet_place
from harness.engine.pulses import Drive, drive_of

RISING = "vramp ramp 0 pulse(0.5 7.5 0 0.9m 90u 5u 1m)"


def test_a_rising_ramp() -> None:
    assert drive_of(["r1 ramp 0 1k", RISING], "ramp") == Drive(1e-3, pytest.approx(1.2), 1)


def test_a_falling_ramp() -> None:
    """The sweep is the slower direction, and its level early in the sweep lies near its begin."""
    found = drive_of(["vramp ramp 0 pulse(0.5 7.5 0 90u 0.9m 5u 1m)"], "ramp")
    assert found == Drive(1e-3, pytest.approx(6.8), -1)


def test_a_source_the_other_way_round() -> None:
    assert drive_of([RISING.replace("ramp 0", "0 ramp")], "ramp") == Drive(1e-3, pytest.approx(-1.2), -1)


def test_a_ramp_that_jumps_back() -> None:
    """A width of 0 lasts until the period is over: the fall is never drawn, and the sweep is the rise."""
    assert drive_of(["vramp ramp 0 pulse(0 5 0 1m 0 0 1m)"], "ramp") == Drive(1e-3, 0.5, 1)
    assert drive_of(["vramp ramp 0 pulse(5 0 0 0.9m 1m 0 1m)"], "ramp") == Drive(1e-3, 4.5, -1)
    assert drive_of(["vramp ramp 0 pulse(0 5 0 0 0.9m 50u 1m)"], "ramp") == Drive(1e-3, 4.5, -1)
    assert drive_of(["vramp ramp 0 pulse(0 5 0 0 0 0.5m 1m)"], "ramp") is None


@pytest.mark.parametrize(
    "line",
    [
        RISING.replace("vramp ramp", "vramp other"),
        RISING.replace("ramp 0", "ramp foot"),
        RISING.replace("vramp", "iramp"),
        RISING.replace(" 0 0.9m", " 1u 0.9m"),  # it begins later than the run
        RISING.replace("1m)", "0.5m)"),  # the period is over before the pulse is
        RISING.replace(" 1m)", ")"),
        RISING.replace("5u", "width"),
        "vramp ramp 0 sin(4 3 1k)",
    ],
)
def test_what_does_not_make_the_ramp_so(line: str) -> None:
    assert drive_of([line], "ramp") is None


def record(**nodes: object) -> dict[str, np.ndarray]:
    """A period of 1 s with a ramp from 0 to 1 V and a quick fall."""
    time = np.linspace(0.0, 1.0, 2001)
    ramp = np.where(time < 0.95, time / 0.95, (1.0 - time) / 0.05)
    return {"time": time, "ramp": ramp} | {name: np.asarray(f(time)) for name, f in nodes.items()}  # type: ignore[operator]


def test_what_follows_the_ramp_is_quiet_and_an_edge_is_not() -> None:
    """An emitter that follows the ramp moves by 4 % of it around every marker; an edge bends."""
    follower = record(emitter=lambda t: 0.65 + 7 * t)
    assert quiet_place(follower, "ramp", 0.0, 1.0) == (pytest.approx(0.5), 1)
    edge = record(emitter=lambda t: 0.65 + 7 * t, output=lambda t: 5.0 * (t > 0.95 * 0.49))
    assert quiet_place(edge, "ramp", 0.0, 1.0) == (pytest.approx(0.35), 1)


@pytest.mark.parametrize(
    ("turn", "best"), [(0.9, 0.8), (0.6, 0.5), (0.3, 0.2), (0.12, DRIVEN_PLACES[-1]), (0.02, 0.8)]
)
def test_the_marker_lies_late_yet_before_the_output_turns(turn: float, best: float) -> None:
    """Where it turns too early for that, an early marker: the run ends the sooner. A turn during the reset
    does not count."""
    places = driven_places(record(), "ramp", [0.95 * turn, 0.999])
    assert places[0] == best
    assert sorted(places) == sorted(DRIVEN_PLACES)


def test_points_close_in_on_an_edge() -> None:
    """An edge that points follow: where it begins, and its middle. One within a step: the step's parts."""
    time = np.array([0.0, 0.2, 0.30, 0.31, 0.32, 0.33, 0.5, 0.7, 1.0])
    wave = np.array([0.0, 0.0, 0.0, 1.0, 3.0, 5.0, 5.0, 0.0, 0.0])
    places = places_at_edges({"time": time, "out": wave}, "out", 0.0, 5.0, 0.0, 1.0)
    assert places == pytest.approx([0.30, 0.3175, 0.5, 0.55, 0.6, 0.65])


def test_an_edge_in_a_short_step_needs_no_more_points() -> None:
    time, wave = np.array([0.0, 0.5, 0.5 + 1e-6, 1.0]), np.array([0.0, 0.0, 5.0, 5.0])
    assert places_at_edges({"time": time, "out": wave}, "out", 0.0, 5.0, 0.0, 1.0) == (0.5,)
