# SPDX-License-Identifier: GPL-3.0-or-later
"""Which version the engine's library is, known by its content without loading it.

Only a loaded engine tells its version. So a process that has one loaded writes it down, beside the hash of
the library file, and others recognise the file by that: they can look up what was measured or simulated with
this engine, and need no engine where nothing is left to do.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from contextlib import suppress
from pathlib import Path

from harness.engine.errors import EngineMissing
from harness.engine.library import find_library

NAME = "engine.json"


def write_down(folder: Path, library: str, version: int) -> None:
    """Keeps the version of a loaded library in a folder; one that cannot be written only costs time."""
    digest = _digest(library)
    if digest is None or version_in(folder, digest) == version:
        return
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=folder, suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump({"library_sha256": digest, "version": version}, stream)
        os.replace(temporary, folder / NAME)


def recognised(folder: Path) -> int | None:
    """The version of the library that this process would load; None where a folder does not tell, or where
    there is no library: loading it says why."""
    try:
        digest = _digest(find_library())
    except EngineMissing:
        return None
    return None if digest is None else version_in(folder, digest)


def version_in(folder: Path, digest: str) -> int | None:
    """The version that a folder tells of a library with this content."""
    try:
        content = json.loads((folder / NAME).read_text(encoding="utf-8"))
        version = content["version"] if content["library_sha256"] == digest else None
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return version if type(version) is int else None


def _digest(library: str) -> str | None:
    """Hash of the library file; None where only the system's own loader knows where it is: a file of that
    name in the working directory is another one."""
    if not os.path.dirname(library):
        return None
    try:
        return hashlib.sha256(Path(library).read_bytes()).hexdigest()
    except OSError:
        return None
