# SPDX-License-Identifier: GPL-3.0-or-later
"""An independent solver for circuits that switch: ``solve_ivp`` from one located event to the next."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

State = NDArray[np.float64]
TOLERANCE = 1e-11


@dataclass(frozen=True)
class Guard:
    """In ``mode``, the passage of ``value(state)`` through 0 in ``direction`` leads to the mode ``into``.

    Guards are watched from the moment a mode begins; ``value`` must not be 0 there.
    """

    mode: str
    value: Callable[[State], float]
    direction: int
    into: str


@dataclass
class Trace:
    """Instants (s) at which each watched value passed 0, with direction; changes of mode: instant (s), new
    mode, state; whether a mode was met that nothing leads out of."""

    instants: list[list[tuple[float, int]]]
    switched: list[tuple[float, str, State]] = field(default_factory=list)
    stuck: bool = False

    def last(self, watch: int, direction: int, count: int = 1) -> list[float]:
        """The last ``count`` passages of a watched value in a direction."""
        return [t for t, way in self.instants[watch] if way == direction][-count:]


def follow(
    slope: Callable[[State, str], Sequence[float]], guards: Sequence[Guard],
    watches: Sequence[Callable[[State], float]], start: Sequence[float], mode: str, changes: int, span: float,
    method: str = "LSODA",
) -> Trace:  # fmt: skip
    """Follows ``slope(state, mode)`` (per second) from ``start`` through ``changes`` changes of mode.

    ``span`` (s): more than any mode lasts. Raises RuntimeError where a mode does not end within it.
    """
    trace = Trace([[] for _ in watches])
    state, now = np.array(start, dtype=float), 0.0
    before = [watch(state) for watch in watches]
    for _ in range(changes):
        own = [guard for guard in guards if guard.mode == mode]
        if not own:
            trace.stuck = True
            return trace
        events = [_event(guard.value, guard.direction, True) for guard in own]
        events += [_event(watch, 0, False) for watch in watches]
        solution = solve_ivp(
            lambda t, y, mode=mode: slope(y, mode), (now, now + span), state, method=method, rtol=TOLERANCE,
            atol=1e-12, events=events, first_step=1e-9 * span,
        )  # fmt: skip
        if solution.status != 1:
            raise RuntimeError(f"mode {mode!r} does not end")
        for k, times in enumerate(solution.t_events[len(own) :]):
            way = 1 if before[k] < 0 else -1
            for t in times:
                if not trace.instants[k] or t > trace.instants[k][-1][0] + 1e-12 * span:
                    trace.instants[k].append((float(t), way))
                    way = -way
        fired = next(k for k, times in enumerate(solution.t_events[: len(own)]) if len(times))
        now, state = float(solution.t[-1]), solution.y[:, -1]
        before = [watch(state) for watch in watches]
        mode = own[fired].into
        trace.switched.append((now, mode, state.copy()))
    return trace


def _event(
    value: Callable[[State], float], direction: int, terminal: bool
) -> Callable[[float, State], float]:
    def event(t: float, y: State) -> float:
        return value(y)

    event.terminal, event.direction = terminal, direction  # type: ignore[attr-defined]
    return event
