# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole job in one process, at chosen corners, and what it complains of. Workers of the benchmarks import
this module, so that many boards share one start of the engine."""

from __future__ import annotations

import pickle
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar
from unittest.mock import patch

import numpy as np
import pandas as pd

from harness import run as whole
from harness.corners import corner_table
from harness.engine.errors import EngineDead
from harness.engine.pool import Outcome
from harness.engine.workers import Here
from harness.findings import InputError
from harness.predict.refined import Prediction
from harness.results import RunResult
from harness.shortfalls import shortfalls, shortfalls_of
from harness.simulate import CornerResult, Task

T = TypeVar("T")
R = TypeVar("R")
At = Mapping[str, float]
Complaint = tuple[Any, ...]
FAR = (3, 10, 30, 100, 300)
BAD = {"limit": ("outside", "too close to call", "no figure"), "agreement": ("disagrees", "too coarse")}
BAD_STATES = ("no ramp", "out of range", "chatter", "not simulated")
TRIED = 8.0  # s: a corner that fails after so long is taken for all that follow it
_known: dict[bytes, CornerResult] = {}


@dataclass(frozen=True)
class Job:
    """A board file and the corners to look at; axes that are not named stand at their nominal value."""

    board: Path
    at: tuple[At, ...]


@dataclass(frozen=True)
class Seen:
    """What a run shows. ``code``: its exit status; ``sentences``: findings of a refusal, else what falls
    short; ``complaints``: ("part", name, words), ("state", corner, word), ("agreement" or "limit", quantity,
    corner, word), ("expected", quantity, corner), ("far", quantity, corner, tolerances); ``corners``,
    ``effects``, ``expected``: its tables."""

    code: int
    sentences: tuple[str, ...]
    complaints: frozenset[Complaint] = frozenset()
    corners: pd.DataFrame = field(default_factory=pd.DataFrame)
    effects: pd.DataFrame = field(default_factory=pd.DataFrame)
    expected: pd.DataFrame = field(default_factory=pd.DataFrame)
    seconds: float = 0.0


def result_of(job: Job) -> RunResult:
    """As ``harness.run.run``, at the chosen corners, without workers of its own. Raises what that raises."""
    return result_and_prediction(job)[0]


def result_and_prediction(job: Job) -> tuple[RunResult, Prediction]:
    """The same, and the prediction for the same rows: ideal and refined figures, and effects between them."""
    prepare, amounts, predicted = whole.prepare, whole._effects, whole.Predictor.without_effects
    known: dict[str, Any] = {}

    def prepared(path: str | Path, only: whole.Only = ()) -> whole.Prepared:
        found = prepare(path, only)
        return replace(found, asked=frozenset(_names(found, job.at)))

    def kept(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any) -> Any:
            known[name] = function(*arguments)
            return known[name]

        return call

    with (
        patch.object(whole, "prepare", prepared),
        patch.object(whole.Predictor, "without_effects", kept("prediction", predicted)),
        patch.object(whole, "_effects", kept("effects", amounts)),
    ):
        result = whole.run(job.board, jobs=_InThisProcess(1))
    every = replace(known["prediction"], effects=known["effects"])
    rows = corner_table(result.board)["corner"].isin(result.corners["corner"]).to_numpy()
    tables = {kind: getattr(every, kind)[rows].reset_index(drop=True) for kind in ("ideal", "refined")}
    return result, replace(every, **tables)


def _names(prepared: whole.Prepared, at: Iterable[At]) -> Iterator[str]:
    """Corners by axis values."""
    table = prepared.corners
    for wanted in at:
        values = {name: wanted.get(name, axis.nominal) for name, axis in prepared.board.axes.items()}
        mask = np.all([np.isclose(table[name], value) for name, value in values.items()], axis=0)
        yield str(table.loc[mask, "corner"].iloc[0])


class _InThisProcess(Here):
    """Stands for worker processes."""

    def run_all(
        self, tasks: Iterable[T], function: Callable[[T], R], seconds: float, engine: str
    ) -> Generator[tuple[int, Outcome[R]], None, None]:
        yield from _in_this_process(tasks, function)

    @contextmanager
    def staying(self) -> Iterator[_InThisProcess]:
        yield self


def _in_this_process(
    tasks: Iterable[Any], function: Callable[[Any], Any]
) -> Iterator[tuple[int, Outcome[Any]]]:
    """What ``run_all`` yields, one task after the other. A corner that was simulated before, to the bit, is
    not simulated again; one that failed after a long time stands for those that follow."""
    hopeless = ""
    for index, task in enumerate(tasks):
        if not isinstance(task, Task):
            yield index, Outcome(function(task))
            continue
        key = pickle.dumps(task)
        if key not in _known and hopeless:
            yield index, Outcome(None, hopeless)
            continue
        begun = time.perf_counter()
        try:
            if key not in _known:
                found = function(task)
                assert isinstance(found, CornerResult)
                found.waveforms = {}
                _known[key] = found
        except EngineDead:
            raise
        except Exception as error:
            yield index, Outcome(None, f"{type(error).__name__}: {error}")
            continue
        result = replace(_known[key])
        if result.state in ("no ramp", "not simulated") and time.perf_counter() - begun > TRIED:
            hopeless = f"as in {result.corner}: {result.state}, {result.reason}"
        yield index, Outcome(result)


def look(job: Job) -> Seen:
    """What a run of this board would show its designer. Bad input is a finding, not an error."""
    begun = time.perf_counter()
    try:
        result = result_of(job)
    except InputError as error:
        return Seen(2, tuple(str(finding) for finding in error.findings))
    except whole.EngineFailed as error:
        return Seen(3, (str(error),))
    reasons = tuple(reason.words for reason in shortfalls_of(result))
    return Seen(
        1 if reasons else 0,
        reasons,
        complaints_of(result),
        result.corners,
        result.effects,
        result.expected,
        time.perf_counter() - begun,
    )


def complaints_of(result: RunResult) -> frozenset[Complaint]:
    """Every cell of a run's tables for which its exit status is 1; and what the first screen lists as
    explained, yet far off: more than 3, 10, 30... tolerances."""
    table, check, expected = result.corners, result.check, result.expected
    wrong = check[check["verdict"].isin(("differs", "not drawn"))]
    found: set[Complaint] = {("part", row.part, f"{row.intended}; {row.drawn}") for row in wrong.itertuples()}
    for corner, state in zip(table["corner"], table["state"], strict=True):
        if state in BAD_STATES:
            found.add(("state", corner, state))
    for column in table.columns:
        quantity, _, kind = str(column).partition(".")
        for corner, word in zip(table["corner"], table[column], strict=True):
            if word in BAD.get(kind, ()):
                found.add((kind, quantity, corner, word))
    for _, row in expected[expected["agreement"] != "agrees"].iterrows():
        found.add(("expected", str(row["quantity"]), str(row["corner"])))
    reasons = shortfalls(result.board, table, check, expected)
    assert bool(reasons) == bool(found), (reasons, found)
    for quantity in (c.removesuffix(".agreement") for c in table.columns if c.endswith(".agreement")):
        off = (table[f"{quantity}.difference"] / table[f"{quantity}.tolerance"]).abs()
        explained = table[f"{quantity}.agreement"] == "explained"
        for step in FAR:
            found |= {
                ("far", quantity, corner, step) for corner in table.loc[explained & (off > step), "corner"]
            }
    return frozenset(found)
