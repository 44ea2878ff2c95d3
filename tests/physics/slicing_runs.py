# SPDX-License-Identifier: GPL-3.0-or-later
"""A comparator that slices a saw for many periods: no abort, and one pulse a period."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from harness.engine.session import Session

PERIODS = 20
SETTINGS = "method=gear reltol=1e-4 trtol=1"


def pulses_of_a_sliced_saw(
    engine: Session,
    lines: Sequence[str],
    low: float,
    high: float,
    level: float,
    period: float,
    temperature: float,
) -> int:
    """Rising crossings of ``level`` (V) at node out in 20 periods (s) of a saw at node m, threshold at p.

    Raises EngineError where the run does not come to its end.
    """
    saw = f"vsaw saw 0 pulse({low!r} {high!r} 0 {0.99 * period!r} {0.002 * period!r} 0 {period!r})"
    around = [saw, "rsaw saw m 10k", "csaw m 0 1p", f"vthreshold p 0 {(low + high) / 2!r}", "cout out 0 100p"]
    engine.load([*lines, *around, f".options {SETTINGS} temp={temperature!r}"])
    wave = engine.transient(period / 200, PERIODS * period, period / 200, initial=False)
    assert wave["time"][-1] > (PERIODS - 0.01) * period
    above = wave["out"] > level
    return int(np.count_nonzero(above[1:] & ~above[:-1]))
