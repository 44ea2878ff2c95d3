# SPDX-License-Identifier: GPL-3.0-or-later
"""Which benches a board needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.alone.conditions import Conditions
from harness.alone.slicer_benches import slicer_benches
from harness.alone.subject import Bench, Refused

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist


def benches_of(board: Board, netlist: Netlist) -> list[Bench | Refused]:
    """The benches for the parts that the board file names. A part that is missing or not understood has
    none, but a reason."""
    conditions = Conditions(board, netlist)
    benches: list[Bench | Refused] = list(slicer_benches(conditions))
    if board.core is not None:
        from harness.alone.cores import BENCHES

        if board.core.kind in BENCHES:
            benches += BENCHES[board.core.kind](conditions)
    return benches
