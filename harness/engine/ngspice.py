# SPDX-License-Identifier: GPL-3.0-or-later
"""The shared library of ngspice, loaded through PySpice, with what PySpice 1.5 gets wrong put right.

PySpice takes any note on stderr for a failure and any circuit left over from before for the new one,
misses the library under its versioned name, and keeps one table of instances for all subclasses. Here the
words of ngspice are only collected; the session above decides what they mean. Importing this module does
not load the library.
"""

from __future__ import annotations

import atexit
import logging
import os
import re
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from time import perf_counter
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from harness.engine.callbacks import Callbacks, make_callbacks
from harness.engine.errors import EngineMissing
from harness.engine.library import MEND

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its sources hold escapes that newer Pythons warn about
    from PySpice.Spice.NgSpice import Shared as _pyspice
    from PySpice.Spice.NgSpice.SimulationType import SIMULATION_TYPE

logging.getLogger("PySpice").setLevel(logging.CRITICAL)
ffi = _pyspice.ffi
for _version in range(35, 100):  # the table of PySpice 1.5 ends at 34; nothing in it has changed since
    SIMULATION_TYPE.setdefault(_version, SIMULATION_TYPE[34])

_PLAIN = re.compile(r"[\w .,:#@()\[\]=+-]+")
_FREE_HISTORY_EVERY = 10_000  # commands; ngspice keeps each one until told to forget


class _Wired:
    """The library with two callbacks in the places of those that the base class would register."""

    def __init__(self, library: Any, callbacks: Callbacks) -> None:
        self._library, self._callbacks = library, callbacks

    def __getattr__(self, name: str) -> Any:
        return getattr(self._library, name)

    def ngSpice_Init(self, char: Any, stat: Any, leave: Any, data: Any, *others: Any) -> Any:
        return self._library.ngSpice_Init(char, stat, leave, self._callbacks.send_data, *others)

    def ngSpice_Init_Sync(self, voltage: Any, current: Any, sync: Any, *others: Any) -> Any:
        return self._library.ngSpice_Init_Sync(voltage, current, self._callbacks.sync, *others)


class Ngspice(_pyspice.NgSpiceShared):  # type: ignore[misc]
    """The one ngspice of this process: raw commands, and what it said."""

    _instances: ClassVar[dict[int, Any]] = {}  # the base class would share its own table

    def __init__(self, library: str, room: str | None = None) -> None:
        """Load ``library``. ``room`` is a folder for the working directory, a fresh one by default.

        Raises EngineMissing where the file is no library or not one of ngspice.
        """
        os.environ["OMP_NUM_THREADS"] = "1"  # its idle threads burn processor time and gain nothing here
        self._file = library
        if room is None:
            self._folder = tempfile.TemporaryDirectory(prefix="ramp-harness-", ignore_cleanup_errors=True)
            atexit.register(self._folder.cleanup)
            room = self._folder.name
        self._room = Path(room).resolve()
        (self._room / ".spiceinit").touch()  # an empty one here hides the one in the user's home
        self._stdout: list[str] = []
        self._stderr: list[str] = []
        self.exited: tuple[int, bool, bool] | None = None
        self.seconds = 0.0
        self._commands = 0
        self.callbacks: Callbacks
        self._ngspice_shared: Any
        try:
            super().__init__()
        except (OSError, AttributeError, NameError) as error:
            raise EngineMissing(f"{library} is of no use as the ngspice library: {error}. {MEND}") from error

    @property
    def library_path(self) -> str:
        """The file; the base class would put it through ``str.format``."""
        return self._file

    @property
    def said(self) -> list[str]:
        """What the last command or circuit printed on stdout."""
        return list(self._stdout)

    @property
    def complained(self) -> list[str]:
        """What the last command or circuit printed on stderr: notes, warnings and all errors."""
        return list(self._stderr)

    # --- commands

    def exec_command(self, command: str, join_lines: bool = True) -> Any:
        """The base class goes through here; nothing is judged."""
        self.command(command)
        return "\n".join(self._stdout) if join_lines else list(self._stdout)

    def command(self, text: str) -> int:
        """Send one command. Raises ValueError where a sign in it could start another one or a shell."""
        if not _PLAIN.fullmatch(text):
            raise ValueError(f"not a plain command: {text!r}")
        self._stdout, self._stderr = [], []
        self._commands += 1
        with self._working():
            if self._commands % _FREE_HISTORY_EVERY == 0:
                self._ngspice_shared.ngSpice_Command(ffi.NULL)
            return int(self._ngspice_shared.ngSpice_Command(text.encode("utf8")))

    def circuit(self, lines: Sequence[str]) -> int:
        """Hand over a whole circuit, title first and ``.end`` last."""
        self._stdout, self._stderr = [], []
        kept = [ffi.new("char[]", line.encode("utf8")) for line in (*lines, "")]
        with self._working():
            return int(self._ngspice_shared.ngSpice_Circ(ffi.new("char *[]", [*kept, ffi.NULL])))

    @contextmanager
    def _working(self) -> Iterator[None]:
        """Stand in the engine's own folder and keep the clock."""
        back = os.open(".", os.O_RDONLY)
        os.chdir(self._room)
        before, begin = self.callbacks.seconds, perf_counter()
        try:
            yield
        finally:
            self.seconds += perf_counter() - begin - (self.callbacks.seconds - before)
            os.fchdir(back)
            os.close(back)

    # --- results

    def vector_names(self) -> list[str]:
        """Names in the current plot as ngspice spells them; none where there is no plot of an analysis."""
        plot = self._ngspice_shared.ngSpice_CurPlot()
        if plot == ffi.NULL or ffi.string(plot) == b"const":
            return []
        return [str(name) for name in self._convert_string_array(self._ngspice_shared.ngSpice_AllVecs(plot))]

    def vector(self, name: str) -> NDArray[np.float64] | None:
        """A read-only copy of a real vector of the current plot; None if it is absent, empty or complex."""
        info = self._ngspice_shared.ngGet_Vec_Info(name.encode("utf8"))
        if info == ffi.NULL or info.v_length == 0 or info.v_realdata == ffi.NULL:
            return None
        return np.frombuffer(bytes(ffi.buffer(info.v_realdata, 8 * info.v_length)))

    # --- callbacks: they return an int and never raise, for nobody would hear it

    def _init_ngspice(self, send_data: bool) -> None:
        library = self._ngspice_shared
        self.callbacks = make_callbacks(ffi, lambda: library.ngSpice_Command(b"stop when time > 0"))
        self._ngspice_shared = _Wired(library, self.callbacks)
        try:
            with self._working():
                super()._init_ngspice(True)
        finally:
            self._ngspice_shared = library

    def _send_char(self, text: Any, ident: int, user: Any) -> int:
        stream, _, words = ffi.string(text).decode("utf8", "replace").partition(" ")
        (self._stderr if stream == "stderr" else self._stdout).append(words)
        return 0

    def _send_stat(self, text: Any, ident: int, user: Any) -> int:
        return 0

    def _send_init_data(self, data: Any, ident: int, user: Any) -> int:
        return 0

    def _background_thread_running(self, stopped: bool, ident: int, user: Any) -> int:
        return 0

    def _exit(self, status: int, unload: bool, asked: bool, ident: int, user: Any) -> int:
        self.exited = (int(status), bool(unload), bool(asked))
        return int(status)
