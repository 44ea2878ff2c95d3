# SPDX-License-Identifier: GPL-3.0-or-later
"""A steered run whose points are taken in ``steer.c``; Python is asked about cycles and about trouble."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.engine.steering import Library
from harness.engine.stepper import GIVE_UP, LEAST_GROWTH, Guide, Stepper


class CompiledStepper(Stepper):
    """The compiled twin of ``PythonStepper``; ``state`` is what ``steer.c`` works on."""

    def __init__(self, guide: Guide, library: Library) -> None:
        """Raises ValueError where a gap is too deeply nested for the stack machine."""
        super().__init__(guide)
        self._library = library
        self._kept: dict[str, NDArray[Any]] = {}  # arrays that the state points to
        self.state = library.ffi.new("stepper *")
        state, limits, period, count = self.state, guide.limits, guide.period, len(self.gaps)
        codes, constants = library.assemble(gap.value for gap in self.gaps)
        state.gaps, state.hard, state.columns = count, self.hard, len(guide.columns)
        state.code, state.constants = self._keep("code", codes), self._keep("constants", constants)
        state.direction = self._keep("direction", np.array([gap.direction for gap in self.gaps], np.int32))
        state.fine, state.longest, state.growth = limits.fine, limits.longest, limits.growth
        state.least_growth, state.late = LEAST_GROWTH * period, GIVE_UP * period
        state.x = self._keep("x", np.zeros(len(guide.columns)))
        state.gap, state.old, state.older = (
            self._keep(name, np.zeros(count)) for name in ("gap", "old", "older")
        )
        state.floors = self._keep("floors", np.array(self.first_floors))
        state.stalls = self._keep("stalls", np.zeros(count, np.int32))
        state.event, state.near_time = -math.inf, math.nan

    def _keep(self, name: str, array: NDArray[Any]) -> Any:
        self._kept[name] = array
        return self._library.ffi.from_buffer("int[]" if array.dtype == np.int32 else "double[]", array)

    @property
    def points(self) -> int:
        """Accepted points so far."""
        return int(self.state.points)

    @property
    def events(self) -> int:
        """Switchings so far."""
        return int(self.state.events)

    def answer(self, data: Any, question: int) -> bool:
        """What ``steer.c`` asks at a point; True ends the run."""
        state, asked = self.state, self._library.lib
        if question == asked.FIRST_POINT:
            watched, nodes = self.find_columns(data)
            state.column = self._keep("column", np.array(watched, np.int32))
            state.node = self._keep("node", np.array(nodes, np.int32))
            state.near = self._keep("near", np.zeros(len(nodes)))
            state.nodes = len(nodes)
        elif question == asked.MARKER:
            near = self._kept["near"].copy() if state.near_known else None
            now = np.array([data.vecsa[i].creal for i in self._kept["node"]])
            old, new = state.old[self.hard], state.gap[self.hard]
            self.mark(state.before, state.now, old, new, near, now)
        elif question == asked.NO_VALUE:
            self.no_value(self.gaps[state.bad])
        elif question == asked.LATE:
            self.end_late()
        elif question == asked.CLOCK and time.monotonic() > self.until:
            self.end_slow()
        return bool(self.finished)
