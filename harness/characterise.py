# SPDX-License-Identifier: GPL-3.0-or-later
"""Real-part values of a board's models: measured once, each model alone on a bench, and kept under what was
measured.

What a model does alone is a property of the model and of the conditions, never of the board's behaviour. The
store is keyed by the whole test circuit, model text included, so a changed model is measured anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from harness.predict.lookup import Table
from harness.units import engineering

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist

FORMAT = 2  # of the stored files, and of how figures are taken from the benches


@dataclass(frozen=True)
class Characteristics:
    """Real-part values by name. ``missing``: (name, why) of those that could not be had; they explain
    nothing."""

    tables: Mapping[str, Table] = field(default_factory=dict)
    missing: tuple[tuple[str, str], ...] = ()

    def has(self, name: str) -> bool:
        """Whether the value is known at every condition."""
        return name in self.tables and bool(np.isfinite(self.tables[name].figures).all())

    def table(self, name: str) -> Table:
        """The value over its conditions. Raises KeyError where it is unknown."""
        return self.tables[name]

    def summary(self) -> list[tuple[str, str, str]]:
        """(name, value text, origin) of every value, unknown ones included."""
        rows = []
        for name, table in self.tables.items():
            text = "unknown"
            if self.has(name):
                low, high = float(np.min(table.figures)), float(np.max(table.figures))
                text = engineering(low, table.unit)
                if high - low > 1e-3 * abs(high):
                    text += f" to {engineering(high, table.unit)}"
            rows.append((name, text, table.origin))
        return rows + [(name, "unknown", why) for name, why in self.missing]


@dataclass(frozen=True)
class Bench:
    """One set of values that are measured together.

    ``subject``: JSON-ready description of all that decides the result, model text included; ``measure()``
    gives tables by name; ``names``: of those tables.
    """

    title: str
    names: tuple[str, ...]
    subject: Mapping[str, Any]
    measure: Callable[[], dict[str, Table]]

    @property
    def key(self) -> str:
        """Hash of the subject."""
        text = json.dumps({"format": FORMAT, **self.subject}, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()


def characterise(board: Board, netlist: Netlist, store: Path, measure: bool) -> Characteristics:
    """The real-part values that the predictions of a board need.

    ``store``: folder of earlier measurements. With ``measure`` what is missing there is measured on this
    process's engine (and stored); without it, it stays unknown. A model that its bench cannot measure stays
    unknown, too. Raises EngineMissing where something has to be measured and there is no engine.
    """
    from harness.alone.benches import benches_of

    tables: dict[str, Table] = {}
    missing: list[tuple[str, str]] = []
    for bench in benches_of(board, netlist):
        path = store / f"{bench.title.replace(' ', '_')}-{bench.key[:16]}.json"
        found = _read(path)
        reason = "not measured yet"
        if found is None and measure:
            found, reason = _measured(bench)
            if found is not None:
                _write(path, found)
        if found is None:
            missing += [(name, reason) for name in bench.names]
        else:
            tables |= found
    return Characteristics(tables, tuple(missing))


def _measured(bench: Bench) -> tuple[dict[str, Table] | None, str]:
    from harness.engine.session import EngineError

    try:
        return bench.measure(), ""
    except EngineError as error:
        return None, f"{bench.title}: {error}"
    except (KeyError, ValueError, FloatingPointError, ZeroDivisionError) as error:
        return None, f"{bench.title}: no figure from this model ({error})"


def _read(path: Path) -> dict[str, Table] | None:
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        return {name: Table.from_json(entry) for name, entry in stored.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _write(path: Path, tables: Mapping[str, Table]) -> None:
    """Whole or not at all: another run may be reading."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump({name: table.to_json() for name, table in tables.items()}, stream)
        os.replace(temporary, path)
    except OSError:
        return  # a folder that cannot be written only costs time
