# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the shared library of ngspice lies.

Run-time packages ship it under a versioned name only (``libngspice.so.0``), so the plain name is not enough.
"""

from __future__ import annotations

import os
import platform
import sys
import sysconfig
from collections.abc import Iterator
from pathlib import Path

from harness.engine.errors import EngineMissing

VARIABLE = "NGSPICE_LIBRARY_PATH"
OLDEST, NEWEST = 39, 47  # engines that the harness has been tried on

MEND = (
    "Type `sudo apt-get install libngspice0` (Debian, Ubuntu), `sudo dnf install libngspice` (Fedora) or "
    f"`brew install libngspice` (macOS), or set {VARIABLE} to the library file."
)

_NAMES = ("libngspice.so.0", "libngspice.so", "libngspice.0.dylib", "libngspice.dylib")


def _folders() -> Iterator[Path]:
    for variable in ("LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH"):
        yield from (Path(entry) for entry in os.environ.get(variable, "").split(os.pathsep) if entry)
    yield Path(sys.prefix) / "lib"
    multiarch = sysconfig.get_config_var("MULTIARCH") or f"{platform.machine()}-linux-gnu"
    for root in ("/usr/local/lib", "/usr/lib", "/lib"):
        yield Path(root) / multiarch
        yield Path(root)
        yield Path(root + "64")
    yield Path("/opt/homebrew/lib")


def find_library() -> str:
    """Path of the library (a bare name where only the system's own loader knows the folder).

    An entry in ``NGSPICE_LIBRARY_PATH`` wins and must exist. Raises EngineMissing.
    """
    wish = os.environ.get(VARIABLE)
    if wish:
        if not Path(wish).is_file():
            raise EngineMissing(f"{VARIABLE} names {wish}, which is no file: correct or unset the variable.")
        return str(Path(wish).resolve())
    for folder in _folders():
        for name in _NAMES:
            if (folder / name).is_file():
                return str(folder / name)
    import ctypes.util  # late: it costs more than all that is before

    known = ctypes.util.find_library("ngspice")
    if known:
        return known
    raise EngineMissing(f"The simulator ngspice was not found (no {_NAMES[0]} in the usual folders). {MEND}")


def version_text(version: int) -> str:
    """A version as results and the ledger spell it."""
    return f"ngspice-{version}"
