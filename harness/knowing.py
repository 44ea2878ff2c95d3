# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run knows before its first corner: the device models alone, and which engine it is going to use."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from harness.engine.errors import EngineFailed

if TYPE_CHECKING:
    from pathlib import Path

    from harness.board import Board
    from harness.characterise import Characteristics
    from harness.netlist import Netlist
    from harness.run import Prepared

SECONDS = 300.0  # of wall time for measuring all models of a board


def characterised(prepared: Prepared) -> tuple[Characteristics, str]:
    """The device models alone, and the engine's version text.

    What is left to measure is measured in a process of its own, so that nothing of it is left in this one.
    Where the store holds all of it for the library that would be loaded, no engine is started. Raises
    EngineMissing, and EngineFailed where measuring did not come to an end.
    """
    from harness.characterise import kept
    from harness.engine.library import version_text
    from harness.engine.recognised import recognised

    board, netlist, store = prepared.board, prepared.netlist, prepared.store
    version = recognised(store.parent)
    with np.errstate(all="ignore"):
        known = None if version is None else kept(board, netlist, store, version)
    if known is not None and version is not None:
        return known, version_text(version)
    return _in_a_worker(board, netlist, store)


def _in_a_worker(board: Board, netlist: Netlist, store: Path) -> tuple[Characteristics, str]:
    from harness.engine.pool import run_all

    task = board, netlist, store
    (outcome,) = (outcome for _, outcome in run_all([task], _measured, workers=1, seconds=SECONDS))
    if outcome.value is None:
        raise EngineFailed(f"the device models could not be measured alone: {outcome.reason}")
    return outcome.value


def _measured(task: tuple[Board, Netlist, Path]) -> tuple[Characteristics, str]:
    from harness.characterise import characterise
    from harness.engine.recognised import write_down
    from harness.engine.session import session

    board, netlist, store = task
    engine = session()
    write_down(store.parent, engine.library, engine.version)  # at once: the file may be replaced meanwhile
    with np.errstate(all="ignore"):
        known = characterise(board, netlist, store, measure=True)
    return known, engine.version_text
