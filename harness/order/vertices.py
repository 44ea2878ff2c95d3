# SPDX-License-Identifier: GPL-3.0-or-later
"""The worst vertex of all deviations at each end of a limit and each corner, by the closed forms.

They are shifted by what they miss of the board as drawn at each corner (`studies.choosing`). A vertex follows
from the signs of each deviation alone; at the tightest pairs of a limit's end and a corner each deviation is
then turned as long as that leaves less room. That is right where the quantities are monotone in each
deviation. Nothing is simulated; corners where a limit falls short as drawn are left out, since no tolerance
mends those.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.board import Board
from harness.characterise import Characteristics
from harness.order.trimmed import trimmed
from harness.predict.refined import best_figures
from harness.studies.choosing import OnTop
from harness.studies.cures import figures_known, judged_figures
from harness.studies.goals import Goal, tolerances
from harness.studies.rows import Array
from harness.studies.variation import Deviation, Varied
from harness.studies.worst import guide_of

REACH = 0.5  # share of its value up to which a part is let deviate; beyond it counts as any tolerance
REACH_OF_SPREAD = 20.0  # the same for a device's parameter, in multiples of its stated spread
MOST_CORNERS = 240  # of each end of a limit the tightest, so that boards of many corners take seconds
KEPT = 6  # corners of each end of a limit where the vertex is made worse and parts are moved
TURNS = 3
NOTHING = 1e-6  # tolerances of a quantity by which a margin has to move to depend on a part
FEW = 20_000  # rows that are predicted at once
Index = NDArray[np.int_]


class Vertices:
    """The closed forms along all deviations. A pair is an end of a limit at a corner where it is kept as
    drawn: ``ends`` and ``places`` hold the two, ``signs`` the worst vertex of each, shape (pairs,
    deviations), ``slopes`` how much of its room each deviation takes by itself, in tolerances a unit."""

    def __init__(
        self,
        board: Board,
        changed: Varied,
        unstated: frozenset[str],
        goals: tuple[Goal, ...],
        known: Characteristics,
        corners: pd.DataFrame,
        judged: pd.DataFrame,
    ) -> None:
        self.board, self.changed, self.unstated, self.goals, self.known = (
            board, changed, unstated, goals, known,
        )  # fmt: skip
        self.deviations: tuple[Deviation, ...] = changed.deviations
        self.axes = [deviation.axis for deviation in self.deviations]
        simulated, bars = (judged_figures(judged, board, kind) for kind in ("simulated", "bar"))
        scale = tolerances(board, goals, figures_known(judged))
        drawn = [0.0] * len(self.axes)
        self.corners = corners.reset_index(drop=True)
        self.forms = OnTop(self.axes, drawn, goals, scale, self.corners, self._predict, simulated, bars)
        self.widths = np.array([0.0 if d.name in unstated else d.most for d in self.deviations])
        self.stated = self.widths.copy()
        self.reach = np.array(
            [REACH_OF_SPREAD * d.most if d.name in board.spread else REACH for d in self.deviations]
        )
        self.moves = np.zeros(len(self.axes), dtype=bool)
        self.ends, self.places = self._pairs()
        self.slopes = self._alone()
        self.signs = np.sign(self.slopes).astype(int)
        self.rooms = self.rooms_at(self.signs * self.widths, np.arange(len(self.ends)))
        self._turn()

    def _predict(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Figures of rows, trimmers set on each board first."""

        def closed_forms(some: pd.DataFrame) -> pd.DataFrame:
            with np.errstate(all="ignore"):
                return best_figures(self.changed.board, self.changed.netlist, some, self.known)

        pieces = []
        for start in range(0, len(rows), FEW):
            some = rows.iloc[start : start + FEW].reset_index(drop=True)
            pieces.append(closed_forms(trimmed(some, self.axes, self.changed.trims, closed_forms)))
        return pd.concat(pieces, ignore_index=True)

    def _pairs(self) -> tuple[Index, Index]:
        ends: list[int] = []
        places: list[int] = []
        for goal in self.forms.known:
            room = self.forms.as_drawn[:, goal]
            open_ = np.flatnonzero(room >= 0.0)
            tight = open_[np.argsort(room[open_], kind="stable")[:MOST_CORNERS]]
            ends += [goal] * len(tight)
            places += sorted(tight.tolist())
        return np.array(ends, dtype=int), np.array(places, dtype=int)

    def _alone(self) -> Array:
        """What each deviation alone takes from the room of each pair for a small step upwards."""
        count, corners = len(self.deviations), np.unique(self.places)
        steps = np.where(self.widths > 0.0, self.widths, 0.01)
        settings = np.vstack([np.zeros(count), np.diag(steps), -np.diag(steps)])
        figures = self._predict(self.forms.table(settings.tolist(), corners.tolist()))
        shape = (len(settings), len(corners))
        for name in figures.columns:
            values = figures[name].to_numpy(dtype=float).reshape(shape)
            apart = np.abs(values[1:] - values[0]) > 1e-9 * np.abs(values[0])
            self.moves |= apart.any(axis=1).reshape(2, count).any(axis=0)
        slopes = np.zeros((len(self.ends), count))
        where = np.searchsorted(corners, self.places)
        sense = -1.0 if self.board.roles.ramp_input == "plus" else 1.0
        for goal in set(self.ends.tolist()):
            guide = guide_of(figures, self.goals[goal].quantity, sense, len(corners)).reshape(shape)
            rise = np.nan_to_num(guide[1 : 1 + count] - guide[1 + count :]).T / (2.0 * steps)
            down = -1.0 if self.goals[goal].limit.most is None else 1.0
            mine = self.ends == goal
            slopes[mine] = down * rise[where[mine]] / self.forms.scale[self.places[mine], goal][:, None]
        return slopes

    def rooms_at(self, settings: Array, pairs: Index) -> Array:
        """Room of pairs at a setting of all deviations each, in tolerances."""
        places = self.places[pairs]
        figures = self._predict(self.forms.rows(settings, places))
        return np.asarray(self.forms.margins_of(figures, places)[np.arange(len(pairs)), self.ends[pairs]])

    def tightest(self, pairs: Index, room: Array, most: int) -> Index:
        """Of pairs the few of each end of a limit that have least room."""
        order = pairs[np.argsort(room, kind="stable")]
        return np.array(
            [pair for goal in self.forms.known for pair in order[self.ends[order] == goal][:most]], dtype=int
        )

    def _turn(self) -> None:
        """Turns single deviations at the tightest vertices as long as that leaves less room."""
        stated = np.flatnonzero(self.widths > 0.0)
        pairs = self.tightest(np.arange(len(self.ends)), self.rooms, KEPT)
        for _ in range(TURNS):
            if not len(pairs) or not len(stated):
                return
            signs = np.repeat(self.signs[pairs], len(stated), axis=0)
            rows = np.arange(len(signs))
            turned = np.tile(stated, len(pairs))
            signs[rows, turned] = np.where(signs[rows, turned] == 0, 1, -signs[rows, turned])
            rooms = self.rooms_at(signs * self.widths, np.repeat(pairs, len(stated)))
            rooms = rooms.reshape(len(pairs), len(stated))
            worse = rooms.min(axis=1) < self.rooms[pairs] - NOTHING
            for pair, best, room in zip(
                pairs[worse], rooms[worse].argmin(axis=1), rooms[worse].min(axis=1), strict=True
            ):
                part = stated[best]
                self.signs[pair, part] = -self.signs[pair, part] or 1
                self.rooms[pair] = room
            pairs = pairs[worse]

    def said(self, pair: int) -> tuple[str, str, str]:
        """Quantity, end and corner of a pair."""
        goal = self.goals[self.ends[pair]]
        end = "least" if goal.limit.most is None else "most"
        return goal.quantity, end, str(self.corners["corner"][self.places[pair]])
