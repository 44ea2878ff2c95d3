# SPDX-License-Identifier: GPL-3.0-or-later
"""Accepted references: a run as a text file that can be read, reviewed and held to.

TOML, one line a part, a key of the board file, and a quantity at a corner. Figures end where their bars say,
so that a board that does not change gives a file that does not change. The last line is a hash of the others.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from harness.board import FILE_NAME, Limit
from harness.findings import Finding, InputError
from harness.quantities import STATES, is_stem
from harness.revision.joined import Joined
from harness.revision.kept import Kept, kept_from
from harness.revision.rounded import figure_lines
from harness.revision.side import Side
from harness.verdict import limit_words
from harness.writing import placed

REFERENCES = Path("reports") / "accepted"
FORMAT = 1
FIRST_LINE = (
    "# Accepted reference of a board, written by `ramp-harness accept` and read by `ramp-harness compare`."
)
_END = re.compile(r'^content = "sha256 ([0-9a-f]{64})"$')
_BARE = re.compile(r"[A-Za-z0-9_-]+")
"""Keys that TOML takes without quotes."""


def reference_of(board: str, folder: Path) -> Path:
    """The reference of a board. Raises InputError, naming those that there are, where there is none."""
    path = folder / f"{board}.toml"
    if not path.is_file():
        known = ", ".join(sorted(each.stem for each in folder.glob("*.toml"))) or "none"
        message = (
            f"no reference of {board} is accepted in {folder} (there: {known}); `ramp-harness accept RUN`"
            " writes one, --references names another folder"
        )
        raise InputError([Finding(None, message)])
    return path


def is_reference(path: Path) -> bool:
    """Whether a file begins as an accepted reference does."""
    with path.open("rb") as file:
        return file.read(len(FIRST_LINE)).decode("utf-8", "replace").startswith(FIRST_LINE[:40])


def read_reference(path: Path) -> Side:
    """A reference as a side. Raises InputError for one of a newer format and for one that was damaged."""
    try:
        text = path.read_text(encoding="utf-8").replace("\r\n", "\n")
        content = tomllib.loads(text)
        number = content["reference"]["format"]
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise _damaged(path, f"it cannot be read ({error})") from error
    if not isinstance(number, int) or number > FORMAT:
        message = f"is of format {number}; this version of ramp-harness reads up to {FORMAT}: update it"
        raise InputError([Finding(path, message)])
    body, _, last = text.rstrip("\n").rpartition("\n")
    end = _END.fullmatch(last)
    if end is None or end[1] != _digest(body + "\n"):
        raise _damaged(path, "its content does not fit the hash in its last line")
    try:
        return _side(path, content)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _damaged(path, f"it lacks or holds what a reference does not: {error}") from error


def _damaged(path: Path, why: str) -> InputError:
    message = f"the reference is damaged: {why}; take it from version control, or accept a run anew"
    return InputError([Finding(path, message)])


def _digest(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()


def _side(path: Path, content: Mapping[str, Any]) -> Side:
    head = content["reference"]
    if not FILE_NAME.fullmatch(head["board"]):
        raise ValueError(f'"{head["board"]}" is no name of a board')
    kept = kept_from(
        {
            "format": 1,
            "title": head["title"],
            "axes": content.get("axes", {}),
            "board_file": content.get("board_file", {}),
            "limits": content.get("limits", {}),
            "intended": content.get("intended", {}),
            "parameters": content.get("parameters", {}),
            "parts": [{**part, "name": name} for name, part in content["parts"].items()],
            "hand_on_drawn": {},
        }
    )
    corners, on_drawn = _corner_table(content, list(kept.axes), kept.limits)
    kept = Kept(
        kept.title, kept.axes, kept.parts, kept.parameters, kept.intended, kept.facts, kept.limits, on_drawn
    )
    run = {
        "versions": {"engine": head["engine"], "ramp-harness": head["tool"]},
        "settings": {"accuracy": head["accuracy"]},
        "left_out": head["left_out"],
        "hashes": content.get("hashes", {}),
        "commit": str(head.get("commit", "")),
    }
    if len(corners) != head["corners"]:
        raise ValueError(f"{len(corners)} corners instead of {head['corners']}")
    file = placed(path.parent, str(head.get("board_file", "")))
    return Side(
        str(path), head["board"], head["revision"], corners, kept.axes, kept, pd.DataFrame(), run, file
    )


def _corner_table(
    content: Mapping[str, Any], axes: list[str], limits: Mapping[str, Limit]
) -> tuple[pd.DataFrame, dict[str, list[float]]]:
    """The corner table, and hand formulas on drawn values."""
    places = {place: row for row, place in enumerate(content["corners"])}
    table: dict[str, list[Any]] = {"corner": [], **{axis: [] for axis in axes}, "state": [], "ratings": []}
    for place, entry in content["corners"].items():
        table["corner"].append(str(entry["name"]))
        for axis in axes:
            table[axis].append(float(entry["at"][axis]))
        if entry["state"] not in STATES:
            raise ValueError(f'"{entry["state"]}" at {place} is no state')
        table["state"].append(entry["state"])
        table["ratings"].append(str(entry.get("ratings", "")))
    columns: dict[str, Any] = dict(table)
    on_drawn: dict[str, list[float]] = {}
    for quantity, rows in content.get("figures", {}).items():
        if not is_stem(quantity):
            raise ValueError(f'"{quantity}" is no quantity')
        figures = {part: np.full(len(places), math.nan) for part in _NUMBERS.values()}
        words = {part: np.full(len(places), missing, dtype=object) for part, missing in _WORDS.values()}
        for place, entry in rows.items():
            row = places[place]
            for key, part in _NUMBERS.items():
                if key in entry:
                    figures[part][row] = float(entry[key])
            for key, (part, _) in _WORDS.items():
                if key in entry:
                    words[part][row] = str(entry[key])
        on_drawn[quantity] = [float(value) for value in figures.pop("on_drawn")]
        if quantity in limits:
            figures["margin"] = limit_words(figures["simulated"], figures["bar"], limits[quantity])[1]
        columns |= {f"{quantity}.{part}": column for part, column in {**figures, **words}.items()}
    known = {name: column for name, column in on_drawn.items() if np.isfinite(column).any()}
    return pd.DataFrame(columns), known


_NUMBERS = {
    "simulated": "simulated", "bar": "bar", "refined": "refined", "solved": "solved", "on_drawn": "on_drawn",
}  # fmt: skip
_WORDS = {"limit": ("limit", "no limit"), "hand": ("agreement", "no figure")}
"""Keys of a line and the columns of a corner table that they stand for."""


def reference_text(
    side: Side, commit: str, restricted: str, before: tuple[Side, Joined] | None, board_file: str = ""
) -> str:
    """The file that a run becomes. ``commit``: of the drawing, where there is one; ``restricted``: in what
    the run is not whole, as far as that was allowed; ``before``: the reference before and how its corners
    correspond; lines of it stay as they are where nothing measurable changed; ``board_file``: where that lies
    from the folder of references, where it is known."""
    assert side.kept is not None
    body = "\n".join(_lines(side, side.kept, commit, restricted, before, board_file)) + "\n"
    return f'{body}content = "sha256 {_digest(body)}"\n'


def _lines(
    side: Side,
    kept: Kept,
    commit: str,
    restricted: str,
    before: tuple[Side, Joined] | None,
    board_file: str,
) -> Iterator[str]:
    versions, plain = dict(side.run.get("versions", {})), kept.plain()
    yield FIRST_LINE
    yield "# Figures are in SI units (temperature in degC) and end where their bars say; not to be edited."
    yield ""
    yield from _table("reference", {
        "format": FORMAT,
        "board": side.board,
        "revision": side.revision,
        "title": kept.title,
        **({"board_file": board_file} if board_file else {}),
        "corners": len(side.corners),
        "left_out": int(side.run.get("left_out", 0) or 0),
        "tool": str(versions.get("ramp-harness", "not stated")),
        "engine": str(versions.get("engine", "not stated")),
        "accuracy": float(dict(side.run.get("settings", {})).get("accuracy", math.nan)),
        **({"commit": commit} if commit else {}),
        **({"restricted": restricted} if restricted else {}),
    })  # fmt: skip
    yield from _table("hashes", dict(side.run.get("hashes", {})))
    yield from _table("axes", plain["axes"])
    yield from _table("board_file", plain["board_file"])
    yield from _table("limits", plain["limits"])
    yield from _table("intended", plain["intended"])
    yield from _table("parameters", plain["parameters"])
    parts = {part["name"]: {k: v for k, v in part.items() if k != "name"} for part in plain["parts"]}
    yield from _table("parts", parts)
    places = [place_of(side, row) for row in range(len(side.corners))]
    yield from _table("corners", {place: _corner(side, row) for row, place in enumerate(places)})
    yield "[figures]"
    for quantity, rows in figure_lines(side, before):
        for row, entry in rows:  # each line by itself says of what quantity and corner it is
            yield f"{_key(quantity)}.{_key(places[row])} = {toml(entry)}"
    yield ""
    yield "[end]"


def place_of(side: Side, row: int) -> str:
    """``control 5, supply 15``: the axis values of a corner, to nine digits."""
    values = side.corners.iloc[row]
    return ", ".join(f"{axis} {float(values[axis]):.9g}" for axis in side.axes) or "the only corner"


def _corner(side: Side, row: int) -> dict[str, Any]:
    values = side.corners.iloc[row]
    ratings = str(values.get("ratings", ""))
    return {
        "name": str(values["corner"]),
        "at": {axis: float(f"{float(values[axis]):.12g}") for axis in side.axes},
        "state": str(values["state"]),
        **({"ratings": ratings} if ratings.startswith("breached") else {}),
    }


def _table(name: str, content: Mapping[str, Any]) -> Iterator[str]:
    """A table of TOML, one line a key."""
    if content:
        yield f"[{name}]"
        yield from (f"{_key(key)} = {toml(value)}" for key, value in content.items())
        yield ""


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else toml(key)


def toml(value: Any) -> str:
    """A value as TOML writes it, on one line."""
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            return str(value)
        case float():
            return repr(value) if math.isfinite(value) else "nan" if math.isnan(value) else "inf"
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case Mapping():
            pairs = ", ".join(
                f"{_key(str(key))} = {toml(each)}" for key, each in value.items() if each is not None
            )
            return f"{{ {pairs} }}" if pairs else "{}"
    return f"[{', '.join(toml(each) for each in value)}]"
