# SPDX-License-Identifier: GPL-3.0-or-later
"""The resistive network of a netlist, solved exactly at every corner at once.

Resistors, voltage sources, current sources and inductors (at rest) count; capacitors are open, and so are the
devices that other predictions know (comparators, the transistors of a core). Op-amps that the board file
says work linearly hold their inputs at one voltage. Any other device (diode, switch,
controlled or behavioural source, transistor) is unknown: what depends on it has no figure (NaN), for a figure
without it would be wrong. A diode that is reverse biased without conducting is open. What the network leaves
without a path to ground has no figure either.

Law: modified nodal analysis. With conductance matrix G, source incidence B, node voltages v, source currents
i, injected currents j and source voltages e::

    [ G   B ] [ v ]   [ j ]
    [ B'  0 ] [ i ] = [ e ]

For one node with branches to known voltages this is Millman's theorem, V = sum(V_k / R_k) / sum(1 / R_k).
Source: C. W. Ho, A. E. Ruehli, P. A. Brennan, "The modified nodal approach to network analysis", IEEE
Transactions on Circuits and Systems 22 (1975) 504-509 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from harness.netlist.scopes import Read
from harness.units import parse_spice

if TYPE_CHECKING:
    from harness.netlist import FlatPart, Netlist

Array = NDArray[np.float64]
Values = Mapping[str, Array]
GROUND = "0"
Kind = Literal["R", "V", "I", "O"]
_KIND_OF: dict[str, Kind] = {"r": "R", "v": "V", "i": "I", "l": "V"}  # an inductor at rest is a source of 0 V
_TRIALS = {
    "R": (1e3, 1e4),
    "V": (0.0, 1.0),
    "I": (0.0, 1e-3),
}  # of an unknown value: what differs depends on it
_OPAQUE: dict[str, Kind] = {"d": "R", "s": "R", "w": "R", "e": "V", "h": "V", "f": "I", "g": "I"}
_CHANNELS = {
    "q": ((0, 2), (1, 2)),
    "m": ((0, 2),),
    "j": ((0, 2),),
    "z": ((0, 2),),
}  # joined pins
_REVERSE = 1e-9  # V: up to here a diode is not forward biased
_OF_BREAKDOWN = 0.9  # of the breakdown voltage: up to here a diode blocks


@dataclass(frozen=True)
class Branch:
    """A two-terminal element. ``kind``: R (Ohm), V (volts, plus above minus), I (amperes, out of ``plus``
    through the source into ``minus``, as SPICE counts), or O, an op-amp that works linearly: it drives
    ``output`` so that its inputs ``plus`` and ``minus`` are ``value`` volts apart. ``value`` is a number or
    an array over the corners; an infinite resistance and a source of NaN volts are unplugged and leave the
    sums. ``blocks``: up to how
    many reverse volts (minus above plus) an R of unknown value is open; None for no diode. ``device``: of
    unknown value whatever else is at rest."""

    kind: Kind
    name: str
    plus: str
    minus: str
    value: float | Array = float("nan")
    blocks: float | None = None
    device: bool = False
    output: str = GROUND


@dataclass(frozen=True)
class Network:
    """Branches of a resistive network and the way to their values.

    ``evaluate(branch, values)`` gives the value of a branch: one number, one a corner, or None where it is
    unknown.
    """

    branches: tuple[Branch, ...]
    evaluate: Callable[[Branch, Values], float | Array | None]

    @classmethod
    def of_branches(cls, branches: Iterable[Branch]) -> Network:
        """A network of branches that bring their values along; ``values`` may override them by name."""
        return cls(tuple(branches), lambda branch, values: values.get(branch.name, branch.value))

    @classmethod
    def from_netlist(
        cls, netlist: Netlist, known: Collection[str] = (), amplifiers: Iterable[Branch] = ()
    ) -> Network:
        """The network of ``netlist`` with the insides of its instances, without the devices and instances
        ``known`` (full names, lower case), which are open; ``amplifiers`` stand for those op-amps among them
        that work linearly.

        A part without a single value (a PULSE source, a resistor that depends on a voltage, a diode) is
        unknown: so is every node that depends on it.
        """
        branches = tuple(
            branch
            for name, found in netlist.flat.items()
            if not is_inside(name, known) or (name in known and found.part.letter in _KIND_OF)
            for branch in _branches(name, found)
        )

        def evaluate(branch: Branch, values: Values) -> Array | float | None:
            if branch.kind == "O":
                return branch.value
            part = netlist.flat[branch.name].part
            if part.letter == "l":
                return 0.0
            if part.letter not in _KIND_OF:
                return None
            try:
                return None if part.function is not None else values_of(netlist, branch.name, values)
            except ValueError:
                return None

        return cls((*branches, *amplifiers), evaluate)

    def solve(self, values: Values | None = None, extra: Sequence[Branch] = ()) -> dict[str, Array]:
        """Node voltages.

        :param values: settings by parameter, source or part name; arrays of one length (one entry a corner).
        :param extra: further branches with values of their own.
        :returns: node -> volts, each of shape (corners,), ground included. NaN where a node floats, or where
            sources contradict each other.
        """
        return self._solve(values, extra, None)

    def resistance_seen(self, node: str, values: Values | None = None, extra: Sequence[Branch] = ()) -> Array:
        """Resistance (Ohm, shape (corners,)) between ``node`` and ground with every source at rest
        (Thevenin).

        NaN for a node that floats or does not exist; 0 for a node held by a source.
        """
        key = _node(node)
        solution = self._solve(values, extra, key)
        return solution.get(key, np.full(solution[GROUND].shape, np.nan))

    def unknowns_behind(self, node: str, values: Values | None = None) -> tuple[str, ...]:
        """Names of the parts of unknown value that a node's voltage depends on at some corner, each alone."""
        problem = _Problem.of(self, values, ())
        off = problem.blocking()
        before = problem.at({}, off)
        found = []
        for place in problem.unknown:
            after = problem.at({place: 1}, off)
            if _node(node) in after and not _same(before[_node(node)], after[_node(node)]).all():
                found.append(self.branches[place].name)
        return tuple(dict.fromkeys(found))

    def _solve(self, values: Values | None, extra: Sequence[Branch], probe: str | None) -> dict[str, Array]:
        problem = _Problem.of(self, values, extra)
        return problem.believed(problem.blocking(), probe)


@dataclass(frozen=True)
class _Problem:
    """Branches with their values over the corners, None for those that are ``unknown`` (their places)."""

    branches: tuple[Branch, ...]
    found: tuple[Array | float | None, ...]
    count: int

    @classmethod
    def of(cls, network: Network, values: Values | None, extra: Sequence[Branch]) -> _Problem:
        settings = {
            name.lower(): np.atleast_1d(np.asarray(v, dtype=float)) for name, v in (values or {}).items()
        }
        found = [network.evaluate(b, settings) for b in network.branches] + [b.value for b in extra]
        sizes = [len(v) for v in settings.values()] + [np.size(v) for v in found if v is not None]
        return cls((*network.branches, *extra), tuple(found), max([1, *sizes]))

    @property
    def unknown(self) -> list[int]:
        return [place for place, value in enumerate(self.found) if value is None]

    def blocking(self) -> dict[int, NDArray[np.bool_]]:
        """Where each diode blocks: those that the network, with all of them open, biases in reverse, as long
        as nothing unknown decides it."""
        off = {k: np.ones(self.count, bool) for k in self.unknown if self.branches[k].blocks is not None}
        while off:
            volts, kept = self.believed(off), {}
            for k, mask in off.items():
                branch = self.branches[k]
                across = volts[branch.plus] - volts[branch.minus]
                kept[k] = mask & (across <= _REVERSE) & (across > -_OF_BREAKDOWN * (branch.blocks or 0.0))
            if all((kept[k] == off[k]).all() for k in off):
                break
            off = kept
        return off

    def believed(self, off: Mapping[int, NDArray[np.bool_]], probe: str | None = None) -> dict[str, Array]:
        """Node voltages, NaN where they depend on what is unknown."""
        one = self.at({}, off, probe)
        if not self.unknown:
            return one
        other = self.at(dict.fromkeys(self.unknown, 1), off, probe)
        return {node: np.where(_same(one[node], other[node]), one[node], np.nan) for node in one}

    def at(
        self, trials: Mapping[int, int], off: Mapping[int, NDArray[np.bool_]], probe: str | None = None
    ) -> dict[str, Array]:
        """Node voltages with every unknown value at one of its trials (place -> 0 or 1), and diodes ``off``
        open."""
        raw, branches = [], list(self.branches)
        for k, (branch, value) in enumerate(zip(self.branches, self.found, strict=True)):
            if branch.device and probe is not None:
                branch = branches[k] = replace(branch, kind="R")  # a device does not rest with the sources
            if value is None:  # each at figures of its own, so that two of them never cancel
                value = _TRIALS[branch.kind][trials.get(k, 0)] * (1.0 + 0.618 * k % 1.0)
            raw.append(np.where(off[k], np.inf, value) if k in off else np.asarray(value, dtype=float))
        table = np.array([np.broadcast_to(r, (self.count,)) for r in raw]).reshape(len(raw), self.count)
        nodes = sorted({GROUND} | {n for b in self.branches for n in (b.plus, b.minus, b.output)})
        solution = {node: np.full(self.count, np.nan) for node in nodes}
        solution[GROUND] = np.zeros(self.count)
        for kept, rows in _plugged_alike(np.isfinite(table)):
            solved = _solve_connected([branches[k] for k in kept], table[np.ix_(kept, rows)], probe)
            for node, volts in solved.items():
                solution[node][rows] = volts
        return solution


def _plugged_alike(plugged: NDArray[np.bool_]) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Branches and corners, (kept, rows), for each set of branches that is plugged at some corner.

    ``plugged``: shape (branches, corners).
    """
    if (plugged == plugged[:, :1]).all():  # as nearly always; to sort them takes far longer
        yield np.flatnonzero(plugged[:, 0]), np.arange(plugged.shape[1])
        return
    patterns, which = np.unique(plugged, axis=1, return_inverse=True)
    for index in range(patterns.shape[1]):
        yield np.flatnonzero(patterns[:, index]), np.flatnonzero(which.ravel() == index)


def is_inside(name: str, devices: Collection[str]) -> bool:
    """Whether a part, by its full name, is one of some devices or lies inside one."""
    steps = name.split(".")
    return any(".".join(steps[:count]) in devices for count in range(1, len(steps) + 1))


def _branches(name: str, found: FlatPart) -> Iterator[Branch]:
    """A part as two-terminal branches: none for a capacitor, an instance and what is not told apart here."""
    part, nodes = found.part, found.nodes
    if part.letter in _KIND_OF:
        yield Branch(_KIND_OF[part.letter], name, nodes[0], nodes[1])
    elif part.letter == "b":
        kind: Kind = "I" if part.function == ("expression", ("i",)) else "V"
        yield Branch(kind, name, nodes[0], nodes[1], device=True)
    elif part.letter in _OPAQUE:
        blocks = _breakdown(found) if part.letter == "d" else None
        yield Branch(_OPAQUE[part.letter], name, nodes[0], nodes[1], blocks=blocks, device=True)
    for one, other in _CHANNELS.get(part.letter, ()):
        yield Branch("I", name, nodes[one], nodes[other], device=True)


def _breakdown(found: FlatPart) -> float:
    """Reverse volts that a diode blocks: its model's ``bv``; none where that is no plain number."""
    model = found.scope.circuit.find_model(found.part.model)
    text = model.parameters.get("bv") if model else None
    try:
        return math.inf if text is None else parse_spice(text)
    except ValueError:
        return 0.0


def values_of(netlist: Netlist, name: str, values: Values) -> Array | float:
    """The value of a part at every corner: its own setting if there is one, else its expression under the
    settings that are netlist parameters. ``values``: lower-case names -> arrays of one length.

    Raises NetlistError (a ValueError) for a part without a single value.
    """
    if name.lower() in values:
        return values[name.lower()]
    return per_setting(netlist, lambda settings: netlist.value(name, settings), values)


def per_setting(netlist: Netlist, figure: Callable[[Mapping[str, float]], object], values: Values) -> Array:
    """``figure(settings)`` evaluated once for each distinct combination of the netlist parameters among
    ``values`` that it reads. Which these are must not depend on their values.

    Shape (corners, ...), or that of the figure where no setting is a parameter.
    """
    parameters = {key: v for key, v in values.items() if key in netlist.parameters}
    if not parameters:
        return np.asarray(figure({}), dtype=float)
    count = len(next(iter(parameters.values())))
    if not count:
        return np.zeros(0)
    first = {key: float(v[0]) for key, v in parameters.items()}
    settings = Read(first)
    one = figure(settings)
    read = [key for key in parameters if key in settings.read]
    if not read:
        return np.repeat(np.asarray([one], dtype=float), count, axis=0)
    rows = np.stack([parameters[key] for key in read], axis=1)
    distinct, which = np.unique(rows, axis=0, return_inverse=True)
    figures = [figure(Read(first | dict(zip(read, map(float, row), strict=True)))) for row in distinct]
    return np.asarray(figures, dtype=float)[which.ravel()]


def _same(one: Array, other: Array) -> NDArray[np.bool_]:
    return np.asarray(np.isclose(one, other, rtol=1e-9, atol=1e-9, equal_nan=True))


def _node(name: str) -> str:
    lowered = name.lower()
    return GROUND if lowered == "gnd" else lowered


def _grounded(branches: Sequence[Branch]) -> set[str]:
    """Nodes that a chain of resistors, voltage sources and op-amp outputs ties to ground."""
    neighbours: dict[str, set[str]] = {}
    for branch in branches:
        one, other = (branch.output, GROUND) if branch.kind == "O" else (branch.plus, branch.minus)
        if branch.kind != "I":
            neighbours.setdefault(one, set()).add(other)
            neighbours.setdefault(other, set()).add(one)
    reached, waiting = {GROUND}, [GROUND]
    while waiting:
        for node in neighbours.get(waiting.pop(), ()):
            if node not in reached:
                reached.add(node)
                waiting.append(node)
    return reached


def _solve_connected(branches: Sequence[Branch], table: Array, probe: str | None) -> dict[str, Array]:
    """Voltages of the grounded nodes. ``table``: values, shape (branches, corners). With ``probe`` the
    sources rest and one ampere enters that node."""
    reached = _grounded(branches)
    if any(b.kind == "O" and not {b.plus, b.minus} <= reached for b in branches):  # what drives nothing known
        kept = [k for k, b in enumerate(branches) if b.kind != "O" or {b.plus, b.minus} <= reached]
        return _solve_connected([branches[k] for k in kept], table[kept], probe)
    order = {node: k for k, node in enumerate(sorted(reached - {GROUND}))}
    sources = [
        k for k, b in enumerate(branches) if b.kind in "VO" and b.plus in reached and b.plus != b.minus
    ]
    corners, size = table.shape[1], len(order) + len(sources)
    matrix, right = np.zeros((corners, size, size)), np.zeros((corners, size))
    for k, branch in enumerate(branches):
        ends = [
            (order[node], sign) for node, sign in ((branch.plus, 1.0), (branch.minus, -1.0)) if node in order
        ]
        if branch.kind == "R" and branch.plus in reached:
            for row, sign in ends:
                for column, other in ends:
                    matrix[:, row, column] += sign * other / table[k]
        elif branch.kind == "I" and probe is None:
            for row, sign in ends:
                right[:, row] -= sign * table[k]
    for position, k in enumerate(sources, start=len(order)):
        branch = branches[k]
        for node, sign in ((branch.plus, 1.0), (branch.minus, -1.0)):
            if node in order:
                matrix[:, position, order[node]] += sign
                if branch.kind == "V":
                    matrix[:, order[node], position] += sign
        if branch.kind == "O" and branch.output in order:
            matrix[:, order[branch.output], position] += 1.0
        if probe is None:
            right[:, position] = table[k]
    if probe in order:
        right[:, order[str(probe)]] = 1.0
    if size == 0:
        return {}
    try:
        unknowns: Array = np.asarray(np.linalg.solve(matrix, right[:, :, None])[:, :, 0], dtype=float)
    except np.linalg.LinAlgError:
        unknowns = np.full((corners, size), np.nan)
    return {node: unknowns[:, k] for node, k in order.items()}
