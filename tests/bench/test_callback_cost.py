# SPDX-License-Identifier: GPL-3.0-or-later
"""What steering from inside costs: compiled callbacks beside their Python twin, on every family and board."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.engine.steering import VARIABLE, callbacks_kind

WORKER = Path(__file__).with_name("steered_corners.py")
SHARE = 0.25  # of the engine's own time that compiled callbacks may take


def costs(kind: str) -> dict[str, Any]:
    """The worker's table, run with these callbacks. A complaint on stderr fails the bench."""
    run = subprocess.run(
        [sys.executable, str(WORKER)], env=os.environ | {VARIABLE: kind}, capture_output=True, text=True
    )
    assert run.returncode == 0, run.stderr
    table: dict[str, Any] = json.loads(run.stdout)
    assert table.pop("callbacks") == kind
    return table


@pytest.mark.slow
def test_what_the_callbacks_cost(record_bench: Callable[[str, Any], None]) -> None:
    """Same figures to the bit from both; the compiled ones take at most a quarter of the engine's time."""
    if callbacks_kind() != "compiled":
        pytest.skip("no C compiler here")
    compiled, twin = costs("compiled"), costs("python")
    rows = {}
    print(f"\n{'':24}{'ms a corner':>18}{'callbacks/engine':>20}{'twin/compiled':>26}")
    print(f"{'':24}{'compiled':>9}{'twin':>9}{'compiled':>12}{'twin':>8}{'corner':>13}{'runs alone':>13}")
    for name, ours in compiled.items():
        theirs = twin[name]
        row = {
            "corner_ms_compiled": ours["corner"],
            "corner_ms_python": theirs["corner"],
            "callback_share_compiled": ours["callbacks"] / ours["engine"],
            "callback_share_python": theirs["callbacks"] / theirs["engine"],
            "corner_ratio": theirs["corner"] / ours["corner"],
            "runs_ratio": theirs["runs"] / ours["runs"],
            "same_figures": ours["figures"] == theirs["figures"],
        }
        rows[name] = row
        print(
            f"{name:24}{row['corner_ms_compiled']:9.1f}{row['corner_ms_python']:9.1f}"
            f"{row['callback_share_compiled']:12.1%}{row['callback_share_python']:8.1%}"
            f"{row['corner_ratio']:13.2f}{row['runs_ratio']:13.2f}"
        )
    record_bench("callback_cost", rows)
    assert not [name for name, row in rows.items() if not row["same_figures"]]
    assert not [name for name, row in rows.items() if row["callback_share_compiled"] > SHARE]
