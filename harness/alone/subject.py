# SPDX-License-Identifier: GPL-3.0-or-later
"""What a bench measures, on what, and the key under which that is kept."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import PartAlone, element_line

Array = NDArray[np.float64]
PACKAGE = Path(__file__).resolve().parent.parent
ROOMS = ("alone", "engine", "predict")  # whose sources have a say in a figure that was measured alone


@dataclass(frozen=True)
class Value:
    """A real-part value: ``unit``; ``origin``, for the reader; ``axes``: name -> rising knots of its
    table."""

    name: str
    unit: str
    origin: str
    axes: Mapping[str, Array]


@dataclass(frozen=True)
class Refused:
    """A bench that cannot be built: its values stay unknown, with the reason."""

    title: str
    names: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Bench:
    """Values that are measured together.

    ``subject``: all that decides the result (see :func:`plain`), model text included; ``measure()`` gives
    figures by name, each of the shape of its value's axes.
    """

    title: str
    values: tuple[Value, ...]
    subject: Mapping[str, Any]
    measure: Callable[[], Mapping[str, Array]]

    @property
    def names(self) -> tuple[str, ...]:
        """Of the values."""
        return tuple(value.name for value in self.values)

    @cached_property
    def text(self) -> str:
        """The subject and the sources that measure it, as one line of JSON."""
        described = {"subject": plain(self.subject), "sources": sources_hash(PACKAGE)}
        return json.dumps(described, sort_keys=True)

    @property
    def key(self) -> str:
        """Hash of that text."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def plain(value: Any) -> Any:
    """A subject ready for JSON: dataclasses by their fields, so that none can be forgotten; a part by its
    line and what its model needs, so that neither the file nor the line it came from counts."""
    if isinstance(value, PartAlone):
        return {"line": element_line(value.part, "dut", str.lower), "support": list(value.support)}
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [plain(entry) for entry in value]
    return value


@cache
def sources_hash(package: Path) -> str:
    """Hash of the modules that take and judge figures of models alone."""
    digest = hashlib.sha256()
    for path in sorted(path for room in ROOMS for path in (package / room).rglob("*.py")):
        digest.update(f"{path.relative_to(package).as_posix()}\0".encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()
