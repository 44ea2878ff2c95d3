# SPDX-License-Identifier: GPL-3.0-or-later
"""Who runs tasks: processes of this machine, or a cluster. Nothing is loaded for it before there
are tasks."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeVar

if TYPE_CHECKING:
    from harness.engine.pool import Outcome, Team

T = TypeVar("T")
R = TypeVar("R")


class Workers(Protocol):
    """Who runs tasks, ``count`` at a time: :class:`Here`, or a cluster."""

    @property
    def count(self) -> int: ...

    def run_all(
        self, tasks: Iterable[T], function: Callable[[T], R], seconds: float, engine: str
    ) -> Generator[tuple[int, Outcome[R]], None, None]:
        """As :func:`harness.engine.pool.run_all`; ``engine``: version text of the engine that has to run
        them."""
        ...

    def staying(self) -> AbstractContextManager[Workers]:
        """The same for several lists of tasks: processes stay from one to the next, and end with the
        context."""
        ...


@dataclass(frozen=True)
class Here:
    """Worker processes of this machine."""

    count: int

    def run_all(
        self, tasks: Iterable[T], function: Callable[[T], R], seconds: float, engine: str
    ) -> Generator[tuple[int, Outcome[R]], None, None]:
        """As :func:`harness.engine.pool.run_all`, which finds the same engine as this process."""
        from harness.engine.pool import run_all

        return run_all(tasks, function, workers=self.count, seconds=seconds)

    def staying(self) -> AbstractContextManager[Workers]:
        """As many processes that stay."""
        return Staying(self.count)


class Staying:
    """Worker processes of this machine for several lists of tasks. They start with the first task."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._team: Team | None = None

    def __enter__(self) -> Staying:
        return self

    def __exit__(self, *_: object) -> None:
        if self._team is not None:
            self._team.close()

    def run_all(
        self, tasks: Iterable[T], function: Callable[[T], R], seconds: float, engine: str
    ) -> Generator[tuple[int, Outcome[R]], None, None]:
        """As :func:`harness.engine.pool.run_all`, one list after the other."""
        from harness.engine.pool import Team

        if self._team is None:
            self._team = Team(self.count)
        return self._team.run_all(tasks, function, seconds)

    @contextmanager
    def staying(self) -> Iterator[Staying]:
        """As they are: they stay."""
        yield self
