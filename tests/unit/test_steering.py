# SPDX-License-Identifier: GPL-3.0-or-later
"""Steppers inside transient runs of the real ngspice: they limit steps, end runs and may fail."""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from harness.engine.session import (
    Session,
    session,
    vector_name,
)

DIVIDER = ["v1 in 0 6", "r1 in out 2k", "r2 out 0 1k"]


@pytest.fixture
def engine() -> Iterator[Session]:
    """The session of the test process, left without a circuit."""
    yield session()
    session().unload()


class Steps:
    """A stepper that stops after so many points, or raises there."""

    def __init__(self, points: int, bound: float = math.inf, error: BaseException | None = None) -> None:
        self.points, self.bound, self.error = points, bound, error
        self.seen: list[float] = []
        self.names: list[str] = []

    def point(self, data: Any) -> bool:
        cells = {vector_name(data.vecsa[i]): data.vecsa[i] for i in range(data.veccount)}
        self.names = list(cells)
        self.seen.append(cells["time"].creal)
        if self.error is not None and len(self.seen) == self.points:
            raise self.error
        return len(self.seen) >= self.points


def fingerprint(waves: dict[str, Any]) -> str:
    digest = hashlib.sha256()
    for name in sorted(waves):
        digest.update(name.encode() + waves[name].tobytes())
    return digest.hexdigest()


def test_a_stepper_ends_the_run_and_limits_the_steps(engine: Session) -> None:
    engine.load([*DIVIDER, "c1 out 0 1n", ".save all @r1[i]"])
    whole = fingerprint(engine.transient(1e-7, 20e-6, 1e-6))
    stepper = Steps(points=30, bound=2e-7)
    waves = engine.transient(1e-7, 20e-6, 1e-6, stepper=stepper)
    assert len(stepper.seen) == 30
    assert 30 <= len(waves["time"]) <= 31
    assert list(waves["time"][:30]) == stepper.seen
    assert np.diff(waves["time"]).max() <= 2.0001e-7
    assert set(stepper.names) == set(waves)
    assert (
        fingerprint(engine.transient(1e-7, 20e-6, 1e-6)) == whole
    )  # the circuit and its .save lines still stand


def test_a_step_limit_is_followed_exactly(engine: Session) -> None:
    class Fine(Steps):
        def point(self, data: Any) -> bool:
            stop = super().point(data)
            self.bound = 3e-12 if 5e-6 < self.seen[-1] < 5.00003e-6 else 1e-7
            return stop

    engine.load([*DIVIDER, "c1 out 0 1n"])
    moment = engine.transient(1e-7, 10e-6, 1e-6, stepper=Fine(10_000))["time"]
    steps = np.diff(moment)
    assert (np.abs(steps[(moment[:-1] > 5e-6) & (moment[1:] < 5.00003e-6)] - 3e-12) < 1e-18).all()
    assert moment[-1] == pytest.approx(10e-6, rel=1e-12)


@pytest.mark.parametrize("stop", [2.5e-3, 2.7e-3, 0.1])
@pytest.mark.parametrize("count", [7, 500, 25_000])
def test_a_plain_run_reaches_its_end_whatever_its_longest_step(
    engine: Session, stop: float, count: int
) -> None:
    """An engine with very short steps wants to come closer to the end than where others are content."""
    engine.load([f"v1 in 0 pulse(0 5 0 {stop / 250} {stop / 250} {stop / 6} {stop / 2.5})", "r1 in 0 1k"])
    moment = engine.transient(stop / count, stop, stop / count)["time"]
    assert moment[-1] == pytest.approx(stop, rel=1e-12)
    assert (np.diff(moment) > 0).all() and len(moment) > count


@pytest.mark.parametrize("error", [ZeroDivisionError("in the stepper"), KeyboardInterrupt()])
def test_what_a_stepper_raises_comes_out_of_the_run(engine: Session, error: BaseException) -> None:
    engine.load([*DIVIDER, "c1 out 0 1n"])
    whole = fingerprint(engine.transient(1e-7, 20e-6, 1e-6))
    stepper = Steps(5, error=error)
    with pytest.raises(type(error)) as caught:
        engine.transient(1e-7, 20e-6, 1e-6, stepper=stepper)
    assert caught.value is error
    assert len(stepper.seen) == 5
    assert fingerprint(engine.transient(1e-7, 20e-6, 1e-6)) == whole


def test_time_in_the_stepper_is_not_time_in_the_engine(engine: Session) -> None:
    class Slow(Steps):
        def point(self, data: Any) -> bool:
            time.sleep(0.002)
            return super().point(data)

    engine.load(DIVIDER)
    inside, called = engine.engine_seconds, engine.callback_seconds
    engine.transient(1e-7, 1e-3, 1e-6, stepper=Slow(50))
    assert engine.callback_seconds - called >= 0.1
    assert 0 < engine.engine_seconds - inside < 0.1
