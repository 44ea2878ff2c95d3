# SPDX-License-Identifier: GPL-3.0-or-later
"""The resistive network of a netlist, solved exactly at every corner at once.

Resistors, voltage sources, current sources and inductors (at rest) count; capacitors and every device
(transistors, diodes, switches, behavioural sources, subcircuits) are open. What the network leaves without a
path to ground has no figure (NaN).

Law: modified nodal analysis. With conductance matrix G, source incidence B, node voltages v, source currents
i, injected currents j and source voltages e::

    [ G   B ] [ v ]   [ j ]
    [ B'  0 ] [ i ] = [ e ]

For one node with branches to known voltages this is Millman's theorem, V = sum(V_k / R_k) / sum(1 / R_k).
Source: C. W. Ho, A. E. Ruehli, P. A. Brennan, "The modified nodal approach to network analysis", IEEE
Transactions on Circuits and Systems 22 (1975) 504-509 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from harness.netlist import Netlist

Array = NDArray[np.float64]
Values = Mapping[str, Array]
GROUND = "0"
Kind = Literal["R", "V", "I"]
_KIND_OF: dict[str, Kind] = {"r": "R", "v": "V", "i": "I", "l": "V"}  # an inductor at rest is a source of 0 V
_TRIALS = {
    "R": (1e3, 1e4),
    "V": (0.0, 1.0),
    "I": (0.0, 1e-3),
}  # of an unknown value: what differs depends on it


@dataclass(frozen=True)
class Branch:
    """A two-terminal element. ``kind``: R (Ohm), V (volts, plus above minus) or I (amperes, out of ``plus``
    through the source into ``minus``, as SPICE counts). ``value`` is a number or an array over the corners;
    an infinite resistance and a source of NaN volts are unplugged and leave the sums."""

    kind: Kind
    name: str
    plus: str
    minus: str
    value: float | Array = float("nan")


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
    def from_netlist(cls, netlist: Netlist) -> Network:
        """The resistive network of ``netlist``: its top level, and instances that hold passive parts only.

        A part without a single value (a PULSE source, a resistor that depends on a voltage) is unknown: so is
        every node that depends on it.
        """
        passive = _passive_instances(netlist)
        branches = tuple(
            Branch(_KIND_OF[found.part.letter], name, found.nodes[0], found.nodes[1])
            for name, found in netlist.flat.items()
            if found.part.letter in _KIND_OF and ("." not in name or name.partition(".")[0] in passive)
        )

        def evaluate(branch: Branch, values: Values) -> Array | float | None:
            part = netlist.flat[branch.name].part
            if part.letter == "l":
                return 0.0
            try:
                return None if part.function is not None else values_of(netlist, branch.name, values)
            except ValueError:
                return None

        return cls(branches, evaluate)

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

    def _solve(
        self, values: Values | None, extra: Sequence[Branch], probe: str | None, trial: int | None = None
    ) -> dict[str, Array]:
        settings = {
            name.lower(): np.atleast_1d(np.asarray(v, dtype=float)) for name, v in (values or {}).items()
        }
        branches = (*self.branches, *extra)
        found = [self.evaluate(b, settings) for b in self.branches]
        if any(value is None for value in found) and trial is None:
            one, other = (self._solve(values, extra, probe, trial=k) for k in (0, 1))
            return {node: np.where(_same(one[node], other[node]), one[node], np.nan) for node in one}
        raw = [
            np.asarray(_TRIALS[b.kind][trial or 0] if v is None else v, dtype=float)
            for b, v in zip(self.branches, found, strict=True)
        ]
        raw += [np.asarray(b.value, dtype=float) for b in extra]
        count = max([1, *(len(v) for v in settings.values()), *(r.size for r in raw)])
        table = np.array([np.broadcast_to(r, (count,)) for r in raw]).reshape(len(branches), count)
        nodes = sorted({GROUND} | {n for b in branches for n in (b.plus, b.minus)})
        solution = {node: np.full(count, np.nan) for node in nodes}
        solution[GROUND] = np.zeros(count)
        plugged = np.isfinite(table)
        patterns, which = np.unique(plugged, axis=1, return_inverse=True)
        for index in range(patterns.shape[1]):
            rows = np.flatnonzero(which.ravel() == index)
            kept = np.flatnonzero(patterns[:, index])
            known = _solve_connected([branches[k] for k in kept], table[np.ix_(kept, rows)], probe)
            for node, volts in known.items():
                solution[node][rows] = volts
        return solution


def values_of(netlist: Netlist, name: str, values: Values) -> Array | float:
    """The value of a part at every corner: its own setting if there is one, else its expression under the
    settings that are netlist parameters. ``values``: lower-case names -> arrays of one length.

    Raises NetlistError (a ValueError) for a part without a single value.
    """
    if name.lower() in values:
        return values[name.lower()]
    return per_setting(netlist, lambda settings: netlist.value(name, settings), values)


def per_setting(netlist: Netlist, figure: Callable[[Mapping[str, float]], object], values: Values) -> Array:
    """``figure(settings)`` evaluated once for each distinct combination of netlist parameters among
    ``values``.

    Shape (corners, ...), or that of the figure where no setting is a parameter.
    """
    parameters = {key: v for key, v in values.items() if key in netlist.parameters}
    if not parameters:
        return np.asarray(figure({}), dtype=float)
    rows = np.stack(list(parameters.values()), axis=1)
    distinct, which = np.unique(rows, axis=0, return_inverse=True)
    figures = [figure(dict(zip(parameters, map(float, row), strict=True))) for row in distinct]
    return np.asarray(figures, dtype=float)[which.ravel()]


def _passive_instances(netlist: Netlist) -> set[str]:
    """Instances of the top level that hold nothing but resistors, capacitors, inductors and sources."""
    inside: dict[str, set[str]] = {}
    for name, found in netlist.flat.items():
        top, _, rest = name.partition(".")
        if rest:
            inside.setdefault(top, set()).add(found.part.letter.lower())
    return {top for top, letters in inside.items() if letters <= set("rclvix")}


def _same(one: Array, other: Array) -> NDArray[np.bool_]:
    return np.asarray(np.isclose(one, other, rtol=1e-9, atol=1e-9))


def _node(name: str) -> str:
    lowered = name.lower()
    return GROUND if lowered == "gnd" else lowered


def _grounded(branches: Sequence[Branch]) -> set[str]:
    """Nodes that a chain of resistors and voltage sources ties to ground."""
    neighbours: dict[str, set[str]] = {}
    for branch in branches:
        if branch.kind != "I":
            neighbours.setdefault(branch.plus, set()).add(branch.minus)
            neighbours.setdefault(branch.minus, set()).add(branch.plus)
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
    order = {node: k for k, node in enumerate(sorted(reached - {GROUND}))}
    sources = [k for k, b in enumerate(branches) if b.kind == "V" and b.plus in reached and b.plus != b.minus]
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
        for node, sign in ((branches[k].plus, 1.0), (branches[k].minus, -1.0)):
            if node in order:
                matrix[:, order[node], position] += sign
                matrix[:, position, order[node]] += sign
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
