# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run costs besides the engine: wall time over the engine's own time, shared by the workers."""

from __future__ import annotations

import re
import resource
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.resources import netlists_folder
from harness.run import run

WORKERS = 2
LEAST_CORNERS = 500
CONTROLS = {
    "kestrel_slicer": 61,
    "kestrel": 61,
}  # values of the control, among them those of the board itself
GOAL = 1.10
MOST = {
    "kestrel_slicer": 2.2,
    "kestrel": 1.5,
}  # a floor against regressions; the goal is for boards of real size


def processor_seconds() -> float:
    """Of this process and of the workers that have ended, s."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(part.ru_utime + part.ru_stime for part in used)


def board_in(folder: Path, name: str) -> Path:
    """A copy of a board with so many values of its control that it has ``LEAST_CORNERS``."""
    return with_controls(folder, name, [round(float(v), 4) for v in np.linspace(0.0, 10.0, CONTROLS[name])])


def with_controls(folder: Path, name: str, values: list[float]) -> Path:
    """A copy of a board with other values of its control; figures for single corners are left out."""
    source = netlists_folder() / "boards" / "kestrel" / f"{name}.board.toml"
    text = re.sub(
        r"^\[expected\]\n(?:[^\n[].*\n|[\])}].*\n|\n)*", "", source.read_text(encoding="utf8"), flags=re.M
    )
    text, count = re.subn(r"(\[axes\.control\]\s*values = )\[[^]]*\]", rf"\g<1>{values}", text)
    assert count == 1
    shutil.copy(source.with_name(f"{name}.cir"), folder)
    path = folder / source.name
    path.write_text(text, encoding="utf8")
    return path


@pytest.mark.slow
@pytest.mark.parametrize("name", list(CONTROLS))
def test_wall_time_over_engine_time(
    name: str, tmp_path: Path, record_bench: Callable[[str, Any], None]
) -> None:
    """More than 500 corners, nothing known before, from the board file to the judged table."""
    path = board_in(tmp_path, name)
    begun = processor_seconds()
    record = run(path, jobs=WORKERS).run
    used = processor_seconds() - begun
    corners = record["corners"]
    engine = record["engine_seconds"]
    ratio = record["wall_seconds"] / (engine / WORKERS)
    row = {
        "corners": corners,
        "workers": WORKERS,
        "wall_seconds": record["wall_seconds"],
        "engine_seconds": engine,
        "callback_seconds": record["callback_seconds"],
        "model_engine_seconds": record["model_engine_seconds"],
        "processor_milliseconds_a_corner": 1e3 * used / corners,
        "ratio": ratio,
        "goal": GOAL,
    }
    print(f"\n{name}: {corners} corners, wall {row['wall_seconds']:.1f} s, engine {engine:.1f} s", end=", ")
    print(f"{row['processor_milliseconds_a_corner']:.1f} ms of processor a corner, ratio {ratio:.2f}")
    record_bench(f"wall_time_{name}", row)
    assert corners >= LEAST_CORNERS and record["simulated"] == corners
    assert ratio <= MOST[name]
