# SPDX-License-Identifier: GPL-3.0-or-later
"""What the harness says about a board with a planted mistake, beside the untouched one: noticed or not, how
much the mistake matters, and which witness the first screen points at."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
from mistakes import Mistake, Planter
from whole_job import At, Job, Seen, look

from harness.chain import FORMULA, REMAINDER, SLIP

REFUSED_NETLIST, REFUSED_BOARD, ENGINE = "netlist line refused", "board file key refused", "engine stopped"
VALUE, DRAWN = "part value", "drawn values move the hand formula"
PAPER, MODEL, UNNAMED = "hand formula against the drawing", "real-part effect", "remainder"
STATE, LIMIT, LITERAL, NOTHING = "named state", "limit", "expected figure", "nothing"
#: first letter of a part -> word in the names of the effects that it is measured for
PARTS_OF = {"Q": "mirror", "M": "switch"}
#: what the first screen may rightly point at, by where the mistake is and, after it, by what sort it is
RIGHT = {
    "netlist": {REFUSED_NETLIST, VALUE, DRAWN, PAPER, STATE},
    "netlist value": {VALUE},
    "intent value": {VALUE},
    "intent expected": {LITERAL},
    "formula": {PAPER, REFUSED_BOARD},
    "model": {MODEL, UNNAMED, STATE, ENGINE, REFUSED_NETLIST},
    "model pin order": {VALUE, MODEL, UNNAMED, STATE, ENGINE, REFUSED_NETLIST},
}


@dataclass(frozen=True)
class Case:
    """A mistake on a board (None: the untouched one), the corners to look at, and where models are known."""

    board: str
    mistake: Mistake | None
    at: tuple[At, ...]
    store: Path


def examine(case: Case) -> Seen:
    """The whole job on a copy of the board with the mistake in it. What models do alone is taken from the
    store; what is measured anew joins it."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        board = Planter(case.board).copy(folder, case.mistake)
        models = folder / ".ramp-harness" / "models"
        shutil.copytree(case.store, models)
        return look(Job(board, case.at))


def first_look(case: Case) -> Seen:
    """The untouched board, which leaves its measured models in the store."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        board = Planter(case.board).copy(folder)
        seen = look(Job(board, case.at))
        shutil.copytree(folder / ".ramp-harness" / "models", case.store, dirs_exist_ok=True)
        return seen


def quantities(table: pd.DataFrame) -> list[str]:
    return [name.removesuffix(".tolerance") for name in table.columns if name.endswith(".tolerance")]


def matters(mistake: Mistake, seen: Seen, untouched: Seen) -> float:
    """How far the mistake moves what it speaks to, in tolerances: hand figures where the board file is wrong,
    simulated ones where the netlist or a model is; infinite where there are none to compare."""
    if seen.corners.empty:
        return np.inf
    kind = "hand" if mistake.where in ("intent", "formula") else "simulated"
    if mistake.kind == "expected":
        pairs = zip(untouched.expected.itertuples(), seen.expected.itertuples(), strict=True)
        moved = [
            (old, abs(new.expected - old.expected)) for old, new in pairs if new.expected != old.expected
        ]
        table = untouched.corners.set_index("corner")
        return max(by / table.loc[old.corner, f"{old.quantity}.tolerance"] for old, by in moved)
    before, after = untouched.corners, seen.corners
    if kind == "simulated" and list(before["state"]) != list(after["state"]):
        return np.inf
    most = 0.0
    for name in quantities(before):
        column = f"{name}.{kind}"
        judged = before[f"{name}.hand"].notna().any() or (before[f"{name}.limit"] != "no limit").any()
        if not judged or column not in after or before[column].isna().all():
            continue
        old, new = before[column].to_numpy(float), after[column].to_numpy(float)
        if (np.isnan(old) != np.isnan(new)).any():
            return np.inf
        most = float(np.nanmax([most, *(np.abs(new - old) / before[f"{name}.tolerance"])]))
    return most


def noticed(seen: Seen, untouched: Seen) -> bool:
    """A refusal, or a complaint that the untouched board does not have."""
    return seen.code > 1 or bool(seen.complaints - untouched.complaints)


def blamed(seen: Seen, untouched: Seen) -> tuple[str, str]:
    """The witness that the first screen points at, and its words: a refusal; else parts whose values differ;
    else the largest step between hand and simulated where a new disagreement is largest; else states, limits
    and literal figures."""
    if seen.code == 3:
        return ENGINE, seen.sentences[0]
    if seen.code == 2:
        where = (
            REFUSED_NETLIST if ".cir:" in seen.sentences[0] or ".inc:" in seen.sentences[0] else REFUSED_BOARD
        )
        return where, seen.sentences[0]
    fresh = seen.complaints - untouched.complaints
    parts = sorted(c[1:] for c in fresh if c[0] == "part")
    if parts:  # of a connection the words name nodes, and a supply by its source
        return VALUE, ", ".join(part if " at " not in words else f"{part} {words}" for part, words in parts)
    table = seen.corners.set_index("corner")
    apart = [c[1:3] for c in fresh if c[0] == "agreement" and c[3] == "disagrees"]
    apart += [c[1:3] for c in fresh if c[0] == "expected" and not _odd_one_out(seen, table, *c[1:3])]
    apart = apart or [c[1:3] for c in fresh if c[0] == "far"]
    if apart:
        quantity, corner = max(sorted(apart), key=lambda c: _off(table, *c))
        chain = seen.effects[(seen.effects["quantity"] == quantity) & (seen.effects["corner"] == corner)]
        if not np.isfinite(table.loc[corner, f"{quantity}.hand"]):
            return PAPER, f"{quantity} in {corner}: the formula gives no figure"
        if len(chain):
            top = chain.loc[chain["amount"].abs().idxmax(), "effect"]
            words = {SLIP: DRAWN, FORMULA: PAPER, REMAINDER: UNNAMED}.get(top, MODEL)
            return words, f"{quantity} in {corner}: {top}"
    for kind, words in (("state", STATE), ("expected", LITERAL), ("limit", LIMIT), ("agreement", LIMIT)):
        found = sorted(c for c in fresh if c[0] == kind)
        if found:
            return words, " ".join(found[0])
    return NOTHING, ""


def _odd_one_out(seen: Seen, table: pd.DataFrame, quantity: str, corner: str) -> bool:
    """Whether a literal figure stands alone: hand formula and simulation differ from it alike."""
    mine = (seen.expected["quantity"] == quantity) & (seen.expected["corner"] == corner)
    row, figure = table.loc[corner], float(seen.expected.loc[mine, "expected"].iloc[0])
    return bool(abs(row[f"{quantity}.hand"] - figure) > row[f"{quantity}.tolerance"])


def rightly(mistake: Mistake, witness: str, words: str) -> bool:
    """Whether the witness is the one that the mistake was planted in; for a value also the part's name."""
    allowed = RIGHT.get(f"{mistake.where} {mistake.kind}", RIGHT.get(mistake.where, set()))
    if mistake.part and witness == VALUE:
        return words == mistake.part
    if mistake.where == "netlist" and witness == VALUE and mistake.kind != "parameter":
        touched = re.findall(r"(?:^|; )(\w+)", mistake.name)
        return any(re.search(rf"\b{part}\b", words) for part in touched)
    if mistake.where == "netlist" and witness == MODEL:  # the effect may name the very parts
        return any(mistake.name.startswith(letter) and word in words for letter, word in PARTS_OF.items())
    return witness in allowed


def _off(table: pd.DataFrame, quantity: str, corner: str) -> float:
    """How many tolerances a figure is off."""
    row = table.loc[corner]
    off = abs(row[f"{quantity}.difference"]) / max(row[f"{quantity}.tolerance"], 1e-30)
    if not np.isfinite(row[f"{quantity}.hand"]):
        return np.inf
    return float(off) if np.isfinite(off) else 0.0
