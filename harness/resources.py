# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the files that ship with the package lie, in a checkout and in an installed wheel alike."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def _folder(name: str) -> Path:
    shipped = _PACKAGE / "_data" / name
    return shipped if shipped.is_dir() else _PACKAGE.parent / name


def netlists_folder() -> Path:
    """Device models and demo boards; the root of ``.include "parts/..."``."""
    return _folder("netlists")


def shared_folder() -> Path:
    """Published check values and device sheets."""
    return _folder("shared")
