# SPDX-License-Identifier: GPL-3.0-or-later
"""One cycle cut out of a record: an uneven time grid, ends that need not lie on points, and its periodic
continuation.

Between points a wave is taken as a straight line, so every figure here is exact for piecewise linear waves.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def check(time: Array, *waves: Array) -> None:
    """Raise ValueError unless ``time`` (s, shape (n,)) never runs back and every wave is finite, as long."""
    if time.ndim != 1 or len(time) < 2:
        raise ValueError(f"a record needs at least two points in time, this one has the shape {time.shape}")
    if not np.isfinite(time).all() or (time[1:] < time[:-1]).any():
        raise ValueError("the times of a record must be finite and must never run back")
    for wave in waves:
        check_wave(time, wave)


def check_wave(time: Array, wave: Array) -> None:
    """Raise ValueError unless ``wave`` is finite and as long as ``time``."""
    if wave.shape != time.shape:
        raise ValueError(f"a wave has the shape {wave.shape}, its time has {time.shape}")
    if not np.isfinite(wave).all():
        raise ValueError("a wave holds values that are not finite")


class _Span:
    """Where a cycle lies in a record, and what was cut out of it: figures ask for the same waves again and
    again. Only arrays that cannot be written to are remembered."""

    def __init__(self, time: Array, begin: float, end: float) -> None:
        """Raises ValueError as `cut` does."""
        if not begin < end:
            raise ValueError(f"a cycle must end after it begins: {begin:g} s to {end:g} s")
        slack = 1e-9 * (end - begin)
        if begin < time[0] - slack or end > time[-1] + slack:
            held = f"{time[0]:g} s to {time[-1]:g} s"
            raise ValueError(f"the record from {held} does not cover the cycle from {begin:g} s to {end:g} s")
        self.time, self.begin, self.end = time, begin, end
        after, before = int(time.searchsorted(begin, "right")), int(time.searchsorted(end, "left"))
        last = len(time) - 2
        self._inside = slice(after, before)
        self._ends = (max(min(after - 1, last), 0), begin), (min(before - 1, last), end)
        self.instants = self._piece(time, begin, end)
        self._known: dict[int, tuple[Array, Array]] = {}

    def of(self, wave: Array) -> Array:
        """The wave from begin to end, checked. Raises ValueError as `check` does."""
        known = self._known.get(id(wave))
        if known is not None:
            return known[1]
        check_wave(self.time, wave)
        piece = self._piece(wave, *(self._on(wave, k, instant) for k, instant in self._ends))
        if not wave.flags.writeable:
            self._known[id(wave)] = wave, piece
        return piece

    def _piece(self, wave: Array, first: float, last: float) -> Array:
        piece = np.concatenate(([first], wave[self._inside], [last]))
        piece.flags.writeable = False
        return piece

    def _on(self, wave: Array, k: int, instant: float) -> float:
        """Value at ``instant`` of the straight line from point k to point k + 1."""
        time = self.time
        share = (instant - time[k]) / (time[k + 1] - time[k])
        return float(wave[k] + share * (wave[k + 1] - wave[k]))


_last_span: list[_Span] = []


def _span(time: Array, begin: float, end: float) -> _Span:
    for span in _last_span:
        if span.time is time and span.begin == begin and span.end == end:
            return span
    check(time)
    span = _Span(time, begin, end)
    if not time.flags.writeable:
        _last_span[:] = [span]
    return span


def cut(time: Array, begin: float, end: float, *waves: Array) -> tuple[Array, ...]:
    """``time`` and ``waves`` from ``begin`` to ``end`` (s), with interpolated points at both ends.

    Of a jump that falls on an end the side within the cycle counts. The pieces are not to be written to.
    Raises ValueError where the record does not cover the span or is no record.
    """
    span = _span(time, begin, end)
    return (span.instants, *(span.of(wave) for wave in waves))


def thrice(period: float, time: Array, *waves: Array) -> tuple[Array, ...]:
    """The n points of a cycle continued periodically: the cycle before, itself and the next, 3 n + 1 points.

    ``time`` may hold both ends of the cycle; between its end and the begin of the next lies a segment of no
    length. The middle cycle owns the segments n to 2 n - 1.
    """
    instants = np.concatenate((time - period, time, time + period, time[:1] + 2 * period))
    pieces = [np.maximum.accumulate(instants)]
    pieces.extend(np.concatenate((wave, wave, wave, wave[:1])) for wave in waves)
    return tuple(pieces)


def mean_product(time: Array, first: Array, second: Array) -> float:
    """Time mean of the product of two waves, exact for piecewise linear ones (product of their units)."""
    step = np.diff(time)
    a, b, c, d = first[:-1], first[1:], second[:-1], second[1:]
    total = np.sum(step * (2 * a * c + a * d + b * c + 2 * b * d)) / 6
    return float(total / (time[-1] - time[0]))


def mean(time: Array, wave: Array) -> float:
    """Time mean of a wave by the trapezium rule (unit of the wave)."""
    step = np.diff(time)
    return float(np.sum(step * (wave[1:] + wave[:-1])) / (2 * (time[-1] - time[0])))
