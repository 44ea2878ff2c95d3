# SPDX-License-Identifier: GPL-3.0-or-later
"""Does the truth lie inside the stated bars? Random circuits of twelve families, each with its own truth.

Seeds: studies that were looked at while step control and bars were made stand in ``LOOKED_AT``. The
confirmation is a study that nobody looked at before the code stood; once looked at, its number is spent: when
``harness/engine`` changes because of what a confirmation showed, ``CONFIRMATION`` moves on and the old number
joins the others. The hash of the engine's sources is recorded beside the result.
"""

from __future__ import annotations

import faulthandler
import hashlib
import math
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from statistics import median
from typing import Any

import pytest

import harness.engine
from harness.engine.pool import run_all

sys.path.insert(0, str(Path(__file__).parent))  # the families lie beside this test
from families import FAMILIES
from families.plain_loop import SETTINGS, Found, Loop, Setting, Trial, cheapest, loop
from families.study import Job, Row, run_job
from families.summary import misses, summary, table

LOOKED_AT = (1, 2, 77, 78, 79, 900, 901, 902, 903, 4711, 4712, 4713, 4714)
CONFIRMATION = 4715
assert CONFIRMATION not in LOOKED_AT
REAL = ("real_slicer", "real_core")  # dear references: fewer circuits
COUNT, COUNT_REAL = 28, 24
TRIED = 12  # circuits of a family on which the plain loop's settings are tried
TIMED = 8  # circuits of a family that the plain loop with PySpice is timed on
WORKERS = 2
LEAST_RATIO = (
    1.0  # loop over harness, in the median of the families where a setting reaches: a floor, no goal
)
LEAST_REAL = 1.8  # the same on each family of real transistor models
REFERENCE_SETTING = Setting("gear", 1e-6, 2000)  # timed where no setting reaches

Record = Callable[[str, Any], None]


def everything(tasks: Iterable[Any], function: Callable[[Any], Any], seconds: float) -> list[Any]:
    """Values of all tasks in their order; a task that broke stops the study with its reason."""
    values = {}
    for index, outcome in run_all(tasks, function, WORKERS, seconds):
        assert outcome.ok, f"task {index}: {outcome.reason}\n{outcome.details}"
        values[index] = outcome.value
    return [values[index] for index in sorted(values)]


def take_your_time() -> None:
    """Calls off the alarm for tests that hang: the pool keeps a clock of its own over every circuit."""
    faulthandler.cancel_dump_traceback_later()


def engine_hash() -> str:
    """First digits of the hash over the engine room's sources."""
    folder = Path(harness.engine.__file__).parent
    names = sorted(path for path in folder.rglob("*") if path.suffix in (".py", ".c"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in names)).hexdigest()[:12]


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    """The confirmation's circuits, simulated at both accuracies."""
    take_your_time()
    jobs = [
        Job(family, CONFIRMATION, number)
        for family in FAMILIES
        for number in range(COUNT_REAL if family in REAL else COUNT)
    ]
    return everything(jobs, run_job, 300)


@pytest.mark.slow
@pytest.mark.parametrize("accuracy", [1e-4, 1e-5])
def test_the_truth_lies_inside_the_bars(rows: list[Row], accuracy: float, record_bench: Record) -> None:
    """At least 97 % shown at 95 % confidence; the bar asked for reached on 95 %; medians as promised."""
    print("\n" + table(rows, accuracy))
    for line in misses(rows, accuracy):
        print("  " + line)
    by_family = {name: summary([r for r in rows if r.job.family == name], accuracy) for name in FAMILIES}
    whole = summary(rows, accuracy)
    record_bench(
        f"honesty_{accuracy:g}",
        {
            "study": CONFIRMATION,
            "engine_sources": engine_hash(),
            "all": whole,
            "families": by_family,
            "misses": misses(rows, accuracy),
        },
    )
    given = whole["circuits"] - whole["no_figures"]
    assert given >= 300
    assert whole["shown"] >= 0.97
    assert whole["reached"] >= 0.95 * whole["circuits"]
    inside, every = (sum(part) for part in zip(*whole["levels"].values(), strict=True))
    assert inside >= 0.97 * every
    if accuracy == 1e-5:
        assert whole["median_bar_duty"] <= 5e-6 * (1 + 1e-9)
        assert whole["median_bar_cents"] <= 0.02


@pytest.mark.slow
def test_cost_beside_uniform_steps(rows: list[Row], record_bench: Record) -> None:
    """What a corner costs at 1e-4 and 1e-5, bars included, beside the cheapest uniform setting with which
    every circuit tried comes within 1e-4, in a loop written with PySpice. Processor time, one process."""
    take_your_time()
    known = {name: [row for row in rows if row.job.family == name and not row.left_out] for name in FAMILIES}
    trials = [
        Trial(name, CONFIRMATION, tuple((row.job.number, row.duty, 1 / row.period) for row in own[:TRIED]))
        for name, own in known.items()
    ]
    found: list[Found] = everything(trials, cheapest, 600)
    loops = [
        Loop(
            f.family, CONFIRMATION, tuple(t[0] for t in trial.truths[:TIMED]), f.setting or REFERENCE_SETTING
        )
        for f, trial in zip(found, trials, strict=True)
    ]
    times: list[list[float]] = everything(loops, loop, 300)
    print(
        f"\n{len(SETTINGS)} uniform settings tried on {TRIED} circuits a family, 10 periods or until settled"
    )
    print(
        f"{'family':22}{'1e-4 ms':>9}{'1e-5 ms':>9}{'loop ms':>9}{'ratio':>7}  cheapest setting that reaches"
    )
    result, ratios = {}, {}
    for f, seconds in zip(found, times, strict=True):
        own = known[f.family][:TIMED]
        ours = [summary(own, accuracy)["milliseconds"] for accuracy in (1e-4, 1e-5)]
        good = sorted(second for second in seconds if math.isfinite(second))
        theirs = 1e3 * good[len(good) // 2] if good else math.nan
        ratio = theirs / ours[0]
        if f.setting:
            ratios[f.family] = ratio
            words = f.setting.text
        else:
            best = max(f.passed, key=lambda text, passed=f.passed: passed[text])
            words = f"none (best: {f.passed[best]} circuits before a miss); timed: {REFERENCE_SETTING.text}"
        print(f"{f.family:22}{ours[0]:9.1f}{ours[1]:9.1f}{theirs:9.1f}{ratio:7.2f}  {words}")
        result[f.family] = {
            "milliseconds_1e-4": ours[0],
            "milliseconds_1e-5": ours[1],
            "loop_milliseconds": theirs,
            "loop_failed": len(seconds) - len(good),
            "setting": f.setting.text if f.setting else None,
            "ratio": ratio,
            "passed": f.passed,
        }
    middle = median(ratios.values()) if ratios else math.nan
    print(f"median ratio over the {len(ratios)} families where a setting reaches, one process: {middle:.2f}")
    record_bench("cost", {"families": result, "median_ratio": middle, "settings": [s.text for s in SETTINGS]})
    assert all(len(trial.truths) == TRIED for trial in trials)
    assert middle >= LEAST_RATIO
    assert all(ratios.get(family, math.inf) >= LEAST_REAL for family in REAL)
