# SPDX-License-Identifier: GPL-3.0-or-later
"""A source that draws the ramp as a PULSE."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.intent.cores import SourceCore
from harness.predict.core import pulse_source
from harness.predict.cores.kind import CoreKind
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.ramp import Ramp

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]

RESET = Effect("reset time", law="the drawn source's fall and rests")


def source_at(drawn: Drawn, node: str | None) -> str | None:
    """The voltage source whose upper end is at a node."""
    wanted = (node or "").lower()
    for name, part in drawn.netlist.parts.items():
        if part.letter.lower() == "v" and part.nodes[0].lower() == wanted:
            return name
    return None


def _ramp(
    drawn: Drawn, known: Characteristics, on: frozenset[Effect], threshold: Array, high_below: bool
) -> Ramp | None:
    name = source_at(drawn, drawn.board.roles.ramp)
    pulse = drawn.pulse(name) if name else None
    return None if pulse is None else pulse_source(**pulse, instant_reset=RESET not in on)


KIND = CoreKind(SourceCore.kind, _ramp, (RESET,), frozenset({RESET}))
