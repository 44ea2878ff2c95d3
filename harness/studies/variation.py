# SPDX-License-Identifier: GPL-3.0-or-later
"""What may deviate on a board, and the same board with each deviation as one more axis.

The netlist is written anew with a parameter for each deviation, 0 where nothing deviates: a part of value x
becomes x (1 + deviation), also where x is an expression of an axis, and a device's parameter p becomes
p + deviation or p (1 + deviation). So predictions and simulation see the same deviation in the same way.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from harness.findings import BoardError, Finding, nearest
from harness.intent.objects import Axis, Board, Trim
from harness.intent.toml_source import Position, dotted, line_of
from harness.netlist import Netlist, rewritten
from harness.netlist.words import inner
from harness.units import engineering, parse_spice

if TYPE_CHECKING:
    from harness.netlist import Part
    from harness.netlist.lines import Line
    from harness.netlist.scopes import FlatPart

COLUMN = "deviation "  # what the name of a deviation's axis and column begins with
TRIM_COLUMN = "trim "
_VALUED = "rclvi"


@dataclass(frozen=True)
class Deviation:
    """Something that may deviate: one part, parts that deviate together, or a parameter of a device.

    ``most``: the largest deviation in either direction, a share of the value where ``unit`` is empty and
    ``parameter`` does not say otherwise, else in ``unit``. ``lines``: (part, parameter of the part or "").
    """

    name: str
    most: float
    unit: str
    targets: tuple[tuple[str, str], ...]

    @property
    def axis(self) -> str:
        """Name of its axis and of its column."""
        return COLUMN + self.name

    @property
    def parameter(self) -> str:
        """The netlist parameter that carries it."""
        return "deviation_" + re.sub(r"\W", "_", self.name.lower())

    def text(self, value: float) -> str:
        """A deviation for people, with its sign."""
        return f"{self.name} {'+' if value >= 0 else '-'}{self._size(value)}"

    @property
    def span(self) -> str:
        """How far it goes in either direction, for people."""
        return f"{self.name} +/- {self._size(self.most)}"

    def _size(self, value: float) -> str:
        return engineering(abs(value), self.unit) if self.unit else f"{100 * abs(value):.3g} %"


@dataclass(frozen=True)
class Varied:
    """A board and its netlist with deviations as axes. ``fixed``: intended parts that state no tolerance."""

    board: Board
    netlist: Netlist
    deviations: tuple[Deviation, ...]
    fixed: tuple[str, ...]
    trims: tuple[Trim, ...] = ()


def varied(board: Board, netlist: Netlist) -> Varied:
    """The board with everything that may deviate as axes behind its own. Raises BoardError, all findings at
    once, for a tolerance, spread or trimmer of something that has no value to change."""
    deviations = (*_parts(board, netlist), *_devices(board))
    writing = _Writing(board, netlist)
    for deviation in deviations:
        for name, key in deviation.targets:
            writing.deviate(name, key, deviation)
    trims = tuple(board.trims.values())
    set_by = {trim.name: writing.set(trim) for trim in trims}
    if writing.findings:
        raise BoardError(writing.findings)
    middle = {trim.name: 0.5 * (trim.least + trim.most) for trim in trims}
    axes = {d.axis: Axis(d.axis, (0.0,), d.unit, d.parameter, 0.0, d.unit) for d in deviations}
    for trim in trims:
        name, at = trim_axis(trim), middle[trim.name]
        axes[name] = Axis(name, (at,), trim.unit, set_by[trim.name], at, trim.unit)
    parameters = [f".param {d.parameter}=0" for d in deviations]
    parameters += [f".param {set_by[trim.name]}={middle[trim.name]!r}" for trim in trims]
    stated = {name.lower() for deviation in deviations for name, _ in deviation.targets}
    return Varied(
        replace(board, axes={**board.axes, **axes}),
        rewritten(netlist, [*writing.lines(), *parameters]),
        deviations,
        tuple(name for name in _settable(board, netlist) if name.lower() not in stated),
        trims,
    )


def unusable(board: Board, netlist: Netlist) -> list[Finding]:
    """What is wrong with ``[spread]`` and ``[trim]`` against the netlist."""
    writing = _Writing(board, netlist)
    for deviation in _devices(board):
        for name, key in deviation.targets:
            writing.deviate(name, key, deviation)
    for trim in board.trims.values():
        writing.set(trim)
    return writing.findings


class _Writing:
    """The lines of a netlist with deviations and trimmers put in, one part after the other."""

    def __init__(self, board: Board, netlist: Netlist) -> None:
        self.board, self.netlist = board, netlist
        self.findings: list[Finding] = []
        self._parts: dict[Line, Part] = {}
        self._used = Counter(found.part.line for found in netlist.placed.values())

    def lines(self) -> Iterator[str]:
        """All lines for the engine."""
        for line in self.netlist.deck():
            yield _text(self._parts[line]) if line in self._parts else line.text

    def deviate(self, name: str, key: str, deviation: Deviation) -> None:
        """Lets the value of a part deviate, or its parameter ``key``."""
        path = ("spread", deviation.name) if key else ("intended", name)
        found = self._found(name, path, self.netlist.placed)
        if found is None:
            return
        part = self._parts.get(found.part.line, found.part)
        if not key:
            if part.letter not in _VALUED or part.function is not None or not part.value_text:
                message = f"{name} has no single value that could deviate; leave out its tolerance"
                self._wrong(message, path)
                return
            value = f"{{({_plain(part.value_text)})*(1+{deviation.parameter})}}"
            self._parts[found.part.line] = replace(part, value_text=value)
            return
        circuit = found.scope.circuit.find_subcircuit(part.model) if part.letter == "x" else None
        defaults = circuit.defaults if circuit is not None else {}
        text = part.parameters.get(key.lower(), defaults.get(key.lower()))
        if text is None:
            known = nearest(key, [*defaults, *part.parameters])
            self._wrong(f'{name} has no parameter "{key}"{known}', path)
            return
        inside = f"({_plain(text)})+" if deviation.unit else f"({_plain(text)})*(1+"
        value = f"{{{inside}{deviation.parameter}{'' if deviation.unit else ')'}}}"
        self._parts[found.part.line] = replace(part, parameters={**part.parameters, key.lower(): value})

    def set(self, trim: Trim) -> str:
        """Lets a trimmer set its part; the name of the netlist parameter that does it."""
        if trim.part.lower() in self.netlist.parameters:
            return trim.part.lower()
        path = ("trim", trim.name, "part")
        found = self._found(trim.part, path, [*self.netlist.placed, *self.netlist.parameters])
        if found is not None:
            part = self._parts.get(found.part.line, found.part)
            if part.letter not in _VALUED or part.function is not None:
                self._wrong(f"{trim.part} has no single value that could be set", path)
            value = f"{{{_trim_parameter(trim)}}}"
            self._parts[found.part.line] = replace(part, value_text=value)
        return _trim_parameter(trim)

    def _found(self, name: str, path: Position, valid: Iterable[str]) -> FlatPart | None:
        found = self.netlist.placed.get(name.lower())
        if found is None:
            self._wrong(f'there is no part "{name}"{nearest(name, valid)}', path)
        elif self._used[found.part.line] > 1:
            message = (
                f"{name} is drawn in a subcircuit that is used more than once: its copies share one line"
            )
            self._wrong(f"{message}; draw it by itself", path)
            return None
        return found

    def _wrong(self, message: str, path: Position) -> None:
        finding = Finding(self.board.path, message, dotted(path), line_of(path, self.board.lines))
        self.findings.append(finding)


def _text(part: Part) -> str:
    """A part as a line."""
    words = [part.name, *part.nodes, part.value_text, part.model]
    return " ".join([*filter(None, words), *(f"{name}={text}" for name, text in part.parameters.items())])


def trim_axis(trim: Trim) -> str:
    """Name of a trimmer's axis and column."""
    return TRIM_COLUMN + trim.name


def _trim_parameter(trim: Trim) -> str:
    return "trim_" + re.sub(r"\W", "_", trim.name.lower())


def _settable(board: Board, netlist: Netlist) -> Iterator[str]:
    """Intended parts that are drawn and that no axis sets."""
    driven = {axis.sets.lower() for axis in board.axes.values() if axis.sets}
    driven |= {trim.part.lower() for trim in board.trims.values()}
    for name in board.intended:
        if name.lower() not in driven and name.lower() in netlist.placed:
            yield name


def _parts(board: Board, netlist: Netlist) -> Iterator[Deviation]:
    """Parts with a tolerance: each by itself, or together with those that come from one reel or network."""
    together = {name.lower(): group for group, names in board.tracking.items() for name in names}
    groups: dict[str, list[str]] = {}
    for name in _settable(board, netlist):
        if board.intended[name].tolerance:
            groups.setdefault(together.get(name.lower(), name), []).append(name)
    for group, names in groups.items():
        most = max(board.intended[name].tolerance or 0.0 for name in names)
        yield Deviation(group, most, "", tuple((name, "") for name in names))


def _devices(board: Board) -> Iterator[Deviation]:
    for name, spread in board.spread.items():
        part, _, key = name.rpartition(".")
        yield Deviation(name, spread.value, "" if spread.unit == "%" else spread.unit, ((part, key),))


def _plain(text: str) -> str:
    """A value as it may stand inside an expression: numbers without a unit behind them."""
    try:
        return repr(parse_spice(text))
    except ValueError:
        return inner(text)
