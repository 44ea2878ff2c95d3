# SPDX-License-Identifier: GPL-3.0-or-later
"""Board files: what is read, and what is said about mistakes, each with its key and line, all at once."""

from __future__ import annotations

import hashlib
import pickle
import random
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.board import Board, BoardError, Intended, Limit, Tolerance, load_board
from harness.cli import parser
from harness.intent.toml_source import dotted, read_source
from harness.netlist import read_netlist
from harness.resources import netlists_folder
from harness.units import Quantity

sys.path.insert(0, str(Path(__file__).parent))  # the board's text lies beside the tests
from board_text import NETLIST, SLICER, changed, write_board


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return load_board(write_board(tmp_path_factory.mktemp("board")))


def complaints(folder: Path, text: str) -> list[str]:
    """What is said about a board file, a finding a line; an empty list where it is fine."""
    try:
        load_board(write_board(folder, text))
    except BoardError as error:
        return [str(finding) for finding in error.findings]
    return []


def test_head_and_roles(board: Board, tmp_path: Path) -> None:
    assert (board.name, board.title, board.revision, board.format) == (
        "slicer",
        "Slicing stage on an ideal ramp",
        "A",
        1,
    )
    assert board.netlist == board.path.parent / "slicer.cir"
    assert board.sha256 == hashlib.sha256(board.path.read_bytes()).hexdigest()
    assert (board.roles.ramp, board.roles.comparator, board.roles.load_resistor) == ("ramp", "Xslice", None)
    assert board.roles.supplies == {"vcc": "Vcc", "rail": "Vrail"}
    assert board.core is not None and board.core.kind == "ramp source"


def test_intended_values_and_constants(board: Board) -> None:
    assert board.intended["Rpull"] == Intended(3300.0, 0.01, "Ohm", "3.3k 1%")
    assert board.intended["Rbias"] == Intended(4.7e6, 0.05, "Ohm", "4M7 5%")
    assert board.intended["Rtop"] == Intended(150e3, None, "Ohm", "150000.0")
    assert board.intended["Cload"].unit == "F"
    assert board.given["foot"] == Quantity(0.6, "V")


def test_axes(board: Board) -> None:
    control, temperature = board.axes["control"], board.axes["temperature"]
    assert control.values == (0.0, 2.0, 4.0, 6.0, 8.0)
    assert (control.nominal, control.sets, control.unit) == (4.0, "Vcontrol", "V")
    assert (temperature.unit, temperature.sets, temperature.nominal) == ("degC", None, 25.0)


def test_targets(board: Board) -> None:
    assert board.tolerance_of("duty") == Tolerance(0.02, "absolute")
    assert board.tolerance_of("frequency") == Tolerance(5.0, "cents")
    assert board.tolerance_of("low_level") == Tolerance(0.02, "swing")
    assert board.tolerance_of("high_level") == Tolerance(0.05, "absolute")
    assert board.tolerance_of("pullup_current") == Tolerance(0.05, "figure")
    assert board.tolerance_of("ramp_low") == Tolerance(0.02, "ramp"), "the usual one"
    assert board.limits["duty"] == Limit(0.0, 0.95)
    assert board.limits["level_vs_square"] == Limit(-8.0, None)
    first, second, third = board.expected
    assert (first.value, first.corner) == (0.271, "c008")
    assert (second.value, second.at["control"], second.at["supply"]) == (0.5, 6.0, 15.0)
    assert (third.quantity, third.value, third.at["temperature"]) == ("low_level", 0.15, 25.0)
    assert (board.simulation.accuracy, board.simulation.period, board.simulation.seconds) == (
        1e-4,
        2e-3,
        30.0,
    )


def test_formulas_come_in_an_order_that_can_be_worked_out_and_with_units(board: Board) -> None:
    assert next(iter(board.hand)) == "duty", "the file's order is kept for display"
    assert (
        board.hand_order.index("node") < board.hand_order.index("threshold") < board.hand_order.index("duty")
    )
    assert board.hand_units["node"] == "Ohm"
    assert (board.hand_units["duty"], board.hand_units["frequency"]) == ("", "Hz")


def test_a_board_travels_to_workers(board: Board) -> None:
    assert pickle.loads(pickle.dumps(board)) == board


def test_a_plain_number_counts_in_the_unit_of_its_axis(tmp_path: Path) -> None:
    text = changed(
        'values = [13.5, 15, 16.5]\nunit = "V"', 'values = [13500, "15 V"]\nunit = "mV"\nnominal = 15e3'
    )
    text = text.replace("supply = 15 }", "supply = 15000 }")
    axis = load_board(write_board(tmp_path, text)).axes["supply"]
    assert (axis.values, axis.unit, axis.nominal) == ((13.5, 15.0), "V", 15.0)


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "sentence"),
    [
        ("format = 1", "format = 2", 2, "board.format", "this version reads format 1"),
        ("format = 1", 'format = "1"', 2, "board.format", 'expected the number 1, got "1"'),
        ("format = 1", "format = true", 2, "board.format", "expected the number 1, got true"),
        ("title =", "titel =", 4, "board.titel", 'there is no such key here (did you mean "title"?)'),
        ('revision = "A"', "revision = 2", 5, "board.revision", "expected a text such as"),
        ('revision = "A"', 'revision = "../x"', 5, "board.revision", "becomes part of a folder name"),
        ('"slicer.cir"', '"slicr.cir"', 6, "board.netlist", 'did you mean "slicer.cir"?'),
        ('"slicer.cir"', '"../slicer.cir"', 6, "board.netlist", "lies beside the board file"),
        ('"slicer.cir"', '"/etc/passwd"', 6, "board.netlist", "lies beside the board file"),
        ('threshold = "thr"', 'treshold = "thr"', 10, "roles.treshold", 'mean "threshold"?'),
        ('output = "out"', 'output = " "', 11, "roles.output", "got an empty text"),
        ('comparator = "Xslice"', 'comparator = "slice"', 12, "roles.comparator", "whose name begins with X"),
        ('"393"', "393", 13, "roles.comparator_class", '"push-pull", got the number 393'),
        ('ramp_input = "minus"', 'ramp_input = "minis"', 14, "roles.ramp_input", 'did you mean "minus"?'),
        ('ramp_input = "minus"\n', "", 8, "roles", '"ramp_input" is missing'),
        ('rail = "Vrail"', "rail = 8", 17, "roles.supplies.rail", "expected the name of a voltage source"),
        ('"ramp source"', '"ramp sauce"', 21, "core.kind", 'did you mean "ramp source"?'),
        ('"ramp source"', '"charged capacitor"', 20, "core", '"capacitor" is missing'),
        ('"3.3k 1%"', '"3.3k1%"', 24, "intended.Rpull", 'cannot read "3.3k1%"'),
        ('"3.3k 1%"', '"1meg 1%"', 24, "intended.Rpull", 'write "1M"'),
        ('"3.3k 1%"', '"3.3 V 1%"', 24, "intended.Rpull", "expected a figure in Ohm"),
        ('"3.3k 1%"', '"68 K"', 24, "intended.Rpull", "a space before K makes it kelvin"),
        ('"3.3k 1%"', '"0 1%"', 24, "intended.Rpull", "expected a value above 0"),
        ('"3.3k 1%"', '"3.3k 200 %"', 24, "intended.Rpull", "below 100 %"),
        ('"3.3k 1%"', "true", 24, "intended.Rpull", "got true"),
        ('"3.3k 1%"', "nan", 24, "intended.Rpull", "expected a finite number, got nan"),
        ('"3.3k 1%"', "[3.3]", 24, "intended.Rpull", "got a list"),
        ('"3.3k 1%"', "1979-05-27", 24, "intended.Rpull", "got the date"),
        ("Rbias =", "RPULL =", 26, "intended.RPULL", "the name is taken by intended.Rpull already"),
        ('foot = "600 mV"', 'foot = "600 mVolt"', 33, "given.foot", "is no unit"),
        ("foot =", "ln =", 33, "given.ln", "has a meaning of its own already"),
        ('[0, 2, 4, "6 V", 8]', "[]", 38, "axes.control.values", "the list is empty"),
        ('[0, 2, 4, "6 V", 8]', "4", 38, "axes.control.values", "expected a list such as"),
        ('[0, 2, 4, "6 V", 8]', '[0, 4, "4 V", 6]', 38, "axes.control.values[3]", "stands twice in this"),
        ('[0, 2, 4, "6 V", 8]', "[0, inf, 4, 6]", 38, "axes.control.values[2]", "expected a finite number"),
        ('4, "6 V", 8', '4, "6 A", 8', 38, "axes.control.values[4]", "expected a figure in V"),
        ('sets = "Vcontrol"\n', "", 37, "axes.control", '"sets" is missing'),
        ('sets = "Vcontrol"', 'sets = "vcc"', 45, "axes.supply.sets", 'is set by the axis "control" already'),
        ("[0, 25, 50]", '[0, 25, 50]\nunit = "K"', 49, "axes.temperature.unit", 'is given in "degC"'),
        ("[0, 25, 50]", '[0, 25, 50]\nsets = "t"', 49, "axes.temperature.sets", "leave this key out"),
        ('"temperature"],', '"temprature"],', 53, "corners.grids[2]", 'did you mean "temperature"?'),
        ('"temperature"],', '"control"],', 53, "corners.grids[2]", "stands twice in one grid"),
        ('"temperature"],', "3],", 53, "corners.grids[2]", "expected a list of axes"),
        ("threshold - foot", "threshold - fot", 57, "hand.duty", '"fot" is no part of [intended]'),
        ("threshold - foot", "threshold - Rtop", 57, "hand.duty", "Ohm from V (`Rtop` from `threshold`)"),
        ("/(top - foot)", "", 57, "hand.duty", '"clip" compares V with no unit'),
        ('node = "parallel', 'node = "paralel', 59, "hand.node", 'did you mean "parallel"?'),
        ("Rbias, Rtop)", "Rbias, Rtop", 59, "hand.node", 'expected ")" or ","'),
        ("parallel(Rcontrol, Rbias", "parallel(node, Rbias", 59, "hand.node", "in a circle: node -> node"),
        ('"1/period"', '"period"', 60, "hand.frequency", "comes out in s, but frequency is in Hz"),
        ('"1/period"', '"1/ms"', 60, "hand.frequency", 'a unit follows its number: "1 ms"'),
        ("frequency = \"1/", "frequancy = \"1/", 60, "hand.frequancy", 'did you mean "frequency"?'),
        ('"1/period"', "[]", 60, "hand.frequency", "expected a formula in quotes"),
        ("value = 0.271, at", "valu = 0.271, at", 68, "expected.duty[1].valu", 'mean "value"?'),
        ("control = 4, supply = 15 }", "contrl = 4 }", 68, "expected.duty[1].at.contrl", 'mean "control"?'),
        ("control = 4, supply", "control = 5, supply", 68, "expected.duty[1].at.control", "valid: 0 V, 2 V"),
        ('"50 %", at = { control', '"50 %", at = { temperature = 0, supply = 13.5, control',
         69, "expected.duty[2]",
         "the corner table has no corner at control 6 V, supply 13.5 V, temperature 0 degC"),
        ('{ value = "150 mV" }', "0.15", 71, "expected.low_level", "expected { value = ..., at = { ... } }"),
        ("duty = 0.02", 'duty = "1 %"', 74, "tolerance.duty", 'in two ways; write 0.01, or "1 % of figure"'),
        ("duty = 0.02", "duty = 0", 74, "tolerance.duty", "a tolerance is above 0"),
        ('"5 cents"', "5", 75, "tolerance.frequency", '"5 cents" or "2 Hz"'),
        ('"2 % of swing"', '"2 % of swig"', 76, "tolerance.low_level", 'there is no scale "swig"'),
        ('"5 %"', '"2 % of swing"', 78, "tolerance.pullup_current", "is in V, but pullup_current is in A"),
        ('"5 cents"', '"1 % of ramp"', 75, "tolerance.frequency", "is in V, but frequency is in Hz"),
        ("duty = 0.02", 'duty = "2 % of swing"', 74, "tolerance.duty", "but duty is a plain number"),
        ('"50 mV"', '"5 cents"', 77, "tolerance.high_level", "expected a figure in V"),
        ("least = 0.0, most = 0.95", "least = 1, most = 0.5", 81, "limits.duty", "no figure can be within"),
        ("least = 0.0, most = 0.95", "least = 0.5, most = 0.5", 81, "limits.duty", "both 0.5; no figure"),
        ("least = 0.0, most = 0.95", "", 81, "limits.duty", "a limit needs least, most or both"),
        ("least = 0.0, most", "leest = 0.0, most", 81, "limits.duty.leest", 'did you mean "least"?'),
        ("headroom = {", "headrom = {", 82, "limits.headrom", 'did you mean "headroom"?'),
        ('"-8 dB"', '"-8 V"', 83, "limits.level_vs_square.least", "expected a figure in dB"),
        ("accuracy = 1e-4", "accuracy = 0.05", 86, "simulation.accuracy", "from 1e-07 to 0.01"),
        ("accuracy = 1e-4", "accuracy = 1e-9", 86, "simulation.accuracy", "from 1e-07 to 0.01"),
        ('period = "2 ms"\nseconds', 'period = "2 mV"\nseconds', 87, "simulation.period", "a figure in s"),
        ("seconds = 30", "seconds = -1", 88, "simulation.seconds", "expected a figure above 0"),
        ('"c010"', '"c999"', 89, "simulation.report_corners[1]", "the table goes from c001 to c025"),
        ("[simulation]", "[simulatoin]", 85, "simulatoin", 'did you mean "simulation"?'),
    ],
)  # fmt: skip
def test_one_mistake_is_one_finding_at_its_place(
    tmp_path: Path, old: str, new: str, line: int, key: str, sentence: str
) -> None:
    with pytest.raises(BoardError) as caught:
        load_board(write_board(tmp_path, changed(old, new)))
    matching = [
        finding for finding in caught.value.findings if finding.key == key and sentence in finding.message
    ]
    assert matching, str(caught.value)
    assert matching[0].line == line
    assert matching[0].path == tmp_path / "slicer.board.toml"


@pytest.mark.parametrize(
    ("old", "new"), [('threshold = "thr"', 'treshold = "thr"'), ("value = 0.271, at", "valu = 0.271, at")]
)
def test_a_mistyped_key_is_not_missing_as_well(tmp_path: Path, old: str, new: str) -> None:
    with pytest.raises(BoardError) as caught:
        load_board(write_board(tmp_path, changed(old, new)))
    assert len(caught.value.findings) == 1


@pytest.mark.parametrize("formula", ["supply / load", "supply / Rpull + supply / load"])
def test_a_constant_without_a_unit_is_named_where_units_clash(tmp_path: Path, formula: str) -> None:
    text = changed("[given]\n", '[given]\nload = "4.7k"\n').replace(
        'pullup_current = "(Vrail - saturation)/Rpull"', f'pullup_current = "{formula}"'
    )
    with pytest.raises(BoardError) as caught:
        load_board(write_board(tmp_path, text))
    assert 'load = "4.7k" in [given] has no unit, write it such as "3.3 kOhm"' in str(caught.value)
    with pytest.raises(BoardError) as caught:
        load_board(write_board(tmp_path, text.replace('"4.7k"', '"4.7 kV"')))
    assert "in [given] has no unit" not in str(caught.value)


@pytest.mark.parametrize("written", ["3.3k-1%", "3.3k -1 %", "3.3k +1%", "3.3k- .5%"])
def test_a_tolerance_has_no_sign(tmp_path: Path, written: str) -> None:
    text = changed('Rpull = "3.3k 1%"', f'Rpull = "{written}"')
    with pytest.raises(BoardError) as caught:
        load_board(write_board(tmp_path, text))
    assert "a tolerance has no sign" in str(caught.value)


@pytest.mark.parametrize("written", ["3.3k +/- 1%", "3.3k \u00b1 1 %", "3.3k +/-1%"])
def test_a_tolerance_with_both_signs_is_one(tmp_path: Path, written: str) -> None:
    board = load_board(write_board(tmp_path, changed('Rpull = "3.3k 1%"', f'Rpull = "{written}"')))
    assert board.intended["Rpull"].tolerance == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format = 1", "format = 2"),
        ('"3.3k 1%"', '"3.3 V 1%"'),
        ("threshold - foot", "threshold - Rtop"),
        ("* node", ""),
        ("Rbias, Rtop)", "Rbias, Vrail)"),
        ("[0, 25, 50]", "[]"),
        ("Rbias, Rtop)", "Rbias, Rtop"),
        ("parallel(Rcontrol, Rbias", "parallel(node, Rbias"),
        ('4, "6 V", 8', '4, "6 A", 8'),
        ('rail = "Vrail"', "rail = 8"),
    ],
)
def test_a_mistake_does_not_drag_others_along(tmp_path: Path, old: str, new: str) -> None:
    assert len(complaints(tmp_path, changed(old, new))) == 1


def test_a_helper_that_nothing_uses_is_no_mistake(tmp_path: Path) -> None:
    """Only a name that looks like a quantity is asked about; a formula may be put together anew."""
    board = load_board(write_board(tmp_path, changed("* node", "* parallel(Rcontrol, Rbias)")))
    assert board.hand_units["node"] == "Ohm"


def test_all_mistakes_come_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = SLICER
    for old, new in (
        ("title =", "titel ="),
        ('ramp = "ramp"', 'ramp = ""'),
        ('"3.3k 1%"', '"3.3k 1%"\nRPULL = "1meg"'),
        ('foot = "600 mV"', 'foot = "600 mV"\nfoot = "0.6 V"'),
        ('[0, 2, 4, "6 V", 8]', "[]"),
        ("(control/Rcontrol", "(Rbias + control/Rcontrol"),
        ("headroom = {", "headrom = {"),
    ):
        text = changed(old, new, text)
    said = complaints(tmp_path, text)
    keys = ["board.titel", "roles.ramp", "intended.RPULL", "intended.RPULL", "given.foot"]
    keys += ["axes.control.values", "limits.headrom"]
    assert [line.split(": ")[1] for line in said] == keys
    lines = [int(line.split(":")[1]) for line in said]
    assert lines == sorted(lines)


def test_a_key_and_a_table_that_stand_twice(tmp_path: Path) -> None:
    text = (
        changed('top = "7.5 V"', 'top = "7.5 V"\ntop = "7 V"\n') + "\n[axes.control]\nvalues = [1]\nfoo = 2\n"
    )
    said = complaints(tmp_path, text + "\nlimts = 3\n")
    assert "slicer.board.toml:35: given.top: this key stands twice, first on line 34; keep one" in said
    assert any("axes.control: this table stands twice, first on line 39; keep one" in line for line in said)
    assert len(said) == 2, "what stands in the second table is not looked at"


@pytest.mark.parametrize(
    ("old", "new", "line", "sentence"),
    [
        (
            'Rpull = "3.3k 1%"',
            "Rpull = 3.3k 1%",
            24,
            "at column 12; expected one value and then a new line; a text stands",
        ),
        ('Rpull = "3.3k 1%"', "Rpull = k", 24, "expected a value: a number, a text in quotes"),
        ('Rpull = "3.3k 1%"', 'Rpull "3.3k 1%"', 24, "expected an equals sign"),
        ('Rpull = "3.3k 1%"', 'Rpull = "3.3k 1%', 24, "a closing quote"),
        ("values = [13.5, 15, 16.5]", "values = [13.5 15, 16.5]", 43, "a comma between two values"),
        ("[roles]", "[roles", 8, 'a closing "]"'),
        ('headroom = { least = "0 V" }', 'headroom = { least = "0 V"', 82, 'a closing "}"'),
        ("[intended]", "intended:", 23, "expected an equals sign"),
    ],
)
def test_what_is_no_toml_is_said_in_words_with_line_and_column(
    tmp_path: Path, old: str, new: str, line: int, sentence: str
) -> None:
    with pytest.raises(BoardError) as caught:
        load_board(write_board(tmp_path, changed(old, new)))
    finding = caught.value.findings[0]
    assert finding.line == line, str(finding)
    assert sentence in finding.message
    assert "column" in finding.message


def test_several_missing_quotes_are_found_at_once(tmp_path: Path) -> None:
    text = changed('Rpull = "3.3k 1%"', "Rpull = 3.3k 1%")
    text = changed('Cload = "470p"', "Cload = 470p", text)
    text = changed('top = "7.5 V"', "top = 7.5 V", text)
    said = complaints(tmp_path, text)
    assert [line.split(":")[1] for line in said] == ["24", "29", "34"]


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    write_board(tmp_path)
    with pytest.raises(
        BoardError, match=r'there is no board file ".*slicr.*" \(did you mean "slicer.board.toml"\?\)'
    ):
        load_board(tmp_path / "slicr.board.toml")
    with pytest.raises(BoardError, match="is a folder"):
        load_board(tmp_path)
    with pytest.raises(BoardError, match="there is no board file"):
        load_board(tmp_path / "nowhere" / "x.board.toml")
    latin = tmp_path / "latin.board.toml"
    latin.write_bytes(b"[board]\n# 25 \xb0C\n")
    with pytest.raises(BoardError, match=r"latin.board.toml:2: not a UTF-8 text"):
        load_board(latin)
    large = tmp_path / "large.board.toml"
    large.write_bytes(b"#" * 2_000_000)
    with pytest.raises(BoardError, match="is larger than"):
        load_board(large)
    deep = tmp_path / "deep.board.toml"
    deep.write_text("x = " + "[" * 5000 + "]" * 5000)
    with pytest.raises(BoardError, match="nested too deeply"):
        load_board(deep)


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    path = write_board(tmp_path)
    plain = load_board(path)
    path.write_bytes(b"\xef\xbb\xbf" + SLICER.replace("\n", "\r\n").encode())
    marked = load_board(path)
    assert marked.hand == plain.hand
    assert marked.lines == plain.lines
    assert marked.sha256 != plain.sha256


def test_an_empty_file_says_what_is_missing(tmp_path: Path) -> None:
    said = complaints(tmp_path, "")
    assert any('"board" is missing' in line for line in said)
    assert any('"roles" is missing' in line for line in said)


def test_the_smallest_board(tmp_path: Path) -> None:
    head = '[board]\nformat = 1\nname = "x"\nrevision = "A"\nnetlist = "slicer.cir"\n'
    text = head + '[roles]\nramp = "a"\nthreshold = "b"\noutput = "c"\n'
    board = load_board(write_board(tmp_path, text))
    assert (board.axes, board.intended, board.hand, board.core) == ({}, {}, {}, None)
    assert board.title == "x"


def test_too_many_corners(tmp_path: Path) -> None:
    values = str(list(range(200)))
    text = changed('[0, 2, 4, "6 V", 8]', values)
    text = changed("[13.5, 15, 16.5]", values, text)
    text = changed("[0, 25, 50]", values, text)
    text = re.sub(r"\[corners\].*?\n\]\n", "", text, flags=re.DOTALL)
    said = complaints(tmp_path, text)
    assert said == ["slicer.board.toml: corners.grids: 8000000 corners are too many; at most 1000000 are run"]


def test_every_key_has_the_line_it_stands_on(tmp_path: Path) -> None:
    """Against a plain search: the last part of each path stands on the line that is given for it."""
    rows = SLICER.split("\n")
    lines = read_source(write_board(tmp_path)).lines
    assert len(lines) > 80
    for path, line in lines.items():
        names = [part for part in path if isinstance(part, str)]
        if isinstance(path[-1], str):
            assert names[-1] in rows[line - 1], dotted(path)
    assert lines["corners", "grids", 1] == 53
    assert lines["expected", "duty", 1, "at", "control"] == 69
    assert lines["axes", "control", "values", 3] == 38


def test_lines_survive_strings_comments_and_quoted_keys(tmp_path: Path) -> None:
    text = "\n".join(
        [
            'a = """one [x]',
            'two = 3"""',
            "# b = [",
            "'q.k' = 1",
            "[t] # c = {",
            "b.c = [ # [",
            "  1, # ,",
            "  2,",
            "]",
            'd = { e = "}", f = [1, 2], g = 3 }',
            "[[u]]",
            "h = '#'",
            "[[u]]",
            "h = 1979-05-27 07:32:00",
            "",
        ]
    )
    path = tmp_path / "x.toml"
    path.write_text(text)
    lines = read_source(path).lines
    expected = {
        ("a",): 1, ("q.k",): 4, ("t",): 5, ("t", "b", "c"): 6, ("t", "b", "c", 0): 7, ("t", "b", "c", 1): 8,
        ("t", "d", "f", 1): 10, ("t", "d", "g"): 10, ("u", 0, "h"): 12, ("u", 1, "h"): 14,
    }  # fmt: skip
    assert {path: lines.get(path) for path in expected} == expected


def test_a_spoilt_file_gives_a_board_or_findings_and_nothing_else(tmp_path: Path) -> None:
    """Characters and lines taken out, doubled or swapped at random places (fixed seed)."""
    dice = random.Random(20)
    path = write_board(tmp_path)
    for _ in range(250):
        text = SLICER
        for _ in range(dice.randint(1, 3)):
            start = dice.randrange(len(text))
            end = min(len(text), start + dice.choice([1, 1, 2, 5, 40]))
            new = dice.choice(
                ["", text[start:end] * 2, '"', "[", "]", "{", "}", "=", "\n", "1e999", "nan", "\u00b5", "'''"]
            )
            text = text[:start] + new + text[end:]
        path.write_text(text, encoding="utf-8")
        try:
            load_board(path)
        except BoardError as error:
            assert error.findings
            assert all(finding.message for finding in error.findings)


@given(st.text(alphabet="ab.=[]{}\"'#\n,1 \\", max_size=80))
@settings(
    deadline=None,
    derandomize=True,
    max_examples=300,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_any_text_is_a_board_or_findings(tmp_path: Path, text: str) -> None:
    with pytest.raises(BoardError):
        load_board(write_board(tmp_path, text))


def test_currents_of_rails_that_the_board_has(tmp_path: Path) -> None:
    text = changed("headroom = {", 'supply_current_rail_peak = { most = "9 mA" }\nheadroom = {')
    assert complaints(
        tmp_path, changed("low_level = { v", "supply_current_vcc = 0.1\nlow_level = { v", text)
    )[0].endswith("expected { value = ..., at = { ... } }, got the number 0.1"), "a quantity, if wrongly put"
    assert complaints(tmp_path, text) == []


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        (
            "rise_time = ",
            'supply_current_vrail = "Vrail/Rpull"\nrise_time = ',
            "64: hand.supply_current_vrail",
        ),
        (
            "low_level = { v",
            "supply_current_rial = { value = 1 }\nlow_level = { v",
            "71: expected.supply_current_rial",
        ),
        (
            'low_level = "2',
            'supply_current_rial = "5 %"\nlow_level = "2',
            "76: tolerance.supply_current_rial",
        ),
        (
            "headroom = {",
            "supply_current_ral_peak = { most = 1 }\nheadroom = {",
            "82: limits.supply_current_ral_peak",
        ),
    ],
)
def test_a_rail_that_is_not_there_is_named(tmp_path: Path, old: str, new: str, place: str) -> None:
    (said,) = complaints(tmp_path, changed(old, new))
    assert f":{place}: [roles] names no rail" in said
    assert f'did you mean "supply_current_rail{"_peak" * ("_peak" in new)}"?' in said
    without = changed('supplies = { vcc = "Vcc", rail = "Vrail" }\n', "", changed(old, new))
    (said,) = complaints(tmp_path, without)
    assert "among its supplies; add supplies = { " in said


def test_degrees_are_no_kelvin(tmp_path: Path) -> None:
    """The thermal voltage at 25 degC is 25.7 mV; with degrees in the place of kelvins it would be 2.2 mV."""
    text = changed("rise_time = ", 'vt = "86.17e-6 V * temperature / 1 K"\nrise_time = ')
    (said,) = complaints(tmp_path, text)
    assert ": hand.vt: " in said and "add 273.15 K or take a difference" in said
    drift = 'drift = "2 mV / 1 K * (temperature - 25 degC)"\nrise_time = '
    text = changed("rise_time = ", drift, changed("* temperature /", "* (temperature + 273.15 K) /", text))
    board = load_board(write_board(tmp_path, text))
    assert (board.hand_units["vt"], board.hand_units["drift"]) == ("V", "V")
    figure = board.hand["vt"].evaluate({"temperature": 25.0})
    assert figure == pytest.approx(25.69e-3, rel=1e-3)


@pytest.mark.parametrize("accuracy", [0.05, 1e-9, float("nan")])
def test_one_range_of_accuracy_wherever_it_is_asked_for(
    board: Board, accuracy: float, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(ValueError, match=r"from 1e-07 to 0\.01"):
        replace(board.simulation, accuracy=accuracy)
    with pytest.raises(SystemExit):
        parser().parse_args(["run", "x.board.toml", "--accuracy", str(accuracy)])
    assert "from 1e-07 to 0.01" in capsys.readouterr().err


def test_what_the_netlist_lacks_is_said_all_at_once(tmp_path: Path) -> None:
    text = SLICER
    for old, new in (
        ('threshold = "thr"', 'threshold = "thre"'),
        ('output = "out"', 'output = "OUT"'),
        ('pullup = "Rpull"', 'pullup = "Rpul"'),
        ('sets = "Vcontrol"', 'sets = "Vcontrl"'),
        ('rail = "Vrail" }', 'rail = "Vrale" }'),
        ('Cload = "470p"', 'Cload = "470p"\nRnowhere = "1k"'),
        ('kind = "ramp source"', 'kind = "ramp source"\nsource = "Vrmp"'),
    ):
        text = changed(old, new, text)
    board = load_board(write_board(tmp_path, text))
    said = [str(finding) for finding in board.check_against(read_netlist(board.netlist))]
    assert said == [
        'slicer.board.toml:10: roles.threshold: slicer.cir has no node "thre" (did you mean "thr"?)',
        'slicer.board.toml:15: roles.pullup: slicer.cir has no part "Rpul" (did you mean "Rpull"?)',
        'slicer.board.toml:17: roles.supplies.rail: slicer.cir has no part "Vrale" (did you mean "Vrail"?)',
        'slicer.board.toml:22: core.source: slicer.cir has no part "Vrmp" (did you mean "Vramp"?)',
        'slicer.board.toml:42: axes.control.sets: slicer.cir has no parameter, source or part "Vcontrl" '
        '(did you mean "Vcontrol"?)',
    ]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('supply = "Vcc"', 'supply = "Xslice.Vcc"', "roles.supply"),
        ('rail = "Vrail" }', 'rail = "Xslice.Vrail" }', "roles.supplies.rail"),
    ],
)
def test_parts_that_have_to_be_at_the_top_level(tmp_path: Path, old: str, new: str, key: str) -> None:
    (said,) = complaints(tmp_path, changed(old, new))
    assert f": {key}: " in said and "is inside a subcircuit" in said


@pytest.mark.parametrize("ground", ["0", "gnd", "GND"])
def test_what_moves_is_not_ground(tmp_path: Path, ground: str) -> None:
    text = changed('ramp = "ramp"', f'ramp = "{ground}"', changed('output = "out"', f'output = "{ground}"'))
    board = load_board(write_board(tmp_path, text))
    said = [str(finding) for finding in board.check_against(read_netlist(board.netlist))]
    assert said == [
        f'slicer.board.toml:9: roles.ramp: "{ground}" is ground, which never moves; expected the node of '
        "the ramp",
        f'slicer.board.toml:11: roles.output: "{ground}" is ground, which never moves; expected the node of '
        "the output",
    ]


def test_a_netlist_that_leads_out_of_the_folder_is_not_read(tmp_path: Path) -> None:
    """By a link of its own or by a folder that is one; not a line of what lies there is shown."""
    inside, outside = tmp_path / "board", tmp_path / "elsewhere"
    inside.mkdir()
    outside.mkdir()
    (outside / "secret.cir").write_text("a title\nsecret words\n")
    write_board(inside)
    (inside / "slicer.cir").unlink()
    (inside / "slicer.cir").symlink_to(outside / "secret.cir")
    (inside / "linked").symlink_to(outside)
    for name in ("slicer.cir", "linked/secret.cir"):
        board = inside / "slicer.board.toml"
        board.write_text(changed('"slicer.cir"', f'"{name}"'))
        with pytest.raises(BoardError) as caught:
            load_board(board)
        (said,) = [str(finding) for finding in caught.value.findings]
        assert said == (
            f'slicer.board.toml:6: board.netlist: "{name}" leads out of the folder of the board file; '
            "put the netlist itself there"
        )


@pytest.mark.parametrize("name", ["round.cir", "a\\u0000b.cir"])
def test_a_netlist_that_cannot_be_followed_is_not_there(tmp_path: Path, name: str) -> None:
    (tmp_path / "round.cir").symlink_to("round.cir")
    (said,) = complaints(tmp_path, changed('"slicer.cir"', f'"{name}"'))
    assert "board.netlist: there is no file" in said


def test_how_far_the_output_swings_has_to_be_known(tmp_path: Path) -> None:
    without = changed('pullup = "Rpull"\n', "")
    board = load_board(write_board(tmp_path, without))
    assert board.check_against(read_netlist(board.netlist)) == []
    board = load_board(write_board(tmp_path, changed('supply = "Vcc"\n', "", without)))
    (said,) = [str(finding) for finding in board.check_against(read_netlist(board.netlist))]
    assert said.startswith("slicer.board.toml:8: roles: names no pullup and no supply")


def test_an_axis_that_cannot_be_set_is_said_before_anything_runs(tmp_path: Path) -> None:
    text = changed('sets = "Vcc"', 'sets = "Vramp"')
    board = load_board(write_board(tmp_path, changed('sets = "Vcontrol"', 'sets = "Rtop"', text)))
    said = [str(finding) for finding in board.check_against(read_netlist(board.netlist))]
    assert said == [
        "slicer.board.toml:40: axes.control.sets: slicer.cir: Rtop cannot be 0 Ohm",
        "slicer.board.toml:45: axes.supply.sets: slicer.cir: Vramp is a PULSE source; make its numbers "
        "parameters, {name}, and set those",
    ]


def test_mistakes_in_board_file_and_netlist_come_together(tmp_path: Path) -> None:
    """An unknown key and a node that is not there; then a part without a value in the netlist itself."""
    text = changed("title =", "titel =", changed('threshold = "thr"', 'threshold = "thre"'))
    keys = [line.split(": ")[1] for line in complaints(tmp_path, text)]
    assert keys == ["board.titel", "roles.threshold"]
    write_board(tmp_path, text)
    (tmp_path / "slicer.cir").write_text(NETLIST.replace("Rtop thr 0 150k", "Rtop thr 0"))
    with pytest.raises(BoardError) as caught:
        load_board(tmp_path / "slicer.board.toml")
    places = [(finding.path.name if finding.path else "", finding.line) for finding in caught.value.findings]
    assert places == [("slicer.board.toml", 4), ("slicer.cir", 9)]


def test_a_netlist_that_serves_the_board(tmp_path: Path) -> None:
    text = changed('sets = "Vcontrol"', 'sets = "knob"')
    board = load_board(write_board(tmp_path, changed('sets = "Vcc"', 'sets = "xslice.rout"', text)))
    assert board.check_against(read_netlist(board.netlist)) == []


@pytest.mark.parametrize(
    "path", sorted(netlists_folder().glob("boards/*/*.board.toml")), ids=lambda path: path.name
)
def test_the_boards_that_ship_are_read(path: Path) -> None:
    board = load_board(path)
    assert board.check_against(read_netlist(board.netlist, board.include)) == []


def test_reading_a_board_needs_no_tables_library() -> None:
    """A board is read before anything heavy is loaded, so that a mistake is told at once."""
    code = "import sys; import harness.board; print('pandas' in sys.modules, 'scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
