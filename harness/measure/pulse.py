# SPDX-License-Identifier: GPL-3.0-or-later
"""Pulse figures of one cycle: state, duty factor, state levels and transition durations.

Terms after IEEE Std 181 (second hand): levels at 10 %, 50 % and 90 % of the difference between the two state
levels; duty factor is the share of the period above the 50 % level. A cycle is treated as periodic, so that a
pulse or an edge may lie across its ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from harness.measure.crossings import crossed_segments, instant_in, smooth
from harness.measure.levels import halfway_levels, state_levels, time_median
from harness.measure.window import Array, cut, mean, thrice

FLAT = 0.1  # an output that moves by less than this share of its full range is stuck; rule of thumb
SEAM = 1e-6  # of the period: edges so near to the ends of the cycle and to each other are its closing error

EDGE_SHARE = 0.05  # of the shorter state: what a drooping output takes longer for is no edge

Edge = tuple[float, int]  # instant (s), direction


@dataclass(frozen=True)
class Pulse:
    """Figures of an output over one cycle, SI units; not a number where a figure does not exist.

    ``state``: "pulsing", "stuck high", "stuck low" or "chatter". ``rising`` and ``falling``: instants (s) at
    which the output passes its 50 % level, within [begin, end). ``settled_low``: the span (s) in which the
    output rests at its low level, from the middle of the low state to the 10 % level of the rise (it may lie
    after the cycle's end).
    ``note``: what was left out of account, in words.
    """

    state: str
    duty: float
    low_level: float
    high_level: float
    rise_time: float
    fall_time: float
    rising: tuple[float, ...]
    falling: tuple[float, ...]
    level_method: str
    settled_low: tuple[float, float] | None
    note: str = ""


def pulse_figures(
    time: Array, output: Array, begin: float, end: float, swing: tuple[float, float], drooping: bool = False
) -> Pulse:
    """Pulse figures of ``output`` (V) over the cycle ``begin`` to ``end`` (s).

    ``swing``: the full range (V) of the output, lowest and highest level that it is able to take. It decides
    what is a pulse at all: one that does not pass the middle of this range counts as none.
    ``drooping``: levels are those half-way through the states, and not a number where these have none; nor is
    the duration of an edge where the droop carries the output past 10 % or 90 % before the edge begins.
    Raises ValueError for an empty swing and as `cut` does.
    """
    if not swing[0] < swing[1]:
        raise ValueError(f"the output's range must go from a lower to a higher level, not {swing}")
    instants, values = cut(time, begin, end, output)
    middle, full = (swing[0] + swing[1]) / 2, swing[1] - swing[0]
    lowest, highest = float(values.min()), float(values.max())
    moved = highest - lowest
    if highest <= middle or lowest > middle or moved < FLAT * full:
        return _stuck(instants, values, middle, full)
    distinct = True
    if drooping:
        levels, distinct = halfway_levels(instants, values)
    else:
        levels = state_levels(instants, values)
    half = (levels.low + levels.high) / 2
    around = _continued(time, output, begin, end)
    edges = _edges(*around, half, begin, end)
    if not edges:
        return _stuck(instants, values, middle, full)
    rising = tuple(instant for instant, direction in edges if direction > 0)
    falling = tuple(instant for instant, direction in edges if direction < 0)
    duty = _share_above(edges, begin, end)
    pulsing = len(rising) == len(falling) == 1
    rise = fall = nan
    settled = None
    if pulsing:
        low, high = levels.low, levels.high
        rise_ends = _transition(around[0], around[1], low, high, rising[0])
        fall_ends = _transition(around[0], -around[1], -high, -low, falling[0])
        rise, fall = rise_ends[1] - rise_ends[0], fall_ends[1] - fall_ends[0]
        if drooping:
            longest = EDGE_SHARE * min(duty, 1 - duty) * (end - begin)
            rise, fall = (edge if edge < longest else nan for edge in (rise, fall))
        settled = _settled_low(rise_ends, fall_ends, rising[0], falling[0], end - begin)
        note = _runts(*around, low, high, begin, end)
    else:
        note = f"{len(rising)} rising and {len(falling)} falling edges in one cycle"
    if not distinct:
        note = "; ".join(filter(None, (note, "the states droop so far that they have no level")))
    low, high = (levels.low, levels.high) if distinct else (nan, nan)
    return Pulse(
        "pulsing" if pulsing else "chatter",
        duty, low, high, rise, fall, rising, falling, levels.method, settled, note,
    )  # fmt: skip


def _stuck(time: Array, wave: Array, middle: float, full: float) -> Pulse:
    """An output without a pulse: its settled level is the time median, the other level has no figure."""
    level = time_median(time, wave)
    high = mean(time, wave) > middle
    moved = float(wave.max() - wave.min())
    note = f"it moves by {moved:.3g} V without passing {middle:.3g} V" if moved > 0.01 * full else ""
    span = None if high else (float(time[0]), float(time[-1]))
    levels = (nan, level) if high else (level, nan)
    state = "stuck high" if high else "stuck low"
    return Pulse(state, nan, *levels, nan, nan, (), (), "median", span, note)


def _continued(time: Array, wave: Array, begin: float, end: float) -> tuple[Array, Array]:
    """The cycle before, itself and the next, all copies of this one.

    The interpolated points at the ends are kept only where the wave is not smooth: they lie beside a curve.
    """
    instants, values = cut(time, begin, end, wave)
    ends = np.searchsorted(time, (begin, end), side="right") - 1
    kept = slice(1, -1) if any(smooth(time, wave, int(k)) for k in ends) else slice(None)
    around, repeated = thrice(end - begin, instants[kept], values[kept])
    return around, repeated


def _edges(time: Array, wave: Array, level: float, begin: float, end: float) -> list[Edge]:
    """Crossings of ``level`` in the middle one of three copies of a cycle, without its closing error."""
    count = (len(time) - 1) // 3
    segments, directions = crossed_segments(wave, level)
    own = (segments >= count) & (segments < 2 * count)
    edges = []
    for k, direction in zip(segments[own], directions[own], strict=True):
        instant = instant_in(time, wave, level, int(k))
        edges.append((instant - (end - begin) if instant >= end else instant, int(direction)))
    return _without_seam(sorted(edges), begin, end)


def _without_seam(edges: list[Edge], begin: float, end: float) -> list[Edge]:
    """Drop a pair of opposite edges that only says that the cycle does not close to the last digit."""
    period = end - begin
    near = SEAM * period
    for k in range(len(edges)) if len(edges) > 2 else ():
        (first, up), (second, down) = edges[k - 1], edges[k]
        gap = (second - first) % period
        at_the_seam = any(min(x - begin, end - x) < near for x in (first, second))
        if up != down and gap < near and at_the_seam:
            return [edge for j, edge in enumerate(edges) if j not in (k, (k - 1) % len(edges))]
    return edges


def _runts(time: Array, wave: Array, low: float, high: float, begin: float, end: float) -> str:
    """A sentence about excursions beside the pulse that leave a state by 10 % and come back short of 50 %."""
    tenth = _edges(time, wave, low + 0.1 * (high - low), begin, end)
    ninetieth = _edges(time, wave, low + 0.9 * (high - low), begin, end)
    count = (len(tenth) + len(ninetieth)) // 2 - 2
    return f"{count} excursion(s) past 10 % that fall short of 50 % are not counted" if count > 0 else ""


def _share_above(edges: list[Edge], begin: float, end: float) -> float:
    """Share of the cycle spent above the level: every falling edge ends what the rising edge before it
    began."""
    period = end - begin
    above = 0.0
    for k, (instant, direction) in enumerate(edges):
        if direction < 0:
            before = edges[k - 1][0]
            above += instant - before if k > 0 else instant - before + period
    return above / period


def _transition(time: Array, wave: Array, low: float, high: float, middle: float) -> tuple[float, float]:
    """Instants (s) of the 10 % level before and the 90 % level after a rise through 50 % at ``middle``
    (s)."""
    tenth, ninetieth = low + 0.1 * (high - low), low + 0.9 * (high - low)
    before, up = crossed_segments(wave, tenth)
    after, also_up = crossed_segments(wave, ninetieth)
    starts = (instant_in(time, wave, tenth, k) for k in before[up > 0][::-1].tolist())
    ends = (instant_in(time, wave, ninetieth, k) for k in after[also_up > 0].tolist())
    start = next((instant for instant in starts if instant <= middle), nan)
    end = next((instant for instant in ends if instant >= middle), nan)
    return start, end


def _settled_low(
    rise: tuple[float, float], fall: tuple[float, float], rising: float, falling: float, period: float
) -> tuple[float, float]:
    """The later half of the low state: from its middle to the 10 % level of the rise that ends it."""
    start = fall[1] if isfinite(fall[1]) else falling
    stop = rise[0] if isfinite(rise[0]) else rising
    stop = start + (stop - start) % period
    return (start + stop) / 2, stop
