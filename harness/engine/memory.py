# SPDX-License-Identifier: GPL-3.0-or-later
"""Slow memories: what outlives many cycles, how far it still is from rest, and where it would come to rest.

A board with an averager or a coupling capacitor moves by so little from one cycle to the next that it looks
settled long before it is. A state that moves by m a cycle and keeps the share r of its distance from cycle to
cycle is still m r / (1 - r) away (a geometric series). The share is taken from three cycles, or from how an
earlier jump worked out, or else from the resistors at the capacitor, r = exp(-T / (R C)).

What a capacitor remembers is the voltage across it: behind a coupling capacitor both plates go up and down
with the pulse, and with every trifle by which its edges lie elsewhere in the next cycle. So a plate is seen
from the other one, and only what is known to be slow jumps, or what follows a slow mode: a jump of some
hundred moves would multiply the noise of everything else as much.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.engine.gaps import suffixed

LEAST_CYCLES = 2.0  # a time constant shorter than this many cycles settles by itself
_ALIKE = 0.9  # cosine between successive moves of one slow mode
_ALONG = 0.02  # of its move: so exactly does a node follow a slow mode that has no resistors to tell of it
_MOST_SHARE = 0.9995  # that three cycles can tell from a standstill
_MOST_STEP = 20.0  # a jump's factor may be corrected by at most this much at once
_MOST_JUMP = 3.0  # times |v| + 1 V
_CLEAR = 3.0  # times what moves scatter by: a smaller move does not tell how a jump worked out
_OPEN = 1e12  # Ohm: resistors that lead away through more than this count as none
_QUICK = 0.02  # of the period: a capacitor emptied within so short a time carries nothing on
_STRAY = 1 / 300  # of the largest capacitor: a smaller one without resistors belongs to a transistor

State = NDArray[np.float64]


@dataclass(frozen=True)
class Holder:
    """A capacitor as a memory: the node that moves, C (F), R C (s) by the resistors alone, and the other end.

    ``shortest``: all neighbours taken as fixed; ``longest``: everything but resistors and sources taken out;
    infinite where no resistor leads away.
    """

    node: str
    capacitance: float
    shortest: float
    longest: float
    other: str = "0"


def holders(listing: Sequence[str]) -> tuple[Holder, ...]:
    """The capacitors of a flattened listing (lower case, no line numbers)."""
    conductance: dict[tuple[str, str], float] = {}
    fixed = {"0", "gnd"}
    capacitors: list[tuple[str, str, float]] = []
    for words in (line.split() for line in listing):
        if len(words) < 4 or words[0][0] not in "rcv":
            continue
        kind, first, second = words[0][0], words[1], words[2]
        if kind == "v":
            fixed |= {first} if second == "0" else {second} if first == "0" else set()
            continue
        try:
            value = abs(suffixed(words[3]))
        except ValueError:
            continue
        if kind == "c" and value > 0:
            capacitors.append((first, second, value))
        elif kind == "r" and value > 0:
            conductance[first, second] = conductance.get((first, second), 0.0) + 1.0 / value
    places, inverse = _resistances(conductance, fixed, capacitors)
    found = []
    for first, second, value in capacitors:
        ends = [0.0 if node in fixed else _apart(conductance, node) for node in (first, second)]
        at = np.zeros(len(places))
        for node, sign in ((first, 1.0), (second, -1.0)):
            if node in places:
                at[places[node]] = sign
        longest = float(at @ inverse @ at)
        node, other = (first, second) if ends[0] >= ends[1] else (second, first)
        longest = longest if longest < _OPEN else math.inf
        found.append(Holder(node, value, value * sum(ends), value * longest, other))
    return tuple(found)


def _apart(conductance: Mapping[tuple[str, str], float], node: str) -> float:
    """Ohm from a node to its neighbours, all of them taken as fixed; infinite without a resistor."""
    total = sum(value for ends, value in conductance.items() if node in ends)
    return 1.0 / total if total else math.inf


def _resistances(
    conductance: Mapping[tuple[str, str], float],
    fixed: set[str],
    capacitors: Sequence[tuple[str, str, float]],
) -> tuple[dict[str, int], State]:
    """Places of the free nodes and the inverse of their conductance matrix (Ohm); a node without a way to
    a source is as good as open."""
    names = {node for ends in conductance for node in ends} | {node for c in capacitors for node in c[:2]}
    places = {node: k for k, node in enumerate(sorted(names - fixed))}
    matrix = np.eye(len(places)) / (1e3 * _OPEN)
    for ends, value in conductance.items():
        inner = [places[node] for node in ends if node in places]
        for k in inner:
            matrix[k, k] += value
        if len(inner) == 2:
            matrix[inner[0], inner[1]] -= value
            matrix[inner[1], inner[0]] -= value
    return places, _inverse(matrix)


def _inverse(matrix: State) -> State:
    """The inverse of a conductance matrix (1/Ohm). Where nodes that a small resistor joins float together
    their leak is lost in rounding: it is put back, so that they count as open."""
    try:
        return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(matrix)
        return np.asarray((vectors / np.maximum(values, 1 / (1e3 * _OPEN))) @ vectors.T, dtype=np.float64)


def carriers(found: Sequence[Holder], ramp: str, period: float) -> frozenset[str]:
    """Nodes that carry a state from cycle to cycle: the ramp, and every capacitor that its resistors alone
    do not empty in a small part of the period, but for stray ones that are far smaller than the largest."""
    largest = max((holder.capacitance for holder in found), default=0.0)
    kept = {
        h.node
        for h in found
        if h.longest > _QUICK * period and (math.isfinite(h.longest) or h.capacitance >= _STRAY * largest)
    }
    return frozenset(kept | {ramp})


def time_constants(found: Sequence[Holder]) -> dict[str, float]:
    """Node -> R C (s) of the slowest capacitor there with a known R; the true one is no shorter."""
    known: dict[str, float] = {}
    for holder in found:
        if math.isfinite(holder.shortest) and holder.shortest > 0:
            known[holder.node] = max(known.get(holder.node, 0.0), holder.shortest)
    return known


def other_plates(found: Sequence[Holder], period: float) -> dict[str, str]:
    """Node -> node at the other end of the slowest capacitor there, where it outlives
    :data:`LEAST_CYCLES`."""
    known = time_constants(found)
    return {
        holder.node: holder.other
        for holder in found
        if holder.shortest == known.get(holder.node) and holder.shortest > LEAST_CYCLES * period
    }


@dataclass
class Rest:
    """How far the nodes are from rest after a run: ``away`` (V, signed, by node) and the largest share
    ``distance`` of |v| + 1 V; ``slow``: True where this is more than the last move itself. ``scatter``: share
    of |v| + 1 V by which the moves of slow nodes differ without a reason."""

    nodes: Sequence[str]
    move: State
    factor: State
    away: State
    distance: float
    slow: bool
    scatter: float = 0.0


def states_at(record: Mapping[str, State], nodes: Sequence[str], instants: Sequence[float]) -> list[State]:
    """Voltages of the nodes (shape (n,)) at each instant (s), on straight lines between points."""
    time = record["time"]
    table = np.array([np.interp(instants, time, record[node]) for node in nodes])
    return [table[:, k] for k in range(len(instants))]


def rest_of(
    nodes: Sequence[str],
    states: Sequence[State],
    weights: State,
    constants: Mapping[str, float],
    period: float,
    noise: float,
    before: Rest | None = None,
    others: Mapping[str, str] | None = None,
) -> Rest:
    """Where the cycle would come to rest, from the states at its last markers.

    ``weights``: importance of a node, 1 or less. ``constants``: of :func:`time_constants`. ``noise``: share
    of |v| + 1 V below which a move tells nothing. ``before``: what this gave for the run before, where its
    ``away`` was then added to the start of this one. ``others``: of :func:`other_plates`; the voltage of such
    a node is taken against its other plate.
    """
    size = (np.abs(states[-1]) + 1.0) / weights
    most = _MOST_JUMP * (np.abs(states[-1]) + 1.0)
    states = _across(nodes, states, others or {})
    move = states[-1] - states[-2]
    cycles = np.array([constants.get(node, 0.0) for node in nodes]) / period
    factor = np.where(cycles > LEAST_CYCLES, 1.0 / np.expm1(1.0 / np.maximum(cycles, LEAST_CYCLES)), 0.0)
    known = cycles > LEAST_CYCLES
    telling = known if known.any() else np.ones(len(nodes), dtype=bool)
    measured = _share([state[telling] for state in states], size[telling], noise)
    scatter = 0.0 if before is None else 0.5 * before.scatter  # a small one may be luck
    if len(states) > 2 and known.any():
        expected = np.exp(-1.0 / cycles[known]) * (states[-2] - states[-3])[known]
        scatter = max(scatter, float(np.linalg.norm((move[known] - expected) / size[known])))
    if before is not None and before.slow:
        factor = _corrected(before, move, size, max(noise, _CLEAR * scatter))
    elif measured is not None:
        along = np.abs(move - measured * (states[-2] - states[-3])) <= _ALONG * np.abs(move)
        factor = np.where(known | along, measured / (1 - measured), 0.0)
    away = np.clip(move * factor, -most, most)
    shift = np.abs(move) * np.maximum(1.0, np.abs(factor)) / size
    distance = float(shift.max(initial=0.0))
    return Rest(nodes, move, factor, away, distance, bool(np.abs(factor).max(initial=0.0) > 1.0), scatter)


def _across(nodes: Sequence[str], states: Sequence[State], others: Mapping[str, str]) -> list[State]:
    """The states with each node of ``others`` seen from its other plate, where that is no source's."""
    places = {node: k for k, node in enumerate(nodes)}
    pairs = [(places[node], places[other]) for node, other in others.items() if {node, other} <= set(places)]
    if not pairs:
        return list(states)
    plates, far = (list(ends) for ends in zip(*pairs, strict=True))
    seen = [state.copy() for state in states]
    for state, whole in zip(seen, states, strict=True):
        state[plates] -= whole[far]
    return seen


def _share(states: Sequence[State], size: State, noise: float) -> float | None:
    """What a slow mode keeps of its distance from cycle to cycle, by the last three states."""
    if len(states) < 3:
        return None
    first, last = (states[-2] - states[-3]) / size, (states[-1] - states[-2]) / size
    a, b = float(np.linalg.norm(first)), float(np.linalg.norm(last))
    alike = float(first @ last) > _ALIKE * a * b > 0
    if not alike or b < noise or a - b < noise or not b < _MOST_SHARE * a:
        return None
    return b / a


def _corrected(before: Rest, move: State, size: State, noise: float) -> State:
    """The factors of a jump, corrected by what it left of the move that it was made for (a secant)."""
    jumped = before.factor > 0
    old, new = before.move[jumped] / size[jumped], move[jumped] / size[jumped]
    length = float(np.linalg.norm(old))
    if length < noise:
        return before.factor
    left = float(old @ new) / length**2
    return before.factor * min(max(1.0 / max(1.0 - left, 1e-9), 1.0 / _MOST_STEP), _MOST_STEP)
