# SPDX-License-Identifier: GPL-3.0-or-later
"""The record of one cycle of a ramp: pieces that are straight or exponential, each in closed form.

Law of a piece: dV/dt = rate * exp(-decay * t), so V(t) = start + rate * (1 - exp(-decay * t)) / decay; a
decay of 0 is a straight line. A capacitor C fed by a current I - g * V and emptied through a resistance R
obeys it with rate = (I - g * start - start / R) / C and decay = (g + 1 / R) / C.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def flow(decay: Array, time: Array) -> Array:
    """(1 - exp(-decay * time)) / decay in seconds, ``time`` itself where ``decay`` (1/s) is 0."""
    still = np.abs(decay) * np.abs(time) < 1e-12
    safe = np.where(still, 1.0, decay)
    return np.where(still, time, -np.expm1(-safe * time) / safe)


def time_of_flow(decay: Array, amount: Array) -> Array:
    """Inverse of :func:`flow`: the time (s) at which it reaches ``amount`` (s). NaN where it never does."""
    still = np.abs(decay) * np.abs(amount) < 1e-12
    safe = np.where(still, 1.0, decay)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(still, amount, -np.log1p(-safe * amount) / safe)


@dataclass(frozen=True)
class Piece:
    """One piece of the cycle. ``start``: V; ``rate``: V/s at the start; ``decay``: 1/s; ``duration``: s."""

    start: Array
    rate: Array
    decay: Array
    duration: Array

    def level(self, time: Array) -> Array:
        """Volts, ``time`` seconds after the start."""
        return self.start + self.rate * flow(self.decay, time)

    def time_to(self, level: Array) -> Array:
        """Seconds from the start until ``level`` (V) is met; NaN where it never is."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return time_of_flow(self.decay, (level - self.start) / self.rate)

    def rate_at(self, time: Array) -> Array:
        """V/s, ``time`` seconds after the start."""
        return self.rate * np.exp(-self.decay * time)

    @property
    def end(self) -> Array:
        """Volts at the end of the piece."""
        return self.level(self.duration)


@dataclass(frozen=True)
class Crossing:
    """Where the ramp passes a level: ``instant`` (s after the start of the cycle) and ``slope`` (V/s,
    signed)."""

    instant: Array
    slope: Array


@dataclass(frozen=True)
class Ramp:
    """One settled cycle, its sweep first. Every piece is monotone; arrays have shape (corners,).

    ``under`` and ``over`` (V): how far spikes go beyond the lowest and the highest piece, too short to take
    any time.
    """

    pieces: tuple[Piece, ...]
    under: Array | float = 0.0
    over: Array | float = 0.0

    @cached_property
    def period(self) -> Array:
        """Seconds."""
        return np.asarray(np.sum([piece.duration for piece in self.pieces], axis=0))

    @cached_property
    def low(self) -> Array:
        """Lowest level, V."""
        levels = [level for piece in self.pieces for level in (piece.start, piece.end)]
        return np.asarray(np.minimum.reduce(levels) - self.under)

    @cached_property
    def high(self) -> Array:
        """Highest level, V."""
        levels = [level for piece in self.pieces for level in (piece.start, piece.end)]
        return np.asarray(np.maximum.reduce(levels) + self.over)

    @property
    def height(self) -> Array:
        """Peak to peak, V."""
        return self.high - self.low

    def time_below(self, level: Array) -> Array:
        """Seconds of the cycle that the ramp spends below ``level`` (V)."""
        total = np.zeros_like(self.period)
        for piece in self.pieces:
            under_first, under_last = piece.start < level, piece.end < level
            split = piece.time_to(level)
            total = total + np.select(
                [under_first & under_last, under_first & ~under_last, ~under_first & under_last],
                [piece.duration, split, piece.duration - split],
                0.0,
            )
        return np.where(np.isfinite(self.period + level), total, np.nan)

    def crossing(self, level: Array, upwards: bool) -> Crossing:
        """The first passage of ``level`` (V) in the stated direction; NaN where the ramp never passes it.

        A jump between two pieces is a passage of infinite slope.
        """
        instant = np.full(np.broadcast_shapes(self.period.shape, np.shape(level)), np.nan)
        slope, begin = instant.copy(), np.zeros_like(instant)
        steep = np.inf if upwards else -np.inf

        def passes(first: Array, last: Array) -> NDArray[np.bool_]:
            low, high = (first, last) if upwards else (last, first)
            return np.asarray((low < level) & (level <= high) & np.isnan(instant))

        for piece, following in zip(self.pieces, (*self.pieces[1:], self.pieces[0]), strict=True):
            split, here = piece.time_to(level), passes(piece.start, piece.end)
            instant = np.where(here & (piece.duration > 0), begin + split, np.where(here, begin, instant))
            slope = np.where(here & (piece.duration > 0), piece.rate_at(split), np.where(here, steep, slope))
            begin = begin + piece.duration
            here = passes(piece.end, following.start)
            instant, slope = np.where(here, begin, instant), np.where(here, steep, slope)
        return Crossing(instant, slope)


def straight(start: Array, end: Array, duration: Array) -> Piece:
    """A straight piece from ``start`` to ``end`` (V) in ``duration`` (s). Where that is 0 the piece stays at
    ``start``; what follows then begins with a jump."""
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.where(duration > 0, (end - start) / np.where(duration > 0, duration, 1.0), 0.0)
    return Piece(start, rate, np.zeros_like(start), duration)
