# SPDX-License-Identifier: GPL-3.0-or-later
"""Boards broken on purpose: what the harness notices, and whether it points at the right witness.

A mistake counts where it moves a figure that the board file speaks of by more than its tolerance. Netlist and
board file are two statements about one board: where their values differ, the part is the cause, on whichever
side the slip is. A wrong connection shows where the hand formulas and the drawing's own network part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from harness.engine.pool import run_all

SECONDS = 120.0  # for one board, several corners
SEED = 20
#: nominal first: where the nominal board does not run at all, the others are not tried for long
CORNERS = {
    "kestrel_slicer": (
        {},
        {"control": 0},
        {"control": 2.5},
        {"control": 10},
        {"supply": 13.5, "temperature": 0},
        {"supply": 16.5, "temperature": 50},
    ),
    "kestrel": (
        {},
        {"control": 10, "supply": 13.5, "temperature": 50},
        {"pitch": 60e-6},
    ),
}
#: exchanged ends, places and pins: so many are drawn from all there are
DRAWS = {"kestrel_slicer": (40, 30, 10), "kestrel": (8, 8, 14)}
NOTICED, RIGHT_CAUSE = 0.95, 0.90


@pytest.fixture(autouse=True)
def reachable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers are given the search path of this process; what they run lies beside this file."""
    monkeypatch.syspath_prepend(str(Path(__file__).parent))


def planted(name: str) -> Iterator[Any]:
    """All mistakes of a board, edits that change nothing included."""
    from mistakes import Planter

    planter = Planter(name)
    yield from planter.values()
    yield from planter.references()
    yield from planter.polarities()
    yield from planter.connections(SEED, *DRAWS[name])
    yield from planter.intent()
    yield from planter.expectations()
    yield from planter.formulas()
    yield from planter.models()
    yield from planter.neutral()


def survey(name: str, store: Path) -> pd.DataFrame:
    """One row a mistake: where, kind, name, how many tolerances it matters, noticed, blamed, words, right."""
    from blame import Case, blamed, examine, first_look, matters, noticed, rightly

    at = CORNERS[name]
    untouched = first_look(Case(name, None, at, store))
    if name == "kestrel_slicer":
        assert untouched.code == 0, untouched.sentences
    mistakes = list(planted(name))
    cases = [Case(name, mistake, at, store) for mistake in mistakes]
    rows: list[dict[str, object]] = [{}] * len(cases)
    for index, outcome in run_all(cases, examine, workers=2, seconds=SECONDS):
        mistake = mistakes[index]
        row: dict[str, object] = {"board": name, "where": mistake.where, "kind": mistake.kind}
        row |= {"mistake": mistake.name}
        if outcome.value is None:  # a run gives such a corner the state "not simulated", and ends with 1 or 3
            row |= {"matters": np.inf, "noticed": True, "blamed": "not simulated", "words": outcome.reason}
            row["right"] = mistake.where == "model"
        else:
            seen = outcome.value
            witness, words = blamed(seen, untouched)
            row |= {
                "matters": matters(mistake, seen, untouched),
                "noticed": noticed(seen, untouched),
                "blamed": witness,
                "words": words,
                "right": rightly(mistake, witness, words),
            }
        rows[index] = row
        print(f"{name}, {index + 1} of {len(cases)}: {row['mistake']}: {row['blamed']}", flush=True)
    return pd.DataFrame(rows)


@pytest.mark.slow
def test_planted_mistakes(record_bench: Callable[[str, Any], None], tmp_path: Path) -> None:
    """Noticed at least 95 of 100 that matter, the right witness 90 of 100, nothing where nothing is wrong."""
    table = pd.concat([survey(name, tmp_path / name) for name in CORNERS], ignore_index=True)
    real = table[table["kind"] != "neutral"]
    counted = real[real["matters"] > 1.0]
    seen = counted[counted["noticed"]]
    sorts = ["board", "where", "kind"]
    summary = pd.DataFrame(
        {
            "planted": real.groupby(sorts).size(),
            "above tolerance": counted.groupby(sorts).size(),
            "noticed": seen.groupby(sorts).size(),
            "right witness": seen[seen["right"]].groupby(sorts).size(),
        }
    )
    summary = summary.fillna(0).astype(int)
    with pd.option_context("display.width", 200, "display.max_rows", None, "display.max_colwidth", 80):
        print(summary.to_string())
        print("\nNot noticed, though above tolerance:")
        print(counted.loc[~counted["noticed"], [*sorts, "mistake", "matters"]].to_string())
        print("\nAnother witness blamed:")
        print(seen.loc[~seen["right"], ["kind", "mistake", "blamed", "words"]].to_string())
    shares = {
        "planted": len(real),
        "above_tolerance": len(counted),
        "noticed": len(seen) / len(counted),
        "right_witness": float(seen["right"].mean()),
        "noticed_below_tolerance": float(real.loc[real["matters"] <= 1.0, "noticed"].mean()),
        "false_alarms": int(table.loc[table["kind"] == "neutral", "noticed"].sum()),
    }
    print(shares)
    rows = table.replace({np.inf: "without a figure"}).to_dict("records")
    record_bench("planted_mistakes", {**shares, "mistakes": rows})
    assert shares["false_alarms"] == 0
    assert shares["noticed"] >= NOTICED
    assert shares["right_witness"] >= RIGHT_CAUSE
