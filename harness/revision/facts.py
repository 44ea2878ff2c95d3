# SPDX-License-Identifier: GPL-3.0-or-later
"""What a board file says, key by key as text, so that two of them can be laid side by side."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

from harness.board import Board
from harness.formula import Formula
from harness.intent.objects import Axis, Concession, Expected, Intended, Limit, Tolerance
from harness.quantities import stem
from harness.units import Quantity, engineering

NOT_TOLD = frozenset(
    {
        "path", "format", "name", "title", "revision", "netlist", "hand_order", "hand_units", "sha256",
        "lines", "simulation",
    }
)  # fmt: skip
"""Fields of a board that name files, follow from others, or say how it is run and not what it is."""

CALLED = {"trims": "trim", "grids": "corners", "dialects": "board.dialect", "include": "board.include",
          "confirmed": "board.confirmed", "concessions": "concession"}  # fmt: skip
"""Tables of the file whose fields have other names."""

KINDS = {
    "limits": "limit", "concession": "limit", "axes": "corner", "corners": "corner", "hand": "quantity",
    "given": "quantity", "expected": "quantity", "tolerance": "quantity",
}  # fmt: skip
"""Under which kind a key is told; what is not listed is about parts."""


@dataclass(frozen=True)
class FactChange:
    """One key of the board file that differs. ``how``: ``added``, ``removed``, ``changed``; of a limit or a
    tolerance also ``loosened`` or ``tightened``."""

    key: str
    before: str
    after: str
    how: str

    @property
    def kind(self) -> str:
        """``part``, ``quantity``, ``limit`` or ``corner``."""
        return KINDS.get(self.key.partition(".")[0], "part")

    @property
    def words(self) -> str:
        """``limits.duty: least 0.25 before, least 0.2 after (loosened)``."""
        what = " to ".join(text for text in (self.before, self.after) if text)
        return f"{self.key}: {what} ({self.how})"


def facts_of(board: Board) -> dict[str, str]:
    """Dotted key -> text of everything that a board file says but names of files, board and revision."""
    found: dict[str, str] = {}
    for each in fields(board):
        if each.name not in NOT_TOLD:
            found.update(_told(CALLED.get(each.name, each.name), getattr(board, each.name)))
    return found


def fact_changes(before: Mapping[str, str], after: Mapping[str, str]) -> list[FactChange]:
    """Every key that differs, in the order of the files."""
    found = []
    for key in dict.fromkeys([*before, *after]):
        old, new = before.get(key), after.get(key)
        if old != new:
            how = "added" if old is None else "removed" if new is None else "changed"
            found.append(FactChange(key, old or "", new or "", how))
    return found


def _told(key: str, value: Any) -> Iterator[tuple[str, str]]:
    """A table as its keys, a record as its fields, anything else as text; what is not said is left out."""
    if key == "limits":
        for name, limit in value.items():
            yield f"{key}.{name}", limit_words(limit, stem(name).unit)
    elif isinstance(value, Mapping):
        for name, entry in value.items():
            yield f"{key}.{name}", _text(entry)
    elif key == "expected":
        for entry in value:
            yield f"{key}.{entry.quantity}{_place(entry.at)}", _text(entry)
    elif key == "concession":
        for entry in value:
            yield f"{key}.{entry.name}{_place(entry.at)}", f"{_bound(entry)}, {entry.reason}"
    elif is_dataclass(value) and not isinstance(value, type) and key in ("roles", "core"):
        for each in fields(value):
            entry = getattr(value, each.name)
            if entry not in (None, (), {}):
                yield f"{key}.{each.name}", _text(entry)
    elif value not in (None, (), {}):
        yield key, _text(value)


def conceded_share(text: str) -> float:
    """By what share (0 to 1) a part may differ from ``[intended]``, from the text of its concession; 0 where
    it is none of a part."""
    share = re.match(r"up to (\S+) %, ", text)
    return float(share[1]) / 100.0 if share else 0.0


def _place(at: Mapping[str, float]) -> str:
    where = ", ".join(f"{axis} {number:.9g}" for axis, number in at.items())
    return f" at {where}" if where else ""


def _bound(entry: Concession) -> str:
    """``up to 20 %`` of a part, ``up to 40 cents`` of a quantity, every digit kept."""
    if entry.kind == "part":
        return f"up to {engineering(entry.bound.value, '%', 9)}"
    return f"up to {entry.bound.words(stem(entry.name).unit, 9)}"


def limit_words(limit: Limit, unit: str) -> str:
    """``least 50 mV, most 2 V``, every digit kept."""
    ends = (("least", limit.least), ("most", limit.most))
    return ", ".join(f"{word} {engineering(end, unit, 9)}" for word, end in ends if end is not None)


def _text(value: Any) -> str:
    """One entry in words, the same words for the same meaning."""
    match value:
        case str():
            return value
        case bool():
            return "true" if value else "false"
        case int() | float():
            return f"{value:.9g}"
        case Path():
            return value.name
        case Formula():
            return str(value.text)
        case Quantity():
            return engineering(value.value, value.unit, 9)
        case Intended():
            share = "" if value.tolerance is None else f" {engineering(value.tolerance, '%')}"
            return f"{engineering(value.value, value.unit, 9)}{share}"
        case Axis():
            values = ", ".join(value.names or [f"{each:.9g}" for each in value.values])
            numbers = f" ({', '.join(f'{each:.9g}' for each in value.values)})" if value.names else ""
            sets = f", sets {value.sets}" if value.sets else ""
            unit = f" {value.unit}" if value.unit else ""
            return f"{values}{numbers}{unit}, nominal {value.nominal:.9g}{sets}"
        case Tolerance():
            return f"{value.value:.9g}" + ("" if value.scale == "absolute" else f" of {value.scale}")
        case Expected():
            return f"{value.value:.9g}"
        case Mapping():
            return ", ".join(f"{name} {_text(entry)}" for name, entry in value.items())
        case Sequence():
            return ", ".join(f"[{_text(each)}]" if isinstance(each, tuple) else _text(each) for each in value)
    if is_dataclass(value):
        said = ((each.name, getattr(value, each.name)) for each in fields(value))
        return ", ".join(f"{name} {_text(entry)}" for name, entry in said if entry not in (None, (), {}, ""))
    return str(value)
