# SPDX-License-Identifier: GPL-3.0-or-later
"""Tasks in worker processes of their own: a hang, a crash or a runaway costs the one task that caused it.

ngspice can hang or crash where nothing in its own process can stop it. So the parent keeps the clock, and a
worker whose engine has died ends itself at once instead of simulating on.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import resource
import signal
import tempfile
import threading
import traceback
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from multiprocessing import resource_tracker
from multiprocessing.util import Finalize
from pathlib import Path
from typing import Generic, NoReturn, TypeVar

from pebble import ProcessExpired, ProcessPool

from harness.engine.errors import EngineDead, EngineError, EngineMissing
from harness.engine.session import work_in
from harness.engine.steering import share

T = TypeVar("T")
R = TypeVar("R")

TASKS_OF_A_WORKER = 500  # then a fresh process takes over, whatever may have leaked
MEMORY = 4 * 1024**3  # address space of a worker, bytes
_ENGINE_DEAD = 71  # exit code of a worker that throws itself away
_AHEAD = 4  # tasks handed over per worker: nobody waits, and a long list is not copied at once


@dataclass(frozen=True)
class Outcome(Generic[R]):
    """What became of a task: its value, or the reason why there is none (and for a bug the traceback)."""

    value: R | None
    reason: str = ""
    details: str = ""

    @property
    def ok(self) -> bool:
        """Whether there is a value."""
        return not self.reason


@dataclass(frozen=True)
class _Job(Generic[T]):
    """A task with its number among all that the workers were given, and its index in its list."""

    number: int
    index: int
    task: T
    again: bool = False

    def letter(self, folder: Path) -> Path:
        """Where a worker leaves its last words."""
        return folder / f"{self.number}{'-again' if self.again else ''}.txt"


class Team:
    """Worker processes of this machine for lists of tasks, one list after the other.

    They start with the first task and end with the context. ``count``: how many.
    """

    def __init__(self, workers: int, memory: int = MEMORY) -> None:
        os.environ.setdefault("OMP_NUM_THREADS", "1")  # inherited: one thread a worker
        self.count = workers
        self._room = tempfile.TemporaryDirectory(prefix="ramp-harness-", ignore_cleanup_errors=True)
        self._folder = Path(self._room.name)
        self._usual = _Crew(workers, TASKS_OF_A_WORKER, self._folder, memory)
        self._fresh = _Crew(1, 1, self._folder, memory)
        self._numbers = itertools.count()

    def __enter__(self) -> Team:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Ends the processes and takes their folder away."""
        self.dismiss()
        self._room.cleanup()

    def dismiss(self) -> None:
        """Ends the processes; the next task starts others."""
        self._usual.dismiss()
        self._fresh.dismiss()

    def run_all(
        self, tasks: Iterable[T], function: Callable[[T], R], seconds: float
    ) -> Generator[tuple[int, Outcome[R]], None, None]:
        """As the function :func:`run_all`. Closing the generator ends the workers, too: what they are at is
        of no use."""
        queue = (_Job(next(self._numbers), index, task) for index, task in enumerate(tasks))
        running: dict[Future[Outcome[R]], _Job[T]] = {}
        try:
            while True:
                for job in itertools.islice(queue, max(0, self.count * _AHEAD - len(running))):
                    running[self._usual.start(job, function, seconds)] = job
                if not running:
                    return
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in sorted(done, key=lambda future: running[future].number):
                    job = running.pop(future)
                    outcome, died = _outcome(future, job.letter(self._folder), seconds)
                    if died and not job.again:
                        job = replace(job, again=True)
                        running[self._fresh.start(job, function, seconds)] = job
                    else:
                        yield job.index, outcome
        except BaseException:
            self.dismiss()
            raise


def run_all(
    tasks: Iterable[T], function: Callable[[T], R], workers: int, seconds: float, *, memory: int = MEMORY
) -> Generator[tuple[int, Outcome[R]], None, None]:
    """Yield ``(index of the task, outcome)`` as the outcomes come in.

    ``function`` stands in a module, since it is pickled like the tasks and the values. It runs in one of
    ``workers`` processes for at most ``seconds`` of wall time. An exception is that task's outcome. Where the
    process died, the task is tried once more, in a process that has run nothing else; running out of time is
    final. Closing the generator ends the workers. Raises EngineMissing where the workers find no ngspice.
    """
    with Team(workers, memory) as team:
        yield from team.run_all(tasks, function, seconds)


class Standing:
    """Worker processes that stay, for tasks that come singly and from any thread; after ``idle`` seconds
    without a task they end, and new ones start with the next task. ``folder``: an empty one."""

    def __init__(self, workers: int, folder: Path, idle: float) -> None:
        os.environ.setdefault("OMP_NUM_THREADS", "1")
        self._folder, self._idle = folder, idle
        self._usual = _Crew(workers, TASKS_OF_A_WORKER, folder, MEMORY)
        self._fresh = _Crew(1, 1, folder, MEMORY)
        self._numbers = itertools.count()
        self._lock = threading.RLock()
        self._busy = 0
        self._rest: threading.Timer | None = None
        Finalize(None, self.dismiss, exitpriority=1)  # else the end of this process would wait for them

    def outcome(self, task: T, function: Callable[[T], R], seconds: float) -> Outcome[R]:
        """What becomes of one task, as in :func:`run_all`: time limit, second try, EngineMissing."""
        with self._lock:
            self._busy += 1
            if self._rest is not None:
                self._rest.cancel()
            job = _Job(next(self._numbers), 0, task)
        try:
            outcome, died = self._tried(self._usual, job, function, seconds)
            if died:
                job = replace(job, again=True)
                outcome, _ = self._tried(self._fresh, job, function, seconds)
            return outcome
        finally:
            with self._lock:
                self._busy -= 1
                if not self._busy:
                    self._rest = threading.Timer(self._idle, self._dismiss_if_idle)
                    self._rest.daemon = True
                    self._rest.start()

    def _tried(
        self, crew: _Crew, job: _Job[T], function: Callable[[T], R], seconds: float
    ) -> tuple[Outcome[R], bool]:
        with self._lock:
            future = crew.start(job, function, seconds)
        return _outcome(future, job.letter(self._folder), seconds)

    def dismiss(self) -> None:
        """Ends the processes; what they were at comes to nothing."""
        with self._lock:
            self._usual.dismiss()
            self._fresh.dismiss()

    def _dismiss_if_idle(self) -> None:
        with self._lock:
            if not self._busy:
                self.dismiss()


def _outcome(future: Future[Outcome[R]], letter: Path, seconds: float) -> tuple[Outcome[R], bool]:
    """The outcome of a finished future, and whether its process died over it."""
    try:
        return future.result(), False
    except TimeoutError:
        return Outcome(None, f"no result within {seconds:g} s: stopped"), False
    except ProcessExpired as error:
        return Outcome(None, _last_words(error.exitcode, letter)), True
    except BrokenProcessPool:
        return Outcome(None, "the worker process did not come up"), True
    except EngineMissing:
        raise
    except Exception as error:  # a task or a result that cannot travel between processes
        return Outcome(None, _fault(error)), False


def _fault(error: Exception) -> str:
    """A sentence about an error that no code expected; what Python calls it stands in the details."""
    words = error.args[0] if len(error.args) == 1 and isinstance(error.args[0], str) else str(error)
    return f"a fault of this program{f': {words}' if words else ', without a word about it'}"


def _last_words(code: int, letter: Path) -> str:
    if code == _ENGINE_DEAD and letter.exists():
        return letter.read_text(encoding="utf8")
    if code < 0:
        return f"the process of the simulator was killed by {signal.Signals(-code).name}"
    return f"the process of the simulator ended by itself with exit code {code}"


class _Crew:
    """A pool that is started when first needed, and again after it broke."""

    def __init__(self, workers: int, tasks: int, folder: Path, memory: int) -> None:
        self._workers, self._tasks, self._folder, self._memory = workers, tasks, folder, memory
        self._pool: ProcessPool | None = None

    def start(self, job: _Job[T], function: Callable[[T], R], seconds: float) -> Future[Outcome[R]]:
        if self._pool is None or not self._pool.active:
            self.dismiss()
            self._pool = ProcessPool(
                max_workers=self._workers,
                max_tasks=self._tasks,
                initializer=_start_worker,
                initargs=(str(self._folder), self._memory),
                context=multiprocessing.get_context("spawn"),
            )
        letter = str(job.letter(self._folder))
        # what starts here, now or after a crash, is deaf to Ctrl-C from its first instruction on: it is for
        # this process to obey; the tracker, which would lift the block as it starts, comes before
        resource_tracker.ensure_running()
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            return self._pool.schedule(_attempt, args=(function, job.task, letter), timeout=seconds)
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)

    def dismiss(self) -> None:
        if self._pool is not None:
            self._pool.stop()  # type: ignore[no-untyped-call]
            self._pool.join()
            self._pool = None


# --- in a worker


def _start_worker(folder: str, memory: int) -> None:
    signal.signal(signal.SIGTERM, signal.SIG_DFL)  # a handler in Python would wait for ngspice to return
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    threading.Thread(target=_follow_parent, daemon=True).start()
    room = Path(folder) / "engine"
    room.mkdir(exist_ok=True)
    work_in(str(room))
    share(room)


def _follow_parent() -> NoReturn:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
    os._exit(1)


def _attempt(function: Callable[[T], R], task: T, letter: str) -> Outcome[R]:
    try:
        return Outcome(function(task))
    except EngineDead as error:
        Path(letter).write_text(str(error), encoding="utf8")
        os._exit(_ENGINE_DEAD)
    except EngineMissing:
        raise
    except EngineError as error:
        return Outcome(None, str(error))
    except MemoryError:
        return Outcome(None, "the memory limit of a worker was reached")
    except Exception as error:
        return Outcome(None, _fault(error), traceback.format_exc())
