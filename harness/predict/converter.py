# SPDX-License-Identifier: GPL-3.0-or-later
"""Exponential converter: two matched transistors, the voltage between whose bases sets the ratio of their
currents.

Law: I_out = I_ref exp(dV / V_T) with V_T = k T / q, from I = I_s exp(V_BE / V_T) for each. An octave takes
V_T ln 2, 17.81 mV at 25 degC. Valid while both work forward and neither their bulk resistances nor their base
currents matter; those are effects of their own. Source: J. J. Ebers, J. L. Moll, "Large-signal behavior of
junction transistors", Proceedings of the IRE 42 (1954) 1761-1772 (from memory); k and q as fixed by the SI,
9th edition, 2019.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.intent.cores import Converter
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.quantities import ROOM_TEMPERATURE, TEMPERATURE

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]
BOLTZMANN = 1.380649e-23  # J/K
CHARGE = 1.602176634e-19  # C
ZERO_CELSIUS = 273.15  # K
LN2 = float(np.log(2.0))

WARMTH = Effect(
    "temperature of the converter", law="V_T = k T / q, dividers at the temperature of the corner"
)
BULK = Effect("bulk resistance of the converter's transistors", ("converter.gain",))
EARLY = Effect("Early effect in the converter", ("converter.gain",))
BASE = Effect(
    "base current of the converter at its dividers", ("converter.base_output", "converter.base_reference")
)
COLLECTOR = Effect("collector capacitance of the converter at its divider", ("converter.collector",))
AMPLIFIER = Effect("input offset of the converter's amplifier", ("converter.amplifier_offset",))
EFFECTS = (WARMTH, BULK, EARLY, BASE, COLLECTOR, AMPLIFIER)


def thermal_voltage(temperature: Array | float) -> Array:
    """k T / q in V; ``temperature`` in degC."""
    return np.asarray(BOLTZMANN * (np.asarray(temperature) + ZERO_CELSIUS) / CHARGE)


def volts_an_octave(temperature: Array | float) -> Array:
    """The base voltage (V) that doubles the current, V_T ln 2; ``temperature`` in degC."""
    return thermal_voltage(temperature) * LN2


def converted(reference: Array, drive: Array, temperature: Array | float) -> Array:
    """Output current (A) for a reference current (A) and a base voltage difference ``drive`` (V, positive
    where it makes the output the larger one); ``temperature`` in degC."""
    return np.asarray(reference * np.exp(drive / thermal_voltage(temperature)))


def flattening_of_bulk(current: Array | float, resistance: Array | float, temperature: float) -> Array:
    """By how many cents a bulk emitter resistance (Ohm) flattens a note of ``current`` (A): it takes I R from
    the base voltage, hence -1200 I R / (V_T ln 2). Valid while I R is far below V_T ln 2."""
    return np.asarray(-1200.0 * np.asarray(current) * resistance / volts_an_octave(temperature))


def drift(octaves: Array | float, kelvin: Array | float, temperature: float) -> Array:
    """Cents by which ``octaves`` above the reference current a note goes flat as an uncompensated converter
    warms by ``kelvin``: 1200 n (T / (T + dT) - 1), about -1/T."""
    start = temperature + ZERO_CELSIUS
    return np.asarray(1200.0 * np.asarray(octaves) * (start / (start + np.asarray(kelvin)) - 1.0))


@lru_cache(maxsize=4)
def _room(drawn: Drawn) -> Drawn:
    """The same corners at 25 degC."""
    columns = {
        name: drawn.values[axis.sets.lower()]
        for name, axis in drawn.board.axes.items()
        if axis.sets and axis.sets.lower() in drawn.values
    }
    return Drawn(drawn.board, drawn.netlist, columns | {TEMPERATURE: drawn.all(ROOM_TEMPERATURE)})


@dataclass(frozen=True)
class DrawnConverter:
    """The converter of a board as drawn: its nodes told by the pins of the pair, in the order collector,
    base, emitter of the one and of the other."""

    drawn: Drawn
    keys: Converter

    @cached_property
    def pins(self) -> list[str]:
        """Nodes of the pair."""
        part = self.drawn.part(self.keys.pair)
        return [node.lower() for node in part.nodes] if part else []

    def _collector(self, base: str) -> str | None:
        halves = {self.pins[1]: self.pins[0], self.pins[4]: self.pins[3]} if len(self.pins) == 6 else {}
        return halves.get(base.lower())

    @property
    def sense(self) -> str | None:
        """The collector that carries the reference current."""
        return self._collector(self.keys.reference_base)

    @property
    def output(self) -> str | None:
        """The collector of the output."""
        return self._collector(self.keys.output_base)

    @cached_property
    def sign(self) -> float:
        """1 for NPN, -1 for PNP."""
        part = self.drawn.part(self.keys.pair)
        text = self.drawn.netlist.subcircuit_text(part.model) if part else ""
        return -1.0 if re.search(r"\bpnp\b", text.lower()) else 1.0

    @cached_property
    def held(self) -> Array:
        """Voltage of the reference collector: that of the amplifier's other input, or of the base without
        one."""
        part = self.drawn.part(self.keys.amplifier)
        if part is None:
            return self.drawn.node(self.keys.reference_base)
        others = [node.lower() for node in part.nodes[:2] if node.lower() != self.sense]
        return self.drawn.node(others[0]) if len(others) == 1 else self.drawn.unknown

    @cached_property
    def reference(self) -> Array:
        """Reference current (A): of its source, or what the network drives into the collector where it is
        held."""
        if self.keys.reference[:1].upper() == "I":
            return np.abs(self.drawn.value(self.keys.reference))
        return self.sign * (self.drawn.node(self.sense) - self.held) / self.drawn.resistance(self.sense)

    @cached_property
    def drive(self) -> Array:
        """Voltage between the bases (V), positive where it makes the output current the larger one."""
        keys = self.keys
        return self.sign * (self.drawn.node(keys.output_base) - self.drawn.node(keys.reference_base))

    @cached_property
    def current(self) -> Array:
        """Output current (A) by the law alone, at the temperature of the drawing."""
        return converted(self.reference, self.drive, self.drawn.temperature)

    def at_room(self) -> DrawnConverter:
        """The same at 25 degC everywhere."""
        if TEMPERATURE not in self.drawn.board.axes:
            return self
        return DrawnConverter(_room(self.drawn), self.keys)

    def currents(
        self, known: Characteristics, on: frozenset[Effect], levels: tuple[Array, ...], capacitance: Array
    ) -> list[Array]:
        """Output current (A) with the collector at each of ``levels`` (V), the effects ``on`` in force.

        It sweeps ``capacitance`` (F): the moving collector draws C_cb I / C out of the base's divider, which
        is taken to settle within the reset.
        """
        at = self if WARMTH in on else self.at_room()
        where = {"temperature": self.drawn.temperature, "supply": self.drawn.supply}
        reference, drive = at.reference, at.drive
        if AMPLIFIER in on and self.keys.reference[:1].upper() != "I":
            offset = known.table("converter.amplifier_offset").at(**where)
            reference = reference - at.sign * offset / at.drawn.resistance(at.sense)
        current = converted(reference, drive, at.drawn.temperature)
        outer, inner = (at.drawn.resistance(node) for node in (at.keys.output_base, at.keys.reference_base))
        shift = drawn_out = at.drawn.all(0.0)
        if BASE in on:
            shift = known.table("converter.base_reference").at(**where, current=np.log10(reference)) * inner
        for _ in range(3):
            drawn_out = at.drawn.all(0.0)
            if BASE in on:
                drawn_out = drawn_out + known.table("converter.base_output").at(
                    **where, current=np.log10(current)
                )
            if COLLECTOR in on:
                drawn_out = drawn_out + known.table("converter.collector").at(**where) * current / capacitance
            current = converted(reference, drive + shift - drawn_out * outer, at.drawn.temperature)
        gains = self._gains(known, on, where, current, levels)
        return [current * gain for gain in gains]

    def _gains(
        self,
        known: Characteristics,
        on: frozenset[Effect],
        where: dict[str, Array],
        current: Array,
        levels: tuple[Array, ...],
    ) -> list[Array | float]:
        """Real over ideal output current at each level: the part that does not depend on the level, and that
        which does, each where its effect is on."""
        if BULK not in on and EARLY not in on:
            return [1.0 for _ in levels]
        table = known.table("converter.gain")
        decade = np.log10(current)
        middle = table.at(**where, current=decade, level=self.held)
        gains: list[Array | float] = []
        for level in levels:
            early = table.at(**where, current=decade, level=level) / middle if EARLY in on else 1.0
            gains.append(early * (middle if BULK in on else 1.0))
        return gains
