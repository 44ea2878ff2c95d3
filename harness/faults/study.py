# SPDX-License-Identifier: GPL-3.0-or-later
"""A board with faults, simulated many at a time on the same engine, workers and ledger as a run.

The board without a fault is simulated first, at the same corners: what a fault does is told against it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from harness.corners import corner_table, nominal_row
from harness.faults.fault import Fault
from harness.faults.stress import watches
from harness.findings import InputError
from harness.finished import Finished
from harness.ledger import Ledger
from harness.netlist import Netlist
from harness.planning import probes_of, tasks_of
from harness.predict.refined import best_figures
from harness.run import Only, Prepared, Progress, prepare, simulated, workers_of
from harness.simulate import CornerResult, Task, simulate
from harness.studies.rows import characterised

if TYPE_CHECKING:
    from harness.board import Board
    from harness.engine.pool import Workers

ACCURACY = 1e-3  # share of the period: what a fault does is not told in the fourth digit
SECONDS = 20.0  # wall time of one faulted board at one corner
HINTS = ("frequency", "ramp_low", "ramp_high", "low_level", "high_level")


@dataclass(frozen=True)
class Faulted:
    """A fault at one corner: what the engine gave and the netlist it was given; ``netlist`` is None, and the
    result says why, where the fault could not be put into the netlist."""

    fault: Fault
    corner: int
    netlist: Netlist | None
    result: CornerResult


class FaultStudy:
    """A board and the corners at which faults are asked about.

    ``corners``: by default the one with every axis at its nominal value; ``only`` puts axes elsewhere;
    ``every``: the whole corner table, as far as ``only`` leaves it. ``good``: results without a fault, by
    place in ``corners``. Raises BoardError, NetlistError (input), EngineFailed.
    """

    def __init__(
        self,
        path: Path,
        ledger: Ledger,
        only: Only = (),
        jobs: int | Workers | None = None,
        every: bool = False,
        progress: Progress | None = None,
    ) -> None:
        prepared = prepare(path, only)
        settings = prepared.board.simulation
        self.board: Board = replace(
            prepared.board,
            simulation=replace(
                settings,
                accuracy=max(settings.accuracy, ACCURACY),
                seconds=min(settings.seconds, SECONDS),
            ),
        )
        self.netlist = prepared.netlist
        self.corners = asked_corners(self.board, only, every)
        self.ledger, self.workers, self.progress = ledger, workers_of(jobs), progress
        known, self.engine = characterised(prepared)
        with np.errstate(all="ignore"):
            hints = best_figures(self.board, self.netlist, self.corners, known)
        self.simulations, self.reused, self.engine_seconds = 0, 0, 0.0
        self.good = self._good(prepared, hints)
        self._hints = pd.DataFrame(
            [{name: result.figures.get(name, np.nan) for name in HINTS} for result in self.good]
        )

    def faulted(self, faults: Sequence[Fault]) -> Iterator[Faulted]:
        """Every fault at every corner, in that order, simulated where no earlier run has finished it."""
        places: list[tuple[Fault, int, Netlist]] = []
        tasks: list[Task] = []
        none: dict[tuple[str, int], CornerResult] = {}
        for fault in faults:
            netlist, why = _changed(self.netlist, fault)
            for corner, name in enumerate(self.corners["corner"]):
                if netlist is None:
                    none[fault.name, corner] = CornerResult(str(name), "not simulated", reason=why)
            if netlist is not None:
                places += [(fault, corner, netlist) for corner in range(len(self.corners))]
                tasks += self._tasks(netlist, self._hints)
        results = self.each([(fault, corner) for fault, corner, _ in places], tasks)
        found = {
            (fault.name, corner): Faulted(fault, corner, netlist, result)
            for (fault, corner, netlist), result in zip(places, results, strict=True)
        }
        for fault in faults:
            for corner in range(len(self.corners)):
                key = fault.name, corner
                yield found.get(key) or Faulted(fault, corner, None, none[key])

    def _good(self, prepared: Prepared, hints: pd.DataFrame) -> list[CornerResult]:
        tasks = self._tasks(self.netlist, hints)
        finished = Finished(self.ledger, self.board, self.corners, tasks, self.engine)
        results = simulated(replace(prepared, board=self.board), tasks, self.workers, finished, self.progress)
        self._count(results, finished)
        return results

    def _tasks(self, netlist: Netlist, hints: pd.DataFrame) -> list[Task]:
        """A task a corner: looked at as the board without a fault is, and at what parts have to bear."""
        probes = probes_of(self.board, self.netlist)
        tasks = []
        for task in tasks_of(self.board, netlist, self.corners, hints):
            more = tuple(watches(self.board, netlist, task.sink_currents))
            currents = [name for watch in more for name, _ in watch.through if name.startswith("@")]
            saved = tuple(dict.fromkeys([*task.plan.saved, *currents]))
            tasks.append(
                replace(
                    task,
                    probes=probes,
                    test_load=None,
                    plan=replace(task.plan, saved=saved),
                    watches=(*task.watches, *more),
                )
            )
        return tasks

    def tasks(self) -> list[Task]:
        """The board without a fault, a task a corner, with hints of where its edges are."""
        return self._tasks(self.netlist, self._hints)

    def each(
        self,
        places: Sequence[tuple[Fault, int]],
        tasks: Sequence[Task],
        function: Callable[[Task], CornerResult] = simulate,
    ) -> list[CornerResult]:
        """Runs tasks, each of a fault at a corner, that no earlier run has finished; in their order.
        ``function`` does one of them in a worker."""
        rows = self.corners.iloc[[corner for _, corner in places]].reset_index(drop=True)
        finished = Finished(self.ledger, self.board, rows, tasks, self.engine)
        results = finished.known()
        order = [place for place in range(len(tasks)) if place not in results]
        stream = self.workers.run_all(
            [tasks[place] for place in order], function, self.board.simulation.seconds, self.engine
        )
        for index, outcome in stream:
            place = order[index]
            failed = CornerResult(tasks[place].corner, "not simulated", reason=outcome.reason)
            results[place] = finished.add(place, outcome.value or failed)
            if self.progress is not None:
                self.progress(len(results), len(tasks), f"{places[place][0].name}: {results[place].state}")
        ordered = [results[place] for place in range(len(tasks))]
        self._count(ordered, finished)
        return ordered

    def _count(self, results: Sequence[CornerResult], finished: Finished) -> None:
        self.simulations += len(results)
        self.reused += len(finished.reused)
        self.engine_seconds += sum(
            result.engine_seconds for place, result in enumerate(results) if place not in finished.reused
        )


def asked_corners(board: Board, only: Only, every: bool) -> pd.DataFrame:
    """The corners of a study of faults: one row a corner, as :func:`harness.corners.corner_table` has them.

    Without ``every`` the one with every axis at its nominal value, or where ``only`` puts it. Raises
    BoardError for an axis or a value that the table does not have.
    """
    pairs = list(only.items()) if isinstance(only, Mapping) else list(only)
    if every:
        return corner_table(board, pairs)
    values: dict[str, float] = nominal_row(board)
    for name, value in pairs:
        values[name] = float(corner_table(board, [(name, value)])[name].iloc[0])
    table = corner_table(board)
    same = np.ones(len(table), dtype=bool)
    for name, value in values.items():
        same &= np.isclose(table[name].to_numpy(dtype=float), value, rtol=1e-9, atol=0.0)
    if same.any():
        return table[same].head(1).reset_index(drop=True)
    found = pd.DataFrame([values], columns=list(board.axes), dtype=float)
    found.insert(0, "corner", "nominal" if not pairs else "+".join(f"{n}={v}" for n, v in pairs))
    return found


def _changed(netlist: Netlist, fault: Fault) -> tuple[Netlist | None, str]:
    """The netlist with a fault in it, or why there is none."""
    if fault.unsimulated:
        return None, fault.unsimulated
    try:
        return fault.change(netlist), ""
    except InputError as error:
        return None, "; ".join(finding.message for finding in error.findings)
