# SPDX-License-Identifier: GPL-3.0-or-later
"""Steered runs on real ngspice: compiled and in Python they take the same steps, bit for bit."""

from __future__ import annotations

import hashlib
import math
import re
import signal
import time
from dataclasses import dataclass, fields, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from harness.engine import steering
from harness.engine.callbacks import CompiledCallbacks, PythonCallbacks
from harness.engine.compiled import CompiledStepper
from harness.engine.gaps import level_gap, watch
from harness.engine.ngspice import ffi
from harness.engine.session import session
from harness.engine.stepper import Guide, Limits, PythonStepper, make_stepper


@dataclass(frozen=True)
class Circuit:
    """A deck with nodes ``ramp`` and ``out``, a hint of its period (s), and where to count cycles (V)."""

    deck: tuple[str, ...]
    period: float
    ramp_level: float
    output_level: float = 2.5


@dataclass(frozen=True)
class Trace:
    """All that can differ between two steered runs; waves as a hash."""

    finished: str
    points: int
    events: int
    marks: tuple[float, ...]
    drift: float
    slow: float
    nodes: tuple[str, ...]
    unread: int
    floors: tuple[float, ...]
    time: bytes
    waves: str


@pytest.fixture(autouse=True, scope="module")
def built() -> None:
    if steering.library() is None:
        pytest.skip("no C compiler here")


def traced(circuit: Circuit, decade: float, compiled: bool, seconds: float = 60.0, **limits: float) -> Trace:
    engine, period, share = session(), circuit.period, 10 ** (-decade / 2)
    engine.load([*circuit.deck, f".options method=trap reltol={1e-3 * share!r} trtol={share!r} chgtol=1e-12"])
    columns = ["time"]

    def column(name: str) -> int:
        if name not in columns:
            columns.append(name)
        return columns.index(name)

    found = watch(engine.listing(), column)
    soft = [
        level_gap(column("ramp"), circuit.ramp_level, "v(ramp)"),
        level_gap(column("out"), circuit.output_level, "v(out)"),
    ]
    allowed = replace(Limits.of(decade, period), **limits)
    guide = Guide(found.gaps, soft, columns, period, allowed, found.memory, seconds)
    stepper: Any = make_stepper(guide, compiled)
    assert hasattr(stepper, "state") == compiled
    waves = engine.transient(period / 50, 14 * period, period / 20, stepper=stepper)
    digest = hashlib.sha256()
    for name in sorted(waves):
        digest.update(name.encode() + waves[name].tobytes())
    floors = tuple((stepper.state if compiled else stepper).floors[j] for j in range(len(stepper.gaps)))
    return Trace(
        stepper.finished, stepper.points, stepper.events, tuple(stepper.marks), stepper.drift, stepper.slow,
        tuple(stepper.nodes), len(found.unread), floors, waves["time"].tobytes(), digest.hexdigest(),
    )  # fmt: skip


def same(circuit: Circuit, decade: float = 2, seconds: float = 60.0, **limits: float) -> Trace:
    """The trace that both give; fails where they differ, and names in what."""
    ours = traced(circuit, decade, compiled=True, seconds=seconds, **limits)
    theirs = traced(circuit, decade, compiled=False, seconds=seconds, **limits)
    different = [f.name for f in fields(Trace) if getattr(ours, f.name) != getattr(theirs, f.name)]
    assert not different, f"compiled and in Python differ in {different}"
    return ours


def falling_core(draw: np.random.Generator, *more: str, slicer: str = "") -> Circuit:
    """A current into a capacitor that a switch with hysteresis empties; a source of our choice slices it."""
    current, capacitance = 10 ** draw.uniform(-5.5, -4.5), 10 ** draw.uniform(-9, -8)
    low, high = draw.uniform(0.2, 0.8), draw.uniform(4, 8)
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    slicer = slicer or "Sslice out 0 ramp thr slicer\n.model slicer SW(vt=0 vh=0 ron=1 roff=1e9)"
    deck = f"""
        Icharge 0 ramp {current!r}
        Cramp ramp 0 {capacitance!r}
        Sreset ramp 0 ramp 0 reset
        .model reset SW(vt={middle!r} vh={half!r} ron={10 ** draw.uniform(1.5, 3)!r} roff=1e12)
        Vthr thr 0 {low + (high - low) * draw.uniform(0.1, 0.9)!r}
        Vrail rail 0 5
        Rpull rail out 1k
        {slicer}
        .ic v(ramp)=0.3"""
    lines = [line.strip() for line in deck.strip().splitlines()]
    return Circuit((*lines, *more), capacitance * (high - low) / current, middle)


def relaxation_core(draw: np.random.Generator) -> Circuit:
    """A capacitor between two thresholds that a behavioural source moves, after a delay of R times C."""
    period = 10 ** draw.uniform(-4, -2.5)
    deck = f"""
        Bwish wish 0 V = V(ramp) < V(ref) ? 5 : 0
        Rdelay wish state 100
        Cdelay state 0 {period * 10 ** draw.uniform(-4, -3) / 100!r}
        Bref ref 0 V = 1.5 + 0.4*V(state)
        Rcharge state ramp {period / (2 * math.log(3.5 / 1.5)) / 10e-9!r}
        Cramp ramp 0 10n
        Bout out 0 V = V(ramp) < {draw.uniform(2.0, 3.0)!r} ? 5 : 0
        .ic v(ramp)=1.6 v(state)=5 v(wish)=5 v(ref)=3.5"""
    return Circuit(tuple(line.strip() for line in deck.strip().splitlines()), period, 2.5)


SLICERS = [
    "Bslice out 0 V = V(ramp) > V(thr) ? 0 : 5",
    "Bslice out 0 V = 5*u(V(thr,ramp))",
    "Bslice out 0 V = 2.5*(1 + sgn(V(thr)-V(ramp)))",
    "Bslice out 0 V = min(5, max(0, 200*(V(thr)-V(ramp))))",
    "Bslice out 0 V = 5*u2(50*(V(thr)-V(ramp)))",
    "Bslice out 0 V = 5*(V(ramp) < V(thr) && !(V(ramp) < 0.1))",
    "Bslice out 0 V = 2.5*(1 + tanh(20*(V(thr)-V(ramp)))) + 0.01*abs(V(ramp)-3)",
    "Bslice out 0 V = 5*(exp(V(ramp)/2) <= exp(V(thr)/2)) + 0.1*sin(V(ramp))*cos(V(thr)) - 0.1*atan(V(ramp))",
    "Bslice out 0 V = 5*(sqrt(V(ramp)) < sqrt(V(thr))) + 1m*uramp(V(ramp)-V(thr))",
    "Bslice out 0 V = 5*(pwr(V(ramp),3) < V(thr)^3) + 1u*ln(1+abs(V(ramp)))",
    "Bslice out 0 V = ternary_fcn(V(ramp)*2 > V(thr)+V(thr), 0, 5)",
    "Bslice out 0 V = 5*(1/(0.05+abs(V(ramp))) > 1/(0.05+V(thr)) || I(Vthr) > 1)",
]


@pytest.mark.parametrize("decade", [1, 2, 3])
def test_random_switched_cores(decade: int) -> None:
    draw = np.random.default_rng(100 + decade)
    for _ in range(3):
        trace = same(falling_core(draw), decade)
        assert trace.finished == "closed" and trace.events >= 2 and trace.points > 50


@pytest.mark.parametrize("slicer", SLICERS)
def test_behavioural_slicers(slicer: str) -> None:
    """Every operation that a gap can hold, inside a run."""
    draw = np.random.default_rng(SLICERS.index(slicer))
    trace = same(falling_core(draw, "Rload out 0 10k", slicer=slicer))
    assert trace.finished == "closed" and not trace.unread and trace.events >= 2


def test_relaxation_cores() -> None:
    draw = np.random.default_rng(7)
    for _ in range(3):
        trace = same(relaxation_core(draw))
        assert trace.finished == "closed" and trace.events >= 4


def test_a_slow_memory_is_extrapolated_alike() -> None:
    """An averager of many periods drifts; what the closing test makes of it is the same."""
    draw = np.random.default_rng(8)
    core = falling_core(draw)
    averager = ("Rslow out slow 100k", f"Cslow slow 0 {20 * core.period / 1e5!r}")
    trace = same(replace(core, deck=(*core.deck, *averager)))
    assert trace.finished == "drifting" and trace.slow > 1


def test_a_gap_that_cannot_be_read_is_left_out_alike() -> None:
    core = falling_core(np.random.default_rng(9), "Bextra extra 0 V = floor(V(ramp))")
    assert same(core).unread == 1


@pytest.mark.parametrize("expression", ["V(a)/V(0) > 1", "u(1/V(zero))", "(V(ramp)-V(ramp))/V(zero) < 3"])
def test_a_division_by_zero_ends_the_run_in_words(expression: str) -> None:
    """A switching expression without a finite value is named, and nothing is made of the run."""
    extra = ("Va a 0 1", "Vzero zero 0 0", f"Bextra extra 0 V = {expression}")
    trace = same(falling_core(np.random.default_rng(10), *extra))
    assert re.match("the switching expression .*/.* could not be computed", trace.finished)
    assert trace.points == 1


def test_a_run_without_a_cycle_is_given_up_alike() -> None:
    """The ramp rises to a level where it stays."""
    core = falling_core(np.random.default_rng(11))
    deck = tuple(line if not line.startswith("Sreset") else "Rstuck ramp 0 1k" for line in core.deck)
    trace = same(replace(core, deck=deck))
    assert trace.finished == "late" and not trace.marks


@pytest.mark.parametrize("compiled", [True, False])
def test_a_run_ends_when_its_wall_time_is_over(compiled: bool) -> None:
    """Long before it would be given up for its simulated time."""
    core = falling_core(np.random.default_rng(12))
    trace = traced(core, 1, compiled, seconds=0.0, longest=core.period / 1e6)
    assert trace.finished == "too slow"
    assert trace.points < 1e6


@pytest.mark.parametrize("touching", ["(V(ramp)-3)*(V(ramp)-3)", "V(ramp)-V(ramp)*1.000001+3u"])
def test_a_level_that_is_only_touched_is_approached_alike(touching: str) -> None:
    trace = same(falling_core(np.random.default_rng(13), f"Bextra extra 0 V = u({touching})"))
    assert trace.finished == "closed"


def test_a_node_that_rests_at_a_knee_switches_nothing() -> None:
    """What a clipped source sends over a low-pass dies away to nothing at the knee of the next one, and its
    sign is then that of rounding."""
    filtered = (
        "Bclipped d 0 V = min(max(1e4*(V(ramp)-V(thr)), 0), 1)", "Rdelay d e 1k", "Cdelay e 0 200p",
        "Bknee f 0 V = min(max(V(e), 0), 0.45)", "Rknee f 0 1k",
    )  # fmt: skip
    trace = same(falling_core(np.random.default_rng(3), *filtered))
    assert trace.finished == "closed" and trace.events < 60 and trace.points < 5000


@pytest.mark.parametrize("compiled", [True, False])
def test_a_column_that_the_engine_does_not_save_is_named(compiled: bool) -> None:
    core = falling_core(np.random.default_rng(14), ".save v(ramp) v(out)")
    with pytest.raises(KeyError, match="the engine saves no thr"):
        traced(core, 1, compiled)


# --- points made up by chance, which reach what well-behaved circuits do not


def wandering(draw: np.random.Generator, count: int, fine: float) -> np.ndarray:
    """Rows of time (s), a marker's voltage that swings slowly, and two that jump, drift, hover at 0 and creep
    towards it."""
    rows = np.zeros((count, 4))
    row, mood = np.array([0.0, 0.0, -1.0, 1.0]), 0
    for i in range(count):
        rows[i] = row
        if draw.uniform() < 0.03:
            mood = int(draw.integers(4))
        step = fine * draw.uniform(0.1, 2) if mood == 0 else 10 ** draw.uniform(-12, -5)
        if mood == 0:
            row[2:] *= draw.uniform(0.1, 0.9, 2)
        elif mood == 1:
            row[2:] += draw.normal(size=2) * 10 ** draw.uniform(-6, 0)
        elif mood == 2:
            row[2:] = draw.normal(size=2) * 10 ** draw.uniform(-15, 1)
        else:
            row[2:] += step * draw.normal(size=2) * 1e4
        row[1] = math.sin(i / 20) + 1e-3 * draw.normal()
        row[0] += step if draw.uniform() > 0.02 else -step
    return rows


@pytest.mark.parametrize("seed", range(12))
def test_any_points_are_taken_alike(seed: int) -> None:
    """Bound, floors, stalls, events and marks agree after each of 600 points, also where time goes back."""
    built = steering.library()
    assert built is not None
    session()  # declares ngspice's types
    draw, level = np.random.default_rng(seed), 0.0 if seed % 2 else 0.3
    gaps = [
        replace(level_gap(2 + j % 2, draw.normal() * level, "v"), direction=way)
        for j, way in enumerate((1, -1, 0))
    ]
    soft = [level_gap(1, 0.0, "v(marker)"), level_gap(2, 0.1, "v(a)")]
    period = 1e-3
    limits = replace(Limits.of(2, period), settle=-1.0, fine=1e-9)
    guide = Guide(gaps, soft, ["time", "marker", "a", "b"], period, limits, frozenset(), 60.0)
    python, machine = PythonStepper(guide), CompiledStepper(guide, built)
    names = [built.ffi.new("char[]", name) for name in (b"time", b"marker", b"a", b"b")]
    cells = [built.ffi.new("vector_value *", {"name": name}) for name in names]
    kept = built.ffi.new("vector_value *[]", cells)
    data = built.ffi.new("point_values *", {"veccount": 4, "vecsa": kept})
    run = built.lib.steer_run()
    usual, widest = run.ask, 0.0
    callbacks = CompiledCallbacks(ffi, built, stop=lambda: None)
    try:
        with callbacks.steering(machine, 1.0):
            for row in wandering(draw, 600, limits.fine):
                for cell, number in zip(cells, row, strict=True):
                    cell.creal = number
                done = python.point(data)
                built.lib.steer_data(data, 4, 0, built.ffi.NULL)
                state = machine.state
                assert (run.bound, bool(run.stopped)) == (python.bound, done)
                assert list(state.floors[0:5]) == python.floors
                assert list(state.stalls[0:5]) == python.stalls
                assert (machine.events, machine.points) == (python.events, python.points)
                assert (machine.marks, machine.finished) == (python.marks, python.finished)
                widest = max(widest, *python.floors[:3])
                if done:
                    break
    finally:
        run.ask = usual
    assert callbacks.fault is None
    assert python.points > 300 and python.events > 10 and len(python.marks) > 2
    assert level or widest > limits.fine  # the guard against starving was reached


@pytest.mark.parametrize("seed", range(4))
def test_steps_are_limited_alike_up_to_the_end(seed: int) -> None:
    """The last steps before the end, which engines from 44 on are touchy about, for any sequence of calls."""
    built = steering.library()
    assert built is not None
    session()  # declares ngspice's types
    draw, end = np.random.default_rng(seed), 1e-3
    run = built.lib.steer_run()
    usual = run.ask
    machine = CompiledCallbacks(ffi, built, stop=lambda: None)
    python = PythonCallbacks(ffi, stop=lambda: None)
    limit = SimpleNamespace(bound=math.inf, point=lambda data: False)
    here, there = ffi.new("double *"), built.ffi.new("double *")
    try:
        with machine.steering(limit, end), python.steering(limit, end):
            for _ in range(2000):
                left = float(draw.choice([0.0, -1e-19, 1.0])) * 10 ** draw.uniform(-19, -3)
                now = end - left
                near = left * (1 + draw.choice([0, 1e-9, -1e-9, 1e-3, -1e-3]))
                step = float(draw.choice([near, 0.5 * near, 1.1 * left, left * draw.uniform(), 1e-17]))
                run.bound = limit.bound = float(draw.choice([math.inf, left * draw.uniform()]))
                location, redo = int(draw.integers(3)), int(draw.integers(2))
                here[0] = there[0] = step
                python._sync(now, here, 0.0, redo, 0, location, None)
                built.lib.steer_sync(now, there, 0.0, redo, 0, location, built.ffi.NULL)
                assert here[0] == there[0]
    finally:
        run.ask = usual
    assert python.fault is None


def test_an_interrupt_ends_a_compiled_run_at_once() -> None:
    """Also where Python has no part in the run, an interrupt does not wait for the engine's end."""

    def strike(number: int, frame: Any) -> None:
        raise KeyboardInterrupt

    engine, usual = session(), signal.signal(signal.SIGALRM, strike)
    engine.load(["v1 in 0 sin(0 1 1k)", "r1 in out 1k", "c1 out 0 1n"])
    begin = time.monotonic()
    signal.setitimer(signal.ITIMER_REAL, 0.05)
    try:
        with pytest.raises(KeyboardInterrupt):
            engine.transient(1e-7, 10.0, 1e-7)  # minutes
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, usual)
    assert time.monotonic() - begin < 10
    assert len(engine.transient(1e-5, 1e-4, 1e-5)["time"]) > 5
