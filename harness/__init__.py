# SPDX-License-Identifier: GPL-3.0-or-later
"""Checks a ramp core and its pulse comparator: what was intended, drawn and simulated, at every corner."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.board import load_board as load_board

__all__ = ["__version__", "load_board"]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Load the heavy parts only when they are asked for, so that ``--help`` is quick."""
    if name == "load_board":
        from harness.board import load_board

        return load_board
    raise AttributeError(f"module 'harness' has no attribute {name!r}")
