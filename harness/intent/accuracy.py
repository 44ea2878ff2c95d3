# SPDX-License-Identifier: GPL-3.0-or-later
"""The accuracy that may be asked for, wherever it is asked: board file, command line or Python."""

from __future__ import annotations

FINEST, COARSEST = 1e-7, 1e-2  # share of the period: finer is below the engine's noise, coarser says nothing


def sound_accuracy(value: float) -> float:
    """``value``, a share of the period. Raises ValueError with a sentence where it is out of range."""
    if not FINEST <= value <= COARSEST:
        raise ValueError(f"expected a share of the period from {FINEST:g} to {COARSEST:g}, got {value:g}")
    return value
