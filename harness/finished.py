# SPDX-License-Identifier: GPL-3.0-or-later
"""The corners of one run against the ledger: what an earlier run has finished, and what is added to it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.engine.errors import EngineFailed
from harness.engine.recognised import NAME as RECORD
from harness.findings import InputError
from harness.ledger import Ledger, Origin, keys_of, lean, ledger_path
from harness.simulate import CornerResult, Task

if TYPE_CHECKING:
    import pandas as pd

    from harness.board import Board

Waves = dict[str, NDArray[np.float64]]


@contextmanager
def open_ledger(board: Path, named: Path | None) -> Iterator[Ledger]:
    """The ledger of a board file. Where its folder cannot be written, one in memory: nothing is reused then.

    Raises InputError for a named file that cannot be used, and for one beside the board that is not ours.
    """
    path = ledger_path(board, named)
    try:
        ledger = Ledger(path)
    except InputError as error:
        if named is not None or path.exists():
            raise
        ledger = Ledger(None)
        ledger.remarks.append(f"finished corners are not kept: {error.findings[0].message}")
    with ledger:
        yield ledger


class Finished:
    """The corners of a run and their keys in the ledger. ``reused``: places of those an earlier run finished.

    ``corners``: the rows of the corner table that the tasks stand for; ``engine``: its version text.
    """

    def __init__(
        self, ledger: Ledger, board: Board, corners: pd.DataFrame, tasks: Sequence[Task], engine: str
    ) -> None:
        self.ledger, self.board, self.engine = ledger, board, engine
        self.names = [str(name) for name in corners["corner"]]
        self.axes = corners[list(board.axes)].to_numpy(dtype=float)
        self.keys = keys_of(tasks, engine)
        self.reused: frozenset[int] = frozenset()

    @property
    def remarks(self) -> list[str]:
        """What had to be done on the way, for the reader of the run."""
        return self.ledger.remarks

    def known(self) -> dict[int, CornerResult]:
        """Finished corners by their place in the table."""
        found = self.ledger.find(self.keys)
        known: dict[int, CornerResult] = {}
        for place, key in enumerate(self.keys):
            if key in found:
                known[place] = replace(found[key], corner=self.names[place])
        self.reused = frozenset(known)
        return known

    def add(self, place: int, result: CornerResult) -> CornerResult:
        """Writes a result down, and gives it back without its waveforms. What came to nothing is tried anew
        by the next run. Raises EngineFailed for a figure of another engine than the key of its corner
        says."""
        if result.state != "not simulated":
            if result.engine != self.engine:
                raise EngineFailed(
                    f"{result.corner} was simulated by {result.engine or 'an engine that does not tell'} and"
                    f" not by {self.engine}: delete .ramp-harness/{RECORD} beside the board file, and run"
                    " again"
                )
            axes = dict(zip(self.board.axes, map(float, self.axes[place]), strict=True))
            origin = Origin(self.board.name, self.board.revision, self.names[place], axes)
            self.ledger.add(self.keys[place], origin, result)
        result.waveforms = {}
        return lean(result)

    def waveforms(self, corners: Iterable[str]) -> dict[str, Waves]:
        """Waveforms of corners, those left out that have none."""
        keys = dict(zip(self.names, self.keys, strict=True))
        found = {corner: self.ledger.waveforms(keys[corner]) for corner in corners}
        return {corner: waves for corner, waves in found.items() if waves is not None}
