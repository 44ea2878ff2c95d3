# SPDX-License-Identifier: GPL-3.0-or-later
"""Circuits in, waveforms out: the one ngspice of this process.

A result counts only with positive proof. ngspice can answer a circuit that it did not understand with the
numbers of the circuit before, drop parts with a warning, and hand over half a run as a whole one; nothing of
that gets past.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from harness.engine import words
from harness.engine.errors import EngineDead, EngineError, EngineMissing
from harness.engine.library import MEND, NEWEST, OLDEST, find_library, version_text

if TYPE_CHECKING:
    from harness.engine.callbacks import Steering

__all__ = [
    "EngineDead",
    "EngineError",
    "EngineMissing",
    "Session",
    "engine_report",
    "find_library",
    "session",
    "vector_name",
    "work_in",
]

Waves = dict[str, NDArray[np.float64]]

_FORBIDDEN = re.compile(r"^\s*(\*#|\.control\b|\.end\s*$)", re.IGNORECASE)
_NAME = re.compile(r"[\w.#:+-]+")
_MOST_CIRCUITS = 16  # ngspice could hold more than one, but the session leaves one at most


class Session:
    """ngspice with a circuit in it. Get it from :func:`session`; there can be only one in a process."""

    def __init__(self, room: str | None = None) -> None:
        """Load the library. ``room``: working directory of the engine, by default a fresh one.

        Raises EngineMissing.
        """
        self.library = find_library()
        from harness.engine.ngspice import Ngspice  # imports PySpice: late, so that nobody else waits for it

        self._engine = Ngspice(self.library, room)
        self.version = int(self._engine.ngspice_version or 0)
        self.version_text = version_text(self.version)
        self.messages: list[str] = []
        """What ngspice remarked about the circuit that is loaded, without being a failure."""
        self._loads = 0
        self._deck: list[str] | None = None
        self._last: Waves = {}

    # --- the circuit

    def load(self, deck: Sequence[str], title: str = "circuit") -> None:
        """Replace the circuit by ``deck`` (its lines, without title and ``.end``).

        Raises EngineError, or EngineDead where ngspice gives up; their ``line`` counts the lines of ``deck``.
        """
        lines = [line if line.strip() else "*" for line in deck]  # ngspice does not count empty lines
        for number, line in enumerate(lines, 1):
            if "\n" in line or "\r" in line or _FORBIDDEN.match(line):
                raise EngineError([f"not a line of a plain circuit: {line!r}"], number)
        self.unload()
        self.messages = []
        self._loads += 1
        head = f"* load {self._loads}:"
        shown = re.sub(r"[^\w .,()-]", "_", title, flags=re.ASCII)
        code = self._engine.circuit([f"{head} {shown}", *lines, ".end"])
        try:
            self._judge(code, lines)
            if not any(text.lower().startswith(f"circuit: {head}") for text in self._engine.said):
                raise EngineError(["ngspice did not take the circuit", *self._engine.complained])
        except EngineDead:
            raise
        except EngineError:
            self.unload()
            raise
        self._deck = lines

    def unload(self) -> None:
        """Leave no circuit and no result behind: what is not there cannot be run by mistake."""
        self._alive()
        self._deck, self._last = None, {}
        self._engine.command("destroy all")
        self._engine.command("delete all")
        for _ in range(_MOST_CIRCUITS):
            self._engine.command("remcirc")
            if any("no circuit" in text for text in self._engine.complained):
                return
        self._engine.exited = self._engine.exited or (1, False, False)  # not to be used again
        raise EngineDead(["ngspice does not let go of its circuit", *self._engine.complained])

    def listing(self) -> list[str]:
        """The circuit as ngspice flattened it, ``number : text`` a line. Raises EngineError."""
        self._ready()
        self._judge(self._engine.command("listing expand"))
        return self._engine.said

    def alter(self, device: str, value: float) -> None:
        """Give a part another value (Ohm, F, H; V or A for the DC value of a source) until the next load.

        Parts in subcircuits: ``xslice.rload`` or, as ngspice writes it, ``r.xslice.rload``. A value that
        follows from a ``.param`` does not move along. Raises EngineError where there is no such part.
        """
        self._ready()
        name = device.lower()
        if not _NAME.fullmatch(name) or not math.isfinite(value):
            raise ValueError(f"cannot alter {device!r} to {value!r}")
        if name.startswith("x") and "." in name:
            name = f"{name.rpartition('.')[2][0]}.{name}"
        self._judge(self._engine.command(f"alter {name} = {float(value)!r}"))

    # --- analyses

    def transient(
        self, step: float, stop: float, longest: float, initial: bool = True, stepper: Steering | None = None
    ) -> Waves:
        """Simulate from 0 to ``stop`` in steps up to ``longest`` (all in s): ``time`` and each saved vector.

        Nodes go by their bare names in lower case, currents of sources as ``vcc#branch``, saved currents of
        parts as ``@rpull[i]``. ``initial`` starts from the ``.ic`` lines instead of an operating point. A
        ``stepper`` limits each step by its ``bound`` and may end the run: the result is then what was
        simulated until there. Raises EngineError, EngineDead, or whatever the stepper raised.
        """
        if not 0 < step <= stop or longest <= 0 or not math.isfinite(stop + longest):
            raise ValueError(f"no sensible times: step {step!r}, stop {stop!r}, longest {longest!r}")
        self._ready()
        engine, callbacks, stop = self._engine, self._engine.callbacks, float(stop)
        text = f"tran {float(step)!r} {stop!r} 0 {float(longest)!r}{' uic' if initial else ''}"
        try:
            with callbacks.steering(stepper, stop, float(longest)):
                code = engine.command(text)
            fault, stopped = callbacks.fault, callbacks.stopped
            if fault is not None and not engine.exited:
                raise fault
            self._judge(code, stopped=stopped)
            waves = self._proven("time")
        finally:
            self._tidy()
        time = waves["time"]
        if not stopped and time[-1] < stop * (1 - 1e-9):
            reached = f"the run ended at {time[-1]:.6g} s instead of {stop:.6g} s"
            raise EngineError([reached, *self.messages[-3:]])
        self._last = waves
        return waves

    def operating_point(self) -> dict[str, float]:
        """Every node voltage (V) and source current (A) at rest. Raises EngineError, EngineDead."""
        self._ready()
        try:
            self._judge(self._engine.command("op"))
            waves = self._proven(None)
        finally:
            self._tidy()
        self._last = waves
        return {name: float(wave[0]) for name, wave in waves.items()}

    def dc_sweep(self, source: str, start: float, stop: float, step: float) -> Waves:
        """Operating points over the value of ``source`` (``temp``: degC); the swept values are ``sweep``.

        Raises EngineError, EngineDead.
        """
        if not _NAME.fullmatch(source) or not step or (stop - start) / step < 0:
            raise ValueError(f"no sensible sweep of {source!r}: {start!r} to {stop!r} by {step!r}")
        self._ready()
        try:
            self._judge(self._engine.command(f"dc {source} {float(start)!r} {float(stop)!r} {float(step)!r}"))
            waves = self._proven("sweep")
        finally:
            self._tidy()
        count = math.floor((stop - start) / step + 1e-6) + 1
        swept = waves["sweep"]
        if len(swept) != count or abs(swept[-1] - (start + (count - 1) * step)) > 1e-6 * abs(step) * count:
            reached = f"{swept[-1]:.6g} after {len(swept)} of {count} points"
            raise EngineError([f"the sweep of {source} ended at {reached}"])
        self._last = waves
        return waves

    def names(self) -> list[str]:
        """Names of the vectors of the last analysis."""
        return list(self._last)

    def vector(self, name: str) -> NDArray[np.float64]:
        """One vector of the last analysis, case-blind. Raises EngineError."""
        return self.vectors([name])[name]

    def vectors(self, names: Iterable[str]) -> Waves:
        """Vectors of the last analysis, case-blind. Raises EngineError that names all that are absent."""
        wanted = list(names)
        absent = [name for name in wanted if name.lower() not in self._last]
        if absent:
            raise EngineError([f"not in the result: {', '.join(absent)}"])
        return {name: self._last[name.lower()] for name in wanted}

    # --- what it cost

    @property
    def engine_seconds(self) -> float:
        """Time spent inside ngspice so far, callbacks excluded."""
        return self._engine.seconds

    @property
    def callback_seconds(self) -> float:
        """Time spent in callbacks of transient runs so far."""
        return self._engine.callbacks.seconds

    # --- proof

    def _alive(self) -> None:
        if self._engine.exited:
            raise EngineDead(["this ngspice has given up earlier; simulate in a new process"])

    def _ready(self) -> None:
        self._alive()
        if self._deck is None:
            raise EngineError(["no circuit is loaded"])
        self._last = {}

    def _judge(self, code: int, lines: Sequence[str] = (), stopped: bool = False) -> None:
        """Sort what ngspice just said into remarks and failure."""
        heard = words.plain(self._engine.complained, stopped)
        if not (code or self._engine.exited or words.is_failure(heard)):
            self.messages += heard
            return
        grounds = words.grounds(heard) or ["ngspice gave up without a word"]
        line = words.blamed(grounds, lines)
        if self._engine.exited:
            raise EngineDead(grounds, line)
        raise EngineError(grounds, line)

    def _proven(self, axis: str | None) -> Waves:
        """All vectors of the current plot: same length, finite, and everything there that was to be saved."""
        engine = self._engine
        waves: Waves = {}
        faults: list[str] = []
        spellings = engine.vector_names()
        for spelling in spellings:
            name, wave = words.bare(spelling), engine.vector(spelling)
            if axis == "sweep" and name.endswith("-sweep"):
                name = "sweep"
            if wave is None:
                faults.append(f"{name} was asked for and has no values")
            elif not np.isfinite(wave).all():
                faults.append(f"{name} is not finite")
            else:
                waves[name] = wave
        expected = 1 if axis is None else len(waves.get(axis, ()))
        if not expected or not waves:
            faults.insert(0, "the analysis left no result")
        for name, wave in waves.items():
            if len(wave) != expected:
                faults.append(f"{name} has {len(wave)} values instead of {expected}")
        missing = set(words.saved(self._deck or ())) - {words.bare(spelling) for spelling in spellings}
        faults += [f"{name} was asked for and is absent" for name in sorted(missing)]
        if faults:
            raise EngineError(faults)
        return waves

    def _tidy(self) -> None:
        """Forget breakpoints and results of the run that has just ended."""
        if not self._engine.exited:
            if self._engine.callbacks.stopped:
                self._engine.command("status")
                for number in words.breakpoints(self._engine.said):
                    self._engine.command(f"delete {number}")  # "delete all" would forget the .save lines too
            self._engine.command("destroy all")


def vector_name(cell: Any) -> str:
    """The name of one entry of the ``vecsa`` that a stepper's ``point`` is given, as results spell it."""
    from harness.engine.ngspice import ffi

    return words.bare(ffi.string(cell.name).decode("utf8"))


_session: Session | None = None
_room: str | None = None


def work_in(folder: str) -> None:
    """Let an engine that starts later in this process take ``folder`` as its working directory."""
    global _room
    _room = folder


def session() -> Session:
    """The session of this process, started by the first call. Raises EngineMissing."""
    global _session
    if _session is None:
        _session = Session(_room)
    return _session


def engine_report() -> dict[str, object]:
    """What there is to know about the engine; starts the session.

    ``found`` (bool), ``library`` (path), ``version`` (int), ``version_text``, ``tested`` (range as text),
    ``within_tested`` (bool) and ``mend``, what to type where something is amiss, else empty.
    """
    report: dict[str, object] = {"found": False, "library": None, "version": None, "version_text": "none"}
    report |= {"tested": f"{OLDEST} to {NEWEST}", "within_tested": False}
    try:
        engine = session()
    except EngineMissing as error:
        return report | {"mend": str(error)}
    within = OLDEST <= engine.version <= NEWEST
    hint = "" if within else f"Only engines {OLDEST} to {NEWEST} have been tried; results may differ. {MEND}"
    report |= {"found": True, "library": engine.library, "version": engine.version}
    return report | {"version_text": engine.version_text, "within_tested": within, "mend": hint}
