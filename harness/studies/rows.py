# SPDX-License-Identifier: GPL-3.0-or-later
"""Rows of a study: an axis corner and a deviation of every part, predicted and simulated many at a time."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.findings import Finding, InputError
from harness.finished import Finished
from harness.knowing import characterised
from harness.ledger import Ledger
from harness.planning import tasks_of
from harness.predict.refined import best_figures
from harness.ratings import Rated, rated_parts
from harness.run import PROBES, Only, Prepared, Progress, prepare, simulated, workers_of
from harness.states import state_of
from harness.studies.borne import borne
from harness.studies.variation import Varied, trim_axis, varied
from harness.tolerances import column
from harness.verdict import NO_PASS, ROOMS

if TYPE_CHECKING:
    from harness.board import Board
    from harness.engine.workers import Workers
    from harness.simulate import CornerResult

Array = NDArray[np.float64]
LONG = 60.0  # s: a study that takes longer says so before it starts
OVERHEAD = 2.5  # wall time against the engine's own, generously


@dataclass(frozen=True)
class Outcomes:
    """What rows gave, in their order: ``states``; ``figures`` and ``bars`` by quantity, NaN where a row has
    none; ``engine_seconds``: what each took when it was simulated; ``borne`` and ``breaches``: the figure of
    each rating of the board and whether it is breached, shape (rows, ratings)."""

    states: NDArray[np.str_]
    figures: pd.DataFrame
    bars: pd.DataFrame
    engine_seconds: Array
    borne: Array
    breaches: NDArray[np.bool_]

    def part(self, rows: slice) -> Outcomes:
        """Some rows of them."""
        figures, bars = (table.iloc[rows].reset_index(drop=True) for table in (self.figures, self.bars))
        return Outcomes(
            self.states[rows], figures, bars, self.engine_seconds[rows], self.borne[rows], self.breaches[rows]
        )

    def judged(self, quantity: str) -> Array:
        """Figures of a quantity that may count as a pass: none out of the comparator's range or in
        chatter."""
        figures = column(self.figures, quantity)
        return figures if quantity in ROOMS else np.where(np.isin(self.states, NO_PASS), np.nan, figures)


class Study:
    """A board with its deviations, ready to be asked at any rows.

    ``corners``: the axis corners; ``rated``: the ratings that are watched.
    """

    def __init__(
        self,
        path: Path,
        ledger: Ledger,
        only: Only = (),
        jobs: int | Workers | None = None,
        accuracy: float | None = None,
        progress: Progress | None = None,
        change: Callable[[Prepared], Board] = lambda prepared: prepared.board,
    ) -> None:
        """``change`` gives the board that is studied, where that is not the one of the file."""
        prepared = prepare(path, only)
        board = change(prepared)
        if accuracy is not None:
            board = replace(board, simulation=replace(board.simulation, accuracy=accuracy))
        self.varied: Varied = varied(board, prepared.netlist)
        self.prepared = replace(prepared, board=self.varied.board, netlist=self.varied.netlist)
        self.corners = prepared.corners[prepared.corners["corner"].isin(prepared.asked)].reset_index(
            drop=True
        )
        self.rated = rated_parts(self.varied.board, self.varied.netlist)
        self.ledger, self.progress = ledger, progress
        self.workers = workers_of(jobs)
        self.known, self.engine = characterised(prepared, self.workers)
        self._asked: set[str] = set()
        self._reused: set[str] = set()
        self.engine_seconds = 0.0

    @property
    def simulations(self) -> int:
        """Different rows that were asked for so far."""
        return len(self._asked)

    @property
    def reused(self) -> int:
        """Those of them that earlier runs had finished."""
        return len(self._reused)

    @property
    def count(self) -> int:
        """How many deviations there are."""
        return len(self.varied.deviations)

    @property
    def widths(self) -> Array:
        """The largest deviation of each."""
        return np.array([deviation.most for deviation in self.varied.deviations])

    def rows(
        self, corners: Sequence[int], deviations: Array, names: Sequence[str], trims: Array | None = None
    ) -> pd.DataFrame:
        """A table of rows: places of axis corners, deviations (rows, deviations), a name for each row, and
        settings of the trimmers (rows, trimmers), in the middle of their travel where they are not given."""
        table = self.corners.iloc[list(corners)].reset_index(drop=True)
        return self._table(table, deviations, names, trims)

    def rows_at(
        self, at: Mapping[str, float], deviations: Array, names: Sequence[str], trims: Array | None = None
    ) -> pd.DataFrame:
        """The same, all at one setting of the axes."""
        columns = [name for name in self.corners.columns if name in at]
        table = pd.DataFrame([[at[name] for name in columns]] * len(names), columns=columns, dtype=float)
        table.insert(0, "corner", list(names))
        return self._table(table, deviations, names, trims)

    def _table(
        self, table: pd.DataFrame, deviations: Array, names: Sequence[str], trims: Array | None
    ) -> pd.DataFrame:
        table["corner"] = list(names)
        columns = [deviation.axis for deviation in self.varied.deviations]
        pieces = [table, pd.DataFrame(deviations, columns=columns, index=table.index)]
        if self.varied.trims:
            middle = [0.5 * (trim.least + trim.most) for trim in self.varied.trims]
            settings = np.tile(middle, (len(table), 1)) if trims is None else trims
            axes = [trim_axis(trim) for trim in self.varied.trims]
            pieces.append(pd.DataFrame(settings, columns=axes, index=table.index))
        return pd.concat(pieces, axis=1)

    def predicted(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Refined figures where there are any, ideal ones elsewhere; a column a quantity."""
        with np.errstate(all="ignore"):
            return best_figures(self.varied.board, self.varied.netlist, rows, self.known)

    def simulated(self, rows: pd.DataFrame) -> Outcomes:
        """Simulates rows that no earlier run has finished. Raises EngineFailed or NetlistError where none of
        some rows far apart can be simulated."""
        tasks = tasks_of(self.varied.board, self.varied.netlist, rows, self.predicted(rows))
        finished = Finished(self.ledger, self.varied.board, rows, tasks, self.engine)
        results = simulated(self.prepared, tasks, self.workers, finished, self.progress)
        known = [finished.keys[place] for place in finished.reused]
        self._reused.update(key for key in known if key not in self._asked)
        self._asked.update(finished.keys)
        seconds = sum(r.engine_seconds for place, r in enumerate(results) if place not in finished.reused)
        self.engine_seconds += seconds
        return _outcomes(results, self.rated)

    def foresee(self, rows: int, most: float | None) -> None:
        """Raises InputError where so many rows would take more than ``most`` seconds, from a few corners far
        apart that are simulated for it; says how long a study will take where that is more than a minute."""
        count = len(self.corners)
        places = sorted({round(place * (count - 1) / (PROBES - 1)) for place in range(PROBES)})
        deviations = np.zeros((len(places), self.count))
        names = [f"{self.corners['corner'][place]}/nominal" for place in places]
        tasks_seconds = self.simulated(self.rows(places, deviations, names)).engine_seconds
        seconds = OVERHEAD * rows * float(np.mean(tasks_seconds)) / self.workers.count
        text = f"about {duration(seconds)} for {rows} simulations on {self.workers.count} workers"
        if most is not None and seconds > most:
            message = f"this study would take {text}, more than the {duration(most)} that --within allows"
            raise InputError([Finding(self.varied.board.path, message)])
        if seconds > LONG and self.progress is not None:
            print(f"This study will take {text}.", file=sys.stderr)


def duration(seconds: float) -> str:
    """A time for people."""
    for size, unit in ((86400.0, "days"), (3600.0, "hours"), (60.0, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    number = f"{seconds:.0f}" if seconds >= 9.5 else f"{seconds:.2g}"
    return f"{number} second{'' if number == '1' else 's'}"


def _outcomes(results: Sequence[CornerResult], rated: Sequence[Rated]) -> Outcomes:
    return Outcomes(
        np.array([state_of(result) for result in results]),
        pd.DataFrame([result.figures for result in results], index=range(len(results)), dtype=float),
        pd.DataFrame([result.bars for result in results], index=range(len(results)), dtype=float),
        np.array([result.engine_seconds for result in results]),
        *borne(rated, [result.stresses for result in results]),
    )
