# SPDX-License-Identifier: GPL-3.0-or-later
"""What a designer intends: a board file as frozen objects. Nothing here comes from a netlist."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING

from harness.findings import Finding, nearest
from harness.formula import Formula
from harness.intent.toml_source import Position, dotted
from harness.quantities import Scale, stem
from harness.units import Quantity, engineering

if TYPE_CHECKING:
    from harness.netlist import Netlist


@dataclass(frozen=True)
class Roles:
    """Which node or part plays which part. None where the board file says nothing.

    ``ramp``, ``threshold`` and ``output`` are nodes; ``supplies`` gives the source of each rail.
    """

    ramp: str
    threshold: str
    output: str
    comparator: str | None = None
    comparator_class: str | None = None
    ramp_input: str | None = None
    pullup: str | None = None
    supply: str | None = None
    load_resistor: str | None = None
    load_capacitor: str | None = None
    supplies: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Core:
    """How the ramp is made: ``kind`` is ``ramp source`` or ``charged capacitor``; ``trip`` is a node, the
    rest are parts.
    """

    kind: str
    source: str | None = None
    capacitor: str | None = None
    current: str | None = None
    comparator: str | None = None
    trip: str | None = None
    gate_pullup: str | None = None
    reset_switch: str | None = None
    reset_resistor: str | None = None
    pulldown_switch: str | None = None
    pulldown_resistor: str | None = None
    mirror: tuple[str, ...] = ()


@dataclass(frozen=True)
class Intended:
    """The intended value of a part in SI units. ``tolerance`` is a share, None where the board file states
    none.
    """

    value: float
    tolerance: float | None
    unit: str
    text: str


@dataclass(frozen=True)
class Axis:
    """One axis of the corner table: values in ``unit`` (SI, temperature in degC).

    ``sets`` is the netlist parameter, source or part that takes the value; None for temperature.
    ``written_unit`` is the unit as the board file has it, prefix included; plain numbers typed for this axis
    count in it.
    """

    name: str
    values: tuple[float, ...]
    unit: str
    sets: str | None
    nominal: float
    written_unit: str = ""

    def text(self, value: float) -> str:
        """A value of this axis for people."""
        return engineering(value, self.unit)


@dataclass(frozen=True)
class Expected:
    """A literal figure and the one corner it speaks for: ``at`` holds every axis, ``corner`` the corner's
    name.
    """

    quantity: str
    value: float
    at: Mapping[str, float]
    corner: str


@dataclass(frozen=True)
class Tolerance:
    """How far a figure may be off: ``value`` in the quantity's unit (``absolute``), in cents, or a share of
    ``scale``.
    """

    value: float
    scale: Scale


@dataclass(frozen=True)
class Limit:
    """What a quantity must keep within, in its own unit; None where open."""

    least: float | None
    most: float | None


@dataclass(frozen=True)
class Simulation:
    """Settings of the engine's runs: accuracy as a share of the period, hint of the period in s, seconds a
    corner.
    """

    accuracy: float = 1e-4
    period: float | None = None
    seconds: float = 60.0
    report_corners: tuple[str, ...] = ()


@dataclass(frozen=True)
class Board:
    """A board file. Attribute names are those of the file's tables and keys.

    ``hand`` holds the formulas in the order of the file; ``hand_order`` names them so that each comes after
    those it uses. ``hand_units`` gives each formula's unit. ``lines`` gives the line of each key.
    """

    path: Path
    format: int
    name: str
    title: str
    revision: str
    netlist: Path
    include: tuple[Path, ...]
    roles: Roles
    core: Core | None
    intended: Mapping[str, Intended]
    given: Mapping[str, Quantity]
    axes: Mapping[str, Axis]
    grids: tuple[tuple[str, ...], ...]
    hand: Mapping[str, Formula]
    hand_order: tuple[str, ...]
    hand_units: Mapping[str, str]
    expected: tuple[Expected, ...]
    tolerance: Mapping[str, Tolerance]
    limits: Mapping[str, Limit]
    simulation: Simulation
    sha256: str
    lines: Mapping[Position, int] = field(default_factory=dict, repr=False, compare=False)

    def tolerance_of(self, quantity: str) -> Tolerance:
        """The board file's tolerance of a quantity, or the usual one. Raises KeyError for no quantity."""
        if quantity in self.tolerance:
            return self.tolerance[quantity]
        usual = stem(quantity)
        return Tolerance(usual.tolerance, usual.scale)

    def check_against(self, netlist: Netlist) -> list[Finding]:
        """Roles and axes that the netlist cannot serve: missing nodes, parts and parameters, all at once.

        Only names are read. A part of ``[intended]`` that is not drawn is no finding here: it is a
        difference.
        """
        nodes, parts = netlist.nodes, [part.name for part in netlist.parts.values()]
        findings: list[Finding] = []

        def add(path: Position, message: str) -> None:
            findings.append(Finding(self.path, message, dotted(path), self._line(path)))

        for path, name in self._nodes():
            if name.lower() not in nodes:
                add(path, f'{netlist.path.name} has no node "{name}"{nearest(name, nodes)}')
        for path, name in self._parts():
            if not _has_part(netlist, name):
                add(path, f'{netlist.path.name} has no part "{name}"{nearest(name, parts)}')
        for axis in self.axes.values():
            if (
                axis.sets
                and axis.sets.lower() not in netlist.parameters
                and not _has_part(netlist, axis.sets)
            ):
                hint = nearest(axis.sets, [*parts, *netlist.parameters])
                add(
                    ("axes", axis.name, "sets"),
                    f'{netlist.path.name} has no parameter, source or part "{axis.sets}"{hint}',
                )
        return findings

    def _line(self, path: Position) -> int | None:
        return next(
            (self.lines[path[:end]] for end in range(len(path), 0, -1) if path[:end] in self.lines), None
        )

    def _nodes(self) -> Iterator[tuple[Position, str]]:
        for role in ("ramp", "threshold", "output"):
            yield ("roles", role), getattr(self.roles, role)
        if self.core and self.core.trip:
            yield ("core", "trip"), self.core.trip

    def _parts(self) -> Iterator[tuple[Position, str]]:
        for role in ("comparator", "pullup", "supply", "load_resistor", "load_capacitor"):
            if name := getattr(self.roles, role):
                yield ("roles", role), name
        for rail, name in self.roles.supplies.items():
            yield ("roles", "supplies", rail), name
        if self.core:
            for key in fields(Core):
                if key.name not in ("kind", "trip", "mirror") and (name := getattr(self.core, key.name)):
                    yield ("core", key.name), name
            for number, name in enumerate(self.core.mirror):
                yield ("core", "mirror", number), name


def _has_part(netlist: Netlist, name: str) -> bool:
    """True for a part of the netlist, parts of instances (``xslice.rload``) included."""
    return name.lower() in netlist.parts or name.lower() in netlist.flat
