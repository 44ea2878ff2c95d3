# SPDX-License-Identifier: GPL-3.0-or-later
"""Which decades are run for a corner, and when two of them are enough.

A board without switches has smooth edges: where a cheap accuracy is asked for, runs half a decade apart tell
enough, and what its smallest capacitors hold may be known more coarsely. One with switches first settles in
a run that does not count: steps on the way in differ from those of a closed cycle, so that its figures may
agree with the next run's by chance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from harness.engine import bars

SETTLING = 0.5  # decade of the first run of a board that switches; it finds the cycle and is not counted
SMOOTH = 0.5  # first decade of a board without switches at a cheap accuracy; the second where a source makes
# the ramp, since a run of such a board has few edges on its way in
FINEST = 6
CHEAP = 1e-4  # an accuracy that two decades may be enough for
ALIKE_SWITCHING = 0.2  # of the accuracy asked for: so near two decades must lie to be the last
ALIKE_TO_AND_FRO = 0.05  # the same where figures do not move in one direction from run to run
ALIKE_SMOOTH = 0.5  # the same where nothing switched
ALIKE_COARSE = 0.03  # the same where nothing switched and the finer run is coarser than decade 1
CHARGES = (1e-14, 1e-12, 1e-11)  # C, the engine's charge tolerance, from rung to rung
COARSE_CHARGES = (1e-13, 1e-12, 1e-11)  # the same for cheap figures of smooth boards

Figures = Mapping[str, float]


class Schedule:
    """The decades of one corner. ``settling``: the run that is on does not count; ``charges``: rungs of the
    charge tolerance (C), the usual one first."""

    def __init__(self, accuracy: float) -> None:
        """``accuracy``: share of the period that the duty bar should reach."""
        self.accuracy = accuracy
        self.settling = self._quick = False
        self.charges: Sequence[float] = CHARGES
        self._before: Figures | None = None  # of a run that does not count

    def first(self, switches: bool, driven: bool) -> float:
        """The decade to begin with. ``driven``: a source makes the ramp."""
        self.settling = switches
        self._quick = not switches and self.accuracy >= CHEAP
        self.charges = COARSE_CHARGES if self._quick else CHARGES
        if switches:
            return SETTLING
        return SMOOTH if self._quick and not driven else 0

    def settled(self, figures: Figures) -> float:
        """The decade after the run that settled, which gave these figures."""
        self._before, self.settling = figures, False
        return 1

    def finer(self, decade: float) -> float:
        """The decade after this one."""
        return SMOOTH if self._quick and decade < SMOOTH else math.floor(decade) + 1

    def start_anew(self, tables: Sequence[Figures]) -> bool:
        """True where the first of two runs, a start from rest, is too far off to tell how runs converge."""
        far = len(tables) == 2 and self._before is None and bars.apart(*tables) > CHEAP
        if far:
            self._before = tables[0]
        return far

    def may_judge(self, tables: Sequence[Figures], decade: float) -> bool:
        """True where the decades counted, up to this one, may be enough: three, or two where what is asked
        for is far above their difference.

        Two runs may agree by luck, three hardly, so the one before them is asked too: where switches settled
        it has to lie as near, and where figures go to and fro between the three, errors of several orders
        cancel, and only a small difference counts.
        """
        if len(tables) != 2 or self.accuracy < CHEAP:
            return len(tables) > 2
        apart = bars.apart(*tables)
        smooth = ALIKE_SMOOTH if decade >= 1 else ALIKE_COARSE
        alike = smooth if self._quick else ALIKE_SWITCHING
        if self._before is not None:
            if not self._quick:
                apart = max(bars.apart(self._before, tables[0]), apart)
            if not bars.one_way(self._before, *tables):
                alike = ALIKE_TO_AND_FRO
        return apart <= alike * self.accuracy
