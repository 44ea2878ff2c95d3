# SPDX-License-Identifier: GPL-3.0-or-later
"""The kinds of ramp core that a board file may name: one class a kind, one field a key of ``[core]``.

A field says by its metadata what the key may name; that is all that reading, looking up in the netlist and
leaving devices out of the resistive network need. A new kind is a class here, in ``KINDS``; a module in
``harness/predict/cores/`` (closed form and effects), one in ``harness/alone/cores/`` (benches), and a
function in ``harness/connections.py`` (what has to be joined to what).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import MISSING, Field, dataclass, field
from typing import Any, ClassVar

SWITCHES = "MQJSX"


def part(letters: str, required: bool = False, device: bool = False) -> Any:
    """A key that names a part whose name begins with one of ``letters``. ``device``: the prediction knows
    what it does, so it is open in the resistive network."""
    metadata = {"letters": letters, "device": device}
    return field(metadata=metadata) if required else field(default=None, metadata=metadata)


def parts(words: str, device: bool = False) -> Any:
    """A key that names a list of parts, ``words`` being what is expected."""
    return field(default=(), metadata={"list": words, "device": device})


def node(required: bool = False) -> Any:
    """A key that names a node."""
    metadata = {"node": True}
    return field(metadata=metadata) if required else field(default=None, metadata=metadata)


@dataclass(frozen=True, kw_only=True)
class Core:
    """How the ramp is made. Every field is a key of ``[core]``: a node, a part or a list of parts."""

    kind: ClassVar[str] = ""

    @classmethod
    def fields(cls) -> tuple[Field[Any], ...]:
        """The fields of this kind."""
        return dataclasses.fields(cls)

    def nodes(self) -> Iterator[tuple[str, str]]:
        """(key, name) of the nodes that are named."""
        for key in self.fields():
            if "node" in key.metadata and (name := getattr(self, key.name)):
                yield key.name, name

    def part_names(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """(key and place in a list, name) of the parts that are named."""
        for key in self.fields():
            value = getattr(self, key.name)
            if "letters" in key.metadata and value:
                yield (key.name,), value
            elif "list" in key.metadata:
                yield from (((key.name, place), name) for place, name in enumerate(value))

    def devices(self) -> tuple[str, ...]:
        """Parts whose behaviour the prediction of the core knows: to the resistive network they are open."""
        known = {key.name for key in self.fields() if key.metadata.get("device")}
        return tuple(name for path, name in self.part_names() if path[0] in known)


def is_required(key: Field[Any]) -> bool:
    """Whether a core cannot do without this key."""
    return key.default is MISSING


@dataclass(frozen=True, kw_only=True)
class SourceCore(Core):
    """A source draws the ramp as a PULSE."""

    kind: ClassVar[str] = "ramp source"
    source: str | None = part("V")


@dataclass(frozen=True, kw_only=True)
class ChargedCore(Core):
    """A current charges a capacitor up to a trip level; a switch empties it."""

    kind: ClassVar[str] = "charged capacitor"
    capacitor: str = part("C", required=True)
    current: str = part("VI", required=True, device=True)
    comparator: str = part("X", required=True, device=True)
    trip: str = node(required=True)
    gate_pullup: str | None = part("R")
    reset_switch: str | None = part(SWITCHES, device=True)
    reset_resistor: str | None = part("R")
    pulldown_switch: str | None = part(SWITCHES, device=True)
    pulldown_resistor: str | None = part("R")
    mirror: tuple[str, ...] = parts('a list of transistors such as ["Q1", "Q2"]', device=True)


@dataclass(frozen=True, kw_only=True)
class IntegratorCore(Core):
    """A current into an op-amp's virtual ground sweeps its output; a switch empties the capacitor."""

    kind: ClassVar[str] = "integrator"
    capacitor: str = part("C", required=True)
    amplifier: str = part("X", required=True, device=True)
    comparator: str = part("X", required=True, device=True)
    trip: str = node(required=True)
    gate_pullup: str | None = part("R")
    reset_switch: str = part("JMS", required=True, device=True)
    reset_resistor: str | None = part("R")


KINDS: dict[str, type[Core]] = {core.kind: core for core in (SourceCore, ChargedCore, IntegratorCore)}
