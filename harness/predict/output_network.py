# SPDX-License-Identifier: GPL-3.0-or-later
"""The linear network behind the comparator's output: levels, edges, droop and means of a settled pulse.

Every node that resistors and capacitors join to the output pin counts, up to the nodes that sources hold. The
pin itself is a source with a resistance, one in either state. With conductances G, capacitances C (both
symmetric) and injected currents J::

    C dv/dt = J - G v

The eigenvectors of the pair, C p = tau G p with p' G p = 1, are modes that relax each with a time constant of
its own: v(t) = v_end + sum p exp(-t / tau) p' G (v(0) - v_end). A mode without capacitance has tau = 0 and is
there at once. So a periodic pulse of two states is found exactly: droop, coupling capacitors and cables are
modes like any other. Source: modal solution of a linear RC network, any text on linear systems; checked in
tests against ngspice and against single poles.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.findings import NetlistError
from harness.predict.drawn import Drawn

Array = NDArray[np.float64]
HOLDING = 1e-2  # Ohm: an ideal output that holds its level
_FLOAT = 1e-13  # S: keeps a node that only capacitors join to the rest at some voltage
_SHORT = 1e-3  # Ohm: an inductor, at rest
_ENDLESS = 1e4  # periods: a coupling capacitor that does not droop
_DROOPS = 0.2  # periods: a mode that lasts longer is no part of an edge
_HALVINGS = 60


@dataclass(frozen=True)
class PinState:
    """The comparator's output in one state: ``source`` (V) behind ``resistance`` (Ohm, infinite where it lets
    go), and ``current`` (A) that it takes in besides. Shape (corners,)."""

    source: Array
    resistance: Array
    current: Array


@dataclass(frozen=True)
class OutputNetwork:
    """Conductances (S), capacitances (F), shape (corners, nodes, nodes), and currents injected by what the
    nodes hang on (A, shape (corners, nodes)). ``pin``, ``output``: places of those nodes."""

    nodes: tuple[str, ...]
    conductance: Array
    capacitance: Array
    injected: Array
    pin: int
    output: int

    @classmethod
    def of(cls, drawn: Drawn, pin: str, output: str) -> OutputNetwork | None:
        """The network as drawn; None where the output is not joined to the pin, where a source holds either
        of them, or where a part of the network is neither resistor, capacitor nor source."""
        walk = _Walk(drawn)
        nodes = walk.joined(pin)
        if pin not in nodes or output not in nodes or walk.touched_by_devices(nodes):
            return None
        place = {node: k for k, node in enumerate(nodes)}
        shape = (drawn.count, len(nodes), len(nodes))
        found = cls(nodes, np.zeros(shape), np.zeros(shape), np.zeros(shape[:2]), place[pin], place[output])
        for one, other, value in walk.resistors:
            if value is None and {one, other} & set(place):
                return None
            if value is not None:
                found._join(found.conductance, place, one, other, 1.0 / value)
                for here, there in ((one, other), (other, one)):
                    if here in place and there not in place:
                        found.injected[:, place[here]] += drawn.node(there) / value
        for one, other, value in walk.capacitors:
            found._join(found.capacitance, place, one, other, value)
        for one, other, value in walk.currents:
            for node, sign in ((one, -1.0), (other, 1.0)):
                if node in place:
                    found.injected[:, place[node]] += sign * value
        return found

    def _join(self, matrix: Array, place: dict[str, int], one: str, other: str, value: Array | float) -> None:
        if one == other:
            return
        for here, there in ((one, other), (other, one)):
            if here in place:
                matrix[:, place[here], place[here]] += value
                if there in place:
                    matrix[:, place[here], place[there]] -= value

    def pin_capacitance(self) -> Array:
        """Capacitance (F) from the pin straight to nodes that stand still."""
        return np.asarray(self.capacitance[:, self.pin, :].sum(axis=1))

    def without(self, phase: Phase, period: Array, edges: bool, droop: bool) -> OutputNetwork:
        """The network whose capacitances make no edges, or no droop, in a cycle of ``period`` s.

        ``phase`` tells fast and slow modes apart; without edges only the capacitances of the slow ones stay,
        without droop these are so large that their time constants are :data:`_ENDLESS` periods.
        """
        slow = phase.slow(period)
        charges = phase.conductance @ phase.modes
        kept = (charges * np.where(slow, phase.tau, 0.0)[:, None, :]) @ np.swapaxes(charges, 1, 2)
        fast = self.capacitance - kept if edges else 0.0
        slowest = np.where(slow, phase.tau, 0.0).max(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            larger = np.where(slowest > 0, np.maximum(_ENDLESS * period / slowest, 1.0), 1.0)
        return replace(self, capacitance=fast + kept * (1.0 if droop else larger[:, None, None]))

    def phase(self, state: PinState) -> Phase:
        """The network with the comparator's output in a state."""
        with np.errstate(divide="ignore", invalid="ignore"):
            holding = 1.0 / state.resistance
            into = np.where(np.isfinite(state.resistance), state.source / state.resistance, 0.0)
        conductance = self.conductance + _FLOAT * np.eye(len(self.nodes))
        conductance[:, self.pin, self.pin] += holding
        injected = self.injected.copy()
        injected[:, self.pin] += into - state.current
        known = _all_finite(conductance) & _all_finite(injected) & _all_finite(self.capacitance)
        whole = np.where(known[:, None, None], conductance, np.eye(len(self.nodes)))
        root = np.linalg.cholesky(whole)
        half = np.linalg.solve(root, np.where(known[:, None, None], self.capacitance, 0.0))
        symmetric = np.linalg.solve(root, np.swapaxes(half, 1, 2))
        tau, vectors = np.linalg.eigh(0.5 * (symmetric + np.swapaxes(symmetric, 1, 2)))
        modes = np.linalg.solve(np.swapaxes(root, 1, 2), vectors)
        tau = np.where(tau > 1e-9 * tau.max(axis=1, keepdims=True), tau, 0.0)
        end = np.linalg.solve(whole, np.where(known[:, None], injected, 0.0)[:, :, None])[:, :, 0]
        return Phase(np.where(known[:, None], end, np.nan), tau, modes, whole)


@dataclass(frozen=True)
class Phase:
    """One state: where the nodes go (``end``, V, shape (corners, nodes)), time constants (s, shape (corners,
    modes)), modes (shape (corners, nodes, modes)) and conductances."""

    end: Array
    tau: Array
    modes: Array
    conductance: Array

    def amplitudes(self, before: Array) -> Array:
        """What every mode begins with (shape (corners, modes)), from node voltages just before (V)."""
        off = self.conductance @ (before - self.end)[:, :, None]
        return np.where(self.tau > 0, (np.swapaxes(self.modes, 1, 2) @ off)[:, :, 0], 0.0)

    def resistance(self, node: int, slow: NDArray[np.bool_]) -> Array:
        """Resistance (Ohm) seen at a node, capacitors of the modes ``slow`` taken as short."""
        return np.asarray(np.where(slow, 0.0, self.modes[:, node, :] ** 2).sum(axis=1))

    def slow(self, period: Array | None) -> NDArray[np.bool_]:
        """Modes (shape (corners, modes)) that droop in a period (s) rather than make an edge; none
        where no period is known."""
        if period is None:
            return np.zeros(self.tau.shape, dtype=bool)
        return np.asarray(self.tau > _DROOPS * np.nan_to_num(period, nan=np.inf)[:, None])


@dataclass(frozen=True)
class Edge:
    """How the output goes from one state to the other, driven by a pin that moves evenly for ``ramp`` s.

    ``shares``: of the swing that each mode has yet to go at the start (shape (corners, modes), negative);
    ``tau``: their time constants (s); ``swing``: V, signed."""

    shares: Array
    tau: Array
    swing: Array
    ramp: Array

    @classmethod
    def between(cls, before: Phase, after: Phase, node: int, slow: NDArray[np.bool_], ramp: Array) -> Edge:
        """The edge at a node, with the ``slow`` modes standing still."""
        amounts = after.modes[:, node, :] * after.amplitudes(before.end)
        swing = after.end[:, node] + np.where(slow, amounts, 0.0).sum(axis=1) - before.end[:, node]
        with np.errstate(divide="ignore", invalid="ignore"):
            shares = np.where(slow, 0.0, amounts) / swing[:, None]
        return cls(np.nan_to_num(shares), np.where(slow, 0.0, after.tau), swing, ramp)

    def time_to(self, share: float) -> Array:
        """Seconds from the start of the edge until a share of the swing is done."""
        low, high = np.zeros(len(self.swing)), self.ramp + 60.0 * self.tau.max(axis=1)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            done = self._done(middle) >= share
            low, high = np.where(done, low, middle), np.where(done, middle, high)
        return np.where(np.isfinite(self.swing), high, np.nan)

    @property
    def duration(self) -> Array:
        """From 10 % to 90 %, s."""
        return self.time_to(0.9) - self.time_to(0.1)

    def _done(self, time: Array) -> Array:
        with np.errstate(divide="ignore", invalid="ignore"):
            ramped = (self._integral(time) - self._integral(time - self.ramp)) / self.ramp
        left = np.where(self.tau > 0, np.exp(-time[:, None] / np.where(self.tau > 0, self.tau, 1.0)), 0.0)
        return np.where(self.ramp > 0, ramped, 1.0 + (self.shares * left).sum(axis=1))

    def _integral(self, time: Array) -> Array:
        """Integral (s) of the answer to a step at 0 up to ``time``."""
        after = np.maximum(time, 0.0)
        left = -np.expm1(-after[:, None] / np.where(self.tau > 0, self.tau, 1.0))
        return np.asarray(after + (self.shares * self.tau * left).sum(axis=1))


@dataclass(frozen=True)
class Cycle:
    """A settled pulse: ``lasting`` s in the high and in the low state, each with its modes, their time
    constants as they count here (s), and what they begin with."""

    phases: tuple[Phase, Phase]
    tau: tuple[Array, Array]
    begins: tuple[Array, Array]
    lasting: tuple[Array, Array]
    slow: tuple[NDArray[np.bool_], NDArray[np.bool_]]

    @classmethod
    def of(cls, phases: tuple[Phase, Phase], on: Array, period: Array) -> Cycle:
        """The periodic state with the pin high for ``on`` s of every ``period``; ``phases``: high and low."""
        high, low = phases
        lasting, tau = (on, period - on), (high.tau, low.tau)
        slow = (high.slow(period), low.slow(period))
        maps = [
            (phase.modes * _left(t, time)[:, None, :]) @ np.swapaxes(phase.modes, 1, 2) @ phase.conductance
            for phase, t, time in zip(phases, tau, lasting, strict=True)
        ]

        def after(which: int, start: Array) -> Array:
            end = phases[which].end
            return np.asarray(end + (maps[which] @ (start - end)[:, :, None])[:, :, 0])

        nothing = np.zeros_like(high.end)
        round_trip = maps[1] @ maps[0]
        bad = ~(_all_finite(round_trip) & _all_finite(after(1, after(0, nothing))))
        system = np.where(
            bad[:, None, None], np.eye(high.end.shape[1]), np.eye(high.end.shape[1]) - round_trip
        )
        right = np.where(bad[:, None], np.nan, after(1, after(0, nothing)))
        start = np.linalg.solve(system, right[:, :, None])[:, :, 0]
        begins = (high.amplitudes(start), low.amplitudes(after(0, start)))
        return cls(phases, tau, begins, lasting, slow)

    def level(self, which: int, node: int) -> Array:
        """The level (V) at a node half-way through the high (0) or low (1) state, edges over."""
        phase, tau = self.phases[which], self.tau[which]
        left = np.where(self.slow[which], _left(tau, 0.5 * self.lasting[which]), 0.0)
        return np.asarray(
            phase.end[:, node] + (phase.modes[:, node, :] * left * self.begins[which]).sum(axis=1)
        )

    def droop(self, which: int, node: int) -> Array:
        """How far (V) a node is, at the end of the high (0) or low (1) state, from where it would rest."""
        phase, tau = self.phases[which], self.tau[which]
        left = np.where(self.slow[which], _left(tau, self.lasting[which]), 0.0)
        return np.asarray((phase.modes[:, node, :] * left * self.begins[which]).sum(axis=1))

    def integrals(self, node: int, base: Array) -> tuple[Array, Array]:
        """Integrals over a cycle of a node's voltage above ``base`` (V) and of its square: V s and V^2 s."""
        total, squares = np.zeros_like(base), np.zeros_like(base)
        for phase, tau, begin, time in zip(self.phases, self.tau, self.begins, self.lasting, strict=True):
            end = phase.end[:, node] - base
            amounts = phase.modes[:, node, :] * begin
            weight = tau * (1.0 - _left(tau, time))
            both = tau[:, :, None] + tau[:, None, :]
            pairs = tau[:, :, None] * tau[:, None, :] / np.where(both > 0, both, 1.0)
            pairs = pairs * (1.0 - _left(tau, time)[:, :, None] * _left(tau, time)[:, None, :])
            first = (amounts * weight).sum(axis=1)
            total = total + end * time + first
            squares = squares + end**2 * time + 2.0 * end * first
            squares = squares + (amounts[:, :, None] * amounts[:, None, :] * pairs).sum(axis=(1, 2))
        return total, squares


def _all_finite(figures: Array) -> NDArray[np.bool_]:
    """The corners, the first axis, at which every figure is finite."""
    return np.asarray(np.isfinite(figures).reshape(len(figures), -1).all(axis=1), dtype=bool)


def _left(tau: Array, time: Array) -> Array:
    """What is left of every mode after ``time`` (s, shape (corners,)); nothing where it has no time
    constant."""
    return np.where(tau > 0, np.exp(-time[:, None] / np.where(tau > 0, tau, 1.0)), 0.0)


class _Walk:
    """Resistors, capacitors and sources of a drawing with their values, and what joins the nodes."""

    def __init__(self, drawn: Drawn) -> None:
        self.drawn = drawn
        self.resistors: list[tuple[str, str, Array | float | None]] = []
        self.currents: list[tuple[str, str, Array | float]] = []
        self.devices: list[tuple[str, str]] = []
        for branch in drawn.network.branches:
            if branch.kind == "O":  # holds its output, which is seen as a node of no resistance
                continue
            letter = drawn.netlist.flat[branch.name].part.letter
            if letter == "v":
                continue
            value = _SHORT if letter == "l" else drawn.network.evaluate(branch, drawn.values)
            if letter in "rl":
                self.resistors.append((branch.plus, branch.minus, value))
            elif letter == "i" and value is not None:
                self.currents.append((branch.plus, branch.minus, value))
            else:
                self.devices.append((branch.plus, branch.minus))

    @cached_property
    def capacitors(self) -> list[tuple[str, str, Array]]:
        """Ends and value of every capacitor that is not inside a device known by itself."""
        return list(self._capacitors())

    def _capacitors(self) -> Iterator[tuple[str, str, Array]]:
        for name, found in self.drawn.netlist.flat.items():
            if found.part.letter == "c" and not self.drawn.is_known(name):
                try:
                    value = self.drawn.value(name)
                except NetlistError:
                    value = self.drawn.unknown
                yield found.nodes[0], found.nodes[1], value

    def joined(self, pin: str) -> tuple[str, ...]:
        """The nodes that resistors and capacitors join to the pin, up to those that sources hold."""
        links: dict[str, set[str]] = {}
        for one, other, _ in (*self.resistors, *self.capacitors):
            links.setdefault(one, set()).add(other)
            links.setdefault(other, set()).add(one)
        found: list[str] = []
        waiting = [pin]
        while waiting:
            node = waiting.pop()
            if node in found or self._held(node):
                continue
            found.append(node)
            waiting += sorted(links.get(node, ()))
        return tuple(found)

    def _held(self, node: str) -> bool:
        return node == "0" or bool((self.drawn.resistance(node) == 0).all())

    def touched_by_devices(self, nodes: tuple[str, ...]) -> bool:
        """Whether a part that is no resistor, capacitor or source has an end at one of the nodes."""
        inside = set(nodes)
        return any(inside & {one, other} for one, other in self.devices)
