# SPDX-License-Identifier: GPL-3.0-or-later
"""What the corners of the demo board give at ngspice's default settings, beside the steered figures."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.characterise import characterise
from harness.engine.session import session
from harness.engine.steps import Plan, load
from harness.planning import tasks_of
from harness.predict.refined import predict
from harness.resources import netlists_folder
from harness.run import prepare
from harness.simulate import simulate

PERIODS = 10


def last_cycle(time: Any, ramp: Any, output: Any) -> tuple[float, float]:
    """Duty and frequency as a hurried user takes them: straight lines through the middle of each wave."""

    def crossings(wave: Any) -> tuple[Any, Any]:
        middle = 0.5 * (wave.min() + wave.max())
        k = np.flatnonzero((wave[:-1] < middle) != (wave[1:] < middle))
        at = time[k] + (middle - wave[k]) / (wave[k + 1] - wave[k]) * (time[k + 1] - time[k])
        up = wave[k + 1] >= middle
        return at[up], at[~up]

    rises, falls = crossings(output)
    if len(rises) < 2 or np.ptp(output) < 1.0:
        starts, _ = crossings(ramp)
        return math.nan, 1 / (starts[-1] - starts[-2]) if len(starts) > 1 else math.nan
    begin, end = rises[-2:]
    inside = falls[(falls > begin) & (falls < end)]
    return (inside[0] - begin) / (end - begin) if len(inside) else math.nan, 1 / (end - begin)


def compare_corners(folder: Path) -> list[dict[str, Any]]:
    """Every corner of the demo board, steered and at the engine's defaults: one row a corner."""
    prepared = prepare(netlists_folder() / "boards" / "kestrel" / "kestrel.board.toml")
    known = characterise(prepared.board, prepared.netlist, folder, measure=True)
    hints = predict(prepared.board, prepared.netlist, prepared.corners, known).refined
    rows = []
    for task in tasks_of(prepared.board, prepared.netlist, prepared.corners, hints):
        steered = simulate(task)
        record = by_default(task.plan, 1 / steered.figures["frequency"])
        duty, frequency = last_cycle(record["time"], record["ramp"], record["out"])
        truth = steered.figures.get("duty", math.nan)
        rows.append(
            {
                "corner": task.corner,
                "state": steered.state,
                "steered_duty": truth,
                "bar": steered.bars.get("duty", math.nan),
                "default_duty": duty,
                "duty_error": duty - truth,
                "default_lowest": float(record["ramp"][record["time"] > 0.5 * record["time"][-1]].min()),
                "default_cents_off": 1200 * math.log2(frequency / steered.figures["frequency"]),
            }
        )
    return rows


def by_default(plan: Plan, period: float) -> Any:
    """Ten periods as ngspice runs them when only the step of the printout and the end are given."""
    engine = session()
    load(engine, plan, "reltol=1e-3")  # what ngspice takes by default
    return engine.transient(period / 50, PERIODS * period, period / 50)


@pytest.mark.slow
def test_default_steps_beside_steered_ones(record_bench: Callable[[str, Any], None], tmp_path: Path) -> None:
    """The defaults run to the end without a complaint; how far off they are is printed and recorded."""
    rows = compare_corners(tmp_path)
    for row in rows:
        print(
            f"{row['corner']}  {row['steered_duty']:.5f} +- {row['bar']:.5f}"
            f"  default {row['default_duty']:.5f}  {row['default_cents_off']:+.2f} cents"
        )
    worst = np.nanmax(np.abs([row["duty_error"] for row in rows]))
    record_bench("default_steps", {"worst_duty_error": worst, "corners": rows})
    print(f"largest duty error of the defaults: {worst:.4f}")
    assert worst > 10 * np.nanmax([row["bar"] for row in rows])
