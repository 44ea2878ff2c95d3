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

    What is left to measure is measured in a process of its own, so that nothing of it is left in this one;
    behind a bench in which an engine gave up another process goes on. Where the store holds all of it for the
    library that would be loaded, no engine is started. Raises EngineMissing, and EngineFailed where measuring
    did not come to an end.
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

    gave_up: dict[str, str] = {}
    while True:
        task = board, netlist, store, gave_up
        (outcome,) = (outcome for _, outcome in run_all([task], _measured, workers=1, seconds=SECONDS))
        if outcome.value is None:
            raise EngineFailed(f"the device models could not be measured alone: {outcome.reason}")
        found, version = outcome.value
        if isinstance(found, dict):
            gave_up = found  # one bench more each time
        else:
            return found, version


def _measured(
    task: tuple[Board, Netlist, Path, dict[str, str]],
) -> tuple[Characteristics | dict[str, str], str]:
    """The values and the engine's version text; or, in place of the values, the benches in which an engine
    gave up, the one of this process among them."""
    from harness.characterise import GaveUp, characterise
    from harness.engine.recognised import write_down
    from harness.engine.session import session

    board, netlist, store, gave_up = task
    engine = session()
    write_down(store.parent, engine.library, engine.version)  # at once: the file may be replaced meanwhile
    try:
        with np.errstate(all="ignore"):
            return characterise(board, netlist, store, measure=True, gave_up=gave_up), engine.version_text
    except GaveUp as stop:
        return {**gave_up, stop.key: stop.why}, engine.version_text
