# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading the values of a board file: each reader notes what is wrong, where, and what was expected, and goes
on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from harness.dimensions import UNITS
from harness.findings import Finding, nearest
from harness.intent.toml_source import Position, Source
from harness.units import Quantity, parse_si, parse_unit

# Units that share a dimension with others and still must not stand in for them.
_OWN_SCALE = frozenset({"", "%", "degC", "K", "cent", "dB"})


def fits(unit: str, expected: str) -> bool:
    """True where a figure in ``unit`` may stand for one in ``expected``: V for V, % for a plain number."""
    if unit == expected or {unit, expected} == {"", "%"}:
        return True
    if unit not in UNITS or expected not in UNITS or {unit, expected} & _OWN_SCALE:
        return False
    return UNITS[unit] == UNITS[expected]


def read_quantity(source: Source, path: Position, value: object, expected: str | None) -> Quantity | None:
    """A number or a text with a unit, in SI units; a finding and None where it is neither.

    A plain number counts in the unit ``expected``, which may carry a prefix (``mA``). ``expected`` None takes
    any unit.
    """
    wanted = parse_unit(expected) if expected else Quantity(1.0, "")
    if isinstance(value, str):
        try:
            quantity = parse_si(value)
        except ValueError as error:
            source.add(path, str(error))
            return None
    elif isinstance(value, int | float) and not isinstance(value, bool):
        try:
            quantity = Quantity(float(value))
        except OverflowError:
            quantity = Quantity(math.inf)
        if not math.isfinite(quantity.value):
            source.add(path, f"expected a finite number, got {value}")
            return None
    else:
        source.add(path, f"expected {a_number(wanted.unit)}, got {described(value)}")
        return None
    if expected is None:
        return quantity
    if quantity.unit == "":
        return Quantity(quantity.value * wanted.value, wanted.unit)
    if not fits(quantity.unit, wanted.unit):
        unit = f"a figure in {wanted.unit}" if wanted.unit else "a plain number"
        kelvin = (
            " (a space before K makes it kelvin)" if quantity.unit == "K" and wanted.unit != "degC" else ""
        )
        source.add(path, f"expected {unit}, got {described(value)}, which is in {quantity.unit}{kelvin}")
        return None
    return Quantity(quantity.value, wanted.unit)


class Table:
    """One table of a board file; each reader method notes what is wrong instead of raising, and gives None
    then.
    """

    def __init__(self, source: Source, path: Position, data: dict[str, Any]) -> None:
        self.source = source
        self.path = path
        self.data = data
        self.asked: set[str] = set()
        self.lacking: dict[str, Finding] = {}

    def wrong(self, key: str, message: str) -> None:
        """Notes a finding at ``key``."""
        self.source.add((*self.path, key), message)

    def __contains__(self, key: str) -> bool:
        return key in self.data

    def names(self) -> list[str]:
        """The keys in the order of the file, for tables that take any name; all of them count as known."""
        self.asked.update(self.data)
        return list(self.data)

    def _get(self, key: str, kind: type | tuple[type, ...], expected: str, required: bool) -> Any:
        self.asked.add(key)
        if key not in self.data:
            if required:
                self.missing(key, expected)
            return None
        value = self.data[key]
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            self.wrong(key, f"expected {expected}, got {described(value)}")
            return None
        return value

    def missing(self, key: str, expected: str) -> None:
        """Notes that ``key`` is missing."""
        self.source.add(self.path, f'"{key}" is missing; expected {expected}')
        self.lacking[key] = self.source.findings[-1]

    def whole(self, key: str, expected: str, required: bool = False) -> int | None:
        """A whole number."""
        value = self._get(key, int, expected, required)
        return value if isinstance(value, int) else None

    def flag(self, key: str, default: bool) -> bool:
        """true or false."""
        value = self._get(key, bool, "true or false", False)
        return value if isinstance(value, bool) else default

    def text(self, key: str, expected: str = "a text in quotes", required: bool = False) -> str | None:
        """A text that is not empty."""
        value = self._get(key, str, expected, required)
        if value is not None and not value.strip():
            self.wrong(key, f"expected {expected}, got an empty text")
            return None
        return value.strip() if isinstance(value, str) else None

    def choice(self, key: str, valid: Iterable[str], required: bool = False) -> str | None:
        """One of a few texts."""
        names = list(valid)
        value = self.text(key, " or ".join(f'"{name}"' for name in names), required)
        if value is not None and value not in names:
            self.wrong(key, f'"{value}" is not known here{nearest(value, names)}')
            return None
        return value

    def texts(self, key: str, expected: str) -> tuple[str, ...]:
        """A list of texts; () where absent or wrong."""
        items = self.items(key, expected)
        for number, item in enumerate(items):
            if not isinstance(item, str) or not item.strip():
                self.source.add(
                    (*self.path, key, number), f"expected a text in quotes, got {described(item)}"
                )
        return tuple(item for item in items if isinstance(item, str))

    def items(self, key: str, expected: str, required: bool = False) -> list[Any]:
        """A list; [] where absent or wrong."""
        return list(self._get(key, list, expected, required) or [])

    def table(self, key: str, expected: str = "a table", required: bool = False) -> Table:
        """A table within this one; an empty one where absent or wrong."""
        value = self._get(key, dict, expected, required)
        return Table(self.source, (*self.path, key), value or {})

    def quantity(self, key: str, unit: str | None, required: bool = False) -> Quantity | None:
        """A number or a text with a unit, as ``read_quantity`` reads it."""
        self.asked.add(key)
        if key in self.data:
            return read_quantity(self.source, (*self.path, key), self.data[key], unit)
        if required:
            self.missing(key, a_number(unit or ""))
        return None

    def finish(self) -> None:
        """Notes every key that nobody asked for. One that looks like a missing one is that one, mistyped: one
        finding, not two."""
        for key in self.data:
            if key not in self.asked:
                hint = nearest(key, self.asked)
                self.wrong(key, f"there is no such key here{hint}")
                for meant in [name for name in self.lacking if hint == f' (did you mean "{name}"?)']:
                    finding = self.lacking.pop(meant)
                    if finding in self.source.findings:
                        self.source.findings.remove(finding)


def described(value: object) -> str:
    """What a wrong value is, in words."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}..."'
        case int() | float():
            return f"the number {value}"
        case list():
            return "a list" if value else "an empty list"
        case dict():
            return "a table"
    return f"the date {value}"


def a_number(unit: str) -> str:
    examples = {
        "V": "15 V",
        "A": "100 uA",
        "Ohm": "3.3k",
        "F": "2.2n",
        "s": "20 us",
        "Hz": "440 Hz",
        "K": "300 K",
    }
    return f'a number or a text such as "{examples[unit]}"' if unit in examples else "a number"
