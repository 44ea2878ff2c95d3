# SPDX-License-Identifier: GPL-3.0-or-later
"""Our measurement against ngspice's own, on the very same runs.

Source of the second opinion: the ``meas`` command of the engine (ngspice manual, chapter 15.4: TRIG, TARG,
WHEN, INTEG, RMS, MIN, MAX), asked while the run's plot still exists; its code shares nothing with
harness.measure. It draws straight lines between points, as we do at edges; on curves we follow the curve, so
runs with coarse curves differ by what a chord cuts off. Means are its INTEG over the span: its AVG leaves out
what reaches over the ends of the span, by up to two per cent on the uneven grids of steered runs.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from harness.engine.plan import load
from harness.engine.session import Session, session
from harness.engine.steps import Plan, settle
from harness.measure import Probes, measure_cycle
from harness.measure.crossings import crossings
from harness.measure.spectrum import mean_and_ac_rms

sys.path.insert(0, str(Path(__file__).parent))  # designs lie beside the tests
from random_designs import FAMILIES, PULL, designs

Ask = Callable[[str], float]
Record = dict[str, np.ndarray]
Answers = dict[str, float]


@contextmanager
def asking(engine: Session, questions: Callable[[Ask], Answers]) -> Iterator[list[tuple[Record, Answers]]]:
    """While this is open, each run is followed by questions: records and answers, run by run."""
    runs: list[tuple[Record, Answers]] = []
    tidy = engine._tidy

    def ask(question: str) -> float:
        engine._engine.command(f"meas tran answer {question}")
        found = engine._engine.vector("answer")  # all digits; the printed line holds seven
        if found is None or any("failed" in line for line in engine._engine.said):
            return float("nan")
        return float(found[-1])

    def ask_and_tidy() -> None:
        runs.append((engine._proven("time"), questions(ask)))
        tidy()

    engine._tidy = ask_and_tidy  # type: ignore[method-assign]
    try:
        yield runs
    finally:
        del engine._tidy  # type: ignore[method-assign]


def instants(ask: Ask, node: str, level: float, way: str) -> list[float]:
    """All crossings of a level in one direction (s), as the engine locates them."""
    found: list[float] = []
    while np.isfinite(instant := ask(f"when v({node})={level!r} {way}={len(found) + 1}")):
        found.append(instant)
    return found


# --- a plain run of a pulse with exponential edges

PERIOD = 1e-3
RC_PULSE = (
    "Vin gate 0 PULSE(0 1 0 1u 1u 400u 1m)",
    "Vrail rail 0 8",
    "Rpull rail out 3.3k",
    "Cload out 0 2.2n",
    "Ssink out 0 gate 0 sink",
    ".model sink SW(vt=0.5 vh=0 ron=50 roff=1e12)",
    "Vramp ramp 0 PULSE(0.5 7.5 0 980u 19u 1u 1m)",
    "Vthr thr 0 3",
    ".save all @rpull[i]",
    ".options reltol=1e-5 trtol=0.1",
)


def test_a_plain_run() -> None:
    """Period, duty, edges, levels, mean, r.m.s. and currents of a pulse that a source drives."""
    engine = session()
    probes = Probes(
        ramp="ramp", threshold="thr", output="out", pullup_current="@rpull[i]",
        pullup_nodes=("rail", "out"), supplies={"rail": "vrail#branch"},
    )  # fmt: skip
    low, high = 8 * 50 / 3350, 8.0
    tenth, half, ninetieth = (low + share * (high - low) for share in (0.1, 0.5, 0.9))
    begin, end = 1.2e-3, 2.2e-3

    def questions(ask: Ask) -> Answers:
        span = f"from={begin!r} to={end!r}"
        return {
            "period": ask(f"trig v(out) val={half!r} rise=2 targ v(out) val={half!r} rise=3"),
            "width": ask(f"trig v(out) val={half!r} rise=2 targ v(out) val={half!r} fall=2"),
            "rise_time": ask(f"trig v(out) val={tenth!r} rise=2 targ v(out) val={ninetieth!r} rise=2"),
            "fall_time": ask(f"trig v(out) val={ninetieth!r} fall=2 targ v(out) val={tenth!r} fall=2"),
            "ramp_low": ask(f"min v(ramp) {span}"),
            "ramp_high": ask(f"max v(ramp) {span}"),
            "low_level": ask(f"min v(out) {span}"),
            "high_level": ask(f"max v(out) {span}"),
            "mean_level": ask(f"integ v(out) {span}") / (end - begin),
            "rms": ask(f"rms v(out) {span}"),
            "pullup_current_mean": ask(f"integ @rpull[i] {span}") / (end - begin),
            "supply_current_rail": -ask(f"integ i(vrail) {span}") / (end - begin),
            "supply_current_rail_peak": -ask(f"min i(vrail) {span}"),
        }

    with asking(engine, questions) as runs:
        engine.load(RC_PULSE, "pulse")
        record = engine.transient(0.1e-6, 2.7e-3, 0.1e-6)
    ((_, answers),) = runs
    ours = measure_cycle(record, begin, end, probes)
    assert ours["state"] == "pulsing"
    assert answers["period"] == pytest.approx(PERIOD, rel=1e-6)
    assert ours["duty"] == pytest.approx(answers["width"] / answers["period"], abs=1e-6)
    assert ours["rise_time"] == pytest.approx(answers["rise_time"], rel=1e-4)
    assert ours["fall_time"] == pytest.approx(answers["fall_time"], rel=1e-4)
    for name in ("ramp_low", "ramp_high", "low_level", "high_level"):
        assert ours[name] == pytest.approx(answers[name], abs=1e-6), name
    for name in ("mean_level", "pullup_current_mean", "supply_current_rail", "supply_current_rail_peak"):
        assert ours[name] == pytest.approx(answers[name], rel=2e-6), name
    assert np.hypot(ours["mean_level"], ours["ac_rms"]) == pytest.approx(answers["rms"], rel=2e-6)


# --- steered runs of whole oscillators


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.__name__)
def test_a_steered_run(family) -> None:  # type: ignore[no-untyped-def]
    """Period, duty, levels, mean and r.m.s. of a cycle, whatever makes the ramp and slices it."""
    design = designs(family, 1, 4)[0]
    engine = session()
    level, half = design.ramp_level, design.system.output_level
    probes = Probes(ramp="ramp", threshold="thr", output="out", swing=(0.0, PULL))

    def questions(ask: Ask) -> Answers:
        marks = instants(ask, "ramp", level, "rise")
        if len(marks) < 2:
            return {}
        rises, falls = (instants(ask, "out", half, way) for way in ("rise", "fall"))
        last, passing = len(marks), f"v(ramp) val={level!r}"
        period = ask(f"trig {passing} rise={last - 1} targ {passing} rise={last}")
        span = f"from={marks[-2]!r} to={marks[-1]!r}"
        return {
            "begin": marks[-2],
            "end": marks[-1],
            "period": period,
            "duty": (falls[-1] - rises[-1]) % period / period,
            "ramp_low": ask(f"min v(ramp) {span}"),
            "ramp_high": ask(f"max v(ramp) {span}"),
            "mean_level": ask(f"integ v(out) {span}") / (marks[-1] - marks[-2]),
            "rms": ask(f"rms v(out) {span}"),
        }

    plan = Plan(
        deck=design.deck, ramp="ramp", output="out", period=design.period, ramp_level=level, output_level=half
    )
    with asking(engine, questions) as runs:
        settle(engine, plan, lambda record, begin, end: measure_cycle(record, begin, end, probes))
        # the engine integrates by another rule than the trapezium: they agree on fine records alone
        load(engine, plan, "method=trap reltol=1e-5 trtol=0.1")
        engine.transient(design.period / 5000, 3.2 * design.period, design.period / 5000)
    fine, said = runs.pop()
    record, answers = max((run for run in runs if run[1]), key=lambda run: len(run[0]["time"]))
    marks, ways = crossings(record["time"], record["ramp"], level)
    marks = marks[ways > 0]
    period = marks[-1] - marks[-2]
    ours = measure_cycle(record, marks[-2], marks[-1], probes)
    assert marks[-1] == pytest.approx(answers["end"], abs=1e-6 * period)
    assert period == pytest.approx(answers["period"], rel=1e-6)
    assert ours["duty"] == pytest.approx(answers["duty"], abs=1e-6)
    assert ours["ramp_low"] == pytest.approx(answers["ramp_low"], abs=2e-6)
    assert ours["ramp_high"] == pytest.approx(answers["ramp_high"], abs=2e-6)
    mean, _ = mean_and_ac_rms(fine["time"], fine["out"], said["begin"], said["end"])
    assert mean == pytest.approx(said["mean_level"], rel=1e-6)
    assert ours["mean_level"] == pytest.approx(answers["mean_level"], rel=1e-5)
    # its squares follow the trapezium rule, ours the straight line
    assert np.hypot(ours["mean_level"], ours["ac_rms"]) == pytest.approx(answers["rms"], rel=1e-4)
