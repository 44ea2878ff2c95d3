# SPDX-License-Identifier: GPL-3.0-or-later
"""What happens before a board runs: supplies that come up one after the other, odd first states, an input
that is driven while nothing is on.

Each is one plain run from power-off on (:mod:`harness.faults.plain`). What the netlist does not tell is taken
for granted in words: supplies rise in a millisecond; what is neither a supply nor a jack (references, current
sources) and what is plugged in rise with the last supply.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from harness.board import Board
from harness.faults.case import PERIODS, RISE, Case, Rise, fault_of, rising
from harness.faults.feeds import Feeds, feeds_of, hot_end, hot_node
from harness.faults.kinds import ORDER, UNPOWERED
from harness.faults.starts import starts
from harness.netlist import Netlist
from harness.planning import settings_of
from harness.report.rounding import listed
from harness.units import engineering

APART = 4e-3  # s at least between one supply's rise and the next; common practice, no source
RESTING = 4.0  # periods that a board without supplies is looked at
AFTER = "after the last supply is up"


def cases(
    board: Board, netlist: Netlist, row: Mapping[str, float], period: float
) -> tuple[list[Case], list[str]]:
    """Every sequence of a board at one corner (axis values), and what was taken for granted. ``period`` (s):
    that of the board without a fault."""
    feeds, settings = feeds_of(board, netlist), settings_of(board, row)
    if not feeds.supplies:
        return [], ["no sequences: no supply is named in [roles]"]
    moving = listed([netlist.parts[name].name for name in feeds.moving]) if feeds.moving else ""
    assumed = [
        _rises(len(feeds.supplies)),
        "figures after a start come from plain steps and are believed to half a per cent; what parts bear"
        " before the board is at rest has no error bar",
        *([f"{moving} moves all the while: it is a function of time"] if moving else []),
    ]
    together = rising(netlist, settings, dict.fromkeys((*feeds.supplies.values(), *_rest(feeds)), 0.0))
    started, left_out = starts(board, feeds, netlist, settings, together, period)
    orders = _orders(feeds, netlist, settings, period)
    return [*_unpowered(board, feeds, netlist, period), *orders, *started], [*assumed, *left_out]


def _rises(supplies: int) -> str:
    """How supplies come up, in words."""
    rest = "references, current sources and what is plugged in rise with"
    if supplies == 1:
        return f"the supply rises in {engineering(RISE, 's')}; {rest} it"
    apart = f"one at least {engineering(APART, 's')} after the other"
    return f"supplies rise in {engineering(RISE, 's')}, {apart}; {rest} the last"


def _rest(feeds: Feeds) -> tuple[str, ...]:
    return (*feeds.jacks.values(), *feeds.others, *feeds.currents)


def _orders(feeds: Feeds, netlist: Netlist, settings: Mapping[str, float], period: float) -> Iterator[Case]:
    """Supplies that rise together, and each of them before and after all others."""
    rails = list(feeds.supplies)
    later = RISE + max(APART, period)
    orders: dict[str, tuple[float, ...]] = {}
    if len(rails) == 1:
        orders[f"{rails[0]} comes up"] = (0.0,)
    else:
        orders["supplies come up together"] = (0.0,) * len(rails)
    if len(rails) == 2:
        orders[f"{rails[0]} before {rails[1]}"] = (0.0, later)
        orders[f"{rails[1]} before {rails[0]}"] = (later, 0.0)
    elif len(rails) > 2:
        for rail in rails:
            orders[f"{rail} before the others"] = tuple(0.0 if each == rail else later for each in rails)
            orders[f"{rail} after the others"] = tuple(later if each == rail else 0.0 for each in rails)
    parts = tuple(netlist.parts[source].name for source in feeds.supplies.values())
    for name, times in orders.items():
        last = max(times)
        at = dict(zip(feeds.supplies.values(), times, strict=True)) | dict.fromkeys(_rest(feeds), last)
        shown = listed(
            [f"{rail} at {engineering(time, 's')}" for rail, time in zip(rails, times, strict=True)]
        )
        fault = fault_of(name, ORDER, f"from nothing on: {shown}", parts)
        stop = last + RISE + PERIODS * period
        yield Case(fault, rising(netlist, settings, at), last + RISE, stop, AFTER)


def _unpowered(board: Board, feeds: Feeds, netlist: Netlist, period: float) -> Iterator[Case]:
    """Each jack driven to the ends of its axis while every other source is at 0."""
    for axis, source in feeds.jacks.items():
        values, part = board.axes[axis].values, netlist.parts[source]
        for level in dict.fromkeys((max(values), min(values))):
            if level < max(values) and level >= 0.0:
                continue
            shown = engineering(level, "V")
            text = f"{part.name} drives {hot_node(part)} to {shown} while no supply is on"
            every = (*feeds.supplies.values(), *_rest(feeds), *feeds.moving)
            sources: dict[str, Rise | None] = dict.fromkeys(every)
            sources[source] = (0.0, level if hot_end(part) == 0 else -level)
            fault = fault_of(f"{axis} at {shown} while off", UNPOWERED, text, (part.name,))
            yield Case(fault, sources, RISE, RISE + max(RESTING * period, RISE), driven=source)
