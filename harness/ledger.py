# SPDX-License-Identifier: GPL-3.0-or-later
"""Every finished corner, written down at once, so that nothing unchanged is simulated twice.

A SQLite file, ``.ramp-harness/ledger.sqlite`` beside the board file unless another one is named. A corner is
found by a key that hashes all that decides its figures: the circuit with its values, what is measured, the
accuracy, the engine, the libraries, and the sources that steer and measure. Each row carries a hash of its
content; a row that does not hold to it counts as not there.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import platform
import shutil
import sqlite3
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from harness.findings import Finding, InputError
from harness.fingerprints import SharedText, sources_hash
from harness.simulate import CornerResult, Task

FORMAT = 1
APPLICATION = 0x52414D50  # marks the file as a ledger of this tool
NAME = "ledger.sqlite"
SET_ASIDE = ".set-aside"
MOST_PADDED = 1000  # times the length that is left, beyond which the stated one is damage, too
_MAGIC = b"SQLite format 3\0"
PATIENCE = 60.0  # s: how long to wait for another run that is writing
SOURCES = ("engine/*.py", "engine/*.c", "engine/*.h", "measure/*.py", "simulate.py")
_TABLES = """
CREATE TABLE corners (
    key TEXT PRIMARY KEY, content TEXT NOT NULL, digest TEXT NOT NULL, board TEXT NOT NULL,
    revision TEXT NOT NULL, corner TEXT NOT NULL, axes TEXT NOT NULL, state TEXT NOT NULL,
    engine TEXT NOT NULL, conditions TEXT NOT NULL, engine_seconds REAL NOT NULL, made TEXT NOT NULL
);
CREATE TABLE waveforms (key TEXT PRIMARY KEY, arrays BLOB NOT NULL, digest TEXT NOT NULL);
"""
_TEXTS = "board, revision, corner, axes, state, engine, conditions, engine_seconds, made"
COLUMNS = ("key", *_TEXTS.split(", "))


@dataclass(frozen=True)
class Origin:
    """Which corner an entry belongs to: names of board, revision and corner, and its axis values."""

    board: str
    revision: str
    corner: str
    axes: Mapping[str, float]


def key_of(task: Task, engine: str) -> str:
    """Hash of all that decides what a corner gives. ``engine``: its version text.

    The name of the corner has no say: the same circuit under the same conditions is the same corner.
    """
    return keys_of([task], engine)[0]


def keys_of(tasks: Iterable[Task], engine: str) -> list[str]:
    """The same of many corners."""
    names = [field.name for field in fields(Task) if field.name != "corner"]
    text = SharedText()
    begin = f'{{"conditions": {json.dumps(conditions())}, "engine": {json.dumps(engine)}, "task": '
    return [
        hashlib.sha256(
            f"{begin}{text.of_parts({name: getattr(task, name) for name in names})}}}".encode()
        ).hexdigest()
        for task in tasks
    ]


@cache
def conditions() -> str:
    """Hash of what decides every corner alike: libraries, and the sources that steer and measure."""
    return hashlib.sha256(json.dumps([_libraries(), sources_hash(SOURCES)]).encode()).hexdigest()


def _libraries() -> tuple[str, ...]:
    from importlib.metadata import version

    return (platform.machine(), *(f"{name} {version(name)}" for name in ("numpy", "scipy", "PySpice")))


class Ledger:
    """An open ledger; without a path one in memory. Use it as a context; other processes may use it, too.

    ``remarks``: what had to be done on opening, for the reader of the run. Raises InputError where the file
    is of a newer version, is none of ours, or cannot be made.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path or Path(":memory:")
        self.remarks: list[str] = []
        self.full = False
        try:
            if path is not None:
                if path.is_dir():
                    raise IsADirectoryError("it is a folder")
                path.parent.mkdir(parents=True, exist_ok=True)
            self._base = self._opened()
        except (OSError, sqlite3.OperationalError) as error:
            raise InputError(
                [Finding(path, f"the ledger cannot be opened here ({error}); name another with --ledger")]
            ) from error

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self._base.close()

    # --- corners

    def find(self, keys: Sequence[str]) -> dict[str, CornerResult]:
        """The finished corners among some keys, waveforms left out; a row that was changed counts as none."""
        found: dict[str, CornerResult] = {}
        for block in _blocks(list(dict.fromkeys(keys))):
            marks = ",".join("?" * len(block))
            rows = self._base.execute(
                f"SELECT key, content, digest FROM corners WHERE key IN ({marks})", block
            )
            for key, content, digest in rows:
                if digest == _digest(key, content.encode()):
                    with suppress(ValueError, TypeError, KeyError):
                        found[key] = _result(content)
        return found

    def add(self, key: str, origin: Origin, result: CornerResult) -> None:
        """Writes a finished corner down and commits it. Where the disk is full the run goes on without."""
        if self.full:
            return
        content = _content(result)
        row = (
            key, content, _digest(key, content.encode()), origin.board, origin.revision, origin.corner,
            json.dumps(dict(origin.axes)), result.state, result.engine, conditions(), result.engine_seconds,
            datetime.now(UTC).isoformat(timespec="seconds"),
        )  # fmt: skip
        try:
            with self._base:
                self._base.execute("BEGIN IMMEDIATE")
                self._base.execute(f"INSERT OR REPLACE INTO corners VALUES ({','.join('?' * len(row))})", row)
                if result.waveforms:
                    arrays = _packed(result.waveforms)
                    self._base.execute(
                        "INSERT OR REPLACE INTO waveforms VALUES (?,?,?)", (key, arrays, _digest(key, arrays))
                    )
        except sqlite3.OperationalError as error:
            self.full = True
            self.remarks.append(f"{self.path.name}: nothing more could be written down ({error})")

    def waveforms(self, key: str) -> dict[str, np.ndarray[Any, np.dtype[np.float64]]] | None:
        """The waveforms of a finished corner, None where none are kept or they were changed."""
        row = self._base.execute("SELECT arrays, digest FROM waveforms WHERE key = ?", (key,)).fetchone()
        if row is None or row[1] != _digest(key, row[0]):
            return None
        with np.load(io.BytesIO(row[0]), allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}

    # --- what it holds

    def __len__(self) -> int:
        return int(self._base.execute("SELECT count(*) FROM corners").fetchone()[0])

    def entries(self) -> list[tuple[Any, ...]]:
        """One row an entry, columns as :data:`COLUMNS`, oldest first."""
        return self._base.execute(
            f"SELECT {', '.join(COLUMNS)} FROM corners ORDER BY made, board, corner, key"
        ).fetchall()

    def prune(self, engine: str, before: str = "") -> int:
        """Drops corners that no run can find again, made by other sources, libraries or another engine, and
        those made before a moment (ISO 8601, UTC); gives the room back. Returns how many were dropped."""
        count = len(self)
        with self._base:
            self._base.execute(
                "DELETE FROM corners WHERE engine != ? OR conditions != ? OR made < ?",
                (engine, conditions(), before),
            )
            self._base.execute("DELETE FROM waveforms WHERE key NOT IN (SELECT key FROM corners)")
        self._base.execute("VACUUM")
        return count - len(self)

    # --- the file

    def _opened(self) -> sqlite3.Connection:
        if self.path.name != NAME and not _may_be_a_database(self.path):
            message = (
                "this file is no ledger and no database; name another one with --ledger, it is left as it is"
            )
            raise InputError([Finding(self.path, message)])
        try:
            base = self._connected()
            self._checked(base)
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError:
            base = self._mended()
        return base

    def _connected(self) -> sqlite3.Connection:
        base = sqlite3.connect(self.path, timeout=PATIENCE)
        base.execute("PRAGMA synchronous=NORMAL")
        return base

    def _checked(self, base: sqlite3.Connection) -> None:
        """Makes the tables of a new file. Raises DatabaseError for a damaged, InputError for a strange one.

        A file that is not ours is not written to.
        """
        if _is_empty(base):
            base.execute("PRAGMA journal_mode=WAL")
            with base:
                base.execute("BEGIN IMMEDIATE")
                if _is_empty(base):  # nobody else was quicker
                    for statement in _TABLES.split(";"):
                        base.execute(statement)
                    base.execute(f"PRAGMA user_version={FORMAT}")
                    base.execute(f"PRAGMA application_id={APPLICATION}")
        version = base.execute("PRAGMA user_version").fetchone()[0]
        ours = base.execute("PRAGMA application_id").fetchone()[0] == APPLICATION
        if not ours or version > FORMAT:
            base.close()
            said = (
                f"this ledger has format {version}, of a newer ramp-harness; this one writes format {FORMAT}"
                if ours
                else "this is a database, but no ledger of ramp-harness"
            )
            raise InputError(
                [Finding(self.path, f"{said}; name another file with --ledger, it is left as it is")]
            )
        if not _tables(base) >= {"corners", "waveforms"} or base.execute(
            "PRAGMA quick_check(1)"
        ).fetchone() != ("ok",):
            base.close()
            raise sqlite3.DatabaseError("damaged")

    def _mended(self) -> sqlite3.Connection:
        """A damaged ledger is set aside, never deleted; what can still be read of it goes into a new one."""
        aside = _free(self.path.with_name(self.path.name + SET_ASIDE))
        self.path.replace(aside)
        for ending in ("-wal", "-shm"):
            beside = self.path.with_name(self.path.name + ending)
            if beside.exists():
                beside.replace(aside.with_name(aside.name + ending))
        base = self._connected()
        self._checked(base)
        kept = 0
        with base, _padded(aside) as whole:
            for table, row in _readable(whole):
                marks = ",".join("?" * len(row))
                kept += base.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row).rowcount * (
                    table == "corners"
                )
        self.remarks.append(
            f"{self.path.name} was damaged: set aside as {aside.name};"
            f" {kept} finished corners of it could be kept"
        )
        return base


def ledger_path(board: Path, named: Path | None = None) -> Path:
    """Where the ledger of a board file lies."""
    return named or board.parent / ".ramp-harness" / NAME


def _may_be_a_database(path: Path) -> bool:
    """Whether a file that is there begins as a database does; one that is not there, or empty, may become
    one."""
    if not path.is_file():
        return True
    with path.open("rb") as stream:
        return stream.read(len(_MAGIC)) in (b"", _MAGIC)


def _tables(base: sqlite3.Connection) -> set[str]:
    return {row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}


def _is_empty(base: sqlite3.Connection) -> bool:
    return not _tables(base) and base.execute("PRAGMA user_version").fetchone()[0] == 0


@contextmanager
def _padded(path: Path) -> Iterator[Path]:
    """A database that was cut short as a copy of the length that its first page states (SQLite database file
    format, 1.3), empty at the end, so that SQLite reads the pages that are there; any other file itself."""
    with path.open("rb") as stream:
        head = stream.read(32)
    page, pages = int.from_bytes(head[16:18], "big"), int.from_bytes(head[28:32], "big")
    length = (65536 if page == 1 else page) * pages
    if not head.startswith(_MAGIC) or not path.stat().st_size < length <= MOST_PADDED * path.stat().st_size:
        yield path
        return
    with TemporaryDirectory(dir=path.parent, prefix=".whole-") as folder:
        copy = Path(shutil.copy(path, folder))
        os.truncate(copy, length)
        yield copy


def _readable(path: Path) -> Iterator[tuple[str, tuple[Any, ...]]]:
    """Rows of a damaged ledger, (table, row), as far as SQLite gives them; hashes are checked on use."""
    for table in ("corners", "waveforms"):
        for backwards in ("", " DESC"):
            with suppress(sqlite3.DatabaseError):
                base = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
                try:
                    for row in base.execute(f"SELECT * FROM {table} ORDER BY rowid{backwards}"):
                        yield table, row
                finally:
                    base.close()


def _free(path: Path) -> Path:
    """That path, or the first numbered one beside it that is not taken."""
    number, candidate = 1, path
    while candidate.exists():
        number += 1
        candidate = path.with_name(f"{path.name}-{number}")
    return candidate


def _blocks(keys: list[str], size: int = 500) -> Iterator[list[str]]:
    for start in range(0, len(keys), size):
        yield keys[start : start + size]


def _digest(key: str, content: bytes) -> str:
    return hashlib.sha256(key.encode() + b"\0" + content).hexdigest()


def _content(result: CornerResult) -> str:
    """A result as JSON, numbers with all their digits; waveforms go their own way."""
    names = [field.name for field in fields(result) if field.name not in ("waveforms", "harmonics")]
    record = {name: getattr(result, name) for name in names}
    harmonics = [[float(value.real), float(value.imag)] for value in result.harmonics]
    return json.dumps({**record, "harmonics": harmonics})


def _result(content: str) -> CornerResult:
    record = json.loads(content)
    record["harmonics"] = np.array([complex(*pair) for pair in record["harmonics"]], dtype=complex)
    record["notes"] = tuple(record["notes"])
    return lean(CornerResult(**record))


def lean(result: CornerResult) -> CornerResult:
    """The same result with the texts that it shares with all others held once: by the thousand they take more
    room than the figures."""
    for name in ("figures", "bars", "words", "stresses"):
        held = getattr(result, name)
        setattr(result, name, dict(zip(map(sys.intern, held), held.values(), strict=True)))
    for name in ("state", "setting", "engine", "callbacks"):
        setattr(result, name, sys.intern(getattr(result, name)))
    return result


def _packed(waveforms: Mapping[str, np.ndarray[Any, np.dtype[np.float64]]]) -> bytes:
    stream = io.BytesIO()
    np.savez(stream, **waveforms)  # type: ignore[arg-type]  # packing takes six times as long for a fifth less
    return stream.getvalue()
