# SPDX-License-Identifier: GPL-3.0-or-later
"""Which tolerance each part needs: how far it may deviate, all others at their worst, before a limit falls
short, by the closed forms (`vertices`).

Where the stated tolerances are not enough together, the heaviest deviation of the tightest vertex is given
the next closer tolerance of IEC 60062, again and again until every limit is kept that is kept as drawn. With
those tolerances one part at a time then moves outwards from its drawn value on the bad side, the others
staying at the vertex, until some limit has no room.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.board import Board
from harness.characterise import Characteristics
from harness.findings import BoardError
from harness.intent.objects import Limit
from harness.netlist import Netlist
from harness.order.vertices import KEPT, NOTHING, Index, Vertices
from harness.studies.goals import Goal
from harness.studies.rows import Array
from harness.studies.variation import Varied, varied
from harness.studies.worst import ENDS
from harness.units import TOLERANCE_LETTERS

CLASSES = (*sorted(TOLERANCE_LETTERS.values()), 0.5)
"""Tolerances that are usual in trade: the letters of IEC 60062 (B 0.1 % to M 20 %), and 50 % behind them."""
CLOSEST = 0.005  # closer tolerances are not proposed
UNSTATED = 1e-12  # stands for the tolerance of a part that states none: it deviates alone, never as another
HALVINGS = 9


@dataclass(frozen=True)
class Bound:
    """One end of a limit at the corner where it has least room. ``room``: with every deviation at its stated
    worst, in tolerances of the quantity; ``share``: of all stated tolerances at once that would just be kept,
    NaN where they are kept as stated. ``heaviest``: the deviations that use up most of the room, with their
    share of all that is used up."""

    quantity: str
    end: str
    corner: str
    room: float
    share: float
    heaviest: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Needed:
    """How far one deviation may go. ``stated`` and ``most`` in ``unit``, empty for a share of the value;
    ``stated`` is NaN where the board file states none. ``most`` is infinite where no limit falls short within
    reach, NaN where nothing can be said. ``quantity``, ``end``, ``corner``: what falls short first beyond it.
    ``short``: ends of limits that depend on it and fall short even where it does not deviate at all.
    ``known``: some closed form moves with it; ``depends``: a limit does. ``counted``: the tolerance with
    which the others count it, where that is closer than stated."""

    name: str
    parts: tuple[str, ...]
    unit: str
    stated: float
    most: float
    quantity: str = ""
    end: str = ""
    corner: str = ""
    short: tuple[tuple[str, str], ...] = ()
    known: bool = True
    depends: bool = True
    counted: float = math.nan


@dataclass(frozen=True)
class Tolerances:
    """``needed``: one record a deviation, in the order of the board file. ``bounds``: each end of a limit
    that could be looked at. ``open_corners``: (quantity, end, corners) where a limit falls short as drawn and
    which are left out; ``without``: limits that no closed form speaks of. ``looked_at``: corners.
    ``tightened``: (deviation, stated, closer tolerance) where the stated ones are not enough together;
    ``mended``: with these every limit is kept that is kept as drawn. ``hopeless``: as
    ``open_corners``, where one is kept as drawn by so little that no tolerance worth proposing keeps it."""

    needed: tuple[Needed, ...]
    bounds: tuple[Bound, ...]
    open_corners: tuple[tuple[str, str, tuple[str, ...]], ...]
    without: tuple[str, ...]
    looked_at: int
    tightened: tuple[tuple[str, float, float], ...] = ()
    mended: bool = True
    hopeless: tuple[tuple[str, str, tuple[str, ...]], ...] = ()


def tolerances_needed(
    board: Board, netlist: Netlist, known: Characteristics, corners: pd.DataFrame, judged: pd.DataFrame
) -> Tolerances:
    """What each part of a board needs. ``corners``: the axis corners that were run; ``judged``: the same with
    figures and verdicts; ``known``: what device models do alone."""
    changed, unstated = _all_varied(board, netlist)
    goals = _ends(board)
    if not goals or not changed.deviations or corners.empty:
        return Tolerances((), (), (), (), 0)
    search = _Search(board, changed, unstated, goals, known, corners, judged)
    bounds = tuple(search.bounds())
    hopeless = tuple(search.leave_out_hopeless())
    tightened = tuple(search.tighten())
    return Tolerances(
        tuple(search.needed()), bounds, search.open_corners(), search.without(),
        len(set(search.places.tolist())), tightened, bool((search.rooms >= 0.0).all()), hopeless,
    )  # fmt: skip


def at_stated_worst(
    board: Board, netlist: Netlist, known: Characteristics, corners: pd.DataFrame, judged: pd.DataFrame
) -> Tolerances:
    """The bounds alone, with the stated tolerances, and nothing of what each part needs; arguments as
    above."""
    changed, goals = varied(board, netlist), _ends(board)
    if not goals or not changed.deviations or corners.empty:
        return Tolerances((), (), (), (), 0)
    search = _Search(board, changed, frozenset(), goals, known, corners, judged)
    looked_at = len(set(search.places.tolist()))
    return Tolerances((), tuple(search.bounds()), search.open_corners(), search.without(), looked_at)


def _ends(board: Board) -> tuple[Goal, ...]:
    """Each end of each limit by itself."""
    return tuple(
        Goal(quantity, Limit(**{"least": None, "most": None, end: getattr(limit, end)}))
        for quantity, limit in board.limits.items()
        for end in ENDS
        if getattr(limit, end) is not None
    )


def _all_varied(board: Board, netlist: Netlist) -> tuple[Varied, frozenset[str]]:
    """The board with all its deviations, also of parts that state no tolerance, and the names of those."""
    unstated = set(varied(board, netlist).fixed)
    while True:
        intended = {
            name: replace(part, tolerance=UNSTATED) if name in unstated else part
            for name, part in board.intended.items()
        }
        try:
            return varied(replace(board, intended=intended), netlist), frozenset(unstated)
        except BoardError as error:  # of a part without one value that could deviate
            refused = {name for name in unstated if f"intended.{name}" in {f.key for f in error.findings}}
            if not refused:
                raise
            unstated -= refused


class _Search(Vertices):
    """What follows from the vertices."""

    def bounds(self) -> Iterator[Bound]:
        """Each end of a limit at the corner with least room, all deviations at their stated worst."""
        for pair in self.tightest(np.arange(len(self.ends)), self.rooms, 1):
            taken = np.abs(self.slopes[pair]) * self.widths
            order = np.argsort(-taken, kind="stable")
            total = float(taken.sum())
            heaviest = tuple(
                (self.deviations[part].name, float(taken[part] / total))
                for part in order[:4]
                if taken[part] > 0.0
            )
            yield Bound(*self.said(pair), float(self.rooms[pair]), self._share(int(pair)), heaviest)

    def _share(self, pair: int) -> float:
        """Of all stated tolerances at once, what would just be kept; NaN where they are kept as stated."""
        if self.rooms[pair] >= 0.0:
            return math.nan
        low, high = 0.0, 1.0
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            kept = self.rooms_at(middle * self.widths[None] * self.signs[[pair]], np.array([pair]))[0] >= 0.0
            low, high = (middle, high) if kept else (low, middle)
        return low

    def leave_out_hopeless(self) -> Iterator[tuple[str, str, tuple[str, ...]]]:
        """Drops the pairs that fall short even with the closest tolerances that are proposed, and says
        which."""
        closest = np.where(self._fixed, self.widths, np.minimum(self.widths, CLOSEST))
        hopeless = self.rooms < 0.0
        short = np.flatnonzero(hopeless)
        hopeless[short] = self.rooms_at(self.signs[short] * closest, short) < 0.0 if len(short) else False
        left_out: dict[tuple[str, str], list[str]] = {}
        for pair in np.flatnonzero(hopeless):
            quantity, end, corner = self.said(int(pair))
            left_out.setdefault((quantity, end), []).append(corner)
        for name in ("ends", "places", "slopes", "signs", "rooms"):
            setattr(self, name, getattr(self, name)[~hopeless])
        for (quantity, end), corners in left_out.items():
            yield quantity, end, tuple(corners)

    @property
    def _fixed(self) -> NDArray[np.bool_]:
        """Which deviations no closer tolerance could change: those of devices."""
        return np.array([deviation.name in self.board.spread for deviation in self.deviations])

    def tighten(self) -> Iterator[tuple[str, float, float]]:
        """Gives parts closer tolerances until no vertex falls short, or nothing is left that could be closer;
        says which. From here on the vertices are those of the closer tolerances."""
        pairs = self.tightest(np.arange(len(self.ends)), self.rooms, KEPT)
        while len(pairs) and self.rooms[pairs].min() < 0.0:
            taken = np.abs(self.slopes[pairs[self.rooms[pairs].argmin()]]) * self.widths
            part = int(np.where(self._fixed | (self.widths <= CLOSEST), 0.0, taken).argmax())
            closer = [each for each in CLASSES if each < self.widths[part] * (1 - 1e-9)]
            if not closer or not taken[part] > 0.0:
                break
            self.widths[part] = closer[-1]
            self.rooms[pairs] = self.rooms_at(self.signs[pairs] * self.widths, pairs)
            if self.rooms[pairs].min() >= 0.0:
                every = np.arange(len(self.ends))
                self.rooms = self.rooms_at(self.signs * self.widths, every)
                pairs = self.tightest(every, self.rooms, KEPT)
        for place in np.flatnonzero(self.widths < self.stated):
            yield self.deviations[place].name, float(self.stated[place]), float(self.widths[place])

    def needed(self) -> Iterator[Needed]:
        """Each deviation in turn, all at once where rows are predicted."""
        parts, pairs = self._moved()
        at_rest, at_reach = (self._moved_rooms(parts, pairs, far) for far in (0.0 * self.reach, self.reach))
        depends = np.abs(at_reach - at_rest) > NOTHING
        depends |= np.isneginf(at_reach) != np.isneginf(at_rest)
        searched = (at_rest >= 0.0) & (at_reach < 0.0)
        low, high = np.zeros(len(self.reach)), self.reach.copy()
        first = np.full(len(self.reach), -1)
        rows = np.flatnonzero(searched)
        for _ in range(HALVINGS if len(rows) else 0):
            middle = np.where(low > 0.0, np.sqrt(low * high), high / 10.0)
            rooms = self._moved_rooms(parts[rows], pairs[rows], middle)
            beyond = np.zeros(len(self.reach), dtype=bool)
            for part in np.unique(parts[rows]):
                mine = rows[parts[rows] == part]
                room = rooms[parts[rows] == part]
                if room.min() < 0.0:
                    beyond[part], first[part] = True, mine[room.argmin()]
            low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
        for part, deviation in enumerate(self.deviations):
            mine = parts == part
            short = sorted({self.said(pair)[:2] for pair in pairs[mine & depends & (at_rest < 0.0)]})
            found = bool((searched & mine).any())
            if found and first[part] < 0:  # every halving was kept: what falls short lies at the reach
                first[part] = np.flatnonzero(mine & searched)[at_reach[mine & searched].argmin()]
            said = self.said(pairs[first[part]]) if found else ("", "", "")
            yield Needed(
                name=deviation.name,
                parts=tuple(name for name, _ in deviation.targets),
                unit=deviation.unit,
                stated=math.nan if deviation.name in self.unstated else deviation.most,
                most=float(low[part]) if found else math.inf if len(self.ends) else math.nan,
                quantity=said[0], end=said[1], corner=said[2],
                short=tuple(short),
                known=bool(self.moves[part]),
                depends=bool((mine & depends).any()),
                counted=float(self.widths[part]) if self.widths[part] < self.stated[part] else math.nan,
            )  # fmt: skip

    def _moved(self) -> tuple[Index, Index]:
        """Which deviation to move at which pair: at the tightest of each end of a limit, and where by its
        slope alone it would go least far."""
        parts: list[int] = []
        pairs: list[int] = []
        everywhere = np.arange(len(self.ends))
        tight = set(self.tightest(everywhere, self.rooms, KEPT).tolist())
        for part in range(len(self.deviations)):
            slope = np.abs(self.slopes[:, part])
            with np.errstate(all="ignore"):
                far = np.where(slope > 0.0, self.rooms / slope + self.widths[part], np.inf)
            chosen = tight | set(self.tightest(everywhere, np.nan_to_num(far, nan=-1.0), 2).tolist())
            mine = sorted(pair for pair in chosen if self.signs[pair, part])
            parts += [part] * len(mine)
            pairs += mine
        return np.array(parts, dtype=int), np.array(pairs, dtype=int)

    def _moved_rooms(self, parts: Index, pairs: Index, far: Array) -> Array:
        """Room of pairs where one deviation goes as far as ``far`` says, the others at their vertex."""
        if not len(pairs):
            return np.zeros(0)
        settings = self.signs[pairs] * self.widths
        settings[np.arange(len(pairs)), parts] = self.signs[pairs, parts] * far[parts]
        return self.rooms_at(settings, pairs)

    def open_corners(self) -> tuple[tuple[str, str, tuple[str, ...]], ...]:
        """Where limits fall short as drawn."""
        found = []
        for goal in self.forms.known:
            short = np.flatnonzero(~(self.forms.as_drawn[:, goal] >= 0.0))
            if len(short):
                end = "least" if self.goals[goal].limit.most is None else "most"
                names = tuple(str(name) for name in self.corners["corner"].to_numpy()[short])
                found.append((self.goals[goal].quantity, end, names))
        return tuple(found)

    def without(self) -> tuple[str, ...]:
        """Limited quantities that no closed form speaks of."""
        known = {self.goals[goal].quantity for goal in self.forms.known}
        return tuple(dict.fromkeys(g.quantity for g in self.goals if g.quantity not in known))
