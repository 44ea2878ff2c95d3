# SPDX-License-Identifier: GPL-3.0-or-later
"""Absolute maximum ratings: which hold for the parts of a board, and whether a run kept them.

A rating comes from the sheet of a part's model (``shared/devices/``) or from ``[ratings]`` of the board file,
which goes before it. What a part has to bear is taken from the settled cycle of each corner, at its
worst instant; dissipation, and currents against a continuous rating, as means over the cycle. Nothing here
speaks of what happens while supplies come up.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from harness.intent.ratings import SINK_CURRENT
from harness.measure.stress import Watch
from harness.pins import named_pins, told_pins
from harness.sheets import Rating, Sheet, models, read_sheet
from harness.units import engineering

if TYPE_CHECKING:
    import pandas as pd

    from harness.board import Board
    from harness.netlist import Netlist
    from harness.netlist.scopes import FlatPart
    from harness.units import Quantity

WITHIN, BREACHED, UNKNOWN, NO_FIGURE = "within", "breached", "no rating known", "no figure"
WORDS = (WITHIN, BREACHED, UNKNOWN, NO_FIGURE)
COLUMNS = ["part", "rating", "corner", "value", "least", "most", "unit", "verdict", "source"]
BOARD_FILE = "board file"
ROUNDING = 1e-6  # share of a rating by which a figure on the rating itself may be off in its last digits
#: the current that stands for a part's own, as the engine calls it, by the part's first letter
_OWN = {"r": "i", "c": "i", "d": "id", "q": "ic", "m": "id", "j": "id"}
#: the ends of a part whose voltage counts: collector and emitter, drain and source
_ENDS = {"r": (0, 1), "c": (0, 1), "d": (0, 1), "q": (0, 2), "m": (0, 2), "j": (0, 2)}
#: the first pin of a model is the one whose current the engine gives as the part's own
_FIRST_PIN = {"collector", "drain", "anode"}
#: currents into the pins of what may hang on an output: (end, name of the current, sign away from the node)
_BRANCHES: Mapping[str, tuple[tuple[int, str, float], ...]] = {
    "r": ((0, "i", 1.0), (1, "i", -1.0)),
    "d": ((0, "id", 1.0), (1, "id", -1.0)),
    "q": ((0, "ic", 1.0), (1, "ib", 1.0), (2, "ie", 1.0)),
}


@dataclass(frozen=True)
class Rated:
    """One rating of one part: what to watch, and how far it may go; NaN where open. ``words`` for people."""

    part: str
    words: str
    watch: Watch
    least: float
    most: float
    unit: str
    source: str

    def verdict(self, extremes: Sequence[float] | None) -> tuple[float, str]:
        """The figure nearest to a breach, or farthest in it, and its word; NaN where nothing was watched."""
        if extremes is None or any(map(math.isnan, extremes)):
            return math.nan, NO_FIGURE
        low, high = extremes
        if self.watch.through:  # the size of a current or a power
            low, high = 0.0, max(abs(low), abs(high))
        over, under = high - self.most, self.least - low  # NaN where open
        value = low if math.isnan(self.most) or under > over else high
        return value, BREACHED if over > self._slack or under > self._slack else WITHIN

    @cached_property
    def _slack(self) -> float:
        return ROUNDING * max(abs(bound) for bound in (self.least, self.most) if not math.isnan(bound))

    @property
    def name(self) -> str:
        """The part and what of it is rated."""
        return f"{self.part} {self.words}"

    def beyond(self, value: float) -> float:
        """How far a figure is beyond the nearer bound; negative within."""
        over, under = value - self.most, self.least - value
        return under if math.isnan(over) else over if math.isnan(under) else max(over, under)

    def bound(self, value: float) -> float:
        """The bound that a value is nearest to."""
        bounds = [bound for bound in (self.least, self.most) if not math.isnan(bound)]
        return min(bounds, key=lambda bound: abs(bound - value))

    def text(self, value: float) -> str:
        """The rating with a figure and the bound that it is nearest to, for people."""
        figure, bound = engineering(value, self.unit), engineering(self.bound(value), self.unit)
        return f"{self.name} {figure}, rating {bound}"


def rated_parts(board: Board, netlist: Netlist) -> list[Rated]:
    """Every rating that is known for a part of the board, in the order of the netlist."""
    known = models()
    stated = {name.lower(): quantity for name, quantity in board.ratings.items()}
    found: list[Rated] = []
    for name, placed in netlist.placed.items():
        if name in stated:
            found.append(_stated(netlist, name, placed, stated[name]))
        for sheet, pins in _sheets_of(board, netlist, name, placed, known):
            for rating in sheet.ratings:
                if (rated := _from_sheet(netlist, name, placed, rating, pins, board)) is not None:
                    found.append(rated)
    return found


def _sheets_of(
    board: Board, netlist: Netlist, name: str, placed: FlatPart, known: Sequence[str]
) -> Iterator[tuple[Sheet, dict[str, str]]]:
    """The sheet of a part's model with the node of each pin: by the model's name, and for the board's own
    comparator by its class, its pins by the words of its header and by the roles. ``known``: the models that
    have a sheet."""
    part = placed.part
    if part.model in known:
        sheet = read_sheet(part.model)
        if sheet.ratings and len(sheet.pins) >= len(placed.nodes):
            yield sheet, dict(zip(sheet.pins, placed.nodes, strict=False))
            return
    if name != (board.roles.comparator or "").lower():
        return
    named = named_pins(netlist, part)
    pins = told_pins(board, netlist) | {
        pin: placed.nodes[[node.lower() for node in part.nodes].index(node)] for pin, node in named.items()
    }
    if "negative" in pins:
        pins["ground"] = pins["negative"]
    if pins and board.roles.comparator_class:
        for sheet in map(read_sheet, known):
            if sheet.class_ == board.roles.comparator_class:
                yield sheet, pins


def _from_sheet(
    netlist: Netlist, name: str, placed: FlatPart, rating: Rating, pins: Mapping[str, str], board: Board
) -> Rated | None:
    """A sheet's rating on a part's own nodes; None where the part has not the pins, or nothing tells the
    current."""
    label, key = _label(netlist, name, placed), f"{name} {rating.name}"
    most, source = rating.most, rating.source
    if rating.between:
        if not set(rating.between) <= set(pins):
            return None
        upper, lower = (pins[pin] for pin in rating.between)
        watch = Watch(key, across=(upper, lower))
    else:
        currents = _currents(netlist, name, placed, rating.current, pins)
        if not currents:
            return None
        watch = Watch(key, through=currents, averaged=rating.averaged)
        if name == (board.roles.comparator or "").lower() and SINK_CURRENT in board.ratings:
            most, source = board.ratings[SINK_CURRENT].value, BOARD_FILE
    return Rated(label, rating.words, watch, rating.least, most, rating.unit, source)


def _currents(
    netlist: Netlist, name: str, placed: FlatPart, pin: str, pins: Mapping[str, str]
) -> tuple[tuple[str, float], ...]:
    """The saved currents that make up the current in a pin."""
    if placed.part.letter != "x":
        return ((_saved(netlist, name, _OWN[placed.part.letter]), 1.0),) if pin in _FIRST_PIN else ()
    return carried_away(netlist, pins[pin], name) if pin in pins else ()


def carried_away(netlist: Netlist, node: str, *apart_from: str) -> tuple[tuple[str, float], ...]:
    """What resistors, diodes and transistors outside some instances carry away from a node: (current, sign).

    Capacitors are left out: what they bring for some nanoseconds is no load that a rating is printed for
    (common practice, no source).
    """
    inside = tuple(f"{name}." for name in apart_from)
    return tuple(
        (_saved(netlist, other, current), sign)
        for other, found in netlist.flat.items()
        if not other.startswith(inside)
        for end, current, sign in _BRANCHES.get(found.part.letter, ())
        if end < len(found.nodes) and found.nodes[end] == node
    )


def _stated(netlist: Netlist, name: str, placed: FlatPart, quantity: Quantity) -> Rated:
    """A rating of the board file: dissipation in W, voltage in V, current in A."""
    letter = placed.part.letter
    first, second = _ENDS[letter]
    across = (placed.nodes[first], placed.nodes[second])
    through = ((_saved(netlist, name, _OWN[letter]), 1.0),)
    words, watch, least = {
        "W": ("dissipation", Watch(f"{name} power", across, through), math.nan),
        "V": ("voltage", Watch(f"{name} voltage", across), -quantity.value),
        "A": ("current", Watch(f"{name} current", through=through), math.nan),
    }[quantity.unit]
    return Rated(
        _label(netlist, name, placed), words, watch, least, quantity.value, quantity.unit, BOARD_FILE
    )


def _saved(netlist: Netlist, name: str, current: str) -> str:
    return f"@{netlist.engine_name(name)}[{current}]"


def _label(netlist: Netlist, name: str, placed: FlatPart) -> str:
    """A part's name as the designer writes it, inside an instance with the path."""
    path, dot, _ = name.rpartition(".")
    return f"{path}{dot}{placed.part.name}"


def saved_currents(rated: Sequence[Rated]) -> tuple[str, ...]:
    """The currents that have to be saved for them, each once."""
    return tuple(dict.fromkeys(name for one in rated for name, _ in one.watch.through))


def judged(
    rated: Sequence[Rated], corners: Sequence[str], stresses: Sequence[Mapping[str, Sequence[float]]]
) -> tuple[list[str], pd.DataFrame]:
    """The text of the column ``ratings`` of each corner, and the table of the worst corner of each rating.

    ``stresses``: extremes by the name of the watch, a mapping a corner, empty where it gave no record.
    """
    import pandas as pd

    breaches: list[list[str]] = [[] for _ in corners]
    missing = [False] * len(corners)
    rows = []
    for one in rated:
        found = [one.verdict(values.get(one.watch.name)) for values in stresses]
        for place, (value, word) in enumerate(found):
            missing[place] |= word == NO_FIGURE
            if word == BREACHED:
                breaches[place].append(one.text(value))
        known = [place for place, (_, word) in enumerate(found) if word != NO_FIGURE]
        worst = max(known, key=lambda place: one.beyond(found[place][0]), default=None)
        value, word = found[worst] if worst is not None else (math.nan, NO_FIGURE)
        corner = corners[worst] if worst is not None else ""
        rows.append((one.part, one.words, corner, value, one.least, one.most, one.unit, word, one.source))
    texts = [
        f"{BREACHED}: {'; '.join(parts)}"
        if parts
        else UNKNOWN
        if not rated
        else NO_FIGURE
        if open_
        else WITHIN
        for parts, open_ in zip(breaches, missing, strict=True)
    ]
    return texts, pd.DataFrame(rows, columns=COLUMNS)


def breached(corners: pd.DataFrame) -> int:
    """In how many rows of a corner table a rating is breached."""
    if "ratings" not in corners:
        return 0
    return int(corners["ratings"].astype(str).str.startswith(BREACHED).sum())
