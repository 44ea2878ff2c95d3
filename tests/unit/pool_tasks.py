# SPDX-License-Identifier: GPL-3.0-or-later
"""What the tests of the pool let workers do. A module of its own, since workers import what they run."""

from __future__ import annotations

import hashlib
import os
import signal
import time

from harness.engine.session import EngineDead, EngineError, session

RAMP = [
    "vcc vcc 0 5",
    "icharge 0 ramp 25u",
    "cramp ramp 0 1n ic=0",
    "sreset ramp 0 ramp 0 reset",
    ".model reset sw vt=2.5 vh=2.4 ron=50 roff=1g",
    "bslice slice 0 v=2.5*(1+tanh((v(level)-v(ramp))/2m))",
    "rslice slice out 1k",
    "cout out 0 50p ic=0",
]


def work(task: tuple[str, float]) -> float | int | str:
    """Do what the first word says with the number."""
    what, number = task
    if what == "square":
        return number * number
    if what == "sleep":
        time.sleep(number)
    elif what == "process":
        return os.getpid()
    elif what == "deaf":
        return int(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, []))
    elif what == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    elif what == "exit":
        os._exit(int(number))
    elif what == "bug":
        raise KeyError("no such thing")
    elif what == "memory":
        return len(bytearray(int(number)))
    elif what == "engine error":
        raise EngineError(["words of the engine"], 3)
    elif what == "engine dead":
        raise EngineDead(["last words of the engine"], 7)
    elif what == "ramp":
        return simulate(number)
    elif what == "hang":
        session().load(["v1 a 0 1", "r1 a 0 1k"])
        session().transient(1e-9, 1e6, 1e-9)
    elif what == "undefined":
        session().load(["v1 a 0 1", "r1 a 0 {nowhere}"])
    elif what == "folder":
        return str(session()._engine._room)
    return what


def simulate(level: float) -> str:
    """A hash over every bit of a short run of a ramp core."""
    engine = session()
    engine.load([*RAMP, f"vlevel level 0 {level!r}"])
    waves = engine.transient(1e-6, 400e-6, 1e-6)
    digest = hashlib.sha256()
    for name in sorted(waves):
        digest.update(name.encode() + waves[name].tobytes())
    return digest.hexdigest()


def die_at_first(marker: str) -> int:
    """Kill the process at the first try; then tell how many tries there were."""
    with open(marker, "a") as file:
        file.write("|")
    with open(marker) as file:
        tries = len(file.read())
    if tries == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return tries
