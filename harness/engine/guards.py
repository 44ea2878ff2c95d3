# SPDX-License-Identifier: GPL-3.0-or-later
"""Signs that a run which looks converged is not to be trusted, and where in the cycle nothing happens."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

Record = Mapping[str, NDArray[np.float64]]

_BLIND = 0.3  # of the swing: an edge with less than that in one step has points of its own
DIODE = 1.0  # V below the lowest source that a clamping junction allows; rule of thumb
_LEFT = 0.01  # of the swing: an edge begins where the output has left its level by so much
_LONGEST_EDGE = 0.05  # of the period
_PARTS, _SHORT = 4, 1e-5  # of a step that holds a whole edge and is longer than this share of the period
PLACES = (0.5, 0.35, 0.65, 0.25, 0.75)  # of the ramp's height, where a marker may lie
DRIVEN_PLACES = (0.8, 0.65, 0.5, 0.35, 0.2, 0.1)  # where a source makes the ramp
_CLEAR = 0.05  # of the ramp's height between such a marker and the output's first turn after it
_BEFORE, _AFTER = -0.035, 0.005  # of the period around the marker: what should be quiet
_CALMER = 0.7  # a place other than the middle must be calmer by this factor
_CALM = 0.02  # of |v| + 1 V: no edge
_MAKERS = "abefghlotuy"  # first letters of parts that may make a voltage outside the sources' range


def held_nodes(listing: Sequence[str], ramp: str) -> tuple[str, ...] | None:
    """Nodes that a voltage source holds against ground, from a flattened listing (lower case, no line
    numbers); None where the netlist holds parts that may bring the ramp beyond every source, such as an ideal
    current source at it."""
    held: list[str] = []
    for line in listing:
        words = line.split()
        if not words or not words[0][0].isalpha():
            continue
        if words[0][0] in _MAKERS or (words[0][0] == "i" and ramp in words[1:3]):
            return None
        if words[0][0] == "v" and len(words) > 2:
            if "0" not in words[1:3]:
                return None
            held.append(words[1] if words[2] == "0" else words[2])
    return tuple(held)


def below_possible(record: Record, ramp: str, held: Sequence[str] | None, begin: float, end: float) -> float:
    """Volts by which the ramp undercuts every source by more than a diode within the cycle; 0 where it does
    not or nothing can be said. A ramp does so when the trapezoidal rule rings over a fast reset."""
    if held is None:
        return 0.0
    inside = (record["time"] >= begin) & (record["time"] <= end)
    lowest = min([0.0, *(float(record[node][inside].min()) for node in held if node in record)])
    return max(0.0, lowest - DIODE - float(record[ramp][inside].min()))


def edges(record: Record, node: str, level: float, begin: float, end: float) -> int:
    """How often a node rises through a level within the cycle."""
    wave = record[node][(record["time"] >= begin) & (record["time"] <= end)]
    return int(np.count_nonzero((wave[:-1] < level) & (wave[1:] >= level)))


def crossing_steps(
    record: Record, node: str, level: float, begin: float, end: float
) -> list[tuple[float, float, float]]:
    """(instant, length, rise) of each step within the cycle in which a node passes a level: s, s and V."""
    time, wave = record["time"], record[node]
    k = np.flatnonzero((wave[:-1] < level) != (wave[1:] < level))
    k = k[(time[k + 1] > begin) & (time[k] < end)]
    part = (level - wave[k]) / (wave[k + 1] - wave[k])
    length = time[k + 1] - time[k]
    return [
        (float(time[i] + share * step), float(step), float(abs(wave[i + 1] - wave[i])))
        for i, share, step in zip(k, part, length, strict=True)
    ]


def places_at_edges(
    record: Record, node: str, low: float, high: float, begin: float, end: float
) -> tuple[float, ...]:
    """Instants (s) within the cycle where a finer run should have points, since edges of a node fall there.

    Of an edge that points follow: where it has left its level by little, since steps that grow from there see
    the whole edge, and its middle. An edge within one step may be anywhere in it: the step is cut in
    ``_PARTS``, and finer runs close in on it.
    """
    time, wave = record["time"], record[node]
    middle, near = 0.5 * (low + high), _LEFT * (high - low)
    found: list[float] = []
    for at, length, _ in crossing_steps(record, node, middle, begin, end):
        k = last = int(np.searchsorted(time, at)) - 1
        rising = wave[k + 1] > wave[k]
        while k > 0 and time[k] > at - _LONGEST_EDGE * (end - begin):
            if (wave[k] - low if rising else high - wave[k]) < near:
                break
            k -= 1
        parts = _PARTS if length > _SHORT * (end - begin) else 1
        inside = [float(time[k]) + length * part / parts for part in range(parts)]
        found += [float(time[k]), at] if k < last else inside
    return tuple(found)


def blind(steps: Sequence[tuple[float, float, float]], swing: float) -> float:
    """Time (s) within which the edges of an output are not known, whatever other runs say: the steps that
    carry a large part of its swing. An output without memory may have changed anywhere in such a step."""
    return sum(length for _, length, rise in steps if rise > _BLIND * swing)


def rough_figures(record: Record, output: str, begin: float, end: float) -> dict[str, float]:
    """Frequency, extremes of the output and the share of the cycle above their middle, on straight lines: for
    a run that is not to be believed anyway."""
    time, wave = record["time"], record[output]
    grid = np.concatenate(([begin], time[(time > begin) & (time < end)], [end]))
    values = np.interp(grid, time, wave)
    low, high = float(values.min()), float(values.max())
    gap = values - 0.5 * (low + high)
    before, after = gap[:-1], gap[1:]
    whole = np.where((before > 0) & (after > 0), 1.0, 0.0)
    crossed = (before > 0) != (after > 0)
    part = np.maximum(before, after)[crossed] / np.abs(after - before)[crossed]
    whole[crossed] = part
    duty = float(np.sum(whole * np.diff(grid)) / (end - begin))
    return {"frequency": 1.0 / (end - begin), "duty": duty, "low_level": low, "high_level": high}


def quiet_place(
    record: Record, ramp: str, begin: float, end: float, places: Sequence[float] = PLACES
) -> tuple[float, int]:
    """Level (V) and direction (+1, -1) of the sweep's crossing around which the other nodes move least.

    The sweep is the slower direction of the ramp. Markers lie there: the closing of a cycle cannot be told
    where an edge turns a nanosecond into a volt. ``places``: shares of the ramp's height, best first.
    """
    time, wave = record["time"], record[ramp]
    inside = (time >= begin) & (time <= end)
    step, rise = np.diff(time[inside]), np.diff(wave[inside])
    way = 1 if step[rise > 0].sum() >= step[rise < 0].sum() else -1
    low, high = float(wave[inside].min()), float(wave[inside].max())
    others = [name for name in record if name not in ("time", ramp) and "#" not in name and "@" not in name]
    best = (float("inf"), 0.5 * (low + high))
    for place in places:
        level = low + (place if way > 0 else 1 - place) * (high - low)
        at = crossing(record, ramp, level, way, begin, end)
        if at is None:
            continue
        moved = _movement(record, others, at, begin, end)
        if moved < (_CALMER if best[0] < float("inf") else 1.0) * best[0]:
            best = moved, level
        if best[0] < _CALM:
            break
    return best[1], way


def driven_places(record: Record, ramp: str, turns: Sequence[float]) -> tuple[float, ...]:
    """Places for a marker where a source makes the ramp, best first. A run of such a board starts with the
    source's period and ends at the second marker: late in the sweep a start that was not quite right is
    forgotten, but an edge before the marker is simulated twice. ``turns``: instants (s) at which the output
    turns within a cycle."""
    wave = record[ramp]
    low, high = float(wave.min()), float(wave.max())
    shares = [(float(np.interp(at, record["time"], wave)) - low) / (high - low) for at in turns]
    first = min((share for share in shares if share > DRIVEN_PLACES[-1]), default=1.0)
    before = tuple(place for place in DRIVEN_PLACES if place < first - _CLEAR)
    return before + tuple(place for place in reversed(DRIVEN_PLACES) if place not in before)


def crossing(record: Record, ramp: str, level: float, way: int, begin: float, end: float) -> float | None:
    """The last instant (s) in the cycle at which the ramp crosses a level in a direction, or None."""
    time, gap = record["time"], way * (record[ramp] - level)
    k = np.flatnonzero((gap[:-1] < 0) & (gap[1:] >= 0))
    at = time[k] - gap[k] * (time[k + 1] - time[k]) / (gap[k + 1] - gap[k])
    at = at[(at > begin) & (at <= end * (1 + 1e-15))]
    return float(at[-1]) if len(at) else None


def _movement(record: Record, nodes: Sequence[str], at: float, begin: float, end: float) -> float:
    """The largest departure of any node from a straight line around an instant, as a share of |v| + 1 V; the
    cycle is periodic. What follows the ramp moves evenly, and does no harm."""
    time, period = record["time"], end - begin
    share = np.linspace(0.0, 1.0, 21)
    grid = at + period * (_BEFORE + (_AFTER - _BEFORE) * share)
    grid = np.where(grid < begin, grid + period, np.where(grid > end, grid - period, grid))
    if not nodes:
        return 0.0
    values = np.array([np.interp(grid, time, record[node]) for node in nodes])
    first, last = values[:, :1], values[:, -1:]
    bent = values - (first + (last - first) * share)
    sizes = 1.0 + np.abs(values).max(axis=1)
    return float(((bent.max(axis=1) - bent.min(axis=1)) / sizes).max(initial=0.0))
