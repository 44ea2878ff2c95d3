# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a page that lies in a folder already is the one that would be drawn: drawing takes seconds."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pandas as pd

from harness.fingerprints import sources_hash
from harness.report.details import VOLATILE
from harness.results import RunResult

SOURCES = (
    "report/*.py",
    "report/templates/*",
    "quantities.py",
    "units.py",
    "verdict.py",
    "chain.py",
    "findings.py",
    "ratings.py",
    "conceded.py",
    "shortfalls.py",
    "tolerances.py",
    "intent/objects.py",
)


def drawn_from(result: RunResult) -> str:
    """Hash of all that a page is drawn from, the sources that draw it included; not of how long a run
    took."""
    digest = hashlib.sha256(sources_hash(SOURCES).encode())
    for name in ("corners", "harmonics", "effects", "check", "expected", "ratings", "cures"):
        table: pd.DataFrame = getattr(result, name)
        digest.update("\0".join(map(str, table.columns)).encode())
        digest.update(pd.util.hash_pandas_object(table, index=False).to_numpy().tobytes())
    texts = [
        {name: value for name, value in result.run.items() if name not in VOLATILE},
        dict(result.telling), {name: list(pair) for name, pair in result.formulas.items()},
        list(result.parts_text), [str(finding) for finding in (*result.lint, *result.notes)],
        result.board.sha256,
    ]  # fmt: skip
    digest.update(json.dumps(texts, sort_keys=True).encode())
    for corner, waves in sorted(result.waveforms.items()):
        if corner in result.telling:
            digest.update(corner.encode())
            for name, wave in sorted(waves.items()):
                digest.update(name.encode() + wave.tobytes())
    return digest.hexdigest()


def is_unchanged(page: Path, record: Path, source: str) -> bool:
    """True where ``page`` is, to the byte, the one that an earlier run drew from the same (``source``), by
    what that run wrote down in ``record``."""
    try:
        written = json.loads(record.read_text(encoding="utf-8"))["report"]
        return bool(
            written["drawn_from"] == source
            and written["sha256"] == hashlib.sha256(page.read_bytes()).hexdigest()
        )
    except (OSError, ValueError, KeyError, TypeError):
        return False
