# SPDX-License-Identifier: GPL-3.0-or-later
"""What the drawing says at every corner: part values, supplies, and its resistive network."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.netlist.scopes import Values
from harness.pins import StagePins, amplifier_pins, part_of, stage_pins
from harness.predict.network import GROUND, Branch, Network, is_inside, per_setting, values_of
from harness.quantities import ROOM_TEMPERATURE, TEMPERATURE

if TYPE_CHECKING:
    import pandas as pd

    from harness.board import Board
    from harness.netlist import FlatPart, Netlist, Part

Array = NDArray[np.float64]
NOMINAL_TEMPERATURE = 27.0  # degC, at which the engine takes part values as written


class Drawn:
    """A netlist seen through the roles of a board file, over a table of corners.

    Arrays have shape (corners,). A role that the board leaves out, or a part that the netlist lacks, gives
    NaN.
    """

    def __init__(
        self, board: Board, netlist: Netlist, corners: pd.DataFrame | Mapping[str, Array | list[str]]
    ) -> None:
        """``corners``: a corner table, or its columns by name."""
        self.board, self.netlist = board, netlist
        self.count = max((len(corners[name]) for name in corners), default=0)
        self.values: dict[str, Array] = {
            axis.sets.lower(): np.asarray(corners[name], dtype=float)
            for name, axis in board.axes.items()
            if axis.sets and name in corners
        }
        self.temperature = (
            np.asarray(corners[TEMPERATURE], dtype=float)
            if TEMPERATURE in corners
            else self.all(ROOM_TEMPERATURE)
        )
        self.pins: StagePins | None = stage_pins(board, netlist)
        #: the node that the comparator drives, which may lie before the board's output
        self.pin: str = self.pins.output if self.pins else (board.roles.output or "").lower()
        amplifiers = _amplifiers(board, netlist)
        self._known_devices = _known_devices(board, netlist) | {amplifier.name for amplifier in amplifiers}
        self.network = self._remembering(Network.from_netlist(netlist, self._known_devices, amplifiers))
        self._value = lru_cache(maxsize=None)(self._value_of)
        self._solve = lru_cache(maxsize=None)(self._solve_with)
        self._seen = lru_cache(maxsize=None)(lambda node: self.network.resistance_seen(node, self.values))
        self._seen_held = lru_cache(maxsize=None)(self._seen_with_output_held)

    def all(self, value: float) -> Array:
        """One number at every corner."""
        return np.full(self.count, float(value))

    @cached_property
    def unknown(self) -> Array:
        """NaN at every corner."""
        return self.all(np.nan)

    # --- parts

    def part(self, name: str | None) -> Part | None:
        """The part of that name, case-blind, also one inside an instance; None where there is none."""
        return part_of(self.netlist, name)

    def is_known(self, name: str) -> bool:
        """Whether a part is, or lies inside, a device that other predictions know."""
        return is_inside(name, self._known_devices)

    def value(self, name: str | None) -> Array:
        """Resistance, capacitance or DC source value of a part (SI)."""
        return self._value((name or "").lower())

    def _value_of(self, name: str) -> Array:
        if self.part(name) is None:
            return self.unknown
        try:
            cold = np.asarray(values_of(self.netlist, name, self.values), dtype=float)
            return np.broadcast_to(cold * self._warming(name), (self.count,))
        except (KeyError, ValueError):
            return self.unknown

    def pulse(self, name: str) -> dict[str, Array] | None:
        """The arguments of a PULSE source by name (V, s), its delay left out; None for any other source, and
        for one that leaves arguments to the engine's own times."""
        keys = ("first", "second", "delay", "rise", "fall", "width", "period")

        def arguments(settings: Mapping[str, float]) -> tuple[float, ...]:
            found = self.netlist.source_function(name, settings)
            return found[1][:7] if found and found[0] == "pulse" and len(found[1]) >= 7 else ()

        try:
            rows = per_setting(self.netlist, arguments, self.values)
        except ValueError:
            return None
        if rows.shape[-1] != len(keys):
            return None
        table = np.broadcast_to(rows, (self.count, len(keys)))
        return {key: table[:, k] for k, key in enumerate(keys) if key != "delay"}

    def other_node(self, name: str | None, node: str) -> str | None:
        """The far end of a two-terminal part that has one end at ``node``."""
        part = self.part(name)
        ends = [end.lower() for end in part.nodes[:2]] if part else []
        return ends[1 - ends.index(node)] if node in ends and len(ends) == 2 else None

    @cached_property
    def supply_node(self) -> str | None:
        """The node of the comparator's supply: that pin which its source feeds, else the source's upper
        end."""
        if self.pins is not None:
            return self.pins.supply
        part = self.part(self.board.roles.supply)
        return part.nodes[0].lower() if part else None

    @cached_property
    def supply(self) -> Array:
        """Voltage of the comparator's supply node."""
        return self.node(self.supply_node)

    # --- network

    def declined(self, name: str | None) -> str:
        """Why a node has no figure of the network where that is due to a part: a sentence, or an empty
        text."""
        unknown = self.network.unknowns_behind(name, self.values) if name else ()
        parts = [self.netlist.flat[key] for key in unknown]
        reasons = [
            f"{each.scope.name(each.part.name)} "
            + ("has no single value" if each.part.letter in "rvil" else "is no resistor")
            for each in parts
        ]
        return f"solved declines: {', '.join(reasons)}" if reasons else ""

    def _solve_with(
        self, held: str | None, volts: float, switched: tuple[str, str] | None
    ) -> dict[str, Array]:
        extra = [Branch("V", "held output", held, GROUND, volts)] if held else []
        if switched:
            extra.append(Branch("V", "closed switch", *switched, 0.0))
        return self.network.solve(self.values, extra)

    def node(self, name: str | None, switched: tuple[str, str] | None = None) -> Array:
        """Voltage of a node with the output open. ``switched``: two nodes that an ideal switch joins."""
        if not name:
            return self.unknown
        found = self._solve(None, 0.0, switched).get(name.lower())
        return self.unknown if found is None else np.broadcast_to(found, (self.count,))

    def node_with_output_at(self, name: str | None, volts: Array) -> Array:
        """Voltage of a node while the comparator holds its output pin at ``volts``. The network is linear in
        it."""
        if not name or not self.pin:
            return self.unknown
        at_zero = self._solve(self.pin, 0.0, None).get(name.lower(), self.unknown)
        at_one = self._solve(self.pin, 1.0, None).get(name.lower(), self.unknown)
        return at_zero + (at_one - at_zero) * volts

    def resistance_with_output_held(self, node: str | None) -> Array:
        """Resistance seen at a node while the comparator holds its output pin."""
        if not node or not self.pin:
            return self.unknown
        return np.broadcast_to(self._seen_held(node.lower()), (self.count,))

    def _seen_with_output_held(self, node: str) -> Array:
        extra = [Branch("V", "held output", self.pin, GROUND, 0.0)]
        return np.asarray(self.network.resistance_seen(node, self.values, extra))

    def resistance(self, node: str | None, switch: tuple[str, str, Array] | None = None) -> Array:
        """Resistance seen at a node, Ohm. ``switch``: two nodes and the resistance that joins them."""
        if not node:
            return self.unknown
        if switch is None:
            return np.broadcast_to(self._seen(node.lower()), (self.count,))
        extra = [Branch("R", "switch", switch[0], switch[1], np.maximum(switch[2], 1e-9))]
        return np.broadcast_to(self.network.resistance_seen(node, self.values, extra), (self.count,))

    def node_with_switch(self, node: str | None, plus: str, minus: str, resistance: Array) -> Array:
        """Voltage of a node while a switch of ``resistance`` (Ohm) joins two others."""
        if not node:
            return self.unknown
        extra = [Branch("R", "switch", plus, minus, np.maximum(resistance, 1e-9))]
        found = self.network.solve(self.values, extra).get(node.lower())
        return self.unknown if found is None else np.broadcast_to(found, (self.count,))

    def _remembering(self, network: Network) -> Network:
        """The same network for this table of corners: each branch at its temperature, worked out once."""
        known: dict[str, Array | float | None] = {}

        def evaluate(branch: Branch, values: Mapping[str, Array]) -> Array | float | None:
            if branch.name not in known:
                value = network.evaluate(branch, values)
                known[branch.name] = None if value is None else value * self._warming(branch.name)
            return known[branch.name]

        return Network(network.branches, evaluate)

    def _warming(self, name: str) -> Array | float:
        """Factor of a resistor or capacitor at each corner's temperature: 1 + tc1 dT + tc2 dT^2, dT against
        27 degC.

        Source: ngspice manual, resistor and capacitor lines.
        """
        found = self.netlist.flat.get(name)
        if found is None or found.part.letter not in "rc":
            return 1.0
        if not {"tc1", "tc2"} & set(found.part.parameters):
            return 1.0
        above = self.temperature - NOMINAL_TEMPERATURE
        first, second = (self._coefficient(found, key) for key in ("tc1", "tc2"))
        return 1.0 + first * above + second * above**2

    def _coefficient(self, found: FlatPart, key: str) -> Array:
        """A temperature coefficient of a part, as its instance and the parameters say."""
        text, line = found.part.parameters.get(key, "0"), found.part.line
        return per_setting(
            self.netlist, lambda settings: Values(settings).evaluate(found.scope, text, line), self.values
        )


def _known_devices(board: Board, netlist: Netlist) -> frozenset[str]:
    """Devices that the predictions of core and stage know; to the resistive network they are open. Where no
    comparator is named it is what drives the output."""
    core, output = board.core, (board.roles.output or "").lower()
    driving = [name for name, part in netlist.parts.items() if part.letter == "x" and output in part.nodes]
    parts: list[str | None] = [board.roles.comparator] if board.roles.comparator else [*driving]
    if core is not None:
        parts += core.devices()
    return frozenset(part.lower() for part in parts if part)


def _amplifiers(board: Board, netlist: Netlist) -> tuple[Branch, ...]:
    """The op-amps that the board file says work linearly, ideal. One whose pins cannot be told stays what it
    is drawn as."""
    found = []
    for name in board.roles.amplifiers:
        part = part_of(netlist, name)
        pins = amplifier_pins(netlist, part) if part else {}
        if {"plus", "minus", "output"} <= set(pins):
            found.append(Branch("O", name.lower(), pins["plus"], pins["minus"], 0.0, output=pins["output"]))
    return tuple(found)
