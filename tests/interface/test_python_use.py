# SPDX-License-Identifier: GPL-3.0-or-later
"""Use from Python: load a board, run it, look at tables, waveforms and the report."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import harness
from harness.resources import netlists_folder
from harness.results import RunResult


@pytest.fixture(scope="module")
def result() -> RunResult:
    board = harness.load_board(netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml")
    return board.run(only={"temperature": 25, "supply": 15})


def test_tables_and_waveforms(result: RunResult) -> None:
    """One row a corner; the waveform of every corner covers one cycle of the ramp."""
    assert len(result.corners) == 5
    for corner in result.corners["corner"]:
        waves = result.waveform(corner)
        assert np.ptp(waves["ramp"]) == pytest.approx(6.9, rel=1e-3)
        assert (np.diff(waves["time"]) > 0).all()
        assert waves["time"][-1] - waves["time"][0] >= 1.5e-3 * 0.999
    with pytest.raises(KeyError, match='no waveform of corner "c999"'):
        result.waveform("c999")


def test_the_report_and_the_notebook(result: RunResult, tmp_path: Path) -> None:
    page = result.report(tmp_path / "page.html")
    assert page.read_text().startswith("<!DOCTYPE html>")
    shown = result._repr_html_()
    assert "No limit falls short" in shown and "<table" in shown
