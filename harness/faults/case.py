# SPDX-License-Identifier: GPL-3.0-or-later
"""One sequence of a board: which sources rise when, what is held meanwhile, and how that is played at a
corner."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from harness.board import Board
from harness.faults.fault import Fault
from harness.faults.feeds import hot_end
from harness.faults.plain import Story
from harness.fingerprints import sources_hash
from harness.measure.stress import Watch
from harness.netlist import Netlist
from harness.planning import settings_of
from harness.simulate import Task

RISE = 1e-3  # s that a supply takes to come up; common practice, no source
PERIODS = 9  # in which a board usually finds its steady cycle
PATIENCE = 3.0  # times as long for one that does not
DRIVEN = "fault driven"
OWN = "fault "  # how the names of watches begin that are no ratings
VERSION = ("faults/plain.py", "faults/case.py")

Rise = tuple[float, float]


@dataclass(frozen=True)
class Case:
    """One sequence and the fault that it stands for. It begins with every node at 0 V.

    ``sources``, by their names in lower case: begin of the rise (s) and level (V or A), or None where a
    source stays at 0; one that is not named is as drawn. ``lines``: more lines of the circuit. ``begin``:
    the instant (s) from which on the board is on its own, ``after`` in words. ``stop``: end of the run (s).
    ``watched``: from where on stresses count (s). ``driven``: the source whose current is told; such a board
    is not meant to run.
    """

    fault: Fault
    sources: Mapping[str, Rise | None]
    begin: float
    stop: float
    after: str = ""
    lines: tuple[str, ...] = ()
    watched: float = 0.0
    driven: str = ""


def fault_of(name: str, kind: str, text: str, parts: Sequence[str] = ()) -> Fault:
    """The fault that a sequence stands for: the drawing itself stays as it is."""
    return Fault(name, kind, text, tuple(parts), lambda netlist: netlist)


def rising(
    netlist: Netlist, settings: Mapping[str, float], times: Mapping[str, float]
) -> dict[str, Rise | None]:
    """Sources that rise to their level under some settings, each from its time (s) on."""
    return {source: (at, netlist.value(source, settings)) for source, at in times.items()}


def story(
    case: Case, board: Board, netlist: Netlist, row: Mapping[str, float], task: Task, period: float
) -> Story:
    """How a case is played at a corner. ``task``: how the board without a fault is simulated there, with
    what is to be watched; ``period`` (s): that of its cycle."""
    settings = settings_of(board, row)
    known = netlist.set_values({n: value for n, value in settings.items() if n.lower() not in case.sources})
    late = tuple(watch for watch in task.watches if watch.name.startswith(OWN))
    watches = tuple(watch for watch in task.watches if watch not in late)
    if case.driven:
        sign = -1.0 if hot_end(netlist.parts[case.driven]) == 0 else 1.0
        late = (*late, Watch(DRIVEN, through=((f"{case.driven}#branch", sign),)))
    deck = (*_lines_with(netlist, case.sources), *case.lines, *known.parameter_lines())
    plan = replace(
        task.plan, deck=deck, alterations=tuple(known.alterations), period=period,
        ramp_level=math.nan, output_level=math.nan,
    )  # fmt: skip
    return Story(
        task.corner, plan, task.probes, task.sink_currents, watches=watches, late=late, begin=case.begin,
        stop=case.stop, after=case.after, patience=PATIENCE, watched=case.watched, resting=bool(case.driven),
        version=sources_hash(VERSION),
    )  # fmt: skip


def _lines_with(netlist: Netlist, sources: Mapping[str, Rise | None]) -> list[str]:
    """The netlist's lines for the engine with other courses of sources."""
    instead = {}
    for name, rise in sources.items():
        part = netlist.parts[name]
        place = part.line.path, part.line.number, part.line.keyword
        instead[place] = (
            f"{part.name} {part.nodes[0]} {part.nodes[1]} {'0' if rise is None else course(*rise)}"
        )
    return [instead.get((line.path, line.number, line.keyword), line.text) for line in netlist.deck()]


def course(begin: float, level: float) -> str:
    """A source that rises from 0 to a level at an instant, within :data:`RISE`."""
    waits = f" {begin!r} 0" if begin > 0.0 else ""
    return f"PWL(0 0{waits} {begin + RISE!r} {level!r})"
