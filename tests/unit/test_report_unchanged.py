# SPDX-License-Identifier: GPL-3.0-or-later
"""A page that would come out the same is not drawn again; one that would not, or was touched, is."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import pytest

from harness import ledger
from harness.faults import case
from harness.fingerprints import PACKAGE
from harness.report.unchanged import SOURCES, drawn_from
from harness.results import RunResult
from harness.writing import write_run

sys.path.insert(0, str(Path(__file__).parent))  # the made-up run lies beside the tests
from report_fixture import make_result


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> RunResult:
    return make_result(tmp_path_factory.mktemp("board"), controls=2)


def test_only_what_shows_counts(result: RunResult) -> None:
    source = drawn_from(result)
    slower = dataclasses.replace(result, run={**result.run, "wall_seconds": 99.0, "reused": 57})
    assert drawn_from(slower) == source
    corners = result.corners.copy()
    corners.loc[0, "duty.simulated"] += 1e-12
    ratings = result.ratings.assign(source="another edition")
    waves = {name: dict(wave) for name, wave in result.waveforms.items()}
    first = next(iter(waves.values()))
    first["ramp"] = first["ramp"] + 1e-12
    for other in (
        dataclasses.replace(result, corners=corners),
        dataclasses.replace(result, ratings=ratings),
        dataclasses.replace(result, waveforms=waves),
        dataclasses.replace(result, notes=result.lint),
        dataclasses.replace(result, run={**result.run, "left_out": 3}),
    ):
        assert drawn_from(other) != source


def test_an_unchanged_page_stays_and_a_touched_one_does_not(result: RunResult, tmp_path: Path) -> None:
    write_run(result, tmp_path)
    page = tmp_path / "report.html"
    first, drawn = page.read_bytes(), page.stat().st_mtime_ns
    write_run(result, tmp_path)
    assert page.stat().st_mtime_ns == drawn
    page.write_bytes(first.replace(b"Sandpiper", b"Sandpaper"))
    write_run(result, tmp_path)
    assert page.read_bytes() == first


def test_the_sources_are_files_of_the_package() -> None:
    """A pattern that matches nothing would hide a change for ever."""
    assert all(list(PACKAGE.glob(pattern)) for pattern in (*SOURCES, *ledger.SOURCES, *case.VERSION))
