# SPDX-License-Identifier: GPL-3.0-or-later
"""Corners of the demo boards, steered by the compiled callbacks and by their twin: equal to the bit."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest

from harness.characterise import characterise
from harness.engine import decades, steering
from harness.engine.stepper import make_stepper
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.resources import netlists_folder
from harness.run import prepare
from harness.simulate import simulate


@pytest.mark.parametrize(("board", "count"), [("kestrel_slicer", 3), ("kestrel", 2)])
def test_board_corners_do_not_depend_on_the_callbacks(
    board: str, count: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Figures, bars, harmonics and waveforms of corners far apart in the table."""
    if steering.library() is None:
        pytest.skip("no C compiler here")
    prepared = prepare(netlists_folder() / "boards" / "kestrel" / f"{board}.board.toml")
    known = characterise(prepared.board, prepared.netlist, tmp_path, measure=True)
    hints = predict(prepared.board, prepared.netlist, prepared.corners, known).refined
    tasks = tasks_of(prepared.board, prepared.netlist, prepared.corners, hints)
    chosen = tasks[:: len(tasks) // count][:count]
    ours = [simulate(task) for task in chosen]
    monkeypatch.setattr(decades, "make_stepper", partial(make_stepper, compiled=False))
    theirs = [simulate(task) for task in chosen]
    for one, other in zip(ours, theirs, strict=True):
        assert one.figures and one.state == other.state and one.points == other.points
        assert repr(one.figures) == repr(other.figures) and repr(one.bars) == repr(other.bars)
        assert one.harmonics.tobytes() == other.harmonics.tobytes()
        assert {k: w.tobytes() for k, w in one.waveforms.items()} == {
            k: w.tobytes() for k, w in other.waveforms.items()
        }
