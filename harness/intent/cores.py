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


def table(kind: type[Keys]) -> Any:
    """A key that holds a table with keys of its own, those of ``kind``."""
    return field(default=None, metadata={"table": kind})


@dataclass(frozen=True, kw_only=True)
class Keys:
    """A table of the board file whose fields are its keys: nodes, parts, lists of parts, further tables."""

    #: groups of keys of which one has to be there
    one_of: ClassVar[tuple[tuple[str, ...], ...]] = ()

    @classmethod
    def fields(cls) -> tuple[Field[Any], ...]:
        """The fields of this table."""
        return dataclasses.fields(cls)

    def nodes(self) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """(path of the key, name) of the nodes that are named."""
        for key in self.fields():
            value = getattr(self, key.name)
            if "node" in key.metadata and value:
                yield (key.name,), value
            elif isinstance(value, Keys):
                yield from (((key.name, *path), name) for path, name in value.nodes())

    def part_names(self, devices: bool = False) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """(path of the key, name) of the parts that are named; with ``devices`` only of those whose behaviour
        the prediction of the core knows: to the resistive network they are open."""
        for key in self.fields():
            value = getattr(self, key.name)
            if isinstance(value, Keys):
                yield from (((key.name, *path), name) for path, name in value.part_names(devices))
            elif not devices or key.metadata.get("device"):
                if "letters" in key.metadata and value:
                    yield (key.name,), value
                elif "list" in key.metadata:
                    yield from (((key.name, place), name) for place, name in enumerate(value))

    def devices(self) -> tuple[str, ...]:
        """Names of those devices."""
        return tuple(name for _, name in self.part_names(devices=True))


def is_required(key: Field[Any]) -> bool:
    """Whether a table cannot do without this key."""
    return key.default is MISSING


@dataclass(frozen=True, kw_only=True)
class Core(Keys):
    """How the ramp is made: the table ``[core]``."""

    kind: ClassVar[str] = ""


@dataclass(frozen=True, kw_only=True)
class Converter(Keys):
    """A matched pair that turns a voltage between its bases into a ratio of its collector currents."""

    pair: str = part("X", required=True, device=True)
    reference_base: str = node(required=True)
    output_base: str = node(required=True)
    reference: str = part("RI", required=True)
    amplifier: str | None = part("X", device=True)


@dataclass(frozen=True, kw_only=True)
class SourceCore(Core):
    """A source draws the ramp as a PULSE."""

    kind: ClassVar[str] = "ramp source"
    source: str | None = part("V")


@dataclass(frozen=True, kw_only=True)
class ChargedCore(Core):
    """A current charges a capacitor up to a trip level; a switch empties it."""

    kind: ClassVar[str] = "charged capacitor"
    one_of: ClassVar[tuple[tuple[str, ...], ...]] = (("current", "converter"),)
    capacitor: str = part("C", required=True)
    current: str | None = part("VI", device=True)
    converter: Converter | None = table(Converter)  # noqa: RUF009
    comparator: str = part("X", required=True, device=True)
    trip: str = node(required=True)
    gate_pullup: str | None = part("R")
    reset_switch: str | None = part(SWITCHES, device=True)
    reset_resistor: str | None = part("R")
    pulldown_switch: str | None = part(SWITCHES, device=True)
    pulldown_resistor: str | None = part("R")
    mirror: tuple[str, ...] = parts('a list of transistors such as ["Q1", "Q2"]', device=True)


@dataclass(frozen=True, kw_only=True)
class SnappedCore(Core):
    """A switch snaps a capacitor up to a reference; a current sweeps it down to a trip level."""

    kind: ClassVar[str] = "snapped capacitor"
    one_of: ClassVar[tuple[tuple[str, ...], ...]] = (("current", "converter"),)
    capacitor: str = part("C", required=True)
    current: str | None = part("I", device=True)
    converter: Converter | None = table(Converter)  # noqa: RUF009
    reference: str = node(required=True)
    switch: str = part(SWITCHES, required=True, device=True)
    reset_resistor: str | None = part("R")
    series_resistor: str | None = part("R")
    follower: str | None = part("X", device=True)
    comparator: str = part("X", required=True, device=True)
    trip: str = node(required=True)
    gate_pullup: str | None = part("R")
    hold_resistor: str | None = part("R")
    hold_capacitor: str | None = part("C")


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


KINDS: dict[str, type[Core]] = {
    core.kind: core for core in (SourceCore, ChargedCore, SnappedCore, IntegratorCore)
}
