# SPDX-License-Identifier: GPL-3.0-or-later
"""Simulates corners of many families in this process and prints what they cost, as JSON. Run as a program, so
that the callbacks can be chosen from outside by ``RAMP_HARNESS_CALLBACKS``."""

from __future__ import annotations

import hashlib
import json
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))  # the families lie beside this program

from families import FAMILIES, circuit_of

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
COUNT = 3
COUNT_BOARD = 3
REPEATS = 3
BOARDS = ("kestrel_slicer", "kestrel")

Corner = Callable[[], object]


def random_corner(family: str, number: int) -> object:
    """Figures, bars and points of one random circuit at an accuracy of 1e-4."""
    circuit = circuit_of(family, STUDY, number)

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
        yield family, [partial(random_corner, family, number) for number in range(COUNT)]
    for board in BOARDS:
        yield board, board_corners(board)


def cost(corner: Corner) -> tuple[float, float, float, str]:
    """Least processor time, and least time in the engine and in its callbacks, of some repeats (ms); and
    what came out."""
    engine, rows, out = session(), [], ""
    for _ in range(REPEATS):
        begin, inside, called = time.process_time(), engine.engine_seconds, engine.callback_seconds
        out = repr(corner())
        spent = time.process_time() - begin
        rows.append((spent, engine.engine_seconds - inside, engine.callback_seconds - called))
    whole, inside, called = (1e3 * min(column) for column in zip(*rows, strict=True))
    return whole, inside, called, out


def main() -> None:
    """Prints a table: group -> corner times (ms, means over its corners) and a hash of all figures."""
    table: dict[str, object] = {"callbacks": callbacks_kind()}
    for name, corners in groups():
        rows = [cost(corner) for corner in corners]
        whole, inside, called = (sum(row[i] for row in rows) / len(rows) for i in range(3))
        digest = hashlib.sha256("".join(row[3] for row in rows).encode()).hexdigest()
        table[name] = {"corner_ms": whole, "engine_ms": inside, "callback_ms": called, "figures": digest}
    print(json.dumps(table))


if __name__ == "__main__":
    main()
