# SPDX-License-Identifier: GPL-3.0-or-later
"""What run.json holds: counts, times, versions, hashes, settings, and what was assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from harness import __version__
from harness.board import Board
from harness.finished import Finished
from harness.intent.objects import UNCONFIRMED
from harness.netlist import Netlist
from harness.quantities import ROOM_TEMPERATURE, TEMPERATURE
from harness.resources import netlists_folder
from harness.simulate import CornerResult

if TYPE_CHECKING:
    from harness.characterise import Characteristics
    from harness.engine.workers import Workers

UNCHECKED_RANGE = (
    "common-mode range not checked: the board file names no comparator_class or no supply in [roles]"
)


def run_record(
    board: Board,
    netlist: Netlist,
    left_out: int,
    known: Characteristics,
    results: Sequence[CornerResult],
    finished: Finished,
    workers: Workers,
    wall: float,
    doubts: Sequence[str],
    concessions: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    """The content of run.json. ``left_out``: corners of the board that were not asked for; ``wall``: s;
    ``doubts``: sentences about whole sweeps that are not believed; ``concessions``: what became of each."""
    missing = sum(result.state == "not simulated" for result in results)
    fresh = [result for index, result in enumerate(results) if index not in finished.reused]
    engines = sorted({result.engine for result in results if result.engine})
    assumed = []
    if TEMPERATURE not in board.axes:
        assumed.append(f"temperature {ROOM_TEMPERATURE:g} degC: the board has no temperature axis")
    if not board.intended:
        assumed.append("no intended part values: a wrong part value cannot be noticed")
    elif not board.confirmed:
        assumed.append(UNCONFIRMED)
    if board.roles.comparator and not (board.roles.comparator_class and board.roles.supply):
        assumed.append(UNCHECKED_RANGE)
    assumed += finished.remarks
    assumed += doubts
    assumed.append("parts at their drawn values: no tolerance is in these corners, only the axes")
    return {
        "board": board.name,
        "revision": board.revision,
        "corners": len(results),
        "simulated": len(results) - missing - len(finished.reused),
        "left_out": left_out,
        "reused": len(finished.reused),
        "model_values_reused": known.reused,
        "not_simulated": missing,
        "engine_seconds": sum(result.engine_seconds for result in fresh),
        "callback_seconds": sum(result.callback_seconds for result in fresh),
        "model_engine_seconds": known.engine_seconds,
        "wall_seconds": wall,
        "workers": workers.count,
        "versions": _versions(engines),
        "hashes": {
            board.path.name: board.sha256,
            **{_short(path, board): digest for path, digest in netlist.files},
        },
        "settings": {
            "accuracy": board.simulation.accuracy,
            "seconds_per_corner": board.simulation.seconds,
            "steps": sorted({result.setting for result in results if result.setting}),
            "bar_asked_for_reached": sum(result.reached for result in results),
            "points": sum(result.points for result in results),
            "options_overridden": list(netlist.options),
            "callbacks": ", ".join(sorted({result.callbacks for result in results if result.callbacks})),
        },
        "concessions": list(concessions),
        "assumed": assumed,
    }


def _short(path: Path, board: Board) -> str:
    """A file's path from the board's folder or the package's netlists, without the rest of the machine."""
    for folder in (board.path.parent.resolve(), netlists_folder().resolve()):
        if path.resolve().is_relative_to(folder):
            return path.resolve().relative_to(folder).as_posix()
    return path.name


def _versions(engines: Sequence[str]) -> dict[str, str]:
    from importlib.metadata import version
    from platform import python_version

    names = ("PySpice", "numpy", "pandas", "matplotlib")
    return {
        "ramp-harness": __version__,
        "engine": ", ".join(engines) or "none",
        "python": python_version(),
        **{name: version(name) for name in names},
    }
