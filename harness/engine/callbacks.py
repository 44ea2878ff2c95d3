# SPDX-License-Identifier: GPL-3.0-or-later
"""What ngspice calls at every point and before every step of a transient run.

At an accepted point (SendData) a stepper may end the run. Before a step (GetSyncData) the step is limited,
and what is left before the end is taken in one step: with that callback registered the library clamps the
last step a little short of the end, and engines from 44 on would creep towards it in slivers until the step
is too small. Both callbacks exist in Python and in ``steer.c``; they return an int and never raise, for
nobody would hear it.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import perf_counter
from typing import Any, Protocol

from harness.engine.compiled import CompiledStepper
from harness.engine.steering import Library, library

_WAKE = 0.1  # s after which Python is asked whether the run shall go on, and may hear an interrupt


class PointByPoint(Protocol):
    """Steers a transient run from inside, in Python."""

    bound: float
    """Longest next step, s."""

    def point(self, data: Any) -> bool:
        """Called at each accepted point with ngspice's ``pvecvaluesall``; True ends the run here."""


Steering = PointByPoint | CompiledStepper


class Callbacks(ABC):
    """The two callbacks, ``send_data`` and ``sync`` (function pointers), and what became of the last run.

    ``stopped``: a stepper ended it. ``fault``: what Python code raised inside.
    """

    send_data: Any
    sync: Any

    def __init__(self, stop: Callable[[], object]) -> None:
        """``stop`` makes the engine end its run before the next step."""
        self._stop = stop
        self.stopped = False
        self.fault: BaseException | None = None

    @property
    @abstractmethod
    def seconds(self) -> float:
        """Time spent in the callbacks so far."""

    @contextmanager
    def steering(self, stepper: Steering | None, stop: float, longest: float = math.inf) -> Iterator[None]:
        """While this is open, a transient run to ``stop`` (s) in steps up to ``longest`` (s) obeys the
        stepper."""
        self.stopped, self.fault = False, None
        # the engine reads the decimal a few ulp off; it takes a run for ended within 100 ulp, version 39 only
        # within 1e-10 of the longest step, which is less in runs of very many steps
        self._open(stepper, stop - min(32 * math.ulp(stop), 4e-11 * longest))
        try:
            yield
        finally:
            self._close()

    @abstractmethod
    def _open(self, stepper: Any, end: float) -> None: ...

    @abstractmethod
    def _close(self) -> None: ...

    def _end_run(self, fault: BaseException | None = None) -> None:
        self.stopped, self.fault = True, fault
        self._stop()


def make_callbacks(ffi: Any, stop: Callable[[], object]) -> Callbacks:
    """Compiled callbacks where they can be had, else the Python twin. ``ffi``: knows ngspice's types."""
    built = library()
    return PythonCallbacks(ffi, stop) if built is None else CompiledCallbacks(ffi, built, stop)


class CompiledCallbacks(Callbacks):
    """The callbacks of ``steer.c``."""

    def __init__(self, ffi: Any, built: Library, stop: Callable[[], object]) -> None:
        super().__init__(stop)
        self._lib, self._ffi = built.lib, built.ffi
        self._run = built.lib.steer_run()
        self._stepper: Steering | None = None
        self._ask = built.ffi.callback("int(point_values *, int)", self._asked, error=1, onerror=self._heard)
        self._run.ask = self._ask
        # types of one cffi instance mean nothing to another: pass plain addresses
        self.send_data = ffi.cast("SendData *", int(built.ffi.cast("uintptr_t", built.lib.steer_data)))
        self.sync = ffi.cast("GetSyncData *", int(built.ffi.cast("uintptr_t", built.lib.steer_sync)))

    @property
    def seconds(self) -> float:
        """Time spent in the callbacks so far."""
        return float(self._run.seconds)

    def _open(self, stepper: Steering | None, end: float) -> None:
        run, self._stepper = self._run, stepper
        compiled = isinstance(stepper, CompiledStepper)
        run.steered = stepper.state if isinstance(stepper, CompiledStepper) else self._ffi.NULL
        run.each = stepper is not None and not compiled
        run.end, run.ulp, run.wanted = end, math.ulp(end), 0.0
        run.bound = math.inf if stepper is None else stepper.bound
        run.stopped, run.points = 0, 0
        run.wake = self._lib.steer_clock() + _WAKE
        run.on = 1

    def _close(self) -> None:
        self._run.on, self._run.steered, self._stepper = 0, self._ffi.NULL, None

    def _heard(self, kind: Any, error: BaseException, trace: Any) -> None:
        """An interrupt that struck before ``_asked`` could take care of it; the answer is then 1."""
        self._end_run(error)

    def _asked(self, data: Any, question: int) -> int:
        try:
            stepper, done = self._stepper, False
            if isinstance(stepper, CompiledStepper):
                done = stepper.answer(data, question)
            elif stepper is not None and question == self._lib.EACH_POINT:
                done = stepper.point(data)
                self._run.bound = stepper.bound
            if question == self._lib.CLOCK:
                self._run.wake = self._lib.steer_clock() + _WAKE
            if done:
                self._end_run()
            return int(done)
        except BaseException as error:
            self._end_run(error)
            return 1


class PythonCallbacks(Callbacks):
    """The same in Python."""

    def __init__(self, ffi: Any, stop: Callable[[], object]) -> None:
        super().__init__(stop)
        self._stepper: PointByPoint | None = None
        self._end: float | None = None
        self._wanted = self._seconds = 0.0
        self.send_data = ffi.callback(
            "int(pvecvaluesall, int, int, void *)", self._send_data, onerror=self._heard
        )
        self.sync = ffi.callback(
            "int(double, double *, double, int, int, int, void *)", self._sync, onerror=self._heard
        )

    @property
    def seconds(self) -> float:
        """Time spent in the callbacks so far."""
        return self._seconds

    def _open(self, stepper: PointByPoint | None, end: float) -> None:
        self._stepper, self._end, self._wanted = stepper, end, 0.0

    def _close(self) -> None:
        self._stepper, self._end = None, None

    def _heard(self, kind: Any, error: BaseException, trace: Any) -> None:
        """An interrupt that struck outside of a callback's own care; the next point ends the run."""
        self.fault = error

    def _send_data(self, data: Any, count: int, ident: int, user: Any) -> int:
        if self.stopped or (self._stepper is None and self.fault is None):
            return 0
        begin = perf_counter()
        try:
            if self.fault is not None:
                self._end_run(self.fault)
            elif self._stepper is not None and self._stepper.point(data):
                self._end_run()
        except BaseException as error:
            self._end_run(error)
        self._seconds += perf_counter() - begin
        return 0

    def _sync(
        self, now: float, step: Any, last: float, redo: int, ident: int, location: int, user: Any
    ) -> int:
        if self._end is None:
            return 0
        begin = perf_counter()
        try:
            left, asked = self._end - now, step[0]
            if location == 1 and not redo:
                self._wanted = asked  # what the engine would like next, before it is clamped
            elif location == 0 and left > 0:
                # it aims at the end: at it, just short of it (the clamp), or half way (47 halves it)
                if asked > 0.999 * left or (self._wanted >= left and abs(asked - 0.5 * left) < 1e-6 * left):
                    step[0] = left
                if self._stepper is not None and step[0] > self._stepper.bound:
                    step[0] = self._stepper.bound
            if (location == 0 or redo) and left > 0:  # an engine that goes on from here knows its own end
                if step[0] > 0.999 * left:
                    step[0] = left
                if now + step[0] > self._end:  # not one ulp beyond it
                    step[0] = max(step[0] - math.ulp(self._end), 0.5 * left)
        except BaseException as error:
            self.fault = error
        self._seconds += perf_counter() - begin
        return 0
