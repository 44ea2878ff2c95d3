# SPDX-License-Identifier: GPL-3.0-or-later
"""The compiled callbacks of ``steer.c``: built where a C compiler is, and opened.

They are built at first use and kept beside the package, or in a private folder where nothing can be written
there. Where there is no compiler, or anything about the built file is amiss, the Python twin does the same
work: the figures are equal to the bit, only the time is not. ``RAMP_HARNESS_CALLBACKS=python`` asks for the
twin.
"""

from __future__ import annotations

import atexit
import hashlib
import math
import os
import platform
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.engine.programs import OPERATIONS, Program

VARIABLE = "RAMP_HARNESS_CALLBACKS"
HERE = Path(__file__).parent
SOURCE, HEADER, BUILT = HERE / "steer.c", HERE / "steer.h", HERE / "_built"
FLAGS = ("-std=c11", "-O2", "-ffp-contract=off", "-fPIC", "-shared")
_COMPILERS = ("cc", "gcc", "clang")
_SECONDS = 60.0  # for a build
_SAMPLES = (0.0, -0.0, 1.0, -1.0, 0.5, -2.5, 3.7, 1e-9, -1e12, 301.0, 5e-324, 1e308, np.inf, -np.inf, np.nan)

_shared_folder: Path | None = None


class NotBuilt(Exception):
    """Why the compiled callbacks cannot be had."""


@dataclass(frozen=True)
class Library:
    """The opened library and the cffi instance that knows its types."""

    path: Path
    ffi: Any
    lib: Any

    @cached_property
    def _numbers(self) -> dict[str, int]:
        return {name.lower(): number for name, number in self.ffi.typeof("enum operation").relements.items()}

    def assemble(self, programs: Iterable[Program]) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
        """Programs as the machine of ``steer.c`` reads them: codes, each program closed by END, and the
        constants that they point to. Raises ValueError where one is too deeply nested."""
        numbers = self._numbers
        codes: list[int] = []
        constants: list[float] = []
        for program in programs:
            for name, argument in program.check().steps:
                codes.append(numbers[name])
                if name == "constant":
                    codes.append(len(constants))
                    constants.append(argument)
                elif name == "column":
                    codes.append(int(argument))
            codes.append(numbers["end"])
        return np.array(codes, np.int32), np.array([*constants, 0.0])

    def value(self, program: Program, row: Sequence[float]) -> float:
        """What the compiled machine makes of a program."""
        codes, constants = self.assemble([program])
        read = self.ffi.from_buffer
        numbers = np.array([*row, 0.0])
        return float(
            self.lib.steer_value(read("int[]", codes), read("double[]", constants), read("double[]", numbers))
        )


def share(folder: Path) -> None:
    """Let this process build in ``folder`` (private, there already) where the package cannot be written."""
    global _shared_folder
    _shared_folder = folder


def callbacks_kind() -> str:
    """``compiled`` or ``python``: what steers the runs of this process."""
    return "python" if library() is None else "compiled"


def callbacks_reason() -> str:
    """Why the Python twin is used; empty where it is not."""
    return _opened()[1]


def library() -> Library | None:
    """The compiled callbacks, built if need be; None where the Python twin has to do."""
    return _opened()[0]


@cache
def _opened() -> tuple[Library | None, str]:
    if os.environ.get(VARIABLE) == "python":
        return None, f"asked for by {VARIABLE}"
    try:
        compiler = find_compiler()
        key = key_of(compiler)
        reasons: list[str] = []
        for folder in folders():
            try:
                return open_library(kept(folder, key) or build(compiler, folder, key)), ""
            except (NotBuilt, OSError, subprocess.SubprocessError) as error:
                reasons.append(str(error))
        raise NotBuilt("; ".join(reasons))
    except (NotBuilt, OSError, subprocess.SubprocessError) as error:
        return None, str(error)


# --- building


def find_compiler() -> str:
    """Raises NotBuilt where there is none."""
    for name in _COMPILERS:
        found = shutil.which(name)
        if found and os.path.isabs(found):
            return found
    raise NotBuilt(f"no C compiler ({', '.join(_COMPILERS)}) was found")


def key_of(compiler: str) -> str:
    """What a built file depends on: sources, flags, compiler and kind of machine."""
    version = subprocess.run(
        [compiler, "--version"], capture_output=True, stdin=subprocess.DEVNULL, timeout=_SECONDS, check=True
    )
    parts = (SOURCE.read_bytes(), HEADER.read_bytes(), " ".join(FLAGS).encode(), version.stdout)
    digest = hashlib.sha256(platform.machine().encode())
    for part in parts:
        digest.update(hashlib.sha256(part).digest())
    return digest.hexdigest()[:16]


def folders() -> Iterator[Path]:
    """Where a built file may lie: beside the package, else in a folder that is ours alone."""
    try:
        BUILT.mkdir(exist_ok=True)
    except OSError:
        pass
    else:
        if os.access(BUILT, os.W_OK):
            yield BUILT
    if _shared_folder is not None:
        yield _shared_folder
        return
    private = tempfile.mkdtemp(prefix="ramp-harness-")  # mode 0700
    atexit.register(shutil.rmtree, private, ignore_errors=True)
    yield Path(private)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:32]


def _trusted(path: Path) -> bool:
    """Whether a file is a plain one that nobody but its owner, we or root, can have written."""
    status = path.lstat()
    plain = path.is_file() and not path.is_symlink()
    return plain and status.st_uid in (os.getuid(), 0) and not status.st_mode & 0o022


def kept(folder: Path, key: str) -> Path | None:
    """A file built earlier whose content is what its name says."""
    for path in sorted(folder.glob(f"steer-{key}-*.so")):
        if _trusted(path) and path.stem.endswith(_digest(path)):
            return path
    return None


def build(compiler: str, folder: Path, key: str) -> Path:
    """Builds out of sight and then gives the file its name in one move: others may be at it as well.

    The name holds the key and a hash of the content. Raises NotBuilt with the compiler's first words.
    """
    with tempfile.TemporaryDirectory(prefix="building-", dir=folder) as work:
        made = Path(work) / "steer.so"
        words = [compiler, *FLAGS, "-o", str(made), str(SOURCE), "-lm"]
        told = subprocess.run(words, capture_output=True, stdin=subprocess.DEVNULL, timeout=_SECONDS)
        if told.returncode or not made.is_file():
            first = told.stderr.decode("utf8", "replace").strip().splitlines()[:1]
            raise NotBuilt(f"{compiler} failed: {' '.join(first) or 'no words'}")
        made.chmod(0o755)
        path = folder / f"steer-{key}-{_digest(made)}.so"
        os.replace(made, path)
    return path


# --- opening


def open_library(path: Path) -> Library:
    """Raises OSError where it is no library, NotBuilt where it does not compute as the twin does."""
    import cffi  # type: ignore[import-untyped]

    ffi = cffi.FFI()
    ffi.cdef(HEADER.read_text(encoding="utf8"))
    opened = Library(path, ffi, ffi.dlopen(str(path)))
    different = [name for name, (count, _) in OPERATIONS.items() if not _same(opened, name, count)]
    if different:
        raise NotBuilt(f"compiled and in Python {', '.join(different)} differ in the last digits")
    return opened


def _same(opened: Library, name: str, count: int) -> bool:
    """Whether an operation gives the same bits on both sides, for a row of sample arguments."""
    program = Program.of(name, *(Program.column(i) for i in range(count)))
    codes, constants = opened.assemble([program])
    code, constant = opened.ffi.from_buffer("int[]", codes), opened.ffi.from_buffer("double[]", constants)
    row = np.zeros(count)
    place = opened.ffi.from_buffer("double[]", row)
    for shift in range(len(_SAMPLES) if count > 1 else 1):
        for at in range(len(_SAMPLES)):
            row[:] = [_SAMPLES[(at + shift * i) % len(_SAMPLES)] for i in range(count)]
            ours, theirs = program(row.tolist()), opened.lib.steer_value(code, constant, place)
            same_bits = np.float64(ours).tobytes() == np.float64(theirs).tobytes()
            if not same_bits and not (math.isnan(ours) and math.isnan(theirs)):
                return False
    return True
