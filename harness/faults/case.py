# SPDX-License-Identifier: GPL-3.0-or-later
"""One sequence of a board: which sources rise when, what is held meanwhile, and how that is played at a
corner."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.board import Board
from harness.faults.fault import Fault
from harness.faults.feeds import GROUND, hot_end, hot_node
from harness.faults.plain import Story
from harness.fingerprints import sources_hash
from harness.measure.stress import Watch
from harness.netlist import Netlist
from harness.planning import settings_of
from harness.ratings import carried_away
from harness.sheets import models
from harness.simulate import Task

RISE = 1e-3  # s that a supply takes to come up; common practice, no source
PERIODS = 9  # in which a board usually finds its steady cycle
PATIENCE = 3.0  # times as long for one that does not
DRIVEN, PIN = "fault driven", "fault pin "
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
        late = (*late, *_pins(netlist, case.driven))
    deck = (*_lines_with(netlist, case.sources), *case.lines, *known.parameter_lines())
    more = [name for watch in late for name, _ in watch.through if name.startswith("@")]
    plan = replace(
        task.plan, deck=deck, alterations=tuple(known.alterations), period=period,
        ramp_level=math.nan, output_level=math.nan, saved=tuple(dict.fromkeys([*task.plan.saved, *more])),
    )  # fmt: skip
    return Story(
        task.corner, plan, task.probes, task.sink_currents, watches=watches, late=late, begin=case.begin,
        stop=case.stop, after=case.after, patience=PATIENCE, watched=case.watched, resting=bool(case.driven),
        version=sources_hash(VERSION),
    )  # fmt: skip


def _pins(netlist: Netlist, source: str) -> Iterator[Watch]:
    """The current into devices at each node that a source reaches through resistors, held nodes left out; the
    name of a watch says devices and node."""
    for node in reached(netlist, source):
        devices = {
            name: found.part.name
            for name, found in netlist.placed.items()
            if node in found.nodes and found.part.letter == "x" and found.part.model in models()
        }
        if devices:
            away = carried_away(netlist, node, *devices)
            into = tuple((name, -sign) for name, sign in away)
            yield Watch(f"{PIN}{' and '.join(devices.values())} at {node}", through=into)


def reached(netlist: Netlist, source: str) -> list[str]:
    """Nodes that a source's own leads to through resistors, without crossing a node that a source holds."""
    held = {node for part in netlist.parts.values() if part.letter == "v" for node in part.nodes[:2]}
    links = [found.nodes[:2] for found in netlist.flat.values() if found.part.letter == "r"]
    found: list[str] = []
    waiting = [hot_node(netlist.parts[source])]
    while waiting:
        node = waiting.pop()
        ends = {end for pair in links if node in pair for end in pair} - held - {GROUND, *found}
        found += sorted(ends)
        waiting += sorted(ends)
    return found


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
