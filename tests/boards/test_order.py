# SPDX-License-Identifier: GPL-3.0-or-later
"""The order document on the real engine: what it holds, and whether the tolerances that it asks for do."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from harness.board import load_board
from harness.cli import main
from harness.faults.fault import OVERSTRESSED
from harness.faults.stress import SHORT_WORDS
from harness.findings import InputError
from harness.netlist import read_netlist
from harness.order.contents import contents_of
from harness.order.fault_section import section
from harness.order.identity import version_of
from harness.order.making import COLUMNS, PART_COLUMNS, Order, order
from harness.order.parts import MARKS, UNKNOWN, needed_words, tolerance_notes
from harness.order.records import Contents
from harness.order.studies import FAULTS, TITLES, WORST, Asked, moved
from harness.order.tolerances import Tolerances
from harness.order.typesetting import as_json, pictures_of, typeset
from harness.studies.answers import Answer

NASTY = r"#set text(red) $x^2$ *bold* _it_ @ref <lab> \u{41} `tick` [x] {y} // /* ~ & %"
NETLIST = """* An ideal ramp, sliced at a threshold that three resistors make of reference, control and ground
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vref ref 0 {reference}
Vcontrol control 0 5
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Rref ref thr {rref}
Rcontrol control thr {rcontrol}
Rlow thr 0 {rlow}
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out {rpull}
Cload out 0 220p
.end
"""
DRAWN = {"reference": 5.0, "rref": 100e3, "rcontrol": 150e3, "rlow": 220e3, "rpull": 4.7e3}
BOARD = """
[board]
format = 1
name = "sliced"
title = '{title}'
revision = "A"
netlist = "sliced.cir"

[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
load_capacitor = "Cload"

[core]
kind = "ramp source"

[intended]
Rref = "100k 1%"
Rcontrol = "150k 1%"
Rlow = "220k 1%"
Rpull = "4.7k 5%"
Vref = "5 V 1%"
Cload = "220p 10%"

[axes.control]
values = [2, 5]
unit = "V"
sets = "Vcontrol"

[axes.supply]
values = [12, 13.2]
unit = "V"
sets = "Vcc"

[hand]
threshold = "(control / Rcontrol + Vref / Rref) * parallel(Rcontrol, Rref, Rlow)"
duty = "threshold / 5 V * 0.99"

[limits]
duty = {{ least = 0.4, most = {most} }}
pullup_current = {{ most = "3.2 mA" }}
"""


def board_in(folder: Path, title: str = "Sliced", most: float = 0.80, **values: float) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "sliced.cir").write_text(NETLIST.format(**{**DRAWN, **values}), encoding="utf-8")
    path = folder / "sliced.board.toml"
    path.write_text(BOARD.format(title=title, most=most), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A board with a title that would break a template, and its document at two of its four corners."""
    folder = tmp_path_factory.mktemp("order")
    path = board_in(folder, NASTY)
    options = ["--only", "control=5", "--jobs", "1", "--out", str(folder / "out")]
    assert main(["order", str(path), *options]) == 0
    return folder


@pytest.fixture(scope="module")
def made(folder: Path) -> Order:
    """The same once more, from the ledger."""
    return order(folder / "sliced.board.toml", Asked(only=[("control", 5.0)], jobs=1))


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_every_file_is_written(folder: Path) -> None:
    """The document's own files, and beside them those of the run that it tells."""
    files = {path.name for path in (folder / "out").iterdir()}
    assert {"order.csv", "order.pdf", "order_parts.csv", "run.json", "corners.csv", "report.html"} <= files
    items, parts = (pd.read_csv(folder / "out" / name) for name in ("order.csv", "order_parts.csv"))
    assert list(items.columns) == COLUMNS and list(parts.columns) == PART_COLUMNS
    assert list(items["name"]) == [
        "duty within limits", "pullup_current within limits", "threshold agrees", "duty agrees",
    ]  # fmt: skip
    assert set(parts["part"]) == {"Rref", "Rcontrol", "Rlow", "Rpull", "Vref", "Cload"}
    run = json.loads((folder / "out" / "run.json").read_text())
    assert run["not_run"] == list(TITLES) and run["left_out"] == 2
    assert run["report"]["sha256"] == sha256(folder / "out" / "report.html")
    assert run["document"] == sha256(folder / "out" / "order.pdf")


def test_files_that_change_meanwhile_are_no_document(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run takes minutes: what is edited then would stand beside figures of before."""
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    netlist = tmp_path / "sliced.cir"

    def edited(*_: object) -> dict[str, Answer]:
        netlist.write_text(netlist.read_text().replace("100000.0", "120000.0"))
        return {}

    monkeypatch.setattr("harness.order.making.run_studies", edited)
    with pytest.raises(InputError, match=r"sliced\.cir changed while the document was made"):
        order(tmp_path / "sliced.board.toml", Asked(only=[("control", 5.0)], jobs=1))


@pytest.mark.parametrize(
    ("known", "seen", "told"),
    [
        ("yes", "duty", "duty"),
        ("no", "", "nothing"),
        ("no", "a", "nothing there; a"),
        ("not known", "", "not known"),
    ],
)
def test_a_bench_sees_nothing_only_where_that_is_known(known: str, seen: str, told: str) -> None:
    row = {
        "fault": "Rpull open", "severity": OVERSTRESSED, "state": "stuck low", "reason": "", "stressed": "",
        "seen_at_bench": known, "seen": seen,
    }  # fmt: skip
    run = {"faults": 1, "severities": {OVERSTRESSED: 1}, "unseen_at_bench": 0, "corners": ["c001"]}
    answer = Answer([], {"faults.csv": pd.DataFrame([row])}, {**run, "assumed": []}, True)
    assert section("Single faults", answer).tables[0][1].rows[0][3] == told


def test_the_same_input_gives_the_same_bytes(folder: Path, made: Order) -> None:
    """Simulated the first time, from the ledger the second time."""
    assert (made.result.run["reused"], made.result.run["simulated"]) == (2, 0)
    assert typeset(made.contents) == (folder / "out" / "order.pdf").read_bytes()


def test_it_names_what_was_verified(folder: Path, made: Order) -> None:
    files = {file.name: file.sha256 for file in made.contents.identity.files}
    assert files["sliced.cir"] == sha256(folder / "sliced.cir")
    assert files["sliced.board.toml"] == sha256(folder / "sliced.board.toml")
    assert "parts/comparator_393.inc" in files


def test_it_says_what_is_left_out_and_not_run(made: Order) -> None:
    contents = made.contents
    assert "2 corners of the board were left out" in contents.identity.left_out
    assert contents.statement.words.startswith("No limit falls short in 2 corners; 2 corners of the board")
    assert [state.run for state in contents.studies] == [False] * len(TITLES)
    assert contents.studies[0].command == "ramp-harness order sliced.board.toml --only control=5 --with worst"
    points = " ".join(contents.open_points)
    assert all(f"{title}: not run" in points for title in TITLES.values())
    said = json.loads(as_json(contents))
    assert "safe" not in json.dumps({key: said[key] for key in said if key != "cautions"})


def test_pages_are_drawn_and_break(made: Order) -> None:
    """Three pages at least, more with many parts, each with ink on it; no exception from any text."""
    pages = pictures_of(made.contents, 20.0)
    row = made.contents.parts[0]
    many = tuple(replace(row, part=f"R{number}_{'long' * 20}") for number in range(200))
    more = pictures_of(replace(made.contents, parts=many), 20.0)
    assert 3 <= len(pages) < len(more)
    assert all(page.startswith(b"\x89PNG") and len(page) > 500 for page in pages)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_its_text_can_be_found(folder: Path, made: Order) -> None:
    pdf = folder / "out" / "order.pdf"
    text = subprocess.run(["pdftotext", str(pdf), "-"], capture_output=True, check=True).stdout.decode()
    netlist = sha256(folder / "sliced.cir")
    assert text.count(netlist[:12]) >= 3 and netlist in text
    one_line = " ".join(text.split())
    assert NASTY in one_line, "the title stands as it was typed"
    assert "not covered" in text, "on one line, whatever stands around it"
    assert made.contents.limits[0].corner in one_line
    assert f"page 1 of {len(pictures_of(made.contents, 20.0))}" in one_line


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_copied_names_and_commands_are_whole(tmp_path: Path, made: Order) -> None:
    """A name of forty characters, the command that holds it and its option stay whole; a longer name in a
    narrow cell breaks without a character that comes along in copied text."""
    name = "a_board-with.a_name_of_forty.board.toml_"
    long = "Xstage.Xcompare.R_pull_up_to_the_positive_rail_of_the_first_stage"
    files = tuple(replace(one, name=name) for one in made.contents.identity.files)
    state = replace(made.contents.studies[0], command=f"ramp-harness order {name} --with worst,faults")
    pages = typeset(
        replace(
            made.contents,
            identity=replace(made.contents.identity, files=files),
            studies=(state, *made.contents.studies[1:]),
            parts=(replace(made.contents.parts[0], part=long), *made.contents.parts[1:]),
            assumed=("words before an option, so that it comes near the end of a line " * 3 + "--with",),
        )
    )
    (tmp_path / "order.pdf").write_bytes(pages)
    printed = subprocess.run(["pdftotext", str(tmp_path / "order.pdf"), "-"], capture_output=True, check=True)
    text = printed.stdout.decode()
    assert len(name) == 40 and text.count(name) == len(files) + 3, "first page and appendix"
    assert f"ramp-harness order {name} --with worst,faults" in " ".join(text.split())
    assert long in "".join(text.split()), "nothing between its pieces but ends of lines"
    assert not re.search("[\u00ad\u200b-\u200f\u2060\ufeff]|--\n", text)


def contents_with(made: Order, found: Tolerances, answers: dict[str, Answer]) -> Contents:
    """The document of the same run with other tolerances and studies."""
    board = made.result.board
    netlist = read_netlist(board.netlist, board.include, board.dialects)
    return contents_of(made.result, netlist, found, Asked(tuple(answers)), answers)


@pytest.mark.parametrize("kind", ["open", "order"])
def test_what_is_not_covered_depends_on_the_faults(made: Order, kind: str) -> None:
    """Supplies that come up are called not covered only where no fault was one; a sheet's promise of a
    current is not called a rating; of many figures at a bench the first few stand in a cell."""
    row = {
        "fault": "Rpull shorted", "kind": kind, "severity": OVERSTRESSED, "state": "stuck low", "reason": "",
        "seen_at_bench": "yes", "seen": "one; two; three; four; five", "stressed": "Xslice",
        "rating": SHORT_WORDS, "stress": 0.015, "rated": 0.006, "unit": "A",
    }  # fmt: skip
    run = {"faults": 1, "severities": {OVERSTRESSED: 1}, "unseen_at_bench": 0, "corners": ["c001"]}
    answer = Answer([], {"faults.csv": pd.DataFrame([row])}, {**run, "assumed": []}, True)
    contents = contents_with(made, made.tolerances, {FAULTS: answer})
    assert contents.ratings_words.endswith("come up is not covered.") is (kind == "open")
    slow = [text for text in contents.not_covered if text.startswith("Supplies that come up slowly")]
    assert len(slow) == (kind == "open")
    section = next(one for one in contents.sections if one.title == TITLES[FAULTS])
    told = section.tables[0][1].rows[0]
    assert told[2] == f"Xslice: {SHORT_WORDS} 15 mA, its sheet is sure of 6 mA; output stuck low"
    assert told[3] == "one; two; three; and 2 more in faults.csv"


def test_what_no_closed_form_speaks_of_makes_nothing_enough(made: Order) -> None:
    """A tolerance is not called enough without a word on the limit that it was not held against."""
    found = replace(made.tolerances, without=("frequency",))
    rows = {row.part: row for row in contents_with(made, found, {}).parts}
    assert rows["Rpull"].needed == "10 % is enough, Frequency aside"
    assert {row.needed_mark for row in rows.values()} == {MARKS[UNKNOWN]}
    left_out = replace(made.tolerances, open_corners=(("duty", "most", ("c004",)),))
    rows = {row.part: row for row in contents_with(made, left_out, {}).parts}
    assert rows["Rpull"].needed == "10 % is enough, Duty factor aside"
    assert rows["Rpull"].needed_mark == MARKS[UNKNOWN]


@pytest.mark.parametrize(("verdict", "says"), [("within", False), ("no figure", True)])
def test_a_vertex_without_a_figure_frees_no_part(verdict: str, says: bool) -> None:
    """What was not shown may depend on every part."""
    worst = pd.DataFrame({"quantity": ["duty"], "verdict": [verdict]})
    blame = pd.DataFrame({"quantity": "duty", "part": ["R1", "R2"], "half_effect": [0.1, 0.0]})
    answer = Answer([], {"worst.csv": worst, "blame.csv": blame}, {}, False)
    assert moved({WORST: answer}) == {"R1": True, "R2": says}


@pytest.mark.parametrize("left", [(), (("duty", "most", ("c037",)),)])
def test_closer_tolerances_keep_no_limit_that_is_not_kept_as_drawn(
    left: tuple[tuple[str, str, tuple[str, ...]], ...], folder: Path
) -> None:
    """The document does not say that every limit is kept where it leaves out corners of one below."""
    found = Tolerances((), (), left, (), 9, (("Rpull", 0.05, 0.01),))
    notes = " ".join(tolerance_notes(load_board(folder / "sliced.board.toml"), found))
    aside = " but what is left out below" if left else ""
    assert f"Rpull 1 % instead of 5 %; that keeps every limit{aside}. " in notes
    assert ("Left out, since no tolerance mends" in notes) == bool(left)


def test_without_limits_no_study_is_offered_that_needs_them(folder: Path) -> None:
    """And one that was asked for all the same is named as not run, in a document with all the rest. No part
    is said to be without a value where only a limit is missing."""
    text = (folder / "sliced.board.toml").read_text(encoding="utf-8")
    path = folder / "bare.board.toml"
    path.write_text(text[: text.index("[limits]")], encoding="utf-8")
    bare = order(path, Asked((WORST, "yield"), only=[("control", 5.0)], jobs=1))
    assert [state.name for state in bare.contents.studies if state.command] == [FAULTS]
    said = "not run: without limits there is nothing to hold it against"
    assert [line for line in bare.lines() if line.endswith(said)] and not bare.answers
    (to_add,) = [line for line in bare.lines() if "to add it" in line]  # as typed; the document has the name
    assert to_add.endswith(f"ramp-harness order {path} --only control=5 --with faults")
    assert [s.command for s in bare.contents.studies if s.command] == [
        "ramp-harness order bare.board.toml --only control=5 --with faults"
    ]
    assert {row.why for row in bare.contents.parts} == {"no limit is set"}
    assert not [line for line in bare.lines() if "--with worst" in line]
    assert len(pictures_of(bare.contents, 20.0)) >= 3


def test_a_formula_has_the_numbers_of_the_corner_that_is_named(made: Order) -> None:
    """The control of the corner that was asked for is 5 V; at its nominal value, 2 V, nothing was run."""
    row = next(one for one in made.contents.hand if one.name == "threshold")
    assert "control 5 V" in made.contents.hand_corner and row.numbers.startswith("(5 V / (150 kOhm) + ")
    divider = 1 / (1 / 150e3 + 1 / 100e3 + 1 / 220e3)
    assert float(row.hand.split()[0]) == pytest.approx((5 / 150e3 + 5 / 100e3) * divider, rel=1e-3)


def test_parts_without_a_say(made: Order) -> None:
    """The load capacitor makes edges and no limit speaks of them; the pull-up's current is limited."""
    words = {row.part: row.needed for row in made.contents.parts}
    assert words["Cload"] != "not shown"
    needed = {one.name: one for one in made.tolerances.needed}
    assert not needed["Rpull"].short and needed["Rpull"].quantity == "pullup_current"
    kind, text, why = needed_words(made.result.board, needed["Rpull"], None)
    assert kind == "enough" and text == "10 % is enough" and "3.2 mA" in why


@pytest.mark.slow
def test_the_tolerance_needed_is_what_the_engine_says(tmp_path: Path, made: Order) -> None:
    """A part at the end of what it may deviate, all others at their stated worst: simulated, the limit is
    just met. Which way is worst follows from the network: all that raises the threshold."""
    needed = {one.name: one for one in made.tolerances.needed}
    worst = {"rref": -0.01, "rcontrol": -0.01, "rlow": 0.01, "reference": 0.01}
    for part, key, sign in (("Rlow", "rlow", 1), ("Rref", "rref", -1), ("Vref", "reference", 1)):
        one = needed[part]
        assert (one.quantity, one.end, one.short) == ("duty", "most", ())
        shares = {**worst, key: sign * one.most}
        values = {name: DRAWN[name] * (1.0 + share) for name, share in shares.items()}
        path = board_in(tmp_path / part, **values)
        result = load_board(path).run(only={"control": 5, "supply": 12}, jobs=1)
        # a thousandth is what the halving of the tolerance and the closed form's own error leave
        assert result.corners["duty.simulated"].iloc[0] == pytest.approx(0.80, abs=1e-3), part


@pytest.mark.slow
def test_closer_tolerances_keep_a_limit_that_stated_ones_do_not(tmp_path: Path) -> None:
    """The vertex of the stated tolerances falls short in the engine, that of the proposed ones does not."""
    most = 0.785
    made = order(board_in(tmp_path / "drawn", most=most), Asked(jobs=1))
    tolerances = made.tolerances
    assert tolerances.tightened and tolerances.mended
    assert "falls short" in made.contents.statement.tolerances
    assert any("Stated tolerances that are not enough" in point for point in made.contents.open_points)
    stated = {"Rref": 0.01, "Rcontrol": 0.01, "Rlow": 0.01, "Vref": 0.01}
    closer = {**stated, **{name: to for name, _, to in tolerances.tightened}}
    keys = {"Rref": ("rref", -1), "Rcontrol": ("rcontrol", -1), "Rlow": ("rlow", 1), "Vref": ("reference", 1)}
    found = []
    for name, shares in (("stated", stated), ("closer", closer)):
        values = {keys[part][0]: DRAWN[keys[part][0]] * (1 + keys[part][1] * s) for part, s in shares.items()}
        path = board_in(tmp_path / name, most=most, **values)
        result = load_board(path).run(only={"control": 5, "supply": 12}, jobs=1)
        found.append(str(result.corners["duty.limit"].iloc[0]))
    assert found == ["outside", "within"]


@pytest.mark.slow
def test_studies_and_trimmers_are_told(tmp_path: Path) -> None:
    """All studies at one corner, with a trimmer: what they found stands in the document, nothing is named as
    not run."""
    path = board_in(tmp_path)
    path.write_text(
        path.read_text()
        + '[trim.width]\npart = "Rlow"\nleast = "180k"\nmost = "260k"\nquantity = "threshold"\n'
        + 'target = "3.9 V"\nat = { control = 5, supply = 12 }\n'
    )
    only = [("control", 5.0), ("supply", 12.0)]
    made = order(path, Asked(("worst", "yield", "faults"), only, jobs=2, draws=3, seed=4))
    contents = made.contents
    assert all(state.run for state in contents.studies)
    assert "not run" not in " ".join(contents.open_points)
    titles = [section.title for section in contents.sections]
    assert titles == [*TITLES.values(), "Trimmers"]
    (row,) = contents.sections[-1].tables[0][1].rows
    assert row[2] == "3 of 3 boards" and "at least" in row[3]
    assert {one.needed for one in contents.parts if one.part == "Rlow"} == {"a trimmer, set on each board"}
    assert typeset(contents).startswith(b"%PDF")


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_the_version_is_the_commit_that_holds_the_files(tmp_path: Path) -> None:
    """Outside a repository, committed, changed since: each is said; the day stands only where it is true."""
    path = board_in(tmp_path)
    git = ["git", "-C", str(tmp_path), "-c", "user.name=a", "-c", "user.email=a@example.invalid"]
    assert version_of([path])[1] == ""
    subprocess.run([*git, "init", "-q"], check=True)
    assert version_of([path]) == ("not committed to the repository that it lies in", "")
    subprocess.run([*git, "add", "."], check=True)
    day = {"GIT_AUTHOR_DATE": "2021-03-04T12:00:00Z", "GIT_COMMITTER_DATE": "2021-03-04T12:00:00Z"}
    subprocess.run([*git, "commit", "-q", "-m", "first"], check=True, env={"PATH": "/usr/bin:/bin", **day})
    head = subprocess.run([*git, "rev-parse", "HEAD"], check=True, capture_output=True, text=True).stdout
    assert version_of([path]) == (f"git commit {head[:12]} of 2021-03-04", "2021-03-04")
    path.write_text(path.read_text() + "\n")
    assert "changed since" in version_of([path])[0] and version_of([path])[1] == ""


def test_an_unknown_study_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["order", "x.board.toml", "--with", "worst,weather"])
    assert ended.value.code == 2
    assert "weather" in capsys.readouterr().err


def test_every_column_is_described() -> None:
    page = (Path(__file__).resolve().parents[2] / "harness" / "pages" / "board-file.md").read_text()
    assert [name for name in (*COLUMNS, *PART_COLUMNS) if f"`{name}`" not in page] == []
