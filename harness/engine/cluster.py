# SPDX-License-Identifier: GPL-3.0-or-later
"""Tasks on the workers of a Dask cluster, each still in a process of its own there.

A Dask worker hands its tasks to worker processes beside it (:mod:`harness.engine.pool`), so that a crash or a
hang of ngspice costs one task and never the Dask worker. Where a whole Dask worker is lost, the scheduler has
its tasks done elsewhere, as often as its own setting ``allowed-failures`` permits. Nothing is written down
there: outcomes come home.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import multiprocessing
import tempfile
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from harness.engine.errors import EngineFailed, EngineMissing
from harness.engine.pool import Outcome, Standing
from harness.findings import Finding, InputError

T = TypeVar("T")
R = TypeVar("R")

PATIENCE = 5.0  # s for a scheduler to answer
ALONE = 60.0  # s to wait for a worker where none is left
IDLE = 120.0  # s after which processes without a task end
_LOOK = 2.0  # s between looks at the workers there are
_FETCH = 120.0  # s for an outcome to come home
_START = 120.0  # s for a first process to tell its engine
_AHEAD = 2  # tasks handed over per thread: nobody waits, and a long list is not copied at once
_KEY = "--cluster"


@dataclass(frozen=True)
class Kind:
    """What decides a corner beside its circuit. ``engine``: version text; ``conditions``: hash of libraries
    and sources, as in the ledger's keys."""

    engine: str
    conditions: str

    def __str__(self) -> str:
        return f"{self.engine} with sources and libraries {self.conditions[:12]}"


@contextmanager
def connected(address: str) -> Iterator[Cluster]:
    """The cluster whose scheduler listens at an address such as "tcp://10.0.0.5:8786".

    Raises InputError where Dask is not installed, nobody answers, or no worker is there.
    """
    try:
        from distributed import Client
    except ModuleNotFoundError as error:
        message = f"needs Dask ({error}): pip install 'ramp-harness[cluster]', here and on every worker"
        raise _refused(message) from error
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what goes wrong is said in sentences here
    try:
        client = Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError, RuntimeError) as error:
        message = f"no scheduler answers at {address} within {PATIENCE:g} s; `dask scheduler` starts one"
        raise _refused(message) from error
    try:
        cluster = Cluster(client, address)
        if not cluster.count:
            raise _refused(
                f"no worker is at {address}; `dask worker {address} --nthreads 1 --nworkers N` starts N"
            )
        yield cluster
    finally:
        with suppress(OSError, CancelledError):  # a scheduler that is gone need not hear of it
            client.close(timeout=PATIENCE)


class Cluster:
    """The workers of a Dask scheduler. ``count``: their threads at the last look."""

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self.count = 0
        self._looked = self._seen = time.monotonic()
        self._look()

    def run_all(
        self, tasks: Iterable[T], function: Callable[[T], R], seconds: float, engine: str
    ) -> Generator[tuple[int, Outcome[R]], None, None]:
        """As :func:`harness.engine.pool.run_all`. Closing the generator takes back what is not finished.

        Raises InputError where a worker would give other figures than this machine, and EngineFailed where
        the scheduler or the last worker is lost.
        """
        from harness.ledger import conditions

        kind = Kind(engine, conditions())
        queue = iter(enumerate(tasks))
        checked: Callable[[T], R | Kind] = _Checked(function, kind)
        running: dict[Any, int] = {}
        try:
            self._check(kind)
            while True:
                most = _AHEAD * max(1, self.count)  # where nobody is left, somebody may come
                for index, task in itertools.islice(queue, max(0, most - len(running))):
                    future = self._client.submit(_at_worker, checked, task, seconds, pure=False)
                    running[future] = index
                if not running:
                    return
                for future in sorted(self._done(list(running)), key=running.__getitem__):
                    try:
                        place, outcome = _outcome(future, kind)
                    except TimeoutError:  # lost with its worker after it was finished: it is done again
                        continue
                    index = running.pop(future)
                    future.release()
                    if isinstance(outcome.value, Kind):
                        raise _refused(_unlike({place: outcome.value}, kind))
                    yield index, outcome
                self._look()
        except (CancelledError, OSError) as error:
            raise EngineFailed(
                f"the connection to the scheduler at {self._address} was lost ({type(error).__name__});"
                " finished corners are written down and will not be simulated again"
            ) from error
        finally:
            with suppress(OSError, CancelledError):
                self._client.cancel(list(running), force=True)

    @contextmanager
    def staying(self) -> Iterator[Cluster]:
        """As it is: what runs tasks here stays anyway."""
        yield self

    def _done(self, futures: list[Any]) -> Iterable[Any]:
        """Those that have come to an end, waiting a little for the first."""
        from distributed import wait

        with self._client.as_current(), suppress(TimeoutError):
            return list(wait(futures, timeout=_LOOK, return_when="FIRST_COMPLETED").done)
        return []

    def _look(self) -> None:
        """Counts threads, now and then. Raises EngineFailed where nobody has been there for a while."""
        now = time.monotonic()
        if self.count and now - self._looked < _LOOK:
            return
        self._looked = now
        self.count = sum(self._client.nthreads().values())
        if self.count:
            self._seen = now
        elif now - self._seen > ALONE:
            raise EngineFailed(
                f"no worker has been at {self._address} for {ALONE:g} s; finished corners are written down"
                " and will not be simulated again"
            )

    def _check(self, kind: Kind) -> None:
        """Raises InputError that names every worker whose figures could differ, and what it has."""
        found = self._client.run(_kind_of_worker, on_error="return")
        if strangers := {place: other for place, other in found.items() if other != kind}:
            raise _refused(_unlike(strangers, kind))


def _outcome(future: Any, kind: Kind) -> tuple[str, Outcome[Any]]:
    """Where a finished future ran, and its outcome. Raises TimeoutError where its value is gone again."""
    if future.status == "error":
        return "", _without_value(future.exception(timeout=_FETCH), kind)
    place, outcome = future.result(timeout=_FETCH)
    return place, outcome


def _without_value(error: Exception, kind: Kind) -> Outcome[Any]:
    from distributed.scheduler import KilledWorker

    if isinstance(error, EngineMissing):
        raise _refused(_unlike({"a worker that joined later": error}, kind)) from error
    if isinstance(error, KilledWorker):
        return Outcome(
            None, f"lost with its Dask worker, {error.allowed_failures + 1} times: not tried again"
        )
    return Outcome(None, f"a fault of this program at a Dask worker: {error}")  # what cannot travel, and such


def _unlike(strangers: Mapping[str, object], kind: Kind) -> str:
    """Each worker by its address, with what it has."""
    lines = [f"  {place}: {other}" for place, other in sorted(strangers.items())]
    return "\n".join(
        [
            "these workers would not give the figures of this machine, which has",
            f"  {kind}",
            *lines,
            "Install the same ramp-harness, libraries and ngspice there, and start those workers anew.",
        ]
    )


def _refused(message: str) -> InputError:
    return InputError([Finding(None, message, _KEY)])


# --- at a Dask worker

_standing: dict[str, Standing] = {}  # of this process; Dask can hold several workers in one
_lock = threading.Lock()


def _crew(worker: Any) -> Standing:
    """The worker processes beside a Dask worker, as many as it has threads, in its own folder."""
    with _lock:
        if worker.address not in _standing:
            # Dask marks its workers as processes without children; ours follow their parent when it ends.
            multiprocessing.current_process().daemon = False
            folder = tempfile.mkdtemp(prefix="ramp-harness-", dir=worker.local_directory)  # which Dask clears
            _standing[worker.address] = Standing(worker.state.nthreads, Path(folder), IDLE)
        return _standing[worker.address]


def _at_worker(function: Callable[[T], R], task: T, seconds: float) -> tuple[str, Outcome[R]]:
    from distributed import get_worker

    worker = get_worker()
    return worker.address, _crew(worker).outcome(task, function, seconds)


async def _kind_of_worker(dask_worker: Any) -> Kind:
    """What the engine of a Dask worker is, told by a process beside it. Raises EngineFailed or
    EngineMissing."""
    crew = _crew(dask_worker)
    outcome = await asyncio.to_thread(crew.outcome, None, _kind, _START)
    if outcome.value is None:
        raise EngineFailed(outcome.reason)
    return outcome.value


# --- in a process beside it


def _kind(_: object) -> Kind:
    from harness.engine.session import session
    from harness.ledger import conditions

    return Kind(session().version_text, conditions())


@dataclass(frozen=True)
class _Checked(Generic[T, R]):
    """A function that runs only where the figures will be those of the machine that asked; else it gives
    what there is instead: a worker may have joined after the others were looked at."""

    function: Callable[[T], R]
    kind: Kind

    def __call__(self, task: T) -> R | Kind:
        found = _kind(None)
        return self.function(task) if found == self.kind else found
