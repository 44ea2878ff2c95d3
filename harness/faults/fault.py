# SPDX-License-Identifier: GPL-3.0-or-later
"""One fault of a board, and what became of the board with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from harness.netlist import Netlist

Change: TypeAlias = Callable[[Netlist], Netlist]

HARMLESS, WRONG_SOUND, OVERSTRESSED, NOT_SIMULATED = (
    "harmless",
    "wrong sound",
    "part overstressed",
    "not simulated",
)
#: from the worst to the mildest
SEVERITIES = (OVERSTRESSED, NOT_SIMULATED, WRONG_SOUND, HARMLESS)
#: columns of faults.csv; one ``supply_current_<rail>`` a rail follows them, and ``reason`` ends the row
COLUMNS = [
    "fault", "kind", "part", "corner", "state", "severity", "seen_at_bench", "seen",
    "stressed", "rating", "stress", "rated", "unit",
    "frequency", "duty", "low_level", "high_level", "ramp_low", "ramp_high", "threshold",
    "pullup_current", "sink_current", "hottest", "dissipation",
]  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One fault.

    ``name``: unique on the board, such as ``Rpull open``. ``kind``: of :data:`harness.faults.kinds.KINDS`.
    ``text``: a sentence for people. ``parts``: those that are at fault, as the designer spells them.
    ``change`` turns the board's netlist into the faulted one (:mod:`harness.faults.surgery`).
    ``unsimulated``: why there is nothing to simulate, where that is known beforehand. ``steers``: it is meant
    to change the sound, as what is plugged into a jack is: only a lost pulse or a limit left is wrong.
    """

    name: str
    kind: str
    text: str
    parts: tuple[str, ...]
    change: Change
    unsimulated: str = ""
    steers: bool = False


@dataclass(frozen=True)
class Stress:
    """A rating that a faulted board passes: ``value`` against ``limit`` in ``unit``; ``share``: how far, as a
    multiple of the limit."""

    part: str
    rating: str
    value: float
    limit: float
    unit: str
    share: float


@dataclass(frozen=True)
class Outcome:
    """What became of a board with a fault at one corner.

    ``state`` as in the glossary. ``severity``: one of :data:`SEVERITIES`. ``seen``: what a test at the bench
    would show, the plainest first; empty where nothing. ``stresses``: ratings passed, the farthest first.
    ``figures`` by quantity in SI units. ``reason``: why a board was not simulated, else what else to know.
    """

    fault: Fault
    corner: str
    state: str
    severity: str
    seen: tuple[str, ...] = ()
    stresses: tuple[Stress, ...] = ()
    figures: Mapping[str, float] = field(default_factory=dict)
    hottest: str = ""
    reason: str = ""
