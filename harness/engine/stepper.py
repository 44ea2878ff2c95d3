# SPDX-License-Identifier: GPL-3.0-or-later
"""Steers one transient run from inside: where the next point may lie, and when the run is done.

A switch acts from the start of the step that holds its crossing. So the stepper looks ahead along every
gap, lands a point half a fine step before the crossing and steps over it: the crossing lies in the middle
of a tiny step, where the trapezoidal rule acts on it to first order without error. Between events the
engine's own error control works. A run stops itself when a cycle has closed: when all node voltages at two
marker crossings (the ramp passing its middle on its way up) agree.

``PythonStepper`` does all of it here; ``compiled.CompiledStepper`` leaves the points to ``steer.c``, with the
same steps and figures to the bit. Whoever changes one changes the other.
"""

from __future__ import annotations

import math
import time
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from harness.engine.gaps import Gap

if TYPE_CHECKING:
    from harness.engine.compiled import CompiledStepper

SOFT_SHARE = 1e-6  # a level that only is measured is located to this share of the period at decade 1
LEAST_GROWTH = 1e-7  # of the period: the step limit right after an event
LIGHT = 1e-3  # weight in the closing test of nodes that have no explicit capacitor
GIVE_UP = 12.0  # periods (by the hint) after which a run without a closed cycle is ended
_STALLS = 12
_NOTHING = 1e-100  # of a gap: what is left of a node at rest changes its sign by rounding alone
_CYCLES = 5
LOOK_AT_CLOCK = 256  # points


@dataclass(frozen=True)
class Limits:
    """Step limits of one decade; every one of them shrinks from decade to decade.

    ``fine``: step at an event, s. ``soft``: step at a level that only is measured, s. ``longest``: longest
    step, s. ``growth``: step over time since the event. ``settle``: largest relative change of a node from
    cycle to cycle that counts as closed.

    Steps grow from located points, at most to the double: did two decades locate them alike, they would share
    every step of an edge that follows, agree, and both be wrong.
    """

    fine: float
    soft: float
    longest: float
    growth: float
    settle: float

    @classmethod
    def of(cls, decade: float, period: float) -> Limits:
        """The limits of a decade, for a period in s."""
        shrink = 10.0 ** ((1.0 - decade) / 3.0)
        return cls(
            fine=2e-9 * 10.0 ** (-decade / 3.0) * period,
            soft=SOFT_SHARE * shrink * period,
            longest=shrink * period / 20.0,
            growth=shrink,
            settle=1e-4 * 10.0 ** (-2.0 * decade / 3.0),
        )


@dataclass(frozen=True)
class Guide:
    """What a steered run watches, and its limits.

    ``gaps`` switch; ``soft`` ones are only located, and the first of them is the marker that counts cycles.
    ``columns``: names of the engine's vectors that the gaps read, ``time`` first. ``period`` (s): a hint.
    ``memory``: nodes that carry the state from cycle to cycle, none: all. ``seconds``: wall time after which
    the run is ended.
    """

    gaps: Sequence[Gap]
    soft: Sequence[Gap]
    columns: Sequence[str]
    period: float
    limits: Limits
    memory: frozenset[str]
    seconds: float


class Stepper(ABC):
    """State of one steered run: what it watches, its cycles, and how it ended.

    After the run ``finished`` is ``closed``, ``drifting`` (cycles still move slowly), or what went wrong.
    """

    def __init__(self, guide: Guide) -> None:
        self.guide = guide
        self.gaps = (*guide.gaps, *guide.soft)
        self.hard = len(guide.gaps)
        self.period = guide.period
        self.limits = guide.limits
        self.first_floors = [guide.limits.fine] * self.hard + [guide.limits.soft] * len(guide.soft)
        self.bound = guide.limits.soft
        self.finished = ""
        self.nodes: list[str] = []
        self.marks: list[float] = []
        self.drift = math.inf
        self.slow = 1.0
        self.until = time.monotonic() + guide.seconds
        self._states: list[NDArray[np.float64] | None] = []
        self._weights: NDArray[np.float64] = np.ones(0)

    @property
    @abstractmethod
    def points(self) -> int:
        """Accepted points so far."""

    @property
    @abstractmethod
    def events(self) -> int:
        """Switchings so far."""

    def find_columns(self, data: Any) -> tuple[list[int], list[int]]:
        """Places of the watched columns and of all nodes among the engine's vectors."""
        from harness.engine.session import vector_name

        places = {vector_name(data.vecsa[i]): i for i in range(data.veccount)}
        missing = [name for name in self.guide.columns if name not in places]
        if missing:
            raise KeyError(f"the engine saves no {', '.join(missing)}")
        self.nodes = [name for name in places if "#" not in name and "@" not in name and name != "time"]
        memory = self.guide.memory or frozenset(self.nodes)
        self._weights = np.array([1.0 if name in memory else LIGHT for name in self.nodes])
        return [places[name] for name in self.guide.columns], [places[name] for name in self.nodes]

    def no_value(self, gap: Gap) -> None:
        """Ends the run: a gap could not be computed."""
        self.finished = f"the switching expression {gap.text!r} could not be computed: it has no finite value"

    def end_late(self) -> None:
        """Ends the run: no cycle has closed."""
        self.finished = "late"

    def end_slow(self) -> None:
        """Ends the run: its wall time is over."""
        self.finished = "too slow"

    def mark(
        self,
        before: float,
        now: float,
        old: float,
        new: float,
        near: NDArray[np.float64] | None,
        nodes: NDArray[np.float64],
    ) -> None:
        """A marker crossing between two points, where the nodes were at ``near`` (None: not known) and are
        at ``nodes``: has the cycle closed on itself?"""
        part = old / (old - new)
        self.marks.append(before + part * (now - before))
        self._states.append(None if near is None else (1 - part) * near + part * nodes)
        del self._states[:-3]
        states = self._states
        if len(states) > 1 and states[-1] is not None and states[-2] is not None:
            size = (np.abs(states[-1]) + 1.0) / self._weights
            move = (states[-1] - states[-2]) / size
            self.drift, self.slow = float(np.abs(move).max()), 1.0
            if len(states) > 2 and states[-3] is not None:
                self._slow_mode((states[-2] - states[-3]) / size, move)
            if self.drift * max(1.0, self.slow) < self.limits.settle:
                self.finished = "closed"
        if not self.finished and len(self.marks) > _CYCLES:
            self.finished = "drifting"

    def _slow_mode(self, first: NDArray[np.float64], move: NDArray[np.float64]) -> None:
        """A slow memory moves on in one direction, by a ratio below 1 a cycle: how many moves it has left."""
        a, b = float(np.linalg.norm(first)), float(np.linalg.norm(move))
        if float(first @ move) > 0.9 * a * b > 0 and b < 0.9995 * a:
            self.slow = b / (a - b)


class PythonStepper(Stepper):
    """The twin in Python. The engine's callbacks call ``point`` at each accepted point and obey ``bound``."""

    def __init__(self, guide: Guide) -> None:
        super().__init__(guide)
        self.values = [gap.value.function for gap in self.gaps]
        self.directions = [gap.direction for gap in self.gaps]
        self.floors = list(self.first_floors)
        self.stalls = [0] * len(self.gaps)
        self._points = self._events = 0
        self._cells: list[Any] = []
        self._state_cells: list[Any] = []
        self._history: list[tuple[float, list[float]]] = []
        self._event = -math.inf
        self._near: tuple[float, NDArray[np.float64]] | None = None

    @property
    def points(self) -> int:
        """Accepted points so far."""
        return self._points

    @property
    def events(self) -> int:
        """Switchings so far."""
        return self._events

    def point(self, data: Any) -> bool:
        """Takes one accepted point; True ends the run."""
        if self.finished:
            return False  # the engine may take one more point
        if not self._cells:
            watched, nodes = self.find_columns(data)
            self._cells = [data.vecsa[i] for i in watched]  # the engine's storage is new in each run
            self._state_cells = [data.vecsa[i] for i in nodes]
        x = [cell.creal for cell in self._cells]
        now = x[0]
        self._points += 1
        gap = [0.0 if abs(y) < _NOTHING else y for y in (value(x) for value in self.values)]
        if not all(map(math.isfinite, gap)):
            self.no_value(next(g for g, y in zip(self.gaps, gap, strict=True) if not math.isfinite(y)))
            return True
        past = self._history
        if not past or now <= past[-1][0]:
            self._history = past or [(now, gap)]
            return False
        before, old = past[-1]
        marker = self.hard
        if old[marker] < 0 <= gap[marker]:
            near = self._near[1] if self._near is not None and self._near[0] == before else None
            self.mark(before, now, old[marker], gap[marker], near, self._state())
            if self.finished:
                return True
        if self._fired(old, gap):
            self._events += 1
            self._event = now
            self._history = [(now, gap)]  # a fresh start: no looking across the event
            self.bound = self.limits.fine
            return False
        self.bound = self._next_bound(now, gap)
        past.append((now, gap))
        del past[:-2]
        if now > GIVE_UP * self.period:
            self.end_late()
        elif self._points % LOOK_AT_CLOCK == 0 and time.monotonic() > self.until:
            self.end_slow()
        return bool(self.finished)

    def _state(self) -> NDArray[np.float64]:
        return np.array([cell.creal for cell in self._state_cells])

    def _fired(self, old: list[float], gap: list[float]) -> bool:
        fired = False
        for j in range(self.hard):
            a, b = old[j], gap[j]
            if (a < 0) != (b < 0) and self.directions[j] * (b - a) >= 0:
                fired = True
                self.floors[j], self.stalls[j] = self.limits.fine, 0
        return fired

    def _next_bound(self, now: float, gap: list[float]) -> float:
        """The longest next step: growth since the last event, and no step past a crossing of any gap."""
        past, limits = self._history, self.limits
        before, old = past[-1]
        step = now - before
        third = past[-2] if len(past) > 1 else None
        bound = min(
            limits.longest, 4 * step, max(LEAST_GROWTH * self.period, limits.growth * (now - self._event))
        )
        reach = min(2.02 * step, limits.longest)  # the engine at most doubles its step
        for j, y in enumerate(gap):
            if self.directions[j] * y > 0:
                continue  # on the far side of a one-way level
            slope = (y - old[j]) / step
            left = -y / slope if slope * y < 0 else math.inf
            doubt = 0.3 * left
            if third is not None:
                curve = (slope - (old[j] - third[1][j]) / (before - third[0])) / (now - third[0])
                tangent = slope + curve * step
                if left > 2 * reach and (y + reach * (tangent + curve * reach)) * y > 0:
                    continue
                bent = _first_root(curve, tangent, y)
                if bent < math.inf:
                    doubt = 0.3 * (abs(bent - left) if left < math.inf else bent)
                    left = bent
            if left == math.inf:
                continue
            if j == self.hard and left < 2 * reach:
                self._near = now, self._state()
            bound = min(bound, self._landing(j, left, min(doubt, 0.4 * left)))
        return bound

    def _landing(self, j: int, left: float, doubt: float) -> float:
        """The step that lands just before a crossing ``left`` away, or steps over it with the crossing in
        the middle."""
        floor = self.floors[j]
        if left > 0.9 * floor:
            return max(0.4 * floor, left - max(0.5 * floor, doubt))
        self.stalls[j] += 1
        if self.stalls[j] > _STALLS:  # it hovers near its level: do not starve
            self.floors[j] *= 2
            self.stalls[j] = 0
        return max(2 * left, 0.5 * floor)


def _first_root(curve: float, tangent: float, y: float) -> float:
    """The smallest positive root of y + tangent t + curve t^2, or infinity."""
    root = tangent * tangent - 4 * curve * y
    if root < 0:
        return math.inf
    q = -0.5 * (tangent + math.copysign(math.sqrt(root), tangent))
    candidates = ((q / curve) if curve else -1.0, (y / q) if q else -1.0)
    return min((t for t in candidates if t > 0), default=math.inf)


def make_stepper(guide: Guide, compiled: bool = True) -> PythonStepper | CompiledStepper:
    """A stepper for one run: compiled where that can be had and is not ruled out."""
    from harness.engine.compiled import CompiledStepper
    from harness.engine.steering import library

    built = library() if compiled else None
    return PythonStepper(guide) if built is None else CompiledStepper(guide, built)
