# SPDX-License-Identifier: GPL-3.0-or-later
"""Published figures of the devices that models stand for, each with its condition and its source.

They lie as data in ``shared/devices/<model>.toml``. A figure that is cited from memory says so in its kind.
Each row says how the model is held to it: ``bench`` names a function of the module in ``harness/parts/`` that
``[device] benches`` names, and ``at`` its arguments; a row without a bench says in ``not_measured`` why.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from harness.resources import netlists_folder, shared_folder
from harness.units import parse_si

KINDS = ("published", "common practice", "from memory")
JUDGED = ("typical", "limits")
_BOUNDS = ("least", "typical", "most")
#: how far a model may lie from a typical figure where the sheet says nothing else: ours, no source; makers of
#: one class differ by more (80, 150 and 250 mV of typical saturation in three documents on the 393)
TYPICAL_FACTOR = 1.5
Argument = float | str


@dataclass(frozen=True)
class Figure:
    """One row of a sheet: ``least``, ``typical`` and ``most`` in SI units of ``unit``.

    NaN where nothing is printed. A row without numbers states a behaviour in ``words``. ``at``: arguments of
    the bench, SI units; of several values of one argument the worst counts. ``judged``: by ``limits`` alone
    where the typical figure is the size of a spread around 0; else the measured value also has to lie within
    ``factor`` of the typical one. ``not_measured``: why there is no bench.
    """

    name: str
    words: str
    condition: str
    least: float
    typical: float
    most: float
    unit: str
    source: str
    place: str
    kind: str
    bench: str = ""
    at: Mapping[str, tuple[Argument, ...]] = field(default_factory=dict)
    judged: str = "typical"
    factor: float = TYPICAL_FACTOR
    not_measured: str = ""

    def allows(self, value: float) -> bool:
        """True where ``value`` breaks no printed limit; a typical figure is no limit."""
        return not (value < self.least or value > self.most or math.isnan(value))

    def is_near_typical(self, value: float) -> bool:
        """True where ``value`` lies within the factor of the typical figure, or where none counts."""
        if self.judged == "limits" or math.isnan(self.typical):
            return True
        ratio = value / self.typical if self.typical else math.nan
        return 1 / self.factor <= ratio <= self.factor


@dataclass(frozen=True)
class Rating:
    """An absolute maximum: what is watched, and how far it may go, in SI units of ``unit``; NaN where open.

    ``between``: two pins, for the voltage from the first to the second. ``current``: a pin, for the size of
    the current in it, ``averaged`` over a cycle or at its worst instant.
    """

    name: str
    words: str
    between: tuple[str, ...]
    current: str
    averaged: bool
    least: float
    most: float
    unit: str
    source: str


@dataclass(frozen=True)
class Sheet:
    """What is published about the device that a model stands for; ``file`` lies below ``netlists/``.

    ``benches``: the module in ``harness/parts/`` whose benches measure it. ``class_``: as board files name
    it, empty where they do not. ``polarity``: ``npn`` or ``pnp`` of a subcircuit of transistors, else its
    kind.
    """

    model: str
    title: str
    file: str
    kind: str
    pins: tuple[str, ...]
    figures: dict[str, Figure]
    benches: str = ""
    class_: str = ""
    polarity: str = ""
    ratings: tuple[Rating, ...] = ()

    def model_lines(self) -> list[str]:
        """The model's netlist lines, comments left out."""
        text = (netlists_folder() / self.file).read_text(encoding="utf-8")
        return [line for line in text.splitlines() if line.strip() and not line.startswith("*")]


def models() -> list[str]:
    """The models that have a sheet."""
    return sorted(path.stem for path in (shared_folder() / "devices").glob("*.toml"))


def read_sheet(model: str) -> Sheet:
    """The sheet of a model. Raises FileNotFoundError where there is none, ValueError if it is malformed."""
    return _read(shared_folder() / "devices" / f"{model}.toml")


@cache
def _read(path: Path) -> Sheet:
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    device, sources = data["device"], data["sources"]
    figures: dict[str, Figure] = {}
    for row in data["figure"]:
        if row["name"] in figures:
            raise ValueError(f"{path.name}: two figures are called {row['name']}")
        figures[row["name"]] = _figure(path.name, row, sources)
    return Sheet(
        device["model"], device["title"], device["file"], device["kind"], tuple(device["pins"]), figures,
        device.get("benches", ""), device.get("class", ""), device.get("polarity", device["kind"]),
        tuple(_rating(path.name, row, device["pins"], sources) for row in data.get("rating", ())),
    )  # fmt: skip


def _figure(where: str, row: dict[str, Any], sources: dict[str, Any]) -> Figure:
    known = {
        "name",
        "words",
        "condition",
        "source",
        "place",
        "bench",
        "at",
        "judged",
        "factor",
        "not_measured",
    }
    unknown = set(row) - known - set(_BOUNDS)
    if unknown:
        raise ValueError(f"{where}: {row['name']}: unknown key {', '.join(sorted(unknown))}")
    if row["source"] not in sources:
        raise ValueError(f"{where}: {row['name']}: no source is called {row['source']}")
    source = sources[row["source"]]
    if source["kind"] not in KINDS:
        raise ValueError(f"{where}: {row['source']}: kind {source['kind']} is none of {', '.join(KINDS)}")
    numbers = {bound: parse_si(row[bound]) for bound in _BOUNDS if bound in row}
    units = {number.unit for number in numbers.values()}
    if len(units) > 1:
        raise ValueError(f"{where}: {row['name']}: units differ: {', '.join(sorted(units))}")
    held = [bound for bound in _BOUNDS if bound in row and (bound != "typical" or "judged" not in row)]
    if "bench" in row and not held:
        raise ValueError(f"{where}: {row['name']}: has a bench and no number that it is held to")
    if row.get("judged", JUDGED[0]) not in JUDGED:
        raise ValueError(f"{where}: {row['name']}: judged is none of {', '.join(JUDGED)}")
    least, typical, most = (numbers[bound].value if bound in numbers else math.nan for bound in _BOUNDS)
    return Figure(
        name=row["name"], words=row["words"], condition=row["condition"],
        least=least, typical=typical, most=most, unit=units.pop() if units else "",
        source=source["title"], place=row["place"], kind=source["kind"],
        bench=row.get("bench", ""), at={key: _arguments(value) for key, value in row.get("at", {}).items()},
        judged=row.get("judged", JUDGED[0]), factor=float(row.get("factor", TYPICAL_FACTOR)),
        not_measured=row.get("not_measured", ""),
    )  # fmt: skip


def _rating(where: str, row: dict[str, Any], pins: list[str], sources: dict[str, Any]) -> Rating:
    """A row ``[[rating]]``: ``between`` two pins or ``current`` of one, with ``least``, ``most`` or both."""
    bounds = {bound: parse_si(row[bound]) for bound in ("least", "most") if bound in row}
    between, current = tuple(row.get("between", ())), row.get("current", "")
    unit = "A" if current else "V"
    named = [*between, *([current] if current else [])]
    if len(between) not in (0, 2) or bool(between) == bool(current) or not set(named) <= set(pins):
        raise ValueError(f"{where}: rating {row['name']}: names neither two pins nor the current of one")
    if not bounds or any(bound.unit != unit for bound in bounds.values()):
        raise ValueError(f"{where}: rating {row['name']}: has no least and no most in {unit}")
    if row["source"] not in sources:
        raise ValueError(f"{where}: rating {row['name']}: no source is called {row['source']}")
    source = sources[row["source"]]
    kind = "" if source["kind"] == "published" else f" ({source['kind']})"
    least, most = (bounds[bound].value if bound in bounds else math.nan for bound in ("least", "most"))
    return Rating(
        row["name"], row["words"], between, current, bool(row.get("averaged", False)), least, most, unit,
        f"{source['title']}: {row['place']}{kind}",
    )  # fmt: skip


def _arguments(value: Any) -> tuple[Argument, ...]:
    """Values of one argument of a bench; text that begins with a digit or a sign is a number and its unit."""
    values = value if isinstance(value, list) else [value]
    return tuple(
        parse_si(each).value if isinstance(each, str) and each[:1] in tuple("+-.0123456789") and each else
        each if isinstance(each, str) else float(each)
        for each in values
    )  # fmt: skip
