# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run knows before its first corner: the device models alone, and which engine it is going to use."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from harness.engine.errors import EngineFailed

if TYPE_CHECKING:
    from pathlib import Path

    from harness.alone.subject import Bench
    from harness.board import Board
    from harness.characterise import Characteristics, Found
    from harness.engine.workers import Workers
    from harness.netlist import Netlist
    from harness.run import Prepared

SECONDS = 300.0  # of wall time for one bench


def characterised(prepared: Prepared, workers: Workers | None = None) -> tuple[Characteristics, str]:
    """The device models alone, and the engine's version text.

    What is left to measure is measured in processes of this machine, each bench a task, so that nothing of it
    is left in this one: by ``workers`` where these are such processes, else by one. Where the store holds all
    of it for the library that would be loaded, no engine is started. Raises EngineMissing, and EngineFailed
    where nothing can be measured.
    """
    from harness.characterise import kept
    from harness.engine.library import version_text
    from harness.engine.recognised import recognised
    from harness.engine.workers import Here, Staying

    board, netlist, store = prepared.board, prepared.netlist, prepared.store
    version = recognised(store.parent)
    with np.errstate(all="ignore"):
        known = None if version is None else kept(board, netlist, store, version)
    if known is not None and version is not None:
        return known, version_text(version)
    return _in_workers(board, netlist, store, workers if isinstance(workers, Here | Staying) else Here(1))


def _in_workers(board: Board, netlist: Netlist, store: Path, workers: Workers) -> tuple[Characteristics, str]:
    from harness.characterise import Models, name_of

    with np.errstate(all="ignore"):
        models = Models.of(board, netlist)
        every = models.benches()
    subject = pickle.dumps((board, netlist, store))
    tasks = [(subject, place) for place in range(max(1, len(every)))]
    found: dict[tuple[str, str], Found] = {}
    engine, seconds = "", 0.0
    for place, outcome in workers.run_all(tasks, _measured, SECONDS, engine):
        if outcome.value is not None:
            engine, result, took = outcome.value
            seconds += took
        elif outcome.details or not every:
            raise EngineFailed(f"the device models could not be measured alone: {outcome.reason}")
        else:
            result = f"{every[place].title}: {outcome.reason}"
        if result is not None:
            found[name_of(every[place])] = result
    if not engine:
        raise EngineFailed(f"the device models could not be measured alone: {next(iter(found.values()))}")
    with np.errstate(all="ignore"):
        known = models.put_together(found)
    return replace(known, engine_seconds=seconds), engine


# --- in a worker


def _measured(task: tuple[bytes, int]) -> tuple[str, Found | None, float]:
    """The engine's version text, what is found on the bench at a place (None where a board has none), and the
    seconds inside the engine."""
    from harness.characterise import measured
    from harness.engine.recognised import write_down
    from harness.engine.session import session

    subject, place = task
    engine = session()
    before = engine.engine_seconds
    every, store = _benches(subject)
    if place == 0:
        # at once: the file may be replaced meanwhile
        write_down(store.parent, engine.library, engine.version)
    with np.errstate(all="ignore"):
        found = measured(every[place], store) if every else None
    return engine.version_text, found, engine.engine_seconds - before


@lru_cache(maxsize=1)
def _benches(subject: bytes) -> tuple[list[Bench], Path]:
    """The benches of a pickled board with its netlist and store: the same for all tasks of a run."""
    from harness.characterise import Models

    board, netlist, store = pickle.loads(subject)
    with np.errstate(all="ignore"):
        return Models.of(board, netlist).benches(), store
