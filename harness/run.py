# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole job: board file to corners, prediction, simulation, measurement, verdict, tables."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from harness.board import Board, load_board
from harness.conceded import outcomes
from harness.corners import corner_table, nominal_row
from harness.drawing import cautions, compare_drawing, contradictions, drawn_values
from harness.engine.errors import EngineFailed
from harness.engine.meanings import meaning
from harness.findings import BoardError, Finding, NetlistError
from harness.finished import Finished, open_ledger
from harness.knowing import characterised
from harness.netlist import Netlist, read_netlist
from harness.netlist.lint import lint
from harness.planning import tasks_of
from harness.predict.hand import hand_substitution, hand_table
from harness.predict.refined import Prediction, Predictor, predict
from harness.ratings import judged as judged_ratings
from harness.ratings import rated_parts
from harness.report import tables
from harness.results import CURE_COLUMNS, RunResult
from harness.revision.kept import kept_of
from harness.run_record import run_record
from harness.simulate import CornerResult, Task, simulate
from harness.smoothness import distrusted, stepped_sweeps
from harness.states import reason_of, state_of
from harness.studies.variation import unusable
from harness.verdict import apart, expected_figures, judge, literal_hand, trusted_formulas

if TYPE_CHECKING:
    from harness.characterise import Characteristics
    from harness.engine.workers import Workers

Progress = Callable[[int, int, str], None]
Only = Sequence[tuple[str, float | str]] | Mapping[str, float | str]
_DECK_NUMBERS = re.compile(
    r"^line \d+: |\b[Ee]rror on line \d+( or its substitute)?:?\s*"
)  # not the user's lines
PROBES = 4  # corners far apart in the table: where none of them can be simulated, the run ends
WORKERS = 2


@dataclass(frozen=True)
class Prepared:
    """Everything known before the engine runs. ``hand_on_drawn``: hand formulas fed with drawn values.

    ``corners`` is the board's whole table, also where only some corners are to be run: whether a formula is
    right is a question to the whole sweep. ``asked``: names of the corners to run; ``left_out``: how many
    are not.
    """

    board: Board
    netlist: Netlist
    corners: pd.DataFrame
    asked: frozenset[str]
    left_out: int
    check: pd.DataFrame
    hand: pd.DataFrame
    hand_on_drawn: pd.DataFrame
    lint: tuple[Finding, ...]

    @property
    def store(self) -> Path:
        """Where figures of device models, measured alone, are kept."""
        return self.board.path.parent / ".ramp-harness" / "models"


def prepare(path: str | Path, only: Only = ()) -> Prepared:
    """Reads board file and netlist and predicts by hand. Raises BoardError or NetlistError with all
    findings."""
    board = load_board(Path(path))
    netlist = read_netlist(board.netlist, board.include, board.dialects)
    if findings := [*board.check_against(netlist), *unusable(board, netlist)]:
        raise BoardError(findings)
    corners = corner_table(board)
    pairs = list(only.items()) if isinstance(only, Mapping) else only
    asked = frozenset(corner_table(board, pairs)["corner"])
    hand = literal_hand(board, corners, hand_table(board, corners))
    on_drawn = literal_hand(board, corners, hand_table(board, corners, values=drawn_values(board, netlist)))
    remarks = tuple(lint(netlist)) + tuple(cautions(board, netlist))
    left_out = len(corners) - len(asked)
    return Prepared(
        board, netlist, corners, asked, left_out, compare_drawing(board, netlist), hand, on_drawn, remarks
    )


def predictions(prepared: Prepared, measure: bool) -> Prediction:
    """Solved, ideal and refined predictions; ``measure``: device models that are not known yet are measured
    alone. What a wrong drawing leaves without a figure is NaN, without numpy's warnings."""
    from harness.characterise import characterise

    with np.errstate(all="ignore"):
        known = characterise(prepared.board, prepared.netlist, prepared.store, measure=measure)
        return predict(prepared.board, prepared.netlist, prepared.corners, known)


def run(
    path: str | Path,
    jobs: int | Workers | None = None,
    only: Only = (),
    accuracy: float | None = None,
    progress: Progress | None = None,
    waveforms: bool = False,
    ledger: Path | None = None,
) -> RunResult:
    """Simulates every corner of a board that no earlier run has finished, and judges all of them.

    ``jobs``: worker processes, or workers elsewhere such as :func:`harness.engine.cluster.connected` gives;
    ``only``: axis values to restrict to; ``accuracy``: share of the period that duty bars should reach;
    ``progress(done, all, text)`` is called as corners finish; ``waveforms``: keep those of every corner, not
    only of the telling ones; ``ledger``: the file of finished corners, where it is not the one beside the
    board file. Raises BoardError, NetlistError or another InputError (input), EngineMissing or EngineFailed
    (engine).
    """
    begun = time.perf_counter()
    prepared = prepare(path, only)
    board = prepared.board
    if accuracy is not None:
        board = replace(board, simulation=replace(board.simulation, accuracy=accuracy))
        prepared = replace(prepared, board=board)
    workers = workers_of(jobs)
    with ExitStack() as ends:
        staying = ends.enter_context(workers.staying())
        known, engine = characterised(prepared, staying)
        with np.errstate(all="ignore"):
            predictor = Predictor(board, prepared.netlist, prepared.corners, known)
            whole = predictor.without_effects()
        trusted = trusted_formulas(
            board, prepared.corners, prepared.hand, prepared.hand_on_drawn, whole.ideal, whole.refined
        )
        rows = prepared.corners["corner"].isin(prepared.asked)
        prepared, prediction = _only(prepared, rows), _only_predicted(whole, rows)
        trusted = trusted[rows].reset_index(drop=True)
        hints = prediction.refined.combine_first(prediction.ideal)
        tasks = tasks_of(board, prepared.netlist, prepared.corners, hints)
        with ThreadPoolExecutor(1) as beside, open_ledger(board.path, ledger) as book:
            finished = Finished(book, board, prepared.corners, tasks, engine)
            waiting = beside.submit(_effects, predictor)
            del predictor  # and with it all that it has worked out, as soon as the effects are there
            results = simulated(prepared, tasks, staying, finished, progress)
            del tasks, hints, whole  # nobody asks for them any more, and by the ten thousand they take room
            beside.submit(ends.pop_all().close)  # nothing waits for processes that end
            effects = waiting.result()
            prediction = replace(prediction, effects=effects[effects["corner"].isin(prepared.asked)])
            return _judged(prepared, prediction, known, trusted, results, finished, workers, begun, waveforms)


def workers_of(jobs: int | Workers | None) -> Workers:
    """Who simulates: that many processes of this machine, a few where nothing is said, or who is named."""
    from harness.engine.workers import Here

    if jobs is None or isinstance(jobs, int):
        return Here(jobs or min(WORKERS, os.cpu_count() or 1))
    return jobs


def _only(prepared: Prepared, rows: pd.Series) -> Prepared:
    """The same with the corners to run alone."""
    tables = {
        name: getattr(prepared, name)[rows].reset_index(drop=True)
        for name in ("corners", "hand", "hand_on_drawn")
    }
    return replace(prepared, **tables)


def _only_predicted(prediction: Prediction, rows: pd.Series) -> Prediction:
    tables = {
        name: getattr(prediction, name)[rows].reset_index(drop=True)
        for name in ("solved", "ideal", "refined")
    }
    return replace(prediction, **tables)


def _effects(predictor: Predictor) -> pd.DataFrame:
    """The amounts of effects at every corner of the table: nothing waits for them while corners run."""
    with np.errstate(all="ignore"):
        return predictor.effects()


def simulated(
    prepared: Prepared,
    tasks: Sequence[Task],
    workers: Workers,
    finished: Finished,
    progress: Progress | None,
) -> list[CornerResult]:
    """All corners, in the order of the table. What is not written down already is simulated; each result is
    written down at once, its waveforms with it, so that memory stays flat."""
    results = finished.known()
    order = [index for index in _probes_first(len(tasks)) if index not in results]
    if not order:
        return [results[index] for index in range(len(tasks))]
    probes = set(order[:PROBES]) if not results else set()
    stream = workers.run_all(
        [tasks[index] for index in order], simulate, prepared.board.simulation.seconds, finished.engine
    )
    for place, outcome in stream:
        index = order[place]
        result = outcome.value or CornerResult(tasks[index].corner, "not simulated", reason=outcome.reason)
        results[index] = finished.add(index, result)
        if progress is not None:
            progress(len(results), len(tasks), f"{result.corner}: {result.state}")
        if probes and probes <= results.keys():
            if all(results[probe].state == "not simulated" for probe in probes):
                stream.close()
                _raise_failure(prepared, [results[probe] for probe in sorted(probes)])
            probes = set()  # asked once: what else has come in by now must not matter
    return [results[index] for index in range(len(tasks))]


def _probes_first(count: int) -> list[int]:
    """All places of a table, a few that lie far apart first: where none of them runs, nothing will."""
    probes = sorted({round(place * (count - 1) / (PROBES - 1)) for place in range(PROBES)})
    return probes + [index for index in range(count) if index not in set(probes)]


def _raise_failure(prepared: Prepared, failures: Sequence[CornerResult]) -> None:
    """No corner runs: a netlist the engine does not accept is bad input, anything else an engine failure."""
    deck, first = prepared.netlist.deck(), failures[0]
    words = _DECK_NUMBERS.sub("", first.reason)
    if first.line is not None and 1 <= first.line <= len(deck):
        line = deck[first.line - 1]
        raise NetlistError(
            [Finding(line.path, f"ngspice does not accept this line: {words}", line=line.number)]
        )
    usually = meaning(words)
    corners = ", ".join(failure.corner for failure in failures)
    raise EngineFailed(
        f"{prepared.netlist.path.name}: none of the corners {corners} could be simulated, so the run was"
        f" ended; earlier results are untouched.\n  {first.corner}: {words}"
        + (f"\n  Usually: {usually}." if usually else "")
    )


def _judged(
    prepared: Prepared,
    prediction: Prediction,
    known: Characteristics,
    trusted: pd.DataFrame,
    results: Sequence[CornerResult],
    finished: Finished,
    workers: Workers,
    begun: float,
    keep_all: bool,
) -> RunResult:
    board, netlist = prepared.board, prepared.netlist
    corners = prepared.corners.copy()
    corners["state"] = [state_of(result) for result in results]
    corners["reason"] = [reason_of(result) for result in results]
    rated = rated_parts(board, netlist)
    corners["ratings"], ratings = judged_ratings(
        rated, [result.corner for result in results], [result.stresses for result in results]
    )
    figures = pd.DataFrame([result.figures for result in results], index=corners.index)
    widths = pd.DataFrame([result.bars for result in results], index=corners.index)
    spectra = _harmonics(results)
    _emptied(results)
    stepped = stepped_sweeps(list(board.axes), corners, figures, widths)
    widths = distrusted(widths, stepped)
    table, effects = judge(
        board, corners, prepared.hand, prepared.hand_on_drawn,
        {"solved": prediction.solved, "ideal": prediction.ideal, "refined": prediction.refined},
        prediction.effects, trusted, figures, widths,
    )  # fmt: skip
    expected = expected_figures(board, table, prepared.asked)
    conceded = outcomes(board, table, prepared.check, expected)
    telling = _telling(board, table)
    kept = list(table["corner"]) if keep_all else list(telling)
    nearest = tables.nominal_row(board, table)
    put_in = nominal_row(board) if nearest is None else {name: float(nearest[name]) for name in board.axes}
    wrong = tuple(
        contradictions(board, netlist, prediction)
    )  # then nothing refined can be near, and that is why
    waveforms = finished.waveforms(kept)
    cures = _cures(prepared, known, table)
    drawing = kept_of(board, netlist, prepared.hand_on_drawn, table)
    lint = (*prepared.lint, *(wrong or apart(board, table)))
    return RunResult(
        board=board,
        corners=table,
        harmonics=spectra,
        effects=effects,
        check=prepared.check,
        expected=expected,
        run=run_record(
            board,
            netlist,
            prepared.left_out,
            known,
            results,
            finished,
            workers,
            time.perf_counter() - begun,
            [sweep.sentence() for sweep in stepped],
            [one.record() for one in conceded],
        ),
        waveforms=waveforms,
        telling=telling,
        formulas={
            name: (str(board.hand[name].text), text)
            for name, text in hand_substitution(board, put_in).items()
        },
        parts_text=tuple(prediction.origins),
        lint=lint,
        notes=tuple(netlist.notes),
        ratings=ratings,
        cures=cures,
        drawing=drawing,
    )


def _cures(prepared: Prepared, known: Characteristics, table: pd.DataFrame) -> pd.DataFrame:
    """For each limit that is outside somewhere what cures it, by the closed forms alone."""
    if not any((table[f"{name}.limit"] == "outside").any() for name in prepared.board.limits):
        return pd.DataFrame(columns=CURE_COLUMNS)
    from harness.studies.cures import cures_of

    with np.errstate(all="ignore"):
        return cures_of(prepared.board, prepared.netlist, known, prepared.corners, table)


def _harmonics(results: Sequence[CornerResult]) -> pd.DataFrame:
    values = [result.harmonics for result in results]
    counts = [len(value) for value in values]
    every = np.concatenate([*values, np.zeros(0, dtype=complex)])
    names = np.array([result.corner for result in results], dtype=object)
    return pd.DataFrame(
        {
            "corner": pd.Series(np.repeat(names, counts), dtype=str),
            "harmonic": np.concatenate([np.arange(1, count + 1) for count in (*counts, 0)]),
            "amplitude": np.hypot(every.real, every.imag),
            "phase": np.angle(every),
        }
    )


def _emptied(results: Sequence[CornerResult]) -> None:
    """Lets go of what stands in tables by now: as single numbers it takes ten times the room."""
    for result in results:
        result.figures, result.bars, result.stresses, result.words = {}, {}, {}, {}
        result.harmonics = np.zeros(0, dtype=complex)


def _telling(board: Board, table: pd.DataFrame) -> dict[str, str]:
    """The corners whose waveforms are shown, each with the reason."""
    chosen: dict[str, str] = {}
    mask = np.ones(len(table), dtype=bool)
    for name, axis in board.axes.items():
        mask &= np.isclose(table[name].to_numpy(dtype=float), axis.nominal, rtol=1e-9, atol=0.0)
    if mask.any():
        chosen[str(table.loc[mask, "corner"].iloc[0])] = "every axis at its nominal value"
    for state in table["state"].unique():
        if state not in ("pulsing", "not simulated"):
            chosen.setdefault(
                str(table.loc[table["state"] == state, "corner"].iloc[0]), f"the output is: {state}"
            )
    if "duty.simulated" in table.columns and table["duty.simulated"].notna().any():
        duty = table["duty.simulated"]
        chosen.setdefault(str(table.loc[duty.idxmin(), "corner"]), "the narrowest pulse")
        chosen.setdefault(str(table.loc[duty.idxmax(), "corner"]), "the widest pulse")
        gap = table["duty.difference"].abs()
        if gap.notna().any():
            chosen.setdefault(
                str(table.loc[gap.idxmax(), "corner"]), "hand and simulated duty farthest apart"
            )
    for name in board.limits:
        margin = table.get(f"{name}.margin")
        if margin is not None and margin.notna().any() and margin.min() < 0:
            chosen.setdefault(
                str(table.loc[margin.idxmin(), "corner"]), f"{name}: farthest outside its limit"
            )
    for corner in board.simulation.report_corners:
        if corner in set(table["corner"]):
            chosen.setdefault(corner, "asked for in the board file")
    return chosen
