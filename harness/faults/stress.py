# SPDX-License-Identifier: GPL-3.0-or-later
"""What parts of a faulted board have to bear: ratings passed, outputs joined to a supply, resistors that get
hot."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from harness.faults.fault import Stress
from harness.faults.feeds import held_levels
from harness.intent.ratings import SINK_CURRENT
from harness.measure.stress import GROUND, Watch
from harness.pins import part_of
from harness.ratings import BREACHED, NO_FIGURE, Rated, rated_parts
from harness.sheets import models, read_sheet
from harness.units import engineering

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist
    from harness.sheets import Sheet

Extremes = Mapping[str, Sequence[float]]

#: times the span of all voltage sources: one capacitor on top of a supply doubles it, no more (common
#: practice, no source)
BEYOND = 2.0

OUTPUT, PULLUP, SINK = "fault output", "fault pullup", "fault sink"
SUPPLY, POWER = "fault supply ", "fault power "
#: a rating that the board passes anyway counts only where the fault adds a hundredth (our choice, no source)
WORSE = 1.01
#: V: how far beyond a bound of 0 V nothing happens yet. A pin at a rail that hangs on the 10 mOhm of a
#: bridge, or on a capacitor while supplies come up, lies beyond it by millivolts, which open no junction
#: (common practice, no source)
AT_NOTHING = 0.1
#: the row of a sheet that is there where a document warns of an output that is joined to a supply, the row
#: that says how much the output is sure to take in, and at which level
SHORT, PROMISED, LEVEL = "short_to_supply", "sink_current", "level"
SHORT_WORDS = "sink current, output held up"
IDEAL = "an ideal current source drives it there, and a real one would stop at its supply"
WARMER = 1e-3  # W: resistors whose dissipation rises by less are not named (our choice, no source)


def watches(board: Board, netlist: Netlist, sinks: tuple[tuple[str, float], ...]) -> Iterator[Watch]:
    """What is watched beside ratings: the output, what feeds it, the supplies' currents, the power in each
    resistor."""
    yield Watch(OUTPUT, across=(board.roles.output.lower(), GROUND))
    yield Watch(SINK, through=sinks)
    if through := pullup_currents(board, netlist):
        yield Watch(PULLUP, through=through)
    for rail, source in board.roles.supplies.items():
        yield Watch(SUPPLY + rail, through=((f"{source.lower()}#branch", -1.0),))
    for name, found in netlist.flat.items():
        if found.part.letter == "r":
            current = f"@{netlist.engine_name(name)}[i]"
            yield Watch(POWER + name, across=(found.nodes[0], found.nodes[1]), through=((current, 1.0),))


def pullup_currents(board: Board, netlist: Netlist) -> tuple[tuple[str, float], ...]:
    """The saved currents from the pull-up's supply to the output: of the pull-up, and of what bridges it."""
    pullup = part_of(netlist, board.roles.pullup)
    if pullup is None:
        return ()
    ends = tuple(node.lower() for node in pullup.nodes[:2])
    upper, lower = ends if ends[1] == board.roles.output.lower() else ends[::-1]
    signs = {(upper, lower): 1.0, (lower, upper): -1.0}
    return tuple(
        (f"@{netlist.engine_name(name)}[i]", signs[found.nodes[0], found.nodes[1]])
        for name, found in netlist.flat.items()
        if found.part.letter == "r" and found.nodes[:2] in signs
    )


def passed(
    board: Board, netlist: Netlist, good: Extremes, faulted: Extremes
) -> tuple[list[Stress], list[str]]:
    """Ratings that a faulted board passes and the one without a fault does not, or not so far, the farthest
    first; and sentences on what was not taken for true. ``netlist`` is the faulted one; extremes by the name
    of the watch."""
    most = reach(netlist)
    notes: list[str] = []
    found: list[Stress] = []
    rated = [*rated_parts(board, netlist), *_sinking(board, netlist)]
    for one in rated:
        value, word = one.verdict(faulted.get(one.watch.name))
        if word == NO_FIGURE and one.verdict(good.get(one.watch.name))[1] != NO_FIGURE:
            notes.append(f"{one.part} {one.words} has no figure and is not judged")
        if word != BREACHED:
            continue
        if one.unit == "V" and abs(value) > most:
            notes.append(f"{one.part} {one.words} {engineering(value, 'V', 3)} is not judged: {IDEAL}")
            continue
        share, bound = beyond(one, value)
        if bound == 0.0 and one.unit == "V" and abs(value) <= AT_NOTHING:
            continue
        before = beyond(one, one.verdict(good.get(one.watch.name))[0])[0]
        if not share <= WORSE * max(before, 1 / WORSE):
            found.append(Stress(one.part, one.words, value, bound, one.unit, share))
    breached = {stress.part for stress in found}
    found += [
        stress for stress in _joined_outputs(board, netlist, rated, faulted) if stress.part not in breached
    ]
    return sorted(found, key=lambda each: -each.share), notes


def reach(netlist: Netlist) -> float:
    """The voltage (V) beyond which only an ideal current source can have driven a node: a real one stops
    where its own supply ends. Infinite without one, or where an inductor may have done it."""
    letters = {found.part.letter for found in netlist.flat.values()}
    if "i" not in letters or "l" in letters:
        return math.inf
    levels = held_levels(netlist, {}).values()
    return BEYOND * (max(levels) - min(levels))


def beyond(one: Rated, value: float) -> tuple[float, float]:
    """A figure as a multiple of the bound that it passes, and that bound; 0 for no figure. What lies beyond a
    bound of 0 is measured by the other bound, or by 1 where there is none."""
    bound = one.least if math.isnan(one.most) or value < one.least else one.most
    if math.isnan(value):
        return 0.0, bound
    if bound:
        return value / bound, bound
    other = one.most if bound == one.least else one.least
    scale = abs(other) if other and not math.isnan(other) else 1.0
    return 1.0 + (bound - value if bound == one.least else value - bound) / scale, bound


def _sinking(board: Board, netlist: Netlist) -> Iterator[Rated]:
    """The output current of the board's own comparator by its class, where its model has no sheet and its
    pins have no names: what the resistors at its output bring."""
    name = (board.roles.comparator or "").lower()
    if not name or any(one.watch.name == f"{name} output_current" for one in rated_parts(board, netlist)):
        return
    sheet = _sheet(board, netlist, name)
    for rating in sheet.ratings if sheet is not None else ():
        if rating.name == "output_current":
            stated = board.ratings.get(SINK_CURRENT)
            most = stated.value if stated is not None else rating.most
            watch = Watch(SINK, through=(("", 1.0),), averaged=rating.averaged)
            label = board.roles.comparator or name
            yield Rated(label, rating.words, watch, rating.least, most, rating.unit, rating.source)


def _joined_outputs(
    board: Board, netlist: Netlist, rated: Sequence[Rated], faulted: Extremes
) -> Iterator[Stress]:
    """Comparator outputs that take in more than their sheet is sure of and do not come down with it.

    ST, LM193/293/393, Doc ID 2164 rev 14, table 1, note 1: a short circuit from the output to the positive
    supply can destroy the part. No absolute maximum in numbers goes with it; beyond the current that is sure
    to be taken in at 1.5 V the output is no longer a switch.
    """
    for one in rated:
        name, _, rating = one.watch.name.rpartition(" ")
        if one.watch.name == SINK:
            name, rating = (board.roles.comparator or "").lower(), "output_current"
        sheet = _sheet(board, netlist, name) if rating == "output_current" else None
        if sheet is None or SHORT not in sheet.figures:
            continue
        current, level = faulted.get(one.watch.name), faulted.get(f"{name} output", faulted.get(OUTPUT))
        promised = sheet.figures[PROMISED]
        if current is None or level is None:
            continue
        most = max(abs(bound) for bound in current)
        if level[0] > float(promised.at[LEVEL][0]) and most > promised.least:
            share = most / promised.least
            yield Stress(one.part, SHORT_WORDS, most, promised.least, one.unit, share)


def _sheet(board: Board, netlist: Netlist, name: str) -> Sheet | None:
    """The sheet of a part's model; of the board's own comparator by its class."""
    model = netlist.placed[name].part.model
    if model in models():
        return read_sheet(model)
    if name != (board.roles.comparator or "").lower():
        return None
    sheets = (read_sheet(model) for model in models())
    return next((sheet for sheet in sheets if sheet.class_ == board.roles.comparator_class), None)


def hottest(good: Extremes, faulted: Extremes) -> tuple[str, float]:
    """The resistor whose mean dissipation (W) rises the most over the board without a fault."""
    rises = {
        name: powers[0] - good[name][0]
        for name, powers in faulted.items()
        if name.startswith(POWER) and name in good
    }
    name = max(rises, key=lambda each: rises[each], default="")
    if not name or rises[name] < WARMER:
        return "", math.nan
    return name.removeprefix(POWER), faulted[name][0]
