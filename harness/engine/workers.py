# SPDX-License-Identifier: GPL-3.0-or-later
"""Who runs tasks: processes of this machine, or a cluster. Nothing is loaded for it before there
are tasks."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeVar

if TYPE_CHECKING:
    from harness.engine.pool import Outcome

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
