# SPDX-License-Identifier: GPL-3.0-or-later
"""One circuit of a study: simulated at each accuracy, beside its truth. Runs in worker processes."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field, replace

from families import circuit_of
from families.circuit import Circuit, Truth
from families.references import consensus
from harness.engine.session import EngineDead, EngineError, session
from harness.engine.steps import NoCycle, Settled, settle
from harness.measure.cycle import measure_cycle

LEVELS = ("ramp_low", "ramp_high", "threshold")
AGREEING = 0.1  # of the bar: what references of the engine's own may differ by
ROUNDING = 1e-9  # V, relative: levels that a netlist states are known to the engine's arithmetic only


@dataclass(frozen=True)
class Job:
    """A circuit by family, study and number, and the accuracies (shares of the period) to ask for."""

    family: str
    study: int
    number: int
    accuracies: tuple[float, ...] = (1e-4, 1e-5)


@dataclass
class Answer:
    """What the harness said at one accuracy. ``errors``, ``bars``: by quantity, duty absolute, frequency
    relative, levels in V. ``seconds``: processor time, which a busy machine hardly changes;
    ``engine_seconds``: wall time inside the engine."""

    errors: dict[str, float] = field(default_factory=dict)
    bars: dict[str, float] = field(default_factory=dict)
    reached: bool = False
    state: str = ""
    reason: str = ""
    decade: int = 0
    seconds: float = 0.0
    engine_seconds: float = 0.0

    def inside(self, *names: str) -> bool:
        """Whether every one of these figures is there and within its bar."""
        return all(abs(self.errors[name]) <= self.bars[name] for name in names)

    @property
    def gave_figures(self) -> bool:
        return not self.reason


@dataclass
class Row:
    """A circuit's answers by accuracy; ``left_out`` says why its truth is not known well enough."""

    job: Job
    duty: float = math.nan
    period: float = math.nan
    left_out: str = ""
    spread: float = 0.0
    answers: dict[float, Answer] = field(default_factory=dict)


def truth_of(circuit: Circuit) -> tuple[Truth, float]:
    """The truth, and how far apart independent runs of the engine lie where it rests on them (share)."""
    if circuit.truth is not None:
        return circuit.truth, 0.0
    found = consensus(session(), circuit)
    return Truth(found.duty, found.frequency), max(found.duty_spread, found.frequency_spread)


def simulate(circuit: Circuit, accuracy: float) -> Settled:
    """The harness's own answer."""
    plan, probes = replace(circuit.plan, accuracy=accuracy), circuit.probes

    def measure(record, begin, end):  # type: ignore[no-untyped-def]
        return measure_cycle(record, begin, end, probes, plan.temperature)

    return settle(session(), plan, measure)


def run_job(job: Job) -> Row:
    """Truth and answers of one circuit."""
    circuit, row = circuit_of(job.family, job.study, job.number), Row(job)
    try:
        truth, row.spread = truth_of(circuit)
    except EngineDead:
        raise
    except (EngineError, ValueError) as error:
        row.left_out = f"no reference: {error}"
        return row
    row.duty, row.period = truth.duty, 1 / truth.frequency
    for accuracy in job.accuracies:
        row.answers[accuracy] = _answer(circuit, truth, accuracy)
    bars = [bar for answer in row.answers.values() for bar in answer.bars.values()]
    if row.spread > AGREEING * min(bars, default=min(job.accuracies)):
        row.left_out = f"references differ by {row.spread:.1e}"
    return row


def _answer(circuit: Circuit, truth: Truth, accuracy: float) -> Answer:
    answer, engine = Answer(), session()
    begin, engine_begin = time.process_time(), engine.engine_seconds
    try:
        settled = simulate(circuit, accuracy)
    except EngineDead:
        raise
    except (NoCycle, EngineError) as error:
        answer.reason = f"{type(error).__name__}: {error}"
        return answer
    answer.seconds = time.process_time() - begin
    answer.engine_seconds = engine.engine_seconds - engine_begin
    answer.reached, answer.decade = settled.reached, settled.decade
    answer.state = settled.words.get("state", "")
    if answer.state != "pulsing":
        answer.reason = f"state {answer.state}"
        return answer
    figures, bars = settled.figures, settled.bars
    answer.errors = {
        "duty": figures["duty"] - truth.duty,
        "frequency": figures["frequency"] / truth.frequency - 1,
    }
    answer.bars = {"duty": bars["duty"], "frequency": bars["frequency"] / figures["frequency"]}
    for name in LEVELS:
        value = getattr(truth, name)
        if math.isfinite(value) and name in figures:
            answer.errors[name] = figures[name] - value
            answer.bars[name] = bars[name] + ROUNDING * abs(value)
    return answer
