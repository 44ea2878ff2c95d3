# SPDX-License-Identifier: GPL-3.0-or-later
"""Rows of device models: how they are judged, weakened models that are noticed, models of other people."""

from __future__ import annotations

import math
import shutil
from dataclasses import astuple, replace
from pathlib import Path

import pandas as pd
import pytest

from harness import cli, sheets
from harness.engine.session import Session, session
from harness.findings import InputError
from harness.parts import Subject, parts_table
from harness.parts.comparators import gain
from harness.parts.foreign import CLASSES, read_candidate, sheets_of
from harness.parts.listing import falls_short, part_lines
from harness.parts.pin_orders import find_order, orders
from harness.parts.rows import (
    COLUMNS,
    NO_FIGURE,
    OFF_TYPICAL,
    OUT_OF_RANGE,
    OUTSIDE,
    WITHIN,
    Row,
    limit_text,
    measure,
    verdict,
)
from harness.parts.self_test import self_test
from harness.resources import netlists_folder
from harness.sheets import Figure, read_sheet

FIGURE = Figure(
    "level", "output low level", "4 mA", math.nan, 0.15, 0.4, "V", "a document", "table 1", "published",
    bench="echo",
)  # fmt: skip


@pytest.fixture(scope="module")
def engine() -> Session:
    return session()


# --- judging


@pytest.mark.parametrize(
    ("value", "word"),
    [(0.15, WITHIN), (0.101, WITHIN), (0.224, WITHIN), (0.099, OFF_TYPICAL), (0.23, OFF_TYPICAL),
     (0.41, OUTSIDE), (-0.15, OFF_TYPICAL), (math.nan, NO_FIGURE)],
)  # fmt: skip
def test_limits_and_the_factor_around_typical(value: float, word: str) -> None:
    assert verdict(FIGURE, value) == word


def test_a_spread_around_zero_is_judged_by_its_limits_alone() -> None:
    offset = replace(FIGURE, typical=2e-3, most=5e-3, judged="limits")
    assert verdict(offset, 0.0) == WITHIN
    assert verdict(offset, 6e-3) == OUTSIDE


def test_limits_in_words() -> None:
    assert limit_text(FIGURE) == "400 mV or less"
    assert limit_text(replace(FIGURE, least=0.1)) == "100 mV to 400 mV"
    assert limit_text(replace(FIGURE, least=0.1, most=math.nan)) == "100 mV or more"
    assert limit_text(replace(FIGURE, most=math.nan)) == ""


def test_of_several_conditions_the_worst_counts(engine: Session) -> None:
    part = Subject.of(read_sheet("diode_signal"), engine)

    def echo(part: Subject, first: float, second: float = 0.0) -> float:
        return first + second

    def worst(figure: Figure, **at: tuple[float | str, ...]) -> float:
        return measure(part, replace(figure, at=at), {"echo": echo})

    assert worst(FIGURE, first=(0.15, 0.2, 0.11)) == 0.11  # 1.36 times away from typical, 0.2 only 1.33
    assert worst(FIGURE, first=(0.02, 0.45)) == 0.45  # a broken limit counts before any distance
    limits = replace(FIGURE, typical=math.nan)
    assert worst(limits, first=(0.1, 0.2), second=(0.0, 0.1)) == pytest.approx(0.3)
    assert worst(replace(limits, least=0.1, most=math.nan), first=(0.3, 0.2)) == 0.2
    assert math.isnan(worst(limits, first=(0.1, math.nan)))


def test_sheets_that_ask_for_what_there_is_not(engine: Session) -> None:
    part = Subject.of(read_sheet("diode_signal"), engine)
    with pytest.raises(ValueError, match="no bench is called 'echo'"):
        measure(part, FIGURE, {})
    with pytest.raises(ValueError, match="takes no colour"):
        measure(part, replace(FIGURE, at={"colour": ("red",)}), {"echo": lambda part, first: first})


# --- the package's own models


def weakened(monkeypatch: pytest.MonkeyPatch, folder: Path, model: str, old: str, new: str) -> None:
    """The package's netlists with one value of one model changed."""
    shutil.copytree(netlists_folder() / "parts", folder / "parts")
    file = folder / "parts" / f"{model}.inc"
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")
    monkeypatch.setattr(sheets, "netlists_folder", lambda: folder)


@pytest.mark.parametrize(
    ("model", "old", "new", "quantity"),
    [
        ("comparator_push_pull", "kp={3m/resistance}", "kp={1.5m/resistance}", "low_level"),
        ("mosfet_small_n", "kp=0.6", "kp=0.3", "on_resistance_low_gate"),
        ("jfet_switching_n", "beta=4.7m", "beta=2.35m", "on_resistance"),
        ("npn_small", "bf=310", "bf=155", "gain"),
        ("switch_cmos", "kp={1.03m/resistance}", "kp={0.51m/resistance}", "on_resistance_10"),
        ("diode_signal", "is=2.5n", "is=250n", "reverse_current"),
        ("npn_pair", "nf=1 ", "nf=1.02 ", "law_slope"),
    ],
)
def test_a_weakened_model_turns_its_row_bad(
    engine: Session, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, model: str, old: str, new: str,
    quantity: str,
) -> None:  # fmt: skip
    assert not falls_short(parts_table(engine, [model]))
    weakened(monkeypatch, tmp_path, model, old, new)
    table = parts_table(engine, [model])
    row = table[table["quantity"] == quantity].iloc[0]
    assert row["verdict"] in (OUTSIDE, OFF_TYPICAL)
    assert falls_short(table)


def test_command_writes_the_table_and_ends_1_where_a_row_is_bad(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["parts", "jfet_switching_n", "--out", str(tmp_path / "good")]) == 0
    table = pd.read_csv(tmp_path / "good" / "parts.csv", keep_default_na=False)
    assert tuple(table.columns) == COLUMNS
    sheet = read_sheet("jfet_switching_n")
    assert list(table["quantity"]) == list(sheet.figures)
    row = table[table["quantity"] == "gate_current_absolute"].iloc[0]
    assert (row["measured"], row["verdict"], row["limit"]) == ("rating", "not measured", "50 mA or less")
    capsys.readouterr()
    weakened(monkeypatch, tmp_path / "weak", "jfet_switching_n", "vto=-3 ", "vto=-6 ")
    assert cli.main(["parts", "jfet_switching_n"]) == 1
    said = capsys.readouterr().out
    assert "cut_off_voltage: outside: measured" in said
    assert "Philips Semiconductors" in said


def test_lines_name_every_row_once(engine: Session) -> None:
    table = parts_table(engine, ["pnp_small"])
    text = "\n".join(part_lines(table))
    for quantity in table["quantity"]:
        assert text.count(f"  {quantity} ") == 1
    assert "7 figures of 1 model: 7 within." in text


# --- models of other people

GATE_FIRST = """* no title line: models begin at once
.subckt small_fet g d s
m1 d g s s inner
.model inner nmos(level=1 vto=1.8 kp=0.6 rd=0.65 rs=0.3 cbd=10p is=1e-14)
.ends
"""
BEHAVIOURAL = """.subckt ideal {pins}
b1 inner 0 v=0.5-0.5*tanh((v(plus)-v(minus))*1e4)
r1 inner gated 100
c1 gated 0 1n
g1 output ground value={{12m*v(gated)*tanh((v(output)-v(ground))*20)}}
r2 supply ground 10k
.ends
"""


def file_of(folder: Path, text: str, name: str = "model.lib") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_orders_begin_with_the_nearest() -> None:
    found = list(orders(("a", "b", "c")))
    assert found[0] == ("a", "b", "c")
    assert len(found) == 6
    assert all(sum(x != y for x, y in zip(order, "abc", strict=True)) == 2 for order in found[1:4])


@pytest.mark.parametrize(
    "order",
    [
        ("plus", "minus", "supply", "ground", "output"),
        ("minus", "plus", "supply", "ground", "output"),
        ("output", "minus", "plus", "ground", "supply"),
    ],
)
def test_pins_of_a_comparator_are_found(engine: Session, tmp_path: Path, order: tuple[str, ...]) -> None:
    file = file_of(tmp_path, BEHAVIOURAL.format(pins=" ".join(order)))
    candidate = read_candidate(file)
    pins = read_sheet("comparator_393").pins
    part = Subject(engine, candidate.name, candidate.kind, candidate.lines, pins)
    assert find_order(part, "393") == order


@pytest.mark.parametrize(
    ("class_", "model", "order"),
    [
        ("311", "comparator_311", ("minus", "plus", "supply", "emitter", "output", "negative")),
        ("311", "comparator_311", ("plus", "minus", "supply", "emitter", "output", "negative")),
        ("07x", "opamp_07x", ("output", "minus", "plus", "supply", "negative")),
        ("rail-to-rail", "opamp_rail_to_rail", ("plus", "negative", "minus", "output", "supply")),
        ("push-pull", "comparator_push_pull", ("output", "ground", "plus", "minus", "supply")),
    ],
)
def test_pins_of_a_wrapped_model_are_found(
    engine: Session, class_: str, model: str, order: tuple[str, ...]
) -> None:
    """The package's model behind a header in another order."""
    sheet = read_sheet(model)
    wrapped = (f".subckt wrapped {' '.join(order)}", f"x1 {' '.join(sheet.pins)} {model}", ".ends")
    part = Subject(engine, "wrapped", "subcircuit", (*sheet.model_lines(), *wrapped), sheet.pins)
    assert find_order(part, class_) == order


def test_a_copy_with_half_the_sink_is_noticed(engine: Session, tmp_path: Path) -> None:
    text = (netlists_folder() / "parts" / "comparator_393.inc").read_text(encoding="utf-8")
    whole, half = (
        self_test(engine, file_of(tmp_path, each, name), "393")
        for name, each in (("whole.inc", text), ("half.inc", text.replace("bf=107", "bf=53.5")))
    )
    assert not falls_short(whole)
    assert list(half[half["verdict"] == OFF_TYPICAL]["quantity"]) == ["sink_current"]


@pytest.mark.parametrize("offset", ["0", "1m", "-3m"])
def test_gain_is_measured_where_the_output_trips(engine: Session, offset: str) -> None:
    """An offset in series with an input moves the trip point and leaves the gain alone."""
    sheet = read_sheet("comparator_393")
    wrapped = (
        ".subckt moved plus minus supply ground output",
        f"voffset plus inner {offset}",
        "x1 inner minus supply ground output comparator_393",
        ".ends",
    )
    own = Subject.of(sheet, engine)
    moved = Subject(engine, "moved", "subcircuit", (*sheet.model_lines(), *wrapped), sheet.pins)
    assert gain(moved, 15.0) == pytest.approx(gain(own, 15.0), rel=0.02)
    assert gain(own, 15.0) > 1e5


def test_a_model_that_never_trips_has_no_gain(engine: Session) -> None:
    lines = (".subckt dead plus minus supply ground output", "r1 output ground 1k", ".ends")
    dead = Subject(engine, "dead", "subcircuit", lines, read_sheet("comparator_393").pins)
    assert math.isnan(gain(dead, 15.0))


def test_lines_for_a_file_are_not_cut_and_a_room_below_zero_is_explained(engine: Session) -> None:
    row = Row("m", "common_mode_room", "a condition of more than 34 characters in all", "", "", "-500 mV",
              "a source", WITHIN)  # fmt: skip
    table = pd.DataFrame([astuple(row)], columns=list(COLUMNS))
    whole, cut = ("\n".join(part_lines(table, whole)) for whole in (True, False))
    assert row.condition in whole
    assert row.condition not in cut
    assert "until 0.5 V above" in whole
    assert "until 0.5 V above" not in "\n".join(part_lines(table.assign(measured="500 mV")))


def test_a_model_that_hides_the_common_mode_limit_is_out_of_range_there(
    engine: Session, tmp_path: Path
) -> None:
    ideal = BEHAVIOURAL.format(pins="plus minus supply ground output")
    table = self_test(engine, file_of(tmp_path, ideal), "393")
    row = table[table["quantity"] == "beyond common mode"].iloc[0]
    assert (row["measured"], row["verdict"]) == ("still right: hides the limit", OUT_OF_RANGE)
    assert table[table["quantity"] == "bias"].iloc[0]["verdict"] == OFF_TYPICAL  # it has none


def test_an_ideal_op_amp_with_hard_limits_is_tried_as_well(engine: Session, tmp_path: Path) -> None:
    text = ".subckt ideal 1 2 3 4 5\ne1 6 0 value={limit(1e5*v(1,2), v(3), v(4))}\nro 6 5 50\n.ends\n"
    candidate = read_candidate(file_of(tmp_path, text))
    part = Subject(engine, "ideal", candidate.kind, candidate.lines, read_sheet("opamp_07x").pins)
    assert find_order(part, "07x") == ("plus", "minus", "negative", "supply", "output")


def test_pins_in_another_order_are_said_plainly(engine: Session, tmp_path: Path) -> None:
    table = self_test(engine, file_of(tmp_path, GATE_FIRST), "MOSFET")
    pins = table[table["quantity"] == "pins"].iloc[0]
    assert pins["measured"] == "pins seem to be: gate drain source"
    assert pins["verdict"] == OUTSIDE
    level = table[table["quantity"] == "threshold"].iloc[0]
    assert level["verdict"] == WITHIN  # measured with the pins as they seem to be


def test_a_transistor_between_collector_and_emitter(engine: Session, tmp_path: Path) -> None:
    text = (
        ".subckt small e b c\nq1 c b e inner\n.model inner pnp(is=2e-14 bf=300 br=5 vaf=60 cjc=9p)\n.ends\n"
    )
    table = self_test(engine, file_of(tmp_path, text), "bipolar")
    assert table.iloc[0]["measured"] == "pins seem to be: emitter base collector"
    assert table[table["quantity"] == "gain"].iloc[0]["verdict"] == WITHIN


def test_what_does_not_work_in_any_order_is_out_of_range(engine: Session, tmp_path: Path) -> None:
    text = ".subckt nothing a b c\nr1 a b 1k\nr2 b c 1k\n.ends\n"
    table = self_test(engine, file_of(tmp_path, text), "mosfet")
    assert table.iloc[0]["verdict"] == OUT_OF_RANGE
    assert "none of 6 orders" in table.iloc[0]["measured"]
    assert set(table["verdict"][1:]) == {"not measured"}
    assert falls_short(table)


def test_the_packages_own_models_pass_as_files_of_their_own(engine: Session) -> None:
    for class_, model in (
        ("bipolar", "npn_small"),
        ("jfet", "jfet_switching_n"),
        ("diode", "diode_signal"),
    ):
        table = self_test(engine, netlists_folder() / "parts" / f"{model}.inc", class_)
        assert table[table["quantity"] == "pins"].iloc[0]["verdict"] == WITHIN
        assert set(table[table["quantity"] == "works"]["verdict"]) == {WITHIN}
        assert set(table["verdict"]) <= {WITHIN, "not measured"}


def test_commercial_notation_is_read(tmp_path: Path) -> None:
    text = ".subckt clipped a b\ne1 b 0 value={limit(v(a), 0, 5)}\nr1 a 0 1meg\n.ends\n"
    candidate = read_candidate(file_of(tmp_path, text))
    assert candidate.dialect == "commercial"
    assert candidate.pins == ("a", "b")


def test_a_file_may_hold_other_parts_that_cannot_be_read(tmp_path: Path) -> None:
    """Neither are they taken for the one part of a file where the one asked for can be read in another
    notation."""
    text = (
        ".subckt plain a b\nr1 a b 1k\n.ends\n.subckt clipped a b\ne1 b 0 value={if(v(a)>5,5,0)}\n.ends\n"
        ".subckt late a b\ne1 b 0 laplace {v(a)} = {exp(-s)}\n.ends\n"
    )
    file = file_of(tmp_path, text)
    read = {name: read_candidate(file, name) for name in ("plain", "CLIPPED")}
    assert [one.dialect for one in read.values()] == ["native", "commercial"]
    with pytest.raises(InputError, match="holds several: plain, clipped, late"):
        read_candidate(file)
    with pytest.raises(InputError, match="transfer function"):
        read_candidate(file, "late")


@pytest.mark.parametrize(
    ("text", "name", "words"),
    [
        ("* nothing\nr1 a 0 1k\n", "", "holds no .subckt and no .model"),
        (".lib hot\n.model one d(is=1f)\n.endl\n.lib cold\n.endl\n", "", "sections only .hot, cold"),
        (".model one nmos(vto=1)\n.model two nmos(vto=2)\n", "", "holds several: one, two"),
        (".model one nmos(vto=1)\n", "tow", 'no subcircuit or model "tow"'),
        (".model one nmos(vto=1)\n.control\nshell echo\n.endc\n", "", "delete these lines"),
        (".subckt a b\nr1 b 0 1k\nq1 b b b missing\n.ends\n", "", "missing"),
    ],
)
def test_files_that_cannot_be_used(tmp_path: Path, text: str, name: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_candidate(file_of(tmp_path, text), name)


def test_wrong_use_ends_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    model = str(file_of(tmp_path, GATE_FIRST))
    for arguments, words in (
        (["--model", model], "say with --as CLASS"),
        (["--as", "mosfet"], "name it with --model FILE"),
        (["--model", model, "--as", "moffset"], 'no class "moffset" (did you mean "mosfet"?)'),
        (["--model", model, "--as", "393"], "has 3 pins"),
        (["--model", str(tmp_path / "none.lib"), "--as", "jfet"], "there is no such file"),
        (["swich_cmos"], 'did you mean "switch_cmos"?'),
    ):
        assert cli.main(["parts", *arguments]) == 2
        said = capsys.readouterr().err
        assert words in said
        assert "Traceback" not in said


def test_every_class_has_its_sheet() -> None:
    for class_ in CLASSES:
        assert sheets_of(class_)
