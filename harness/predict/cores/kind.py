# SPDX-License-Identifier: GPL-3.0-or-later
"""What the prediction has to know of one kind of core."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.ramp import Ramp

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]


def _nothing(drawn: Drawn) -> dict[str, Array]:
    return {}


def _no_node(drawn: Drawn) -> dict[str, str]:
    return {}


@dataclass(frozen=True)
class CoreKind:
    """One kind of core.

    ``ramp(drawn, known, on, threshold, high_below)``: the settled cycle with the effects ``on`` in force,
    None where it cannot be known; ``threshold`` (V) tells which share of the sweep the slicing comparator's
    input spends on either side. ``effects``: all of this kind, in the order in which they are listed.
    ``reset``: those that make the ramp of ideal parts take the time for its reset that it is drawn with.
    ``solved(drawn)``: what the resistive network alone says of the ramp, figures by stem. ``nodes(drawn)``:
    stem -> the node whose voltage decides it.
    """

    name: str
    ramp: Callable[[Drawn, Characteristics, frozenset[Effect], Array, bool], Ramp | None]
    effects: tuple[Effect, ...]
    reset: frozenset[Effect]
    solved: Callable[[Drawn], Mapping[str, Array]] = field(default=_nothing)
    nodes: Callable[[Drawn], Mapping[str, str]] = field(default=_no_node)
