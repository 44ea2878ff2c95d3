# SPDX-License-Identifier: GPL-3.0-or-later
"""Which notation each file of a netlist is written in.

``native`` is the engine's own. ``commercial`` is the one that manufacturers' models are mostly written in:
``IF``, ``LIMIT``, ``TABLE``, ``PWR`` and ``**`` in expressions, switches with ``VON`` and ``VOFF``,
tolerances ``DEV`` and ``LOT``, ``OPTIONAL:`` pins. What ships with the package is native, always.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from harness.resources import netlists_folder

NATIVE, COMMERCIAL = "native", "commercial"
MODES = (NATIVE, COMMERCIAL)
HINT = f'; dialect = "{COMMERCIAL}" in [board] may read it'


@dataclass(frozen=True)
class Dialects:
    """``whole``: the notation of every file that ``files`` (by resolved path) does not name."""

    whole: str = NATIVE
    files: Mapping[Path, str] = field(default_factory=dict)

    def of(self, path: Path) -> str:
        """The notation of a file, given by its resolved path."""
        if path in self.files:
            return self.files[path]
        return NATIVE if path.is_relative_to(netlists_folder().resolve()) else self.whole
