# SPDX-License-Identifier: GPL-3.0-or-later
"""Circuits of capacitors and ideal switches as differential equations, solved with event location.

A second opinion on duty and frequency that shares nothing with the package: no import from it, no netlist,
no fixed step. Source: scipy.integrate.solve_ivp (LSODA after A. C. Hindmarsh and L. R. Petzold; Radau IIA
after E. Hairer, G. Wanner, Solving Ordinary Differential Equations II, section IV.8), events by Brent's
method on the dense output.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

State = np.ndarray
Closed = tuple[bool, ...]

RTOL = 1e-10
ATOL = 1e-12  # V
MOST_CYCLES = 30
MOST_CALLS = 20_000  # of the law between two switchings
CLOSING = 1e-8  # of the period: two cycles that differ by less are settled
TOUCHING = 1e-6  # V: a control this near to its level has just switched (event location in a fast reset)


@dataclass(frozen=True)
class Switch:
    """Closes where ``control(state, closed)`` rises past ``on``, opens where it falls past ``off`` (V)."""

    control: Callable[[State, Closed], float]
    on: float
    off: float

    def wants(self, state: State, closed: Closed, now: bool) -> bool:
        """The position it takes, from the one that it has."""
        value = self.control(state, closed)
        return value > self.off - TOUCHING if now else value > self.on + TOUCHING


@dataclass(frozen=True)
class System:
    """``law(state, closed)``: V/s of each capacitor voltage.

    ``unit`` (s): about a period, steps are limited to a twentieth of it. A cycle runs from one rise of the
    ramp (the first of the states) through ``ramp_level`` to the next; its duty is the share that ``output``
    (index) spends above ``output_level``. A ramp whose state runs on above ``clipped`` (V) stays there.
    """

    start: tuple[float, ...]
    law: Callable[[State, Closed], list[float]]
    switches: tuple[Switch, ...]
    unit: float
    ramp_level: float
    output: int
    output_level: float
    clipped: float = float("inf")


@dataclass(frozen=True)
class Truth:
    """Of the settled cycle: ``period`` (s), ``duty``, lowest and highest ``ramp`` level (V) at an event."""

    period: float
    duty: float
    low: float
    high: float


def settled_cycle(system: System, method: str = "LSODA") -> Truth:
    """Integrates from switching to switching until two cycles agree. Raises RuntimeError where none do."""
    state, closed = np.array(system.start, dtype=float), (False,) * len(system.switches)
    closed = _consistent(system, state, closed)
    now, marks, edges, corners = 0.0, [], [], []
    cycles: list[tuple[float, float]] = []
    while len(marks) <= MOST_CYCLES:
        events = [_level(0, system.ramp_level, 1.0), _level(system.output, system.output_level, 0.0)]
        events += [_switching(switch, k, closed) for k, switch in enumerate(system.switches)]
        found = _integrated(system, state, closed, events, method)
        marks += list(now + found.t_events[0])
        for instant, there in zip(found.t_events[1], found.y_events[1], strict=True):
            edges.append((now + instant, system.law(there, closed)[system.output] > 0))
        fired = [k for k, instants in enumerate(found.t_events[2:]) if len(instants)]
        if not fired:
            raise RuntimeError("nothing switches for ten periods")
        now, state = now + float(found.t[-1]), found.y[:, -1]
        corners.append((now, float(state[0])))
        closed = tuple(not was if k == fired[0] else was for k, was in enumerate(closed))
        closed = _consistent(system, state, closed)
        cycles = [(b - a, _share_high(edges, a, b)) for a, b in pairwise(marks) if b < now]
        if len(cycles) > 2 and np.abs(np.subtract(cycles[-1], cycles[-2])).max() < CLOSING:
            period, duty = cycles[-1]
            last = [level for instant, level in corners if marks[-1] - 1.5 * period < instant <= now]
            return Truth(period * system.unit, duty, min(last), min(max(last), system.clipped))
    raise RuntimeError(f"no settled cycle: {cycles[-3:]}")


class _Slow(Exception):
    """LSODA, which has to find out by itself what is stiff, took its explicit side and stays there."""


def _integrated(system: System, state: State, closed: Closed, events: list[Any], method: str) -> Any:
    calls = 0

    def law(_: float, x: State) -> State:
        nonlocal calls
        calls += 1
        if method == "LSODA" and calls > MOST_CALLS:
            raise _Slow
        return system.unit * np.array(system.law(x, closed))

    try:
        return solve_ivp(
            law, (0.0, 10.0), state, method=method, rtol=RTOL, atol=ATOL, max_step=0.05, events=events
        )
    except _Slow:
        return _integrated(system, state, closed, events, "Radau")


def _level(index: int, level: float, direction: float) -> Callable[[float, State], float]:
    """An event where a state passes a level in this direction (0: in both), without stopping there."""

    def gap(_: float, state: State) -> float:
        return float(state[index] - level)

    gap.direction = direction  # type: ignore[attr-defined]
    return gap


def _switching(switch: Switch, k: int, closed: Closed) -> Callable[[float, State], float]:
    level = switch.off if closed[k] else switch.on

    def gap(_: float, state: State) -> float:
        return switch.control(state, closed) - level

    gap.terminal = True  # type: ignore[attr-defined]
    gap.direction = -1.0 if closed[k] else 1.0  # type: ignore[attr-defined]
    return gap


def _consistent(system: System, state: State, closed: Closed) -> Closed:
    """Switches that another one has just tipped (through a divider without a capacitor) follow at once."""
    for _ in range(10):
        wanted = tuple(s.wants(state, closed, now) for s, now in zip(system.switches, closed, strict=True))
        if wanted == closed:
            return closed
        closed = wanted
    raise RuntimeError("the switches find no rest")


def _share_high(edges: list[tuple[float, bool]], begin: float, end: float) -> float:
    inside = [(instant, rises) for instant, rises in edges if begin <= instant < end]
    if not inside:
        raise RuntimeError("no edge of the output in a cycle")
    total, last, high = 0.0, begin, not inside[0][1]
    for instant, rises in inside:
        total += (instant - last) * high
        last, high = instant, rises
    return (total + (end - last) * high) / (end - begin)
