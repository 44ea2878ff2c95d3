# SPDX-License-Identifier: GPL-3.0-or-later
"""Benchmarks share one file of results, reports/bench.json, with one entry a benchmark."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture
def record_bench() -> Callable[[str, Any], None]:
    """Stores one benchmark's figures under its name in reports/bench.json."""

    def record(name: str, content: Any) -> None:
        path = Path(__file__).parents[2] / "reports" / "bench.json"
        path.parent.mkdir(exist_ok=True)
        table = json.loads(path.read_text()) if path.exists() else {}
        table[name] = content
        path.write_text(json.dumps(table, indent=2) + "\n")

    return record
