# SPDX-License-Identifier: GPL-3.0-or-later
"""A core that starts from several states: its capacitor charged one way or another, its trip comparator's
output held at either level, while the supplies come up; then both are let go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from harness.board import Board
from harness.faults.case import PERIODS, RISE, Case, Rise, course, fault_of
from harness.faults.fault import Fault
from harness.faults.feeds import Feeds, held_levels, hot_node
from harness.faults.kinds import START
from harness.intent.cores import ChargedCore, IntegratorCore, SnappedCore
from harness.netlist import Netlist
from harness.pins import OPEN_COLLECTOR, named_pins, part_of
from harness.units import engineering

HELD = 2.0  # periods that a comparator's output is held after the supplies are up
AFTER = "after it is let go"
_HOLD = "ramp_harness_hold"
_CLOSED, _APART = 0.01, 1e12  # Ohm of what holds a node, closed and open (our choice, no source)
_SWITCHING = 1e-6  # of a period that it takes to let go
_Cored = ChargedCore | SnappedCore | IntegratorCore


def starts(
    board: Board,
    feeds: Feeds,
    netlist: Netlist,
    settings: Mapping[str, float],
    sources: Mapping[str, Rise | None],
    period: float,
) -> tuple[list[Case], list[str]]:
    """Every start of a core, and sentences on what was left out. ``sources``: how they rise, all at once;
    ``period`` (s): that of the board at rest."""
    core = board.core
    if not isinstance(core, _Cored):
        return [], ["no start from other states: [core] names no capacitor that is charged and emptied"]
    found = list(_charged(core, feeds, netlist, settings, sources, period))
    ends = _output_ends(board, core, netlist)
    if isinstance(ends, str):
        return found, [ends]
    output, nodes = ends
    release = RISE + HELD * period
    for word, node in nodes.items():
        text = f"the output of {core.comparator} is held {word} for {HELD:g} periods, then let go"
        fault = fault_of(f"{core.comparator} held {word}", START, text, (core.comparator,))
        found.append(_case(fault, sources, release, period, _holding(output, node, release, period)))
    return found, []


def _charged(
    core: _Cored,
    feeds: Feeds,
    netlist: Netlist,
    settings: Mapping[str, float],
    sources: Mapping[str, Rise | None],
    period: float,
) -> Iterator[Case]:
    """The ramp's capacitor discharged, charged to the supplies, and half-way."""
    levels = held_levels(netlist, settings)
    rails = [levels.get(hot_node(netlist.parts[source]), 0.0) for source in feeds.supplies.values()]
    top, bottom = max([0.0, *rails]), min([0.0, *rails])
    moving, fixed = _ends(netlist.find(core.capacitor).nodes, levels)
    foot = levels.get(fixed, 0.0)
    states = {"discharged": 0.0}
    states |= {f"charged to {engineering(end, 'V')}": end - foot for end in (top, bottom) if end != foot}
    farthest = max(states.values(), key=abs)
    states["half charged"] = 0.5 * farthest
    release = 2.0 * RISE
    for words, across in states.items():
        text = f"{core.capacitor} is {words} while the supplies come up, then let go"
        fault = fault_of(f"{core.capacitor} {words}", START, text, (core.capacitor,))
        level = f"{_HOLD}_level"
        lines = [f"v{level} {level} {fixed} {course(0.0, across)}", *_holding(moving, level, release, period)]
        yield _case(fault, sources, release, period, lines)


def _case(
    fault: Fault, sources: Mapping[str, Rise | None], release: float, period: float, lines: Sequence[str]
) -> Case:
    stop = release + PERIODS * period
    return Case(
        fault, sources, release, stop, AFTER, tuple(lines), watched=release + 2.0 * _SWITCHING * period
    )


def _holding(node: str, held_at: str, release: float, period: float) -> list[str]:
    """Lines that hold a node at another one until an instant (s)."""
    edge = _SWITCHING * period
    return [
        f"v{_HOLD} {_HOLD} 0 PULSE(1 0 {release!r} {edge!r} {edge!r} 1e6 2e6)",
        f"s{_HOLD} {node} {held_at} {_HOLD} 0 {_HOLD}",
        f".model {_HOLD} SW(vt=0.5 vh=0 ron={_CLOSED!r} roff={_APART!r})",
    ]


def _ends(nodes: Sequence[str], levels: Mapping[str, float]) -> tuple[str, str]:
    """The end of a capacitor that moves, and the other one, which is at a rail or a virtual ground."""
    first, second = nodes[:2]
    return (second, first) if first in levels and second not in levels else (first, second)


def _output_ends(board: Board, core: _Cored, netlist: Netlist) -> tuple[str, dict[str, str]] | str:
    """Node of the trip comparator's output, and the nodes at which it is low and high; a sentence where they
    cannot be told."""
    part = part_of(netlist, core.comparator)
    pins = named_pins(netlist, part) if part is not None else {}
    low = pins.get("emitter") or pins.get("negative")
    if "output" not in pins or low is None:
        return f"{core.comparator} is not held at either level: its pins cannot be told from its header"
    high = pins.get("supply")
    pullup = part_of(netlist, core.gate_pullup)
    if pullup is not None and pins["output"] in pullup.nodes[:2]:
        high = next(node for node in pullup.nodes[:2] if node != pins["output"])
    elif _only_sinks(board, core, netlist):
        return f"{core.comparator} is not held at either level: [core] names no gate_pullup"
    if high is None or "." in high + low + pins["output"]:
        return f"{core.comparator} is not held at either level: it lies inside a subcircuit"
    return pins["output"], {"low": low, "high": high}


def _only_sinks(board: Board, core: _Cored, netlist: Netlist) -> bool:
    """Whether the trip comparator is an open collector: by the class of the board's own comparator where the
    model is the same, else by the model's name."""
    part, slicer = part_of(netlist, core.comparator), part_of(netlist, board.roles.comparator)
    if part is None:
        return False
    if slicer is not None and slicer.model == part.model and board.roles.comparator_class:
        return board.roles.comparator_class in OPEN_COLLECTOR
    return part.model.endswith(OPEN_COLLECTOR)
