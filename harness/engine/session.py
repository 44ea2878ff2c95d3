# SPDX-License-Identifier: GPL-3.0-or-later
"""Circuits in, waveforms out: the one ngspice of this process.

A result counts only with positive proof. ngspice can answer a circuit that it did not understand with the numbers of
the circuit before, drop parts with a warning, and hand over half a run as a whole one; none of that gets past here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.engine.errors import EngineDead, EngineError, EngineMissing
from harness.engine.library import MEND, NEWEST, OLDEST, find_library

TYPE_CHECKING = False
if TYPE_CHECKING:
    from harness.engine.ngspice import Stepper

__all__ = ["EngineDead", "EngineError", "EngineMissing", "Session", "engine_report", "find_library", "session"]

Waves = dict[str, NDArray[np.float64]]

# ngspice writes every real error to stderr, among notes and warnings; its stdout holds titles and names of nodes.
_FAILED = re.compile(
    r"^\s*(pt|yyparse )?error\b|timestep too small|simulation\(s\) aborted|simulation interrupted"
    r"|^run simulation not started|no circuit|undefined parameter|no such|can't find model"
    r"|is not a valid .*instance line|resistance to low, set to",
    re.IGNORECASE,
)
_STOPPED = re.compile(r"interrupted|: condition met: stop|pause requested", re.IGNORECASE)  # our own doing
_NOTE = re.compile(r"^\s*note:", re.IGNORECASE)
_LINE = re.compile(r"\bline (?:no\.?|number)?\s*(\d+)", re.IGNORECASE)
_FORBIDDEN = re.compile(r"^\s*(\*#|\.control\b|\.end\s*$)", re.IGNORECASE)
_NAME = re.compile(r"[\w.#:+-]+")
_BREAKPOINT = re.compile(r"^\s*(\d+)\s+stop\b")
_MOST_WORDS = 20


class Session:
    """ngspice with a circuit in it. Get it from :func:`session`; there can be only one in a process."""

    def __init__(self, room: str | None = None) -> None:
        """Load the library. ``room``: working directory of the engine, a fresh one by default. Raises EngineMissing."""
        self.library = find_library()
        from harness.engine.ngspice import Ngspice  # imports PySpice: late, so that nobody else waits for it

        self._engine = Ngspice(self.library, room)
        self.version = int(self._engine.ngspice_version or 0)
        self.version_text = f"ngspice-{self.version}"
        self.messages: list[str] = []
        """What ngspice remarked about the circuit that is loaded, without being a failure."""
        self._loads = 0
        self._deck: list[str] | None = None
        self._last: Waves = {}

    # --- the circuit

    def load(self, deck: Sequence[str], title: str = "circuit") -> None:
        """Replace the circuit by ``deck`` (its lines, without title and ``.end``).

        Raises EngineError, or EngineDead where ngspice gives up: ``line`` is then an index into ``deck`` from 1.
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
                raise EngineError(["ngspice did not take the circuit and gave no reason", *self._engine.complained])
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
        for _ in range(16):
            code = self._engine.command("remcirc")
            if any("no circuit" in text or "any circuits" in text for text in self._engine.complained):
                return
            if code or self._engine.exited:
                break
        self._bury(["ngspice does not let go of its circuit", *self._engine.complained])

    def listing(self) -> list[str]:
        """The circuit as ngspice flattened it, ``number : text`` a line. Raises EngineError."""
        self._ready()
        self._judge(self._engine.command("listing expand"))
        return self._engine.said

    def alter(self, device: str, value: float) -> None:
        """Give a part another value (Ohm, F, H; V or A for the DC value of a source) until the next load.

        Parts in subcircuits: ``xslice.rload`` or, as ngspice writes it, ``r.xslice.rload``. A value that follows from a
        ``.param`` does not move along. Raises EngineError where there is no such part.
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
        self, step: float, stop: float, longest: float, initial: bool = True, stepper: Stepper | None = None
    ) -> Waves:
        """Simulate from 0 to ``stop`` with steps up to ``longest`` (all in s): ``time`` and each saved vector.

        Nodes go by their bare names in lower case, currents of sources as ``vcc#branch``, saved device currents as
        ``@rpull[i]``. ``initial`` starts from the ``.ic`` lines instead of an operating point. A ``stepper`` limits
        each step by its ``bound`` and may end the run: the result is then what was simulated until there.
        Raises EngineError, EngineDead, or whatever the stepper raised.
        """
        if not 0 < step <= stop or not 0 < longest or not math.isfinite(stop + longest):
            raise ValueError(f"no sensible times: step {step!r}, stop {stop!r}, longest {longest!r}")
        self._ready()
        engine, stop = self._engine, float(stop)
        text = f"tran {float(step)!r} {stop!r} 0 {float(longest)!r}{' uic' if initial else ''}"
        try:
            with engine.steering(stepper, stop):
                code = engine.command(text)
            fault, stopped = engine.fault, engine.stopped
            if fault is not None and not engine.exited:
                raise fault
            self._judge(code, stopped=stopped)
            waves = self._proven("time")
        finally:
            self._tidy()
        time = waves["time"]
        if not stopped and time[-1] < stop * (1 - 1e-9):
            raise EngineError([f"the run ended at {time[-1]:.6g} s instead of {stop:.6g} s", *self.messages[-3:]])
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
        """Operating points over the value of ``source`` (``temp`` sweeps degC); the swept values are ``sweep``.

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
            raise EngineError([f"the sweep of {source} ended at {swept[-1]:.6g} after {len(swept)} of {count} points"])
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
        return self._engine.callback_seconds

    # --- proof

    def _alive(self) -> None:
        if self._engine.exited:
            raise EngineDead(["this ngspice has given up earlier; simulate in a new process"])

    def _ready(self) -> None:
        self._alive()
        if self._deck is None:
            raise EngineError(["no circuit is loaded"])
        self._last = {}

    def _bury(self, words: Sequence[str], line: int | None = None) -> None:
        self._engine.exited = self._engine.exited or (1, False, False)
        raise EngineDead(list(words)[:_MOST_WORDS] or ["ngspice gave up without a word"], line)

    def _judge(self, code: int, lines: Sequence[str] = (), stopped: bool = False) -> None:
        """Sort what ngspice just said into messages and failure."""
        words = [text.strip() for text in self._engine.complained if text.strip()]
        if stopped:
            words = [text for text in words if not _STOPPED.search(text)]
        failed = [text for text in words if _FAILED.search(text)]
        if not (code or failed or self._engine.exited):
            self.messages += words
            return
        notes = [text for text in words if _NOTE.match(text)]
        self.messages += notes
        words = [text for text in words if text not in notes][-_MOST_WORDS:]
        line = _blamed(words, lines)
        if self._engine.exited:
            self._bury(words, line)
        raise EngineError(words or [f"ngspice returned {code} without a word"], line)

    def _proven(self, axis: str | None) -> Waves:
        """All vectors of the current plot, complete: same length, finite, and everything that was to be saved."""
        engine = self._engine
        waves: Waves = {}
        faults: list[str] = []
        for spelling in engine.vector_names():
            name, wave = _bare(spelling), engine.vector(spelling)
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
        faults += [f"{name} has {len(w)} values instead of {expected}" for name, w in waves.items() if len(w) != expected]
        faults += [f"{name} was asked for and is absent" for name in _saved(self._deck or ()) if name not in waves]
        if faults:
            raise EngineError(faults)
        return waves

    def _tidy(self) -> None:
        """Forget breakpoints and results of the run that has just ended."""
        if not self._engine.exited:
            if self._engine.stopped:
                self._engine.command("status")
                for text in self._engine.said:
                    if found := _BREAKPOINT.match(text):
                        self._engine.command(f"delete {found[1]}")  # "delete all" would forget the .save lines too
            self._engine.command("destroy all")


def _bare(name: str) -> str:
    """``V(1)`` -> ``1``; lower case."""
    name = name.lower()
    return name[2:-1] if name.startswith("v(") and name.endswith(")") else name


def _saved(deck: Iterable[str]) -> list[str]:
    """Names that the ``.save`` lines of a circuit ask for, as they appear in a result."""
    names = []
    for line in deck:
        words = line.lower().split()
        if words and words[0] == ".save":
            for word in words[1:]:
                current = re.fullmatch(r"i\((.+)\)", word)
                names.append(f"{current[1]}#branch" if current else _bare(word))
    return [name for name in names if name not in ("all", "none")]


def _blamed(words: Sequence[str], lines: Sequence[str]) -> int | None:
    """The line of the deck that ngspice names by number (its own count begins with the title) or quotes in full."""
    for text in words:
        found = _LINE.search(text)
        if found and 1 <= int(found[1]) - 1 <= len(lines):
            return int(found[1]) - 1
    plain = [" ".join(line.lower().split()) for line in lines]
    for text in words:
        quoted = " ".join(text.lower().rpartition(":")[2].split())
        if quoted and plain.count(quoted) == 1:
            return plain.index(quoted) + 1
    return None


_session: Session | None = None


def session(room: str | None = None) -> Session:
    """The session of this process, started at the first call (``room`` counts only then). Raises EngineMissing."""
    global _session
    if _session is None:
        _session = Session(room)
    return _session


def engine_report() -> Mapping[str, object]:
    """What ``engine`` shows: ``found``, ``library``, ``version``, ``version_text``, ``tested``, ``within_tested``, ``mend``."""
    report: dict[str, object] = {"tested": f"{OLDEST} to {NEWEST}", "mend": ""}
    try:
        engine = session()
    except EngineMissing as error:
        return report | {
            "found": False, "library": None, "version": None, "version_text": "not found", "within_tested": False,
            "mend": str(error),
        }  # fmt: skip
    within = OLDEST <= engine.version <= NEWEST
    if not within:
        report["mend"] = f"This engine has not been tried. Results may differ from {OLDEST} to {NEWEST}. {MEND}"
    return report | {
        "found": True, "library": engine.library, "version": engine.version, "version_text": engine.version_text,
        "within_tested": within,
    }  # fmt: skip
