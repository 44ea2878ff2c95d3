# SPDX-License-Identifier: GPL-3.0-or-later
"""A capacitor that a switch snaps up to a stiff level and a current sweeps down, with or without a follower.

Laws. Sweep: C dV/dt = -(I + g V). Reset: C dV/dt = (V_ref - V) / R(V) - I, integrated in steps that are exact
for a constant resistance. Follower: dy/dt = S tanh((x - y) / (S tau)), a lag tau whose pace is limited to the
slew rate S. A resistor R_s in series with the capacitor shifts the node by -I R_s while it is swept, so that
the trip comes R_s C earlier: R_s = t / C takes a dead time t back at every pitch (common practice, no
source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from harness.predict.core import Delay, no_delay
from harness.predict.ramp import Piece, Ramp, straight

Array = NDArray[np.float64]
STEPS, PIECES = 240, 40  # of the integration, and of the record that is made of it
_SHORTEST, _LEAST = 1e-13, 1e-3  # s, Ohm


def flattening(sweep: Array | float, reset: Array | float) -> Array:
    """Cents by which a reset time (s) flattens a sweep of ``sweep`` (s): 1200 log2(T_s / (T_s + T_r))."""
    return np.asarray(1200.0 * np.log2(np.asarray(sweep) / (np.asarray(sweep) + np.asarray(reset))))


@dataclass(frozen=True)
class LevelTable:
    """A figure against a level: ``levels`` (V, rising, evenly spaced), ``figures`` of shape (corners,
    levels)."""

    levels: Array
    figures: Array

    def at(self, level: Array) -> Array:
        """Figures at ``level`` (V), straight between the knots."""
        if len(self.levels) == 1:
            return self.figures[:, 0]
        step = self.levels[1] - self.levels[0]
        place = np.minimum(np.fmax((level - self.levels[0]) / step, 0.0), len(self.levels) - 1.0)
        first = np.minimum(place.astype(np.intp), len(self.levels) - 2)
        share, rows = place - first, np.arange(len(self.figures))
        return np.asarray(self.figures[rows, first] * (1.0 - share) + self.figures[rows, first + 1] * share)


def constant(figure: Array) -> LevelTable:
    """A figure that is the same at every level."""
    return LevelTable(np.zeros(1), np.asarray(figure)[:, None])


@dataclass(frozen=True)
class Follower:
    """``offset`` (V, output above input) against level, ``lag`` (s) and ``slew`` rate (V/s, infinite for
    none)."""

    offset: LevelTable
    lag: Array
    slew: Array

    def step(self, output: Array, goal: Array, time: Array) -> Array:
        """The output ``time`` (s) later, while its input stands at ``goal`` (V, offset included)."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            free = (goal - output) * -np.expm1(-time / np.maximum(self.lag, _SHORTEST))
            most = self.slew * time
            moved = np.where(np.isinf(most), free, most * np.tanh(free / most))
        return np.asarray(output + np.where(time > 0, moved, 0.0))


@dataclass(frozen=True)
class SnappedCapacitor:
    """A falling core. Arrays have shape (corners,), in SI units.

    The sweep draws ``current`` + ``droop`` * V. ``inner`` is a resistance between capacitor and the node that
    switch and current share, ``outer`` one between capacitor and current that the switch does not see. The
    comparator trips where the ramp falls to ``trip`` and lets go where it rises to ``release``;
    ``close_delay`` gives the time from there until the switch closes against the slope (V/s), ``open_delay``
    that until it opens against the time (s) between closing and release. ``short``: volts (negative) by
    which the capacitor is short of the reference then, against the same time; without it the integration
    says. The switch closes gradually, its conductance growing for twice ``spread`` (s) around the instant
    that ``close_delay`` gives. ``injected``: volts by which opening moves the capacitor.
    """

    capacitance: Array
    current: Array
    droop: Array
    reference: Array
    resistance: LevelTable
    trip: Array
    release: Array
    follower: Follower
    inner: Array
    outer: Array
    injected: Array
    close_delay: Delay = no_delay
    open_delay: Callable[[Array], Array] = no_delay
    short: Callable[[Array], Array] | None = None
    spread: Array | float = 0.0

    def drawn_at(self, level: Array) -> Array:
        """Current (A) that sweeps the capacitor at a level (V)."""
        return self.current + self.droop * level

    def ramp(self, instant_reset: bool = False) -> Ramp:
        """The settled cycle, seen at the follower's output. NaN where the reset does not reach the release
        level, or the sweep not the trip level."""
        slope = self.drawn_at(self.trip) / self.capacitance
        decay = self.droop / self.capacitance
        late = self.close_delay(slope) - self.spread
        foot = self.trip - slope * late
        series = self.inner + self.outer
        behind = self.follower.offset.at(self.trip) + slope * self.follower.lag
        store = foot - behind + self.drawn_at(foot) * series
        *_, crossing, opening = self._reset(store, foot, self._longest())
        horizon = np.nan_to_num(1.05 * np.maximum(crossing, opening))
        time, stored, seen, crossing, opening = self._reset(store, foot, horizon)
        top = _at(time, stored, opening)
        if self.short is not None:
            carried = self.drawn_at(self.reference) * self.resistance.at(self.reference)
            top = self.reference + self.short(self._dwell(crossing)) - carried
        top = top + self.injected
        top = top - self.drawn_at(top) * series
        start = top + self.follower.offset.at(top) + self.drawn_at(top) / self.capacitance * self.follower.lag
        sweep = Piece(start, -self.drawn_at(start) / self.capacitance, decay, np.zeros_like(start))
        duration = sweep.time_to(foot)
        works = (duration > 0) & (slope > 0) & np.isfinite(opening)
        sweep = Piece(start, sweep.rate, decay, np.where(works, duration, np.nan))
        if instant_reset:
            return Ramp((sweep, straight(foot, start, np.zeros_like(foot))))
        return Ramp((sweep, *_pieces(time, seen, opening)))

    def _longest(self) -> Array:
        """A time (s) within which any reset ends that ends at all."""
        widest = np.maximum(np.max(self.resistance.figures, axis=1), _LEAST)
        span = np.maximum(self.reference - self.trip, 0.0)
        pace = 10.0 * (widest + self.inner) * self.capacitance + 10.0 * self.follower.lag
        pace = pace + 1.5 * span / self.follower.slew + 2.0 * self.spread
        return np.asarray(pace + self.open_delay(np.maximum(pace, _SHORTEST)) + _SHORTEST)

    def _reset(self, store: Array, seen: Array, horizon: Array) -> tuple[Array, ...]:
        """Time after closing (s), voltage of the capacitor, and of the ramp: shapes (steps, corners); and
        when the switch opens (s). ``horizon``: how far to look (s)."""
        shares = np.concatenate(
            [[0.0, 1e-5, 2e-5], np.linspace(0.0, 1.0, STEPS + 1)[1:] ** 1.5]
        )  # a jump in no time
        times, stored, outputs = [np.zeros_like(store)], [store], [seen]
        resistance, node = self._node(store, self._share(0.0))
        for before, after in pairwise(shares):
            step, behind = (after - before) * horizon, node
            goal = self.reference - self.drawn_at(store) * resistance
            store = goal + (store - goal) * np.exp(-step / ((resistance + self.inner) * self.capacitance))
            resistance, node = self._node(store, self._share(after * horizon))
            middle = 0.5 * (behind + node)
            late = self.follower.step(seen, middle + self.follower.offset.at(middle), step)
            seen = np.where(self.follower.lag > 0, late, node + self.follower.offset.at(node))
            times.append(after * horizon)
            stored.append(store)
            outputs.append(seen)
        time, output = np.array(times), np.array(outputs)
        crossing = _first(time, output, self.release)
        return time, np.array(stored), output, crossing, crossing + self.open_delay(self._dwell(crossing))

    def _dwell(self, crossing: Array) -> Array:
        """Time from closing to the release level (s), where the first is what ``close_delay`` gives."""
        return np.asarray(np.maximum(crossing - self.spread, _SHORTEST))

    def _share(self, time: Array | float) -> Array:
        """Share of its conductance that the switch has ``time`` (s) after it began to close."""
        wide = np.maximum(2.0 * np.asarray(self.spread), _SHORTEST)
        return np.asarray(np.clip((time + _SHORTEST) / wide, 1e-6, 1.0))

    def _node(self, store: Array, share: Array) -> tuple[Array, Array]:
        """Resistance (Ohm) and voltage of the node that the follower sees while the switch conducts, by
        ``share`` of what it can."""
        resistance = np.maximum(self.resistance.at(store), _LEAST) / share
        current = self.drawn_at(store)
        into = (self.reference - store - current * resistance) / (resistance + self.inner)
        return resistance, store + into * self.inner - current * self.outer


def _first(time: Array, wave: Array, level: Array) -> Array:
    """When each column of a rising wave first reaches ``level``; NaN where it does not."""
    over = wave >= level
    place = np.argmax(over, axis=0)
    columns, before = np.arange(wave.shape[1]), np.maximum(place - 1, 0)
    low, high = wave[before, columns], wave[place, columns]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(high > low, (level - low) / (high - low), 0.0)
    instant = time[before, columns] + share * (time[place, columns] - time[before, columns])
    return np.where(over.any(axis=0), instant, np.nan)


def _at(time: Array, wave: Array, instant: Array) -> Array:
    """Each column of a wave at an instant of its own (s)."""
    place = np.clip(np.sum(time < instant, axis=0), 1, len(time) - 1)
    columns = np.arange(wave.shape[1])
    begin, end = time[place - 1, columns], time[place, columns]
    share = np.clip((instant - begin) / (end - begin), 0.0, 1.0)
    low, high = wave[place - 1, columns], wave[place, columns]
    return np.asarray(low + share * (high - low))


def _pieces(time: Array, wave: Array, end: Array) -> tuple[Piece, ...]:
    """A record from 0 to ``end`` (s) as straight pieces, closer together at the beginning."""
    shares = np.linspace(0.0, 1.0, PIECES + 1) ** 1.5
    instants = [share * end for share in shares]
    levels = [_at(time, wave, instant) for instant in instants]
    return tuple(
        straight(low, high, after - before)
        for low, high, before, after in zip(levels[:-1], levels[1:], instants[:-1], instants[1:], strict=True)
    )
