# SPDX-License-Identifier: GPL-3.0-or-later
"""What a flattened netlist says of a circuit before it runs: what switches, what remembers, what drives it.

Most corners of a board differ in the values of a source or two, so what does not hang on these is kept from
corner to corner.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from harness.engine import guards, memory
from harness.engine.gaps import Watch, watch
from harness.engine.plan import altered, source_levels
from harness.engine.pulses import Drive, drive_of, jumping, pulse_corners, shortest_sine

_NUMBER = re.compile(r"^\s*\d+\s*:\s*")
_KEPT = 16  # circuits


@dataclass(frozen=True)
class Reading:
    """``columns``: vectors that the gaps of ``watch`` read, ``time`` first. ``sources``: node -> voltage (V)
    at the begin of a run. ``corners``: (instant, period) in s of the PULSE sources; ``sine``: shortest period
    (s) of a SIN. ``jumps``: a source rises or falls in no time. ``held``: nodes that a source
    holds, None where other parts may bring the ramp beyond."""

    watch: Watch
    columns: tuple[str, ...]
    holders: tuple[memory.Holder, ...]
    sources: dict[str, float]
    corners: list[tuple[float, float]]
    sine: float
    jumps: bool
    drive: Drive | None
    held: tuple[str, ...] | None


def read_circuit(listing: Sequence[str], alterations: Sequence[tuple[str, float]], ramp: str) -> Reading:
    """Reads a flattened listing (``listing expand``); ``alterations``: (part, value) set since it was
    loaded."""
    lines = tuple(line for line in bare_lines(listing) if line[:1] != "." or line.startswith(".model"))
    flat = altered(lines, alterations)
    driving = [line for line in flat if line[:1] in ("v", "i")]
    found, columns = _switches(lines)
    return Reading(
        watch=found,
        columns=columns,
        holders=_holders(tuple(_held_part(line) for line in flat if line[:1] in ("r", "c", "v"))),
        sources=source_levels(driving),
        corners=pulse_corners(driving),
        sine=shortest_sine(driving),
        jumps=jumping(driving),
        drive=drive_of(driving, ramp),
        held=_held(lines, ramp),
    )


def bare_lines(listing: Sequence[str]) -> list[str]:
    """Lines of a flattened listing in lower case, without their numbers."""
    return [_NUMBER.sub("", line).strip().lower() for line in listing]


def _held_part(line: str) -> str:
    """A part as memories see it: of a voltage source its nodes alone count."""
    words = line.split()
    return " ".join((*words[:3], "0")) if line[0] == "v" and len(words) > 3 else line


@lru_cache(_KEPT)
def _switches(lines: tuple[str, ...]) -> tuple[Watch, tuple[str, ...]]:
    columns = ["time"]

    def column(name: str) -> int:
        if name not in columns:
            columns.append(name)
        return columns.index(name)

    return watch(lines, column), tuple(columns)


@lru_cache(_KEPT)
def _holders(lines: tuple[str, ...]) -> tuple[memory.Holder, ...]:
    return memory.holders(lines)


@lru_cache(_KEPT)
def _held(lines: tuple[str, ...], ramp: str) -> tuple[str, ...] | None:
    return guards.held_nodes(lines, ramp)
