# SPDX-License-Identifier: GPL-3.0-or-later
"""Simulates corners of many families in this process and prints what they cost, as JSON. Run as a program, so
that the callbacks can be chosen from outside by ``RAMP_HARNESS_CALLBACKS``."""

from __future__ import annotations

import hashlib
import json
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))  # the families lie beside this program

from families import FAMILIES, circuit_of
from families.circuit import Circuit

from harness.characterise import characterise
from harness.engine.errors import EngineError
from harness.engine.session import session
from harness.engine.steering import callbacks_kind
from harness.engine.steps import NoCycle, settle
from harness.measure.cycle import measure_cycle
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.resources import netlists_folder
from harness.run import prepare
from harness.simulate import simulate

STUDY = 31  # circuits of their own
COUNT = 5
COUNT_BOARD = 3
REPEATS = 3
BOARDS = ("kestrel_slicer", "kestrel")

Corner = Callable[[], object]


def random_corner(circuit: Circuit) -> object:
    """Figures, bars and points of one random circuit at an accuracy of 1e-4."""

    def measure(record, begin, end):  # type: ignore[no-untyped-def]
        return measure_cycle(record, begin, end, circuit.probes, circuit.plan.temperature)

    try:
        settled = settle(session(), circuit.plan, measure)
    except (NoCycle, EngineError) as error:
        return str(error)
    return settled.figures, settled.bars, settled.points


def board_corners(name: str) -> list[Corner]:
    """Corners of a board that ships with the harness, spread over its table."""
    prepared = prepare(netlists_folder() / "boards" / "kestrel" / f"{name}.board.toml")
    with TemporaryDirectory() as folder:
        known = characterise(prepared.board, prepared.netlist, Path(folder), measure=True)
    hints = predict(prepared.board, prepared.netlist, prepared.corners, known).refined
    tasks = tasks_of(prepared.board, prepared.netlist, prepared.corners, hints)

    def run(task):  # type: ignore[no-untyped-def]
        result = simulate(task)
        return result.figures, result.bars, result.points, result.state

    spread = tasks[:: max(1, len(tasks) // COUNT_BOARD)][:COUNT_BOARD]
    return [partial(run, task) for task in spread]


def groups() -> Iterator[tuple[str, list[Corner]]]:
    """Each family's corners, then each board's."""
    for family in FAMILIES:
        yield family, [partial(random_corner, circuit_of(family, STUDY, number)) for number in range(COUNT)]
    for board in BOARDS:
        yield board, board_corners(board)


class Clock:
    """Counts the processor time (s) that the session spends in transient runs."""

    def __init__(self) -> None:
        self.seconds = 0.0
        engine = session()
        self._transient = engine.transient
        engine.transient = self._timed  # type: ignore[method-assign]

    def _timed(self, *arguments, **more):  # type: ignore[no-untyped-def]
        begin = time.process_time()
        try:
            return self._transient(*arguments, **more)
        finally:
            self.seconds += time.process_time() - begin


@dataclass(frozen=True)
class Cost:
    """Of one corner, the least of some repeats, in ms: processor time of all and of the transient runs; time
    inside the engine and inside its callbacks. ``out``: what came out."""

    whole: float
    runs: float
    engine: float
    callbacks: float
    out: str


def cost(corner: Corner, clock: Clock) -> Cost:
    """Runs one corner ``REPEATS`` times."""
    engine, rows, out = session(), [], ""
    for _ in range(REPEATS):
        before = (time.process_time(), clock.seconds, engine.engine_seconds, engine.callback_seconds)
        out = repr(corner())
        after = (time.process_time(), clock.seconds, engine.engine_seconds, engine.callback_seconds)
        rows.append([1e3 * (late - early) for early, late in zip(before, after, strict=True)])
    return Cost(*(min(column) for column in zip(*rows, strict=True)), out)


def main() -> None:
    """Prints a table: group -> processor time of its median corner (ms), sums of the other costs (ms), and a
    hash of all figures."""
    table: dict[str, object] = {"callbacks": callbacks_kind()}
    clock = Clock()
    for name, corners in groups():
        costs = [cost(corner, clock) for corner in corners]
        table[name] = {
            "corner": median(c.whole for c in costs),
            "runs": sum(c.runs for c in costs),
            "engine": sum(c.engine for c in costs),
            "callbacks": sum(c.callbacks for c in costs),
            "figures": hashlib.sha256("".join(c.out for c in costs).encode()).hexdigest(),
        }
    print(json.dumps(table))


if __name__ == "__main__":
    main()
