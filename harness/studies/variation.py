# SPDX-License-Identifier: GPL-3.0-or-later
"""What may deviate on a board, and the same board with each deviation as one more axis.

The netlist is written anew with a parameter for each deviation, 0 where nothing deviates: a part of value x
becomes x (1 + deviation), also where x is an expression of an axis, and a device's parameter p becomes
p + deviation or p (1 + deviation). So predictions and simulation see the same deviation in the same way.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from harness.findings import BoardError, Finding, nearest
from harness.intent.objects import Axis, Board, Trim
from harness.netlist import Netlist, read_netlist
from harness.netlist.words import inner
from harness.units import engineering, parse_spice

if TYPE_CHECKING:
    from harness.netlist import Part

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
        size = f"{100 * abs(value):.3g} %" if not self.unit else engineering(abs(value), self.unit)
        return f"{self.name} {'+' if value >= 0 else '-'}{size}"


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
    once, for a tolerance or spread of something that has no value to deviate."""
    findings: list[Finding] = []
    deviations = (*_parts(board, netlist), *_devices(board))
    rewritten = {line: line.text for line in netlist.deck()}
    for deviation in deviations:
        for name, key in deviation.targets:
            part = _part(netlist, name)
            try:
                if part is None:
                    raise ValueError(f'there is no part "{name}"{nearest(name, netlist.parts)}')
                rewritten[part.line] = _deviating(netlist, part, key, deviation)
            except ValueError as error:
                place = f"spread.{name}.{key}" if key else f"intended.{name}"
                findings.append(Finding(board.path, str(error), place))
    for trim in board.trims.values():
        if trim.part.lower() in netlist.parameters:
            continue
        part = _part(netlist, trim.part)
        if part is None or part.letter not in _VALUED or part.function is not None:
            near = nearest(trim.part, [*netlist.parts, *netlist.parameters])
            message = f'there is no part or parameter "{trim.part}" with a value that could be set{near}'
            findings.append(Finding(board.path, message, f"trim.{trim.name}.part"))
            continue
        words = [
            part.name,
            *part.nodes,
            f"{{{_trim_parameter(trim)}}}",
            *([part.model] if part.model else []),
        ]
        words += [f"{key}={text}" for key, text in part.parameters.items()]
        rewritten[part.line] = " ".join(words)
    if findings:
        raise BoardError(findings)
    trims = tuple(board.trims.values())
    middle = {trim.name: 0.5 * (trim.least + trim.most) for trim in trims}
    axes = {d.axis: Axis(d.axis, (0.0,), d.unit, d.parameter, 0.0, d.unit) for d in deviations}
    set_by = {
        trim.name: trim.part.lower() if trim.part.lower() in netlist.parameters else _trim_parameter(trim)
        for trim in trims
    }
    axes |= {
        trim_axis(trim): Axis(
            trim_axis(trim), (middle[trim.name],), trim.unit, set_by[trim.name], middle[trim.name], trim.unit
        )
        for trim in trims
    }
    parameters = [f".param {d.parameter}=0" for d in deviations]
    parameters += [f".param {set_by[trim.name]}={middle[trim.name]!r}" for trim in trims]
    stated = {name.lower() for deviation in deviations for name, _ in deviation.targets}
    return Varied(
        replace(board, axes={**board.axes, **axes}),
        _read_again(netlist, [*rewritten.values(), *parameters]),
        deviations,
        tuple(name for name in _settable(board, netlist) if name.lower() not in stated),
        trims,
    )


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
        if name.lower() not in driven and _part(netlist, name) is not None:
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


def _part(netlist: Netlist, name: str) -> Part | None:
    found = netlist.flat.get(name.lower())
    return found.part if found else netlist.parts.get(name.lower())


def _deviating(netlist: Netlist, part: Part, key: str, deviation: Deviation) -> str:
    """The line of a part with its value, or with one of its parameters, deviating. Raises ValueError where
    there is nothing that could."""
    words = [part.name, *part.nodes]
    parameters = dict(part.parameters)
    if not key:
        if part.letter not in _VALUED or part.function is not None or not part.value_text:
            raise ValueError(f"{part.name} has no single value that could deviate; leave out its tolerance")
        words.append(f"{{({_plain(part.value_text)})*(1+{deviation.parameter})}}")
        if part.model:
            words.append(part.model)
    else:
        words += [word for word in (part.value_text, part.model) if word]
        circuit = netlist.subcircuits.get(part.model)
        defaults = circuit.defaults if circuit is not None else {}
        text = parameters.get(key.lower(), defaults.get(key.lower()))
        if text is None:
            known = nearest(key, [*defaults, *parameters])
            raise ValueError(f'{part.name} has no parameter "{key}"{known}')
        sum_ = f"({_plain(text)})+{deviation.parameter}"
        product = f"({_plain(text)})*(1+{deviation.parameter})"
        parameters[key.lower()] = f"{{{sum_ if deviation.unit else product}}}"
    return " ".join([*words, *(f"{name}={text}" for name, text in parameters.items())])


def _plain(text: str) -> str:
    """A value as it may stand inside an expression: numbers without a unit behind them."""
    try:
        return repr(parse_spice(text))
    except ValueError:
        return inner(text)


def _read_again(netlist: Netlist, lines: Sequence[str]) -> Netlist:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / netlist.path.name
        path.write_text("\n".join([f"* {netlist.title}", *lines, ".end", ""]), encoding="utf-8")
        return replace(read_netlist(path), path=netlist.path, files=netlist.files, notes=netlist.notes)
