# SPDX-License-Identifier: GPL-3.0-or-later
"""Work that several processes ask for and one of them does."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

_FOR_EVER = 1e6  # s


def once(folder: Path, name: str, work: Callable[[], str]) -> str:
    """The text that ``work`` gives. Of all processes that ask for ``name`` in ``folder`` one does the work,
    the others wait for it; where it dies or ``work`` raises, the next one tries.

    The lock is SQLite's, which no process that died can leave behind.
    """
    file = folder / f"{hashlib.sha256(name.encode()).hexdigest()}.sqlite"
    with closing(sqlite3.connect(file, timeout=_FOR_EVER, isolation_level=None)) as base:
        base.execute("BEGIN EXCLUSIVE")
        base.execute("CREATE TABLE IF NOT EXISTS done (text TEXT NOT NULL)")
        found: tuple[str] | None = base.execute("SELECT text FROM done").fetchone()
        if found is None:
            found = (work(),)
            base.execute("INSERT INTO done VALUES (?)", found)
        base.execute("COMMIT")
    return found[0]
