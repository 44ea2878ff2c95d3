# SPDX-License-Identifier: GPL-3.0-or-later
"""Published figures of the devices that models stand for, each with its condition and its source.

They lie as data in ``shared/devices/<model>.toml``. A figure that is cited from memory says so in its kind.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from typing import Any

from harness.resources import netlists_folder, shared_folder
from harness.units import parse_si

KINDS = ("published", "common practice", "from memory")
_BOUNDS = ("least", "typical", "most")


@dataclass(frozen=True)
class Figure:
    """One row of a sheet: ``least``, ``typical`` and ``most`` in SI units of ``unit``.

    NaN where nothing is printed. A row without numbers states a behaviour in ``words``.
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

    def allows(self, value: float) -> bool:
        """True where ``value`` breaks no printed limit; a typical figure is no limit."""
        return not (value < self.least or value > self.most or math.isnan(value))


@dataclass(frozen=True)
class Sheet:
    """What is published about the device that a model stands for; ``file`` lies below ``netlists/``."""

    model: str
    title: str
    file: str
    kind: str
    pins: tuple[str, ...]
    figures: dict[str, Figure]

    def model_lines(self) -> list[str]:
        """The model's netlist lines, comments left out."""
        text = (netlists_folder() / self.file).read_text(encoding="utf-8")
        return [line for line in text.splitlines() if line.strip() and not line.startswith("*")]


def models() -> list[str]:
    """The models that have a sheet."""
    return sorted(path.stem for path in (shared_folder() / "devices").glob("*.toml"))


def read_sheet(model: str) -> Sheet:
    """The sheet of a model. Raises FileNotFoundError where there is none, ValueError if it is malformed."""
    path = shared_folder() / "devices" / f"{model}.toml"
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    device, sources = data["device"], data["sources"]
    figures: dict[str, Figure] = {}
    for row in data["figure"]:
        if row["name"] in figures:
            raise ValueError(f"{path.name}: two figures are called {row['name']}")
        figures[row["name"]] = _figure(path.name, row, sources)
    return Sheet(
        device["model"], device["title"], device["file"], device["kind"], tuple(device["pins"]), figures
    )  # fmt: skip


def _figure(where: str, row: dict[str, Any], sources: dict[str, Any]) -> Figure:
    unknown = set(row) - {"name", "words", "condition", "source", "place", *_BOUNDS}
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
    least, typical, most = (numbers[bound].value if bound in numbers else math.nan for bound in _BOUNDS)
    return Figure(
        name=row["name"], words=row["words"], condition=row["condition"],
        least=least, typical=typical, most=most, unit=units.pop() if units else "",
        source=source["title"], place=row["place"], kind=source["kind"],
    )  # fmt: skip
