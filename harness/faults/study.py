# SPDX-License-Identifier: GPL-3.0-or-later
"""A board with faults, simulated many at a time on the same engine, workers and ledger as a run.

The board without a fault is simulated first, at the same corners: what a fault does is told against it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from harness.corners import corner_table, nominal_row
from harness.faults.fault import Fault
from harness.faults.plain import Story, play
from harness.faults.stress import watches
from harness.findings import InputError
from harness.fingerprints import sources_hash
from harness.finished import Finished
from harness.knowing import characterised
from harness.ledger import Ledger
from harness.netlist import Netlist
from harness.planning import probes_of, tasks_of
from harness.predict.refined import best_figures
from harness.quantities import TEMPERATURE
from harness.run import Only, Progress, prepare, simulated, workers_of
from harness.simulate import CornerResult, Task, simulate

if TYPE_CHECKING:
    from harness.board import Board
    from harness.engine.workers import Workers
    from harness.intent.objects import Axis

ACCURACY = 1e-3  # share of the period: what a fault does is not told in the fourth digit
#: wall time of one faulted board at one corner; a multiple of what one takes, so that a busy machine changes
#: no outcome
SECONDS = 30.0
PERIODS = 12  # of the board without a fault, for which plain steps are run
POINTS = 20_000  # of such a run at most
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
        self._prepared = prepare(path, only)
        settings = self._prepared.board.simulation
        self.board: Board = replace(
            self._prepared.board,
            simulation=replace(
                settings,
                accuracy=max(settings.accuracy, ACCURACY),
                seconds=min(settings.seconds, SECONDS),
            ),
        )
        self.netlist = self._prepared.netlist
        self.ledger, self.workers, self.progress = ledger, workers_of(jobs), progress
        self._known, self.engine = characterised(self._prepared, self.workers)
        self.simulations, self.reused, self.engine_seconds = 0, 0, 0.0
        self._look_at(asked_corners(self.board, only, every))

    def _look_at(self, corners: pd.DataFrame) -> None:
        """Simulates the board without a fault at some corners, where faults are then asked about."""
        self.corners = corners
        with np.errstate(all="ignore"):
            hints = best_figures(self.board, self.netlist, corners, self._known)
        tasks = self._tasks(self.netlist, hints)
        finished = Finished(self.ledger, self.board, corners, tasks, self.engine)
        prepared = replace(self._prepared, board=self.board)
        self.good = simulated(prepared, tasks, self.workers, finished, self.progress)
        self._count(self.good, finished)
        self._hints = pd.DataFrame(
            [{name: result.figures.get(name, np.nan) for name in HINTS} for result in self.good]
        )

    def at_ends(self) -> FaultStudy | None:
        """The same board at both ends of each axis that a player sets, the other axes where they are in this
        study's first corner; None where there is no such axis."""
        ends = end_corners(self.board, self.netlist, self.corners.iloc[0])
        if ends.empty:
            return None
        other = copy(self)
        other.simulations, other.reused, other.engine_seconds = 0, 0, 0.0
        other._look_at(ends)
        return other

    def faulted(self, faults: Sequence[Fault]) -> Iterator[Faulted]:
        """Every fault at every corner, in that order, simulated where no earlier run has finished it. Where
        steered steps come to nothing, plain ones are tried (:mod:`harness.faults.plain`)."""
        places: list[tuple[Fault, int]] = []
        tasks: list[Task] = []
        netlists: dict[str, Netlist | None] = {}
        reasons: dict[str, str] = {}
        for fault in faults:
            netlist, reasons[fault.name] = _changed(self.netlist, fault)
            netlists[fault.name] = netlist
            if netlist is not None:
                places += [(fault, corner) for corner in range(len(self.corners))]
                tasks += self._tasks(netlist, self._hints)
        results = self._with_plain_steps(places, tasks)
        found = {
            (fault.name, corner): result for (fault, corner), result in zip(places, results, strict=True)
        }
        for fault in faults:
            for corner, name in enumerate(self.corners["corner"]):
                none = CornerResult(str(name), "not simulated", reason=reasons[fault.name])
                result = found.get((fault.name, corner), none)
                yield Faulted(fault, corner, netlists[fault.name], result)

    def _with_plain_steps(
        self, places: Sequence[tuple[Fault, int]], tasks: Sequence[Task]
    ) -> list[CornerResult]:
        """Results of tasks: what plain steps have given already, else steered steps, else plain ones."""
        periods = [1.0 / result.figures.get("frequency", np.nan) for result in self.good]
        stories = [plainly(task, periods[place[1]]) for place, task in zip(places, tasks, strict=True)]
        rows = self._rows(places)
        known = Finished(self.ledger, self.board, rows, stories, self.engine).known()
        fresh = [place for place in range(len(tasks)) if place not in known]
        steered = self.each([places[place] for place in fresh], [tasks[place] for place in fresh])
        results = known | dict(zip(fresh, steered, strict=True))
        failed = [
            place
            for place in fresh
            if results[place].state == "not simulated" and math.isfinite(periods[places[place][1]])
        ]
        again = self.each([places[place] for place in failed], [stories[place] for place in failed], play)
        for place, result in zip(failed, again, strict=True):
            if result.state == "not simulated":
                result.reason = f"{results[place].reason}; in plain steps: {result.reason}"
            results[place] = result
        self.simulations += len(known)
        self.reused += len(known)
        return [results[place] for place in range(len(tasks))]

    def _rows(self, places: Sequence[tuple[Fault, int]]) -> pd.DataFrame:
        return self.corners.iloc[[corner for _, corner in places]].reset_index(drop=True)

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
        seconds: float | None = None,
    ) -> list[CornerResult]:
        """Runs tasks, each of a fault at a corner, that no earlier run has finished; in their order.
        ``function`` does one of them in a worker, in at most ``seconds``, by default those of a corner."""
        finished = Finished(self.ledger, self.board, self._rows(places), tasks, self.engine)
        results = finished.known()
        order = [place for place in range(len(tasks)) if place not in results]
        stream = self.workers.run_all(
            [tasks[place] for place in order], function,
            seconds or self.board.simulation.seconds, self.engine,
        )  # fmt: skip
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


def plainly(task: Task, period: float) -> Story:
    """A task in plain steps from the circuit's own start, looked at over the later half; ``period`` (s)
    without a fault, not a number where there is none."""
    stop = PERIODS * period
    return Story(
        task.corner, replace(task.plan, period=period), task.probes, task.sink_currents,
        watches=task.watches, stop=stop, watched=0.5 * stop, as_drawn=True, points=POINTS,
        version=sources_hash(("faults/plain.py",)),
    )  # fmt: skip


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
    return _named(board, [values])


def end_corners(board: Board, netlist: Netlist, row: Mapping[str, float]) -> pd.DataFrame:
    """Both ends of each axis but the temperature and supplies, the other axes as in ``row``, which is left
    out."""
    here = {name: float(row[name]) for name in board.axes}
    ends = [
        here | {name: end}
        for name, axis in board.axes.items()
        if name != TEMPERATURE and not _feeds(board, netlist, axis)
        for end in (min(axis.values), max(axis.values))
        if end != here[name]
    ]
    return _named(board, ends)


def _feeds(board: Board, netlist: Netlist, axis: Axis) -> bool:
    """Whether an axis moves a supply."""
    ends = [{axis.sets: end} for end in (min(axis.values), max(axis.values)) if axis.sets]
    return any(
        len({netlist.value(source, end) for end in ends}) > 1
        for source in {*board.roles.supplies.values(), *filter(None, [board.roles.supply])}
    )


def _named(board: Board, rows: Sequence[Mapping[str, float]]) -> pd.DataFrame:
    """A corner table of these axis values: by the board's own name of the corner, where it has one, else by
    what is not nominal in it."""
    table, nominal = corner_table(board), nominal_row(board)
    names = []
    for row in rows:
        same = np.ones(len(table), dtype=bool)
        for name, value in row.items():
            same &= np.isclose(table[name].to_numpy(dtype=float), value, rtol=1e-9, atol=0.0)
        odd = [f"{n} {board.axes[n].text(value)}" for n, value in row.items() if value != nominal[n]]
        names.append(str(table["corner"][same].iloc[0]) if same.any() else ", ".join(odd) or "nominal")
    found = pd.DataFrame(list(rows), columns=list(board.axes), dtype=float)
    found.insert(0, "corner", names)
    return found


def _changed(netlist: Netlist, fault: Fault) -> tuple[Netlist | None, str]:
    """The netlist with a fault in it, or why there is none."""
    if fault.unsimulated:
        return None, fault.unsimulated
    try:
        return fault.change(netlist), ""
    except InputError as error:
        return None, "; ".join(finding.message for finding in error.findings)
