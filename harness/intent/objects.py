# SPDX-License-Identifier: GPL-3.0-or-later
"""What a designer intends: a board file as frozen objects. Nothing here comes from a netlist."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from harness.findings import Finding
from harness.formula import Formula
from harness.intent.accuracy import sound_accuracy
from harness.intent.cores import Core
from harness.intent.toml_source import Position, dotted, line_of
from harness.netlist.dialects.files import Dialects
from harness.quantities import Scale, stem
from harness.units import Quantity, engineering

if TYPE_CHECKING:
    from harness.engine.workers import Workers
    from harness.netlist import Netlist
    from harness.results import RunResult

UNCONFIRMED = (
    "the intended values were copied from the drawing and are not confirmed: a wrong part value cannot be"
    " noticed yet"
)


@dataclass(frozen=True)
class Roles:
    """Which node or part plays which part. None where the board file says nothing.

    ``ramp``, ``threshold``, ``output`` and ``emitter`` (what the comparator's output pulls down to) are
    nodes; ``supplies`` gives the source of each rail; ``amplifiers`` are op-amps that work linearly.
    """

    ramp: str
    threshold: str
    output: str
    comparator: str | None = None
    comparator_class: str | None = None
    emitter: str | None = None
    ramp_input: str | None = None
    pullup: str | None = None
    supply: str | None = None
    load_resistor: str | None = None
    load_capacitor: str | None = None
    supplies: Mapping[str, str] = field(default_factory=dict)
    amplifiers: tuple[str, ...] = ()


@dataclass(frozen=True)
class Intended:
    """The intended value of a part in SI units. ``tolerance`` is a share, None where the board file states
    none."""

    value: float
    tolerance: float | None
    unit: str
    text: str


@dataclass(frozen=True)
class Axis:
    """One axis of the corner table: values in ``unit`` (SI, temperature in degC).

    ``sets`` is the netlist parameter, source or part that takes the value; None for temperature.
    ``written_unit`` is the unit as the board file has it, prefix included; plain numbers typed for this
    axis count in it. ``names``: what the values are called, in their order; () where they are just numbers.
    """

    name: str
    values: tuple[float, ...]
    unit: str
    sets: str | None
    nominal: float
    written_unit: str = ""
    names: tuple[str, ...] = ()

    def text(self, value: float) -> str:
        """A value of this axis for people: its name, where it has one."""
        named = dict(zip(self.values, self.names, strict=False))
        return named.get(value) or engineering(value, self.unit)

    def named(self, name: str) -> float | None:
        """The value of that name, case-blind; None where none is called so."""
        found = [
            value
            for value, each in zip(self.values, self.names, strict=False)
            if each.lower() == name.lower()
        ]
        return found[0] if found else None


@dataclass(frozen=True)
class Expected:
    """A literal figure and the one corner it speaks for: ``at`` holds every axis, ``corner`` the corner's
    name."""

    quantity: str
    value: float
    at: Mapping[str, float]
    corner: str


@dataclass(frozen=True)
class Tolerance:
    """How far a figure may be off: ``value`` in the quantity's unit (``absolute``), in cents, or a share of
    ``scale``."""

    value: float
    scale: Scale

    def words(self, unit: str, digits: int = 4) -> str:
        """As a board file writes it: ``50 mV``, ``5 cents``, ``2 % of swing``; ``unit``: the quantity's."""
        if self.scale == "absolute":
            return engineering(self.value, unit, digits)
        if self.scale == "cents":
            return f"{self.value:.{digits}g} cents"
        return f"{engineering(self.value, '%', digits)} of {self.scale}"


@dataclass(frozen=True)
class Limit:
    """What a quantity must keep within, in its own unit; None where open."""

    least: float | None
    most: float | None


@dataclass(frozen=True)
class Concession:
    """A deviation that was judged to be fine up to a bound, and why.

    Of a quantity, ``bound`` says how far hand and simulated may be apart, at the corners that have the axis
    values of ``at`` (all where it is empty); of a part, by what share drawn and intended value may differ.
    """

    kind: Literal["quantity", "part"]
    name: str
    bound: Tolerance
    reason: str
    at: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Trim:
    """A part that is set between ``least`` and ``most`` (``unit``) on every finished board, so that
    ``quantity`` is at ``target`` at one setting ``at`` of all axes."""

    name: str
    part: str
    least: float
    most: float
    unit: str
    quantity: str
    target: float
    at: Mapping[str, float]


@dataclass(frozen=True)
class Simulation:
    """Settings of the engine's runs: accuracy as a share of the period, hint of the period in s, seconds a
    corner. Raises ValueError for an accuracy out of range."""

    accuracy: float = 1e-4
    period: float | None = None
    seconds: float = 60.0
    report_corners: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        sound_accuracy(self.accuracy)


@dataclass(frozen=True)
class Board:
    """A board file. Attribute names are those of the file's tables and keys.

    ``hand`` holds the formulas in the order of the file; ``hand_order`` names them so that each comes after
    those it uses. ``hand_units`` gives each formula's unit. ``lines`` gives the line of each key.
    ``dialects``: in which notation the netlist's files are written. ``confirmed``: the intended values were
    typed from the designer's notes, not copied from the drawing.
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
    spread: Mapping[str, Quantity] = field(default_factory=dict)
    tracking: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    trims: Mapping[str, Trim] = field(default_factory=dict)
    ratings: Mapping[str, Quantity] = field(default_factory=dict)
    concessions: tuple[Concession, ...] = ()
    lines: Mapping[Position, int] = field(default_factory=dict, repr=False, compare=False)
    dialects: Dialects = field(default_factory=Dialects)
    confirmed: bool = True

    def tolerance_of(self, quantity: str) -> Tolerance:
        """The board file's tolerance of a quantity, or the usual one. Raises KeyError for no quantity."""
        if quantity in self.tolerance:
            return self.tolerance[quantity]
        usual = stem(quantity)
        return Tolerance(usual.tolerance, usual.scale)

    def run(
        self,
        jobs: int | Workers | None = None,
        only: Sequence[tuple[str, float | str]] | Mapping[str, float | str] = (),
        accuracy: float | None = None,
    ) -> RunResult:
        """Simulates every corner and judges it; waveforms of all corners are kept.

        ``jobs``: worker processes, or workers elsewhere (:func:`harness.engine.cluster.connected`); ``only``:
        axis values to restrict to, a mapping or pairs; ``accuracy``: share of the period. Raises BoardError
        or NetlistError (input), EngineMissing or EngineFailed (engine).
        """
        from harness.run import run

        return run(self.path, jobs=jobs, only=only, accuracy=accuracy, waveforms=True)

    def check_against(self, netlist: Netlist) -> list[Finding]:
        """Roles that the netlist does not have and axes that cannot be set in it, all at once.

        A part of ``[intended]`` that is not drawn is no finding here: it is a difference.
        """
        from harness.intent.against import lacking
        from harness.intent.ratings import unrated

        found = [*lacking(netlist, self.roles, self.core, self.axes), *unrated(netlist, self.ratings)]
        return [
            Finding(self.path, message, dotted(path), line_of(path, self.lines)) for path, message in found
        ]
