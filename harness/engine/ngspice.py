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
import math
import os
import re
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from time import perf_counter
from typing import Any, ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

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


class Stepper(Protocol):
    """Steers a transient run from inside."""

    bound: float
    """Longest next step, s."""

    def point(self, data: Any) -> bool:
        """Called at each accepted point with ngspice's ``pvecvaluesall``; True ends the run here."""


class Ngspice(_pyspice.NgSpiceShared):  # type: ignore[misc]
    """The one ngspice of this process: raw commands, what it said, and the callbacks of a transient run."""

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
        self.callback_seconds = 0.0
        self._commands = 0
        self._stepper: Stepper | None = None
        self._end: float | None = None
        self._wanted = 0.0
        self.stopped = False
        self.fault: BaseException | None = None
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
        before, begin = self.callback_seconds, perf_counter()
        try:
            yield
        finally:
            self.seconds += perf_counter() - begin - (self.callback_seconds - before)
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
        """A copy of a real vector of the current plot; None where it is absent, empty or complex."""
        info = self._ngspice_shared.ngGet_Vec_Info(name.encode("utf8"))
        if info == ffi.NULL or info.v_length == 0 or info.v_realdata == ffi.NULL:
            return None
        return np.frombuffer(ffi.buffer(info.v_realdata, 8 * info.v_length)).copy()

    # --- callbacks: they return an int and never raise, for nobody would hear it

    def _init_ngspice(self, send_data: bool) -> None:
        with self._working():
            super()._init_ngspice(True)
            self._sync_c = ffi.callback("int(double, double *, double, int, int, int, void *)", self._sync)
            self._ngspice_shared.ngSpice_Init_Sync(
                self._get_vsrc_data_c, self._get_isrc_data_c, self._sync_c, self._ngspice_id, self._self_c
            )

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

    @contextmanager
    def steering(self, stepper: Stepper | None, stop: float) -> Iterator[None]:
        """While this is open, a transient run to ``stop`` (s) obeys the stepper."""
        self.stopped, self.fault, self._wanted, self._stepper = False, None, 0.0, stepper
        self._end = stop - 32 * math.ulp(stop)  # the engine reads the decimal a few ulp off and allows 100
        try:
            yield
        finally:
            self._stepper, self._end = None, None

    def _stop(self) -> None:
        self.stopped = True
        self._ngspice_shared.ngSpice_Command(b"stop when time > 0")  # obeyed before the next step

    def _send_data(self, data: Any, count: int, ident: int, user: Any) -> int:
        if self.stopped or (self._stepper is None and self.fault is None):
            return 0
        begin = perf_counter()
        try:
            if self.fault is not None or (self._stepper is not None and self._stepper.point(data)):
                self._stop()
        except BaseException as error:
            self.fault = error
            self._stop()
        self.callback_seconds += perf_counter() - begin
        return 0

    def _sync(
        self, now: float, step: Any, last: float, redo: int, ident: int, location: int, user: Any
    ) -> int:
        """Limit the next step, and take what is left before the end in one step.

        With this callback registered the library clamps the last step a little short of the end; engines from
        44 on then creep towards it in slivers until the step is too small. The callback knows the end.
        """
        if self._end is None:
            return 0
        begin = perf_counter()
        try:
            left, asked = self._end - now, step[0]
            if location == 1 and not redo:
                self._wanted = asked  # what the engine would like next, before it is clamped
            elif location == 0:
                # it aims at the end: at it, just short of it (the clamp), or half way (47 halves it)
                if asked > 0.999 * left or (self._wanted >= left and abs(asked - 0.5 * left) < 1e-6 * left):
                    step[0] = left
                if self._stepper is not None and step[0] > self._stepper.bound:
                    step[0] = self._stepper.bound
            if location == 0 or redo:
                if step[0] > 0.999 * left:
                    step[0] = left
                if now + step[0] > self._end:  # not one ulp beyond it
                    step[0] = max(step[0] - math.ulp(self._end), 0.5 * left)
        except BaseException as error:
            self.fault = error
        self.callback_seconds += perf_counter() - begin
        return 0
