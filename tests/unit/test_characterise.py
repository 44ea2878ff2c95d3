# SPDX-License-Identifier: GPL-3.0-or-later
"""A comparator whose values are known by construction, measured alone on real ngspice."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest
from scipy.optimize import brentq

from harness.alone import benches
from harness.alone.subject import Bench, Refused
from harness.board import load_board
from harness.characterise import Characteristics, characterise
from harness.engine import pool
from harness.engine.errors import EngineDead
from harness.knowing import characterised
from harness.netlist import read_netlist
from harness.predict.lookup import Table
from harness.resources import netlists_folder
from harness.run import prepare

MODEL = """\
.subckt known plus minus supply ground output
+ params: bias_plus=30n bias_minus=20n offset=2m resistance=50 delay=100n
Iplus ground plus {bias_plus}
Iminus ground minus {bias_minus}
Bdifference d ground v = tanh((v(plus)-v(minus)-offset)*1e6)
Rdelay d e 1k
Cdelay e ground {delay/1k}
Bout output ground i = v(output,ground)/resistance*(0.5-0.5*tanh(v(e)*1e3))
Rsupply supply ground 1meg
.ends
"""

NETLIST = f"""\
A slicer with a comparator of known values
{MODEL}
.param knob=2
Vcc vcc 0 12
Vrail rail 0 8
Vknob knob 0 {{knob}}
Vramp ramp 0 pulse(1 5 0 0.97m 20u 10u 1m)
Rtop rail thr 100k
Rknob knob thr 100k
Xcomparator thr ramp vcc 0 out known
Rpull rail out 3.3k
Cload out 0 1n
"""

BOARD = """\
[board]
format = 1
name = "known"
revision = "A"
netlist = "known.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xcomparator"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
load_capacitor = "Cload"
[core]
kind = "ramp source"
[intended]
Rpull = "3.3k 1%"
[axes.control]
values = [-1, 0, 1]
unit = "V"
sets = "knob"
[axes.supply]
values = [10, 12]
unit = "V"
sets = "Vcc"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("known")
    (place / "known.cir").write_text(NETLIST)
    (place / "known.board.toml").write_text(BOARD)
    return place


def measured(folder: Path, measure: bool = True, store: str = "store") -> Characteristics:
    board = load_board(folder / "known.board.toml")
    return characterise(board, read_netlist(board.netlist, board.include), folder / store, measure)


@pytest.fixture(scope="module")
def known(folder: Path) -> Characteristics:
    return measured(folder)


def test_bias_and_offset_are_those_of_the_model(known: Characteristics) -> None:
    """The ramp is on the minus input: it gets out 20 nA; the threshold on plus 30 nA; it turns 2 mV below."""
    here = {"temperature": np.array([25.0]), "supply": np.array([11.0])}
    assert known.table("slicer.bias_ramp").at(**here, difference=-1.0) == pytest.approx([20e-9], rel=1e-3)
    assert known.table("slicer.bias_threshold").at(**here) == pytest.approx([30e-9], rel=1e-3)
    assert known.table("slicer.offset").at(**here) == pytest.approx([-2e-3], abs=2e-6)


def test_output_curve_is_its_resistance(known: Characteristics) -> None:
    volts, amperes = known.table("slicer.sink").along(
        "voltage", temperature=np.array([25.0]), supply=np.array([12.0])
    )
    assert amperes[0] == pytest.approx(volts / 50.0, rel=1e-3, abs=1e-9)


def test_delays_are_those_of_the_time_constant(known: Characteristics) -> None:
    """The inner node goes from one end to the other and passes its middle after ln 2 times 100 ns."""
    for name in ("slicer.fall_delay", "slicer.rise_delay"):
        table = known.table(name)
        assert table.figures == pytest.approx(math.log(2) * 100e-9, abs=4e-9), name


def test_no_rise_time_of_its_own_where_there_is_none(known: Characteristics) -> None:
    """The model lets go at once: hardly anything comes to the 7 us of load and pull-up."""
    assert np.abs(known.table("slicer.rise_extra").figures).max() < 20e-9


def test_a_transition_of_its_own_does_not_add_to_that_of_the_load(tmp_path: Path) -> None:
    """A sink whose current dies away with a time constant of 1 us, on 3.3 kOhm and 1 nF.

    The rise is the step response of two poles, 1 - (a exp(-t/a) - b exp(-t/b)) / (a - b): from 10 % to 90 %
    it takes far less than the sum of ln 9 times a and b, and to 50 % it takes less than ln 2 times their sum.
    """
    a, b = 1e-6, 3.3e-6

    def instant(share: float) -> float:
        return brentq(
            lambda t: 1 - (a * math.exp(-t / a) - b * math.exp(-t / b)) / (a - b) - share, 0, 100 * b
        )

    slow = MODEL.replace("delay=100n", "delay=1u").replace(
        "i = v(output,ground)/resistance*(0.5-0.5*tanh(v(e)*1e3))", "i = 1m*(1-v(e))"
    )
    assert slow.count("delay=1u") == slow.count("1m*(1-v(e))") == 1
    (tmp_path / "known.cir").write_text(NETLIST.replace(MODEL, slow))
    (tmp_path / "known.board.toml").write_text(BOARD)
    found = measured(tmp_path)
    extra = found.table("slicer.rise_extra").figures
    assert extra == pytest.approx(instant(0.9) - instant(0.1) - math.log(9) * b, abs=20e-9)
    assert extra.max() < 0.5 * math.log(9) * a
    delay = found.table("slicer.rise_delay").figures
    assert delay == pytest.approx(instant(0.5) - math.log(2) * b, abs=10e-9)


def test_what_was_measured_is_read_back(folder: Path, known: Characteristics) -> None:
    """A second look needs no engine and gives the same figures to the bit."""
    again = measured(folder, measure=False)
    assert set(again.tables) == set(known.tables) and not again.missing
    assert known.reused == 0 and again.reused == len(known.tables)
    for name, table in known.tables.items():
        assert np.array_equal(table.figures, again.table(name).figures)
        assert table.origin == again.table(name).origin


def test_nothing_is_known_before_it_was_measured(folder: Path) -> None:
    fresh = measured(folder, measure=False, store="elsewhere")
    assert not fresh.tables
    assert ("slicer.sink", "not measured yet") in fresh.missing
    assert ("slicer.sink", "unknown", "not measured yet") in fresh.summary()
    assert not (folder / "elsewhere").exists()


def test_a_changed_model_is_measured_anew(folder: Path, known: Characteristics, tmp_path: Path) -> None:
    """The store goes by what is measured, not by names."""
    (tmp_path / "known.cir").write_text(NETLIST.replace("resistance=50", "resistance=80"))
    (tmp_path / "known.board.toml").write_text(BOARD)
    board = load_board(tmp_path / "known.board.toml")
    netlist = read_netlist(board.netlist, board.include)
    stale = characterise(board, netlist, folder / "store", measure=False)
    assert "slicer.sink" not in stale.tables


def test_equal_lines_of_two_subcircuits_are_two_lines(tmp_path: Path, known: Characteristics) -> None:
    """The delay from two halves of one and the same text, with nothing behind ``.ends``."""
    half = ".subckt {name} a b\nRdelay a b 500\n.ends\n"
    text = NETLIST.replace("Rdelay d e 1k", "Xone d m first_half\nXtwo m e second_half")
    lines = text.split("\n", 1)
    halves = half.format(name="first_half") + half.format(name="second_half")
    (tmp_path / "known.cir").write_text(f"{lines[0]}\n{halves}{lines[1]}")
    (tmp_path / "known.board.toml").write_text(BOARD)
    found = measured(tmp_path)
    assert not found.missing
    for name in known.tables:
        assert found.table(name).figures == pytest.approx(known.table(name).figures, rel=1e-6, abs=1e-12)


def test_a_node_that_is_called_like_a_parameter_needs_none(tmp_path: Path) -> None:
    """Else the model would follow the axis that sets the parameter."""
    model = (
        MODEL.replace("d e 1k", "d knob 1k").replace("Cdelay e ", "Cdelay knob ").replace("v(e)", "v(knob)")
    )
    (tmp_path / "known.cir").write_text(NETLIST.replace(MODEL, model))
    (tmp_path / "known.board.toml").write_text(BOARD)
    found = measured(tmp_path)
    assert not found.missing and not found.variants


def test_a_model_that_follows_an_axis_is_measured_at_its_nominal_value_too(tmp_path: Path) -> None:
    (tmp_path / "known.cir").write_text(NETLIST.replace("out known", "out known offset={knob*1m}"))
    (tmp_path / "known.board.toml").write_text(BOARD.replace('sets = "knob"', 'sets = "knob"\nnominal = 0.5'))
    found = measured(tmp_path)
    assert [at["control"] for at, _ in found.variants] == [-1.0, 0.0, 1.0, 0.5]
    assert found.table("slicer.offset").figures == pytest.approx(-0.5e-3, abs=2e-6)


def test_the_trip_of_a_reset_switch_without_a_resistor_is_measured_too(tmp_path: Path) -> None:
    """Its slopes are those of what a switch has by itself."""
    kestrel = netlists_folder() / "boards" / "kestrel"
    text = (kestrel / "kestrel.board.toml").read_text()
    (resistor,) = (line for line in text.splitlines() if line.startswith("reset_resistor"))
    (tmp_path / "kestrel.cir").write_text((kestrel / "kestrel.cir").read_text())
    (tmp_path / "known.board.toml").write_text(text.replace(f"{resistor}\n", ""))
    board = load_board(tmp_path / "known.board.toml")
    found = benches.benches_of(board, read_netlist(board.netlist, board.include))
    (trip,) = (bench for bench in found if "trip.close_delay" in bench.names)
    assert isinstance(trip, Bench)
    (opening,) = (value.axes["slope"] for value in trip.values if value.name == "trip.open_delay")
    assert opening[-1] - opening[0] > 1  # decades


def _give_up() -> NoReturn:
    raise EngineDead(["gives up"])


def _here(
    tasks: list[object], function: Callable[[object], object], workers: int, seconds: float
) -> Iterator[tuple[int, pool.Outcome[Any]]]:
    """In the place of worker processes: what is replaced in this one holds in them. One whose engine gives up
    ends with its words."""
    for index, task in enumerate(tasks):
        try:
            yield index, pool.Outcome(function(task))
        except EngineDead as error:
            yield index, pool.Outcome(None, str(error))


def test_a_bench_in_which_an_engine_gives_up_takes_no_other_along(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, known: Characteristics
) -> None:
    """What stands in for the bench of the output's curve costs its process, and that bench."""
    (tmp_path / "known.cir").write_text(NETLIST)
    (tmp_path / "known.board.toml").write_text(BOARD)
    every = benches.benches_of

    def one_gives_up(*board: Any) -> list[Bench | Refused]:
        return [
            replace(bench, measure=_give_up)
            if isinstance(bench, Bench) and "slicer.sink" in bench.names
            else bench
            for bench in every(*board)
        ]

    monkeypatch.setattr(benches, "benches_of", one_gives_up)
    monkeypatch.setattr(pool, "run_all", _here)
    found, _ = characterised(prepare(tmp_path / "known.board.toml"))
    assert not found.has("slicer.sink") and set(known.tables) - set(found.tables) == {"slicer.sink"}
    assert ("slicer.sink", "slicer output: gives up") in found.missing


def test_a_comparator_that_cannot_be_told_apart_stays_unknown(tmp_path: Path) -> None:
    """The threshold reaches the comparator through a resistor: no pin is its node, and the reason says so."""
    text = NETLIST.replace("Xcomparator thr ramp", "Rserial thr pin 1k\nXcomparator pin ramp")
    (tmp_path / "known.cir").write_text(text)
    (tmp_path / "known.board.toml").write_text(BOARD)
    found = measured(tmp_path)
    assert not found.tables
    assert all("pins" in why for _, why in found.missing)


def test_no_leakage_is_told_of_an_output_that_does_not_let_go(tmp_path: Path) -> None:
    """A resistor of 1 kOhm inside keeps the output down: what flows there is no leakage."""
    stuck = NETLIST.replace("Rsupply supply", "Rstuck output ground 1k\nRsupply supply")
    (tmp_path / "known.cir").write_text(stuck)
    (tmp_path / "known.board.toml").write_text(BOARD)
    found = measured(tmp_path)
    assert not found.has("slicer.leakage") and found.has("slicer.bias_ramp")
    assert ("slicer.leakage", "unknown") in [(name, text) for name, text, _ in found.summary()]


def test_leakage_is_that_of_the_model(tmp_path: Path) -> None:
    """1 MOhm inside, on a pull-up of 3.3 kOhm: 8 V / 1.0033 MOhm."""
    leaky = NETLIST.replace("Rsupply supply", "Rleak output ground 1meg\nRsupply supply")
    (tmp_path / "known.cir").write_text(leaky)
    (tmp_path / "known.board.toml").write_text(BOARD)
    found = measured(tmp_path).table("slicer.leakage").figures
    assert found == pytest.approx(8.0 / 1.0033e6, rel=1e-3)


def test_capacitance_of_parts_is_that_of_a_capacitor_beside_a_steady_current() -> None:
    """47 pF beside 100 kOhm, driven through 7 V: the resistor's charge cancels; 0.02 pF is left to the
    steps."""
    from harness.alone.core import added_capacitance
    from harness.engine.session import session

    found = added_capacitance(
        session(), (), lambda node: [f"cpart {node} 0 47p", f"rpart {node} 0 100k"], 0.5, 7.5, 25.0
    )
    assert found == pytest.approx(47e-12, abs=0.02e-12)


def test_a_value_that_no_condition_gives_is_unknown() -> None:
    nothing = Table({"temperature": np.array([25.0])}, np.array([np.nan]), "A", "model alone")
    assert Characteristics({"slicer.leakage": nothing}).summary() == [
        ("slicer.leakage", "unknown", "model alone: no figure at 1 of 1 conditions")
    ]
