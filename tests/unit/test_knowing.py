# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches of device models as tasks of workers: the same values as in one process, and a bench that fails."""

from __future__ import annotations

import itertools
import shutil
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import pytest

from harness.characterise import Models, characterise
from harness.engine.errors import EngineFailed
from harness.engine.pool import Outcome
from harness.engine.workers import Here
from harness.knowing import characterised
from harness.resources import netlists_folder
from harness.run import Prepared, prepare

T = TypeVar("T")
R = TypeVar("R")


@pytest.fixture
def prepared(tmp_path: Path) -> Prepared:
    for name in ("kestrel_slicer.board.toml", "kestrel_slicer.cir"):
        shutil.copy(netlists_folder() / "boards" / "kestrel" / name, tmp_path)
    return prepare(tmp_path / "kestrel_slicer.board.toml")


@dataclass(frozen=True)
class Failing(Here):
    """Does its tasks in this process; those at ``places`` come to nothing."""

    places: tuple[int, ...] = ()
    details: str = ""

    def run_all(
        self, tasks: Iterable[T], function: Callable[[T], R], seconds: float, engine: str
    ) -> Generator[tuple[int, Outcome[R]], None, None]:
        for place, task in enumerate(tasks):
            if place in self.places:
                yield place, Outcome(None, "killed by SIGSEGV", self.details)
            else:
                yield place, Outcome(function(task))


def test_workers_measure_what_one_process_measures(prepared: Prepared, tmp_path: Path) -> None:
    here = characterise(prepared.board, prepared.netlist, tmp_path / "another store", measure=True)
    found, engine = characterised(prepared, Here(2))
    assert engine.startswith("ngspice-")
    assert found.summary() == here.summary() and found.missing == here.missing
    assert found.reused == here.reused == 0
    assert found.engine_seconds > 0.0
    for name, table in here.tables.items():
        assert found.tables[name].figures.tobytes() == table.figures.tobytes()
    again, _ = characterised(prepared)
    assert again.reused == len(again.tables) and again.engine_seconds == 0.0


def test_a_process_that_dies_costs_the_bench_that_it_was_at(prepared: Prepared) -> None:
    every = Models.of(prepared.board, prepared.netlist).benches()
    place = next(place for place, bench in enumerate(every) if bench.title == "slicer output")
    found, _ = characterised(prepared, Failing(1, (place,)))
    assert found.missing == (("slicer.sink", "slicer output: killed by SIGSEGV"),)
    assert set(found.tables) == set(itertools.chain(*(bench.names for bench in every))) - {
        "slicer.sink", "slicer.sense"
    }  # fmt: skip
    again, _ = characterised(prepared, Failing(1))
    assert again.has("slicer.sink") and again.reused == len(found.tables)


@pytest.mark.parametrize("failing", [Failing(1, tuple(range(9))), Failing(1, (0,), "Traceback")])
def test_where_nothing_is_measured_or_the_program_is_wrong_the_run_ends(
    prepared: Prepared, failing: Failing
) -> None:
    with pytest.raises(EngineFailed, match=r"could not be measured alone: .*killed by SIGSEGV"):
        characterised(prepared, failing)
