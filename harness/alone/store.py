# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of earlier measurements, kept in a folder beside the board.

A file counts only where it holds the very subject that is asked for, every figure of it in the right shape,
and the hash of its own content; units, axes and origin never come from the file. Such a hash notices damage
and edits, not somebody who forges it along: how many values were kept is therefore said.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.alone.subject import Bench

Array = NDArray[np.float64]
SET_ASIDE = ".set-aside"  # added to the name of a file that is not to be trusted


@dataclass(frozen=True)
class Kept:
    """Figures by name, and the version of the engine that they were measured with."""

    figures: Mapping[str, Array]
    engine: int


def file_of(folder: Path, bench: Bench, engine: int) -> Path:
    """Where the figures of a bench are kept that an engine has measured."""
    return folder / f"{_stem(bench)}-ngspice-{engine}.json"


def read(folder: Path, bench: Bench, engine: int) -> Kept | None:
    """What is kept of a bench for an engine, None where there is nothing. Raises ValueError where the file is
    not to be trusted."""
    path = file_of(folder, bench, engine)
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError:
        return None
    except (ValueError, RecursionError):
        raise ValueError(f"{path.name} is damaged") from None
    if not isinstance(content, dict) or content.pop("sha256", None) != _digest(content):
        raise ValueError(f"{path.name} is damaged, or was changed by hand")
    if content.get("key") != bench.text or content.get("engine") != engine:
        raise ValueError(f"{path.name} speaks of something else than its name says")
    try:
        return Kept(checked(bench, content["figures"]), engine)
    except (KeyError, TypeError, AttributeError, ValueError):
        raise ValueError(f"{path.name} does not hold the figures that it should") from None


def read_newest(folder: Path, bench: Bench) -> Kept | None:
    """The same for the newest engine that has measured the bench."""
    start = f"{_stem(bench)}-ngspice-"
    versions = (path.stem.removeprefix(start) for path in folder.glob(f"{start}*.json"))
    engine = max((int(version) for version in versions if version.isdecimal()), default=None)
    return None if engine is None else read(folder, bench, engine)


def write(folder: Path, bench: Bench, kept: Kept) -> None:
    """Whole or not at all, for another run may be reading; a folder that cannot be written only costs
    time."""
    content = {
        "key": bench.text,
        "engine": kept.engine,
        "figures": {name: figures.tolist() for name, figures in kept.figures.items()},
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=folder, suffix=".part")
    except OSError:
        return
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump(content | {"sha256": _digest(content)}, stream)
        os.replace(temporary, file_of(folder, bench, kept.engine))
    except OSError:
        Path(temporary).unlink(missing_ok=True)


def set_aside(folder: Path, bench: Bench, engine: int) -> None:
    """Leave a file that is not to be trusted to whoever wants to look at it, under a name that is never
    read."""
    path = file_of(folder, bench, engine)
    try:
        os.replace(path, path.with_name(path.name + SET_ASIDE))
    except OSError:
        return


def checked(bench: Bench, figures: Mapping[str, Any]) -> dict[str, Array]:
    """Figures as arrays. Raises ValueError, TypeError or KeyError where they are not those of the bench."""
    if set(figures) != set(bench.names):
        raise ValueError("other values than the bench gives")
    arrays = {}
    for value in bench.values:
        array = np.asarray(figures[value.name], dtype=float)
        if array.shape != tuple(len(knots) for knots in value.axes.values()):
            raise ValueError(f"{value.name} does not fill its grid")
        arrays[value.name] = array
    return arrays


def _stem(bench: Bench) -> str:
    return f"{bench.title.replace(' ', '_')}-{bench.key[:16]}"


def _digest(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
