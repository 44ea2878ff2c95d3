# SPDX-License-Identifier: GPL-3.0-or-later
"""The session on the real ngspice: what it gives is whole and of this circuit, or it raises."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import pytest

from harness.engine import words
from harness.engine.session import (
    EngineDead,
    EngineError,
    Session,
    session,
)

DIVIDER = ["v1 in 0 6", "r1 in out 2k", "r2 out 0 1k"]
STUCK = [  # a current that has no answer from 1 us on: the run breaks off with half of its data in the plot
    "v1 in 0 1",
    "l1 in b 1u",
    "d1 b 0 dd",
    ".model dd d is=1e-14",
    "b2 b 0 i=1e9*(time>1u ? (v(b)>0.3 ? 1 : -1) : 0)",
    "c1 b 0 1e-15",
]


@pytest.fixture
def engine() -> Iterator[Session]:
    """The session of the test process, left without a circuit."""
    yield session()
    session().unload()


def refusal(engine: Session, deck: Sequence[str]) -> EngineError:
    """How a circuit fails, be it when loaded or when run: engines differ in that."""
    with pytest.raises(EngineError) as caught:
        engine.load(deck)
        engine.transient(1e-8, 2e-6, 2e-8)
    return caught.value


# --- what comes out is right


def test_charging_capacitor_follows_the_exponential(engine: Session) -> None:
    """V(1 - exp(-t/RC)), the solution of the differential equation."""
    engine.load(["v1 in 0 5", "R1 in Out 10k", "c1 out 0 1n ic=0"])
    waves = engine.transient(1e-7, 50e-6, 1e-7)
    assert set(waves) == {"time", "in", "out", "v1#branch"}
    assert waves["time"][-1] == pytest.approx(50e-6, rel=1e-9)
    assert np.allclose(waves["out"], 5 * (1 - np.exp(-waves["time"] / 10e-6)), atol=2e-4)
    assert np.allclose(waves["v1#branch"], -(5 - waves["out"]) / 10e3, atol=1e-12)


def test_saved_currents_obey_ohms_law(engine: Session) -> None:
    deck = ["Vcc vcc 0 5", "Rpull vcc out 3.3k", "xs out load", ".subckt load a", "rload a 0 10k", ".ends"]
    engine.load([*deck, "c1 out 0 1n ic=0", ".save all @rpull[i] @r.xs.rload[i]"])
    waves = engine.transient(1e-7, 20e-6, 1e-6)
    assert np.allclose(waves["@rpull[i]"], (waves["vcc"] - waves["out"]) / 3300, rtol=1e-12)
    assert np.allclose(waves["@r.xs.rload[i]"], waves["out"] / 1e4, rtol=1e-12)
    assert engine.names() == list(waves)
    assert engine.vector("OUT") is waves["out"]
    with pytest.raises(EngineError, match="not in the result: nowhere, other"):
        engine.vectors(["out", "nowhere", "other"])


def test_operating_point_and_sweep_of_a_divider(engine: Session) -> None:
    engine.load(DIVIDER)
    point = engine.operating_point()
    assert point["out"] == pytest.approx(2, rel=1e-9)
    assert point["v1#branch"] == pytest.approx(-2e-3, rel=1e-9)
    sweep = engine.dc_sweep("v1", -3, 3, 0.25)
    assert np.allclose(sweep["sweep"], np.linspace(-3, 3, 25), atol=1e-12)
    assert np.allclose(sweep["out"], sweep["sweep"] / 3, rtol=1e-9, atol=1e-12)


def test_sweep_of_temperature(engine: Session) -> None:
    """R = R27 (1 + TC1 (T - 27))."""
    engine.load(["i1 0 a 1m", "r1 a 0 1k tc1=4m"])
    sweep = engine.dc_sweep("temp", 0, 50, 10)
    assert np.allclose(sweep["a"], 1 + 4e-3 * (sweep["sweep"] - 27), rtol=1e-9)


def test_numbered_nodes_go_by_bare_names(engine: Session) -> None:
    engine.load(["v1 1 0 3", "r1 1 2 1k", "r2 2 0 1k"])
    assert engine.operating_point()["2"] == pytest.approx(1.5)


@pytest.mark.parametrize(
    "title", ["error amp", 'quotes " and µ', "two\nlines", "x" * 300, "", "; quit `ls` $HOME"]
)
def test_no_title_disturbs(engine: Session, title: str) -> None:
    engine.load(["v1 error_out 0 3", "rerror error_out 0 1k"], title)
    assert engine.operating_point()["error_out"] == 3


def test_notes_are_kept_and_do_not_fail(engine: Session) -> None:
    engine.load(["v1 a 0 dc 1 sin(0 1 1k)", "r1 a 0 1k"])
    engine.transient(1e-6, 1e-4, 1e-6, initial=False)
    assert any("dc value used" in text for text in engine.messages)
    engine.load(DIVIDER)
    assert engine.messages == []


@pytest.mark.parametrize("seed", range(4))
def test_a_run_ends_at_its_end(engine: Session, seed: int) -> None:
    """Also where the step does not divide the time: no sliver, no step too small, nothing beyond."""
    random = np.random.default_rng(seed)
    for _ in range(10):
        stop = float(10 ** random.uniform(-6, -2))
        engine.load(
            ["v1 a 0 pulse(0 1 0 {s/9} {s/9} {s/4} {s/1.7})", f".param s={stop!r}", "r1 a b 1k", "c1 b 0 1n"]
        )
        moment = engine.transient(stop / 97.3, stop, stop / 31.7)["time"]
        assert abs(moment[-1] / stop - 1) < 1e-12
        assert (np.diff(moment) > 0).all()


def test_a_run_of_very_many_steps_ends_at_its_end(engine: Session) -> None:
    """Where steps are so short that what the engine takes for the end is a few units in the last place."""
    engine.load(["v1 a 0 sin(0 1 1k)", "r1 a b 1k", "c1 b 0 1u"])
    for stop in (2.03e-3, 2.11e-3):
        waves = engine.transient(1e-7, stop, 1e-7)
        assert len(waves["time"]) > 20_000
        assert waves["time"][-1] == pytest.approx(stop, rel=1e-12)


def test_alter_reaches_parts_in_subcircuits_until_the_next_load(engine: Session) -> None:
    deck = ["Vin in 0 6", "xd in out div", ".subckt div a b", "rtop a b 2k", "rlow b 0 1k", ".ends"]
    engine.load(deck)
    engine.alter("xd.Rtop", 1e3)
    assert engine.operating_point()["out"] == pytest.approx(3)
    engine.alter("r.xd.rlow", 500)
    engine.alter("VIN", 9)
    assert engine.operating_point()["out"] == pytest.approx(3)
    engine.load(deck)
    assert engine.operating_point()["out"] == pytest.approx(2)


def test_a_later_parameter_wins(engine: Session) -> None:
    engine.load([".param low=1k", "v1 in 0 6", "r1 in out 2k", "r2 out 0 {low}", ".param low=2k"])
    assert engine.operating_point()["out"] == pytest.approx(3)


def test_listing_is_flat(engine: Session) -> None:
    engine.load(["v1 a 0 1", "x1 a part", ".param r=2k", ".subckt part p", "r9 p 0 {2*r}", ".ends"])
    assert any("r.x1.r9 a 0" in line and "4" in line for line in engine.listing())


# --- nothing else comes out


def test_a_bad_circuit_never_answers_with_the_one_before(engine: Session) -> None:
    engine.load(DIVIDER)
    engine.transient(1e-8, 1e-6, 1e-8)
    with pytest.raises(EngineError, match="unknown subckt: x1 a 0 nowhere") as caught:
        engine.load(["v1 a 0 1", "r1 a 0 1k", "x1 a 0 nowhere"])
    assert caught.value.line == 3
    for analysis in (
        lambda: engine.transient(1e-8, 1e-6, 1e-8),
        engine.operating_point,
        lambda: engine.dc_sweep("v1", 0, 1, 0.1),
        engine.listing,
    ):
        with pytest.raises(EngineError, match="no circuit is loaded"):
            analysis()
    assert engine.names() == []


@pytest.mark.parametrize(
    ("deck", "line", "said"),
    [
        (["v1 a 0 1", "z1 a 0 foo"], 2, "z1 a 0 foo"),
        (["v1 a 0 1", "", "* remark", "r1 a", "+ 0 1k", "", "r2 a 0 1k", "r2 a 0 2k"], 8, "already exists"),
        (["v1 a 0 1", "x1 a part", ".subckt part p", "r1 p", "+ 0 foo bar", ".ends"], 4, "foo"),
        (["v1 a 0 1", "q1 a a 0 nomodel"], 2, "nomodel"),
    ],
)
def test_ngspices_own_words_and_the_line_they_blame(
    engine: Session, deck: list[str], line: int, said: str
) -> None:
    error = refusal(engine, deck)
    assert said in " ".join(error.words)
    assert error.line == line
    assert not isinstance(error, EngineDead)


@pytest.mark.parametrize("part", ["r2 a", "r2 a b"])
def test_a_part_without_value_is_not_dropped_silently(engine: Session, part: str) -> None:
    """39 makes it 1 mOhm, 44 and later leave it out; both only warn."""
    error = refusal(engine, ["v1 a 0 1", "r1 a 0 1k", part])
    assert "r2" in " ".join(error.words)


def test_half_a_run_is_no_result(engine: Session) -> None:
    error = refusal(engine, STUCK)
    assert "too small" in " ".join(error.words)
    assert engine.names() == []


def test_a_run_that_someone_else_stopped_is_no_result(engine: Session) -> None:
    engine.load(DIVIDER)
    engine._engine.command("stop when time gt 1e-06")
    with pytest.raises(EngineError, match="interrupted"):
        engine.transient(1e-8, 2e-6, 1e-8)
    engine.load(DIVIDER)
    assert engine.transient(1e-8, 2e-6, 1e-8)["time"][-1] == pytest.approx(2e-6)


def test_proof_does_not_lean_on_understanding_ngspice(
    engine: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Deaf to all complaints, the session still tells half a run, or none, from a whole one."""
    engine.load(DIVIDER)
    engine.transient(1e-8, 1e-6, 1e-8)
    monkeypatch.setattr(words, "is_failure", lambda heard: False)
    engine.load(STUCK)
    with pytest.raises(EngineError, match=r"the run ended at 1e-06 s instead of 2e-06 s"):
        engine.transient(1e-8, 2e-6, 2e-8)
    engine.load(["v1 a 0 1", "x1 a 0 nowhere"])
    for analysis in (engine.operating_point, lambda: engine.transient(1e-8, 1e-6, 1e-8)):
        with pytest.raises(EngineError, match="the analysis left no result"):
            analysis()


def test_what_was_to_be_saved_must_be_there(engine: Session) -> None:
    engine.load([*DIVIDER, ".save all @rnone[i] v(nowhere) i(v1)"])
    with pytest.raises(EngineError) as caught:
        engine.transient(1e-8, 2e-6, 1e-7)
    assert "@rnone[i]" in str(caught.value)
    assert "nowhere" in str(caught.value)
    assert "v1#branch" not in str(caught.value)


def test_infinite_values_are_no_result(engine: Session) -> None:
    engine.load(["i1 0 b 1e308", "i2 0 b 1e308", "r1 b 0 1k"])
    with pytest.raises(EngineError, match="b is not finite"):
        engine.operating_point()


def test_short_sweeps_and_unknown_sources_fail(engine: Session) -> None:
    engine.load(DIVIDER)
    with pytest.raises(EngineError, match="nowhere"):
        engine.dc_sweep("nowhere", 0, 1, 0.1)
    with pytest.raises(ValueError, match="sensible sweep"):
        engine.dc_sweep("v1", 0, 1, -0.1)


def test_altering_what_is_not_there_fails(engine: Session) -> None:
    engine.load(DIVIDER)
    with pytest.raises(EngineError, match="rnone"):
        engine.alter("rnone", 1e3)
    for device, value in (("r1 = 1; shell ls", 1.0), ("r1`ls`", 1.0), ("r1", math.nan)):
        with pytest.raises(ValueError, match="cannot alter"):
            engine.alter(device, value)


@pytest.mark.parametrize(
    "times", [(0, 1, 1), (1, -1, 1), (2, 1, 1), (1, 1, 0), (1, math.inf, 1), (math.nan, 1, 1)]
)
def test_senseless_times_are_refused(engine: Session, times: tuple[float, float, float]) -> None:
    engine.load(DIVIDER)
    with pytest.raises(ValueError, match="no sensible times"):
        engine.transient(*times)


@pytest.mark.parametrize(
    "line", [".control", "  .CONTROL", "*# shell touch made", "r1 a 0 1k\n*# shell ls", ".end"]
)
def test_commands_among_the_lines_are_refused(engine: Session, line: str) -> None:
    with pytest.raises(EngineError, match="not a line of a plain circuit") as caught:
        engine.load(["v1 a 0 1", line])
    assert caught.value.line == 2


# --- words


def test_names_that_save_lines_ask_for() -> None:
    deck = ["r1 a 0 1k", ".SAVE all @R1[i] v(Out) I(Vcc)", ".save none 7"]
    assert words.saved(deck) == ["@r1[i]", "out", "vcc#branch", "7"]


@pytest.mark.parametrize(
    "said",
    [
        "Error on line 3 or its substitute:",
        "PTerror: syntax error, parsing stopped at",
        "YYparse error",
        "doAnalyses: TRAN:  Timestep too small; time = 1e-06",
        "Warning: r2: resistance to low, set to 1 mOhm",
        "Warning: r2 a is not a valid resistor instance line, ignored!",
    ],
)
def test_failures_of_old_and_new_engines_are_known(said: str) -> None:
    assert words.is_failure([said])


@pytest.mark.parametrize(
    "said",
    [
        "Note: v1: dc value used for op instead of transient time=0 value.",
        "Warning: singular matrix:  check node b",
        "Using SPARSE 1.3 as Direct Linear Solver",
        "Note: One successful gmin step",
    ],
)
def test_remarks_are_no_failures(said: str) -> None:
    assert not words.is_failure([said])


@pytest.mark.parametrize(
    "said",
    [
        "Error on line 3 or its substitute:",
        "Netlist line no. 3:",
        "Error in netlist line no. 4, new internal line no. 3:",
        "YYparse error, syntax error, in expression: parsing stopped at line 3",
    ],
)
def test_the_title_does_not_count_as_a_line_of_the_deck(said: str) -> None:
    assert words.blamed([said], ["r1 a 0 1k", "r2 a 0 1k"]) == 2
    assert words.blamed([said], ["r1 a 0 1k"]) is None
