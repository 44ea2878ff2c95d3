# SPDX-License-Identifier: GPL-3.0-or-later
"""Each named effect against what the engine shows when the effect is switched off in the circuit."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from harness.engine.pool import run_all

SECONDS, ACCURACY = 300.0, 2e-5  # of one board at several corners; bars in shares of the period
WORTH = 0.02  # of a tolerance: what counts
SHARE, ALL = 0.95, 0.90  # that close: of what counts, and of all that stands out of the bars


@pytest.fixture(autouse=True)
def reachable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers are given the search path of this process; what they run lies beside this file."""
    monkeypatch.syspath_prepend(str(Path(__file__).parent))


def all_pairs() -> pd.DataFrame:
    """Every pair of boards worked through, judged; boards that several pairs share are worked once."""
    from attribution import PAIRS, compared, judged, tasks_of, work

    wanted = {repr(task): task for pair in PAIRS for task in tasks_of(pair, ACCURACY)}
    names, tasks = list(wanted), list(wanted.values())
    found = {}
    for index, outcome in run_all(tasks, work, workers=2, seconds=SECONDS):
        assert outcome.value is not None, (tasks[index], outcome.reason, outcome.details)
        found[names[index]] = outcome.value
    rows = []
    for pair in PAIRS:
        whole, without = (found[repr(task)] for task in tasks_of(pair, ACCURACY))
        assert set(whole.states) | set(without.states) == {"pulsing"}
        rows += compared(pair, whole, without)
    return judged(rows)


@pytest.mark.slow
def test_attribution_closes(record_bench: Callable[[str, Any], None]) -> None:
    """Predicted amounts against simulated changes: within 10 % of the effect or the bars; every change closes
    somewhere, and nearly everywhere where it is worth 2 % of a tolerance."""
    from attribution import PAIRS

    table = all_pairs()
    counts = table.groupby(["board", "change", "verdict"]).size().unstack(fill_value=0)
    standing = table[table["verdict"].isin(("closes", "off"))]
    medians = standing.groupby(["board", "change"])["ratio"].median().rename("median ratio")
    columns = [
        "board",
        "change",
        "corner",
        "quantity",
        "predicted",
        "interaction",
        "others",
        "simulated",
        "bar",
    ]
    with pd.option_context("display.width", 240, "display.max_rows", None, "display.max_columns", None):
        print(table.loc[table["verdict"] == "closes", [*columns, "ratio"]].to_string())
        print("\nOff:")
        print(table.loc[table["verdict"] == "off", [*columns, "tolerance", "ratio"]].to_string())
        print(counts.join(medians).to_string())
    larger = standing[["predicted", "removed"]].abs().max(axis=1)
    worth = standing[larger > WORTH * standing["tolerance"]]
    shares = {
        "rows": len(table),
        "stand_out_of_the_bars": len(standing),
        "close": float((standing["verdict"] == "closes").mean()),
        "worth_a_share_of_a_tolerance": len(worth),
        "close_of_these": float((worth["verdict"] == "closes").mean()),
        "median_ratio": float(standing["ratio"].median()),
    }
    print(shares)
    record_bench("attribution", {**shares, "table": table.to_dict("records")})
    shown = {(row.board, row.change) for row in table[table["verdict"] == "closes"].itertuples()}
    assert shown == {(pair.board, pair.name) for pair in PAIRS}
    assert shares["close"] >= ALL and shares["close_of_these"] >= SHARE
