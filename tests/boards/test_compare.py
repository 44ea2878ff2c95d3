# SPDX-License-Identifier: GPL-3.0-or-later
"""Two states of a board on the real engine: what changed, what it did, and what it ends with."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.cli import main
from harness.findings import InputError
from harness.resources import netlists_folder
from harness.revision import shifts
from harness.revision.comparison import COLUMNS, Comparison, compare
from harness.revision.sides import Asked, sides
from harness.run import run
from harness.writing import write_run

NETLIST = """* An ideal ramp, sliced at a threshold that a divider makes of a reference and a control
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vref ref 0 5
Vcontrol control 0 2
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Rref ref thr 100k
Rcontrol control thr 150k
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out 4.7k
Cload out 0 220p
.end
"""
BOARD = """
[board]
format = 1
name = "held"
revision = "A"
netlist = "held.cir"

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
Vref = "5 V"
Rref = "100k 1%"
Rcontrol = "150k 1%"
Rpull = "4.7k 5%"
Cload = "220p 10%"

[axes.control]
values = [0, 2, 4]
unit = "V"
sets = "Vcontrol"

[hand]
threshold = "(control / Rcontrol + Vref / Rref) * parallel(Rcontrol, Rref)"
duty = "threshold / 5 V * 0.99"

[limits]
duty = { least = 0.55, most = 0.95 }
"""
PERIOD, MOVING = 1e-3, 0.99  # s; share of the period in which the ramp moves
Maker = Callable[..., Path]


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One ledger for all boards here, so that a state is simulated once."""
    return tmp_path_factory.mktemp("ledger") / "ledger.sqlite"


@pytest.fixture(scope="module")
def models(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Figures of device models, measured once."""
    return tmp_path_factory.mktemp("models")


@pytest.fixture
def board(tmp_path: Path, models: Path) -> Maker:
    """Writes a board with some changes: ``board("name", netlist=[(old, new)], file=[(old, new)])``."""

    def make(
        name: str, netlist: list[tuple[str, str]] | None = None, file: list[tuple[str, str]] | None = None
    ) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        (folder / ".ramp-harness").symlink_to(models)
        (folder / "held.cir").write_text(changed(NETLIST, *(netlist or [])), encoding="utf-8")
        path = folder / "held.board.toml"
        path.write_text(changed(BOARD, *(file or [])), encoding="utf-8")
        return path

    return make


@pytest.fixture
def compared(ledger: Path) -> Callable[[Path | str, Path | str], Comparison]:
    def answer(before: Path | str, after: Path | str) -> Comparison:
        with sides(str(before), str(after), Asked(jobs=1, ledger=ledger)) as pair:
            return compare(*pair)

    return answer


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory, models: Path, ledger: Path) -> Path:
    """The folder of a run of the board as it stands above."""
    folder = tmp_path_factory.mktemp("base")
    (folder / ".ramp-harness").symlink_to(models)
    (folder / "held.cir").write_text(NETLIST, encoding="utf-8")
    (folder / "held.board.toml").write_text(BOARD, encoding="utf-8")
    write_run(run(folder / "held.board.toml", jobs=1, ledger=ledger), folder / "run")
    return folder / "run"


SLIP = ("Rcontrol control thr 150k", "Rcontrol control thr 510k")
Compared = Callable[[Path | str, Path | str], Comparison]


def thresholds(control: np.ndarray, resistance: float) -> np.ndarray:
    """Millman's law for the two branches of the board (V)."""
    return (control / resistance + 5.0 / 100e3) / (1.0 / resistance + 1.0 / 100e3)


def test_a_swapped_digit_is_one_changed_part_with_the_shift_of_the_divider(
    board: Maker, ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1, one row of a part; duty and threshold move as Millman's law says, within the bars and what the
    comparator draws, and so they were predicted."""
    before, after = board("before"), board("after", [SLIP])
    out = tmp_path / "out"
    arguments = [
        "compare",
        str(before),
        str(after),
        "--out",
        str(out),
        "--ledger",
        str(ledger),
        "--jobs",
        "1",
    ]
    assert main(arguments) == 1
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith("1 part changed, unannounced; figures moved in 3 of 3 corners")
    assert "  Rcontrol: 150 kOhm to 510 kOhm (changed, unannounced)" in said
    table = pd.read_csv(out / "compare.csv", keep_default_na=False)
    assert list(table.columns) == COLUMNS
    (part,) = table[table["kind"] == "part"].to_dict("records")
    assert (part["name"], part["before"], part["after"]) == ("Rcontrol", "150 kOhm", "510 kOhm")
    control = np.array([0.0, 2.0, 4.0])
    law = thresholds(control, 510e3) - thresholds(control, 150e3)
    for name, change in (("threshold", law), ("duty", MOVING * law / 5.0)):
        rows = table[(table["kind"] == "quantity") & (table["name"] == name)]
        assert list(rows["corner"]) == ["c001", "c002", "c003"]
        simulated, predicted, bar = (
            rows[part].astype(float).to_numpy() for part in ("simulated_change", "predicted_change", "bar")
        )
        assert (bar > 0).all()
        assert (np.abs(simulated - predicted) <= bar).all()
        # 25 nA of bias at most into either resistance, twice what either threshold may be moved by it
        room = 25e-9 * 2 * 84e3 * (1.0 if name == "threshold" else MOVING / 5.0)
        assert (np.abs(simulated - change) <= room + bar).all()
        assert set(rows["verdict"]) == {shifts.AS_PREDICTED}
    page = (out / "compare.html").read_text(encoding="ascii")
    assert "<svg" in page and "Rcontrol" in page and "http" not in page.replace("http://www.w3.org", "")


def test_a_board_against_itself_is_nothing(
    board: Maker, ledger: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 0, nothing changed, and every figure stands there with no measurable change."""
    path = str(board("same"))
    assert main(["compare", path, path, "--ledger", str(ledger), "--jobs", "1"]) == 0
    assert capsys.readouterr().out.startswith("Nothing changed: ")


@pytest.mark.slow
def test_swapping_the_sides_negates_every_change(board: Maker, compared: Compared) -> None:
    """What A to B adds, B to A takes away; bars and parts are the same."""
    before, after = board("before"), board("after", [SLIP])
    there, back = compared(before, after), compared(after, before)
    for part in ("simulated_change", "predicted_change"):
        np.testing.assert_allclose(there.shifts[part], -back.shifts[part], rtol=0, atol=0)
    pd.testing.assert_series_equal(there.shifts["bar"], back.shifts["bar"])
    assert [(p.name, p.before, p.after) for p in there.parts] == [
        (p.name, p.after, p.before) for p in back.parts
    ]
    assert list(there.shifts["verdict"]) == list(back.shifts["verdict"])


@pytest.mark.slow
def test_an_announced_change_ends_0_and_an_unannounced_limit_is_judged_by_the_one_before(
    board: Maker, compared: Compared
) -> None:
    """With [intended] and the revision's name changed along, nothing is unannounced; without the name it is.
    A limit that was loosened so that the board keeps it falls short of the one before."""
    before = board("before")
    drawn, meant = [("thr 150k", "thr 160k")], [('"150k 1%"', '"160k 1%"')]
    told = compared(before, board("told", drawn, [*meant, ('revision = "A"', 'revision = "B"')]))
    assert (told.worse, [part.announced for part in told.parts], told.facts) == ((), [True], ())
    assert len(told.moved) > 0
    silent = compared(before, board("silent", drawn, meant))
    assert silent.worse == ("1 part changed unannounced",)
    loose = [
        ("least = 0.55", "least = 0.4"),
        ('revision = "A"', 'revision = "B"'),
        ('"150k 1%"', '"100k 1%"'),
    ]
    hidden = compared(before, board("hidden", [("thr 150k", "thr 100k")], loose))
    assert [(fact.key, fact.how) for fact in hidden.facts] == [("limits.duty", "loosened")]
    assert set(hidden.limits["verdict"]) == {"short of the limit before"}
    assert any("short of the limit before" in reason for reason in hidden.worse)


@pytest.mark.slow
def test_corners_are_joined_by_axis_values_and_missing_is_worse(board: Maker, compared: Compared) -> None:
    """A value put between shifts the names: the others are compared all the same, the new one is new; the
    other way round it is missing."""
    before = board("before")
    finer = board("finer", file=[("[0, 2, 4]", "[0, 1, 2, 4]")])
    there = compared(before, finer)
    assert not len(there.moved) and there.corners_that("new") == 1 and there.worse == ()
    assert any("other names" in remark for remark in there.remarks)
    assert [fact.key for fact in there.facts] == ["axes.control"]
    back = compared(finer, before)
    assert back.worse == ("1 corner missing",)


@pytest.mark.slow
def test_an_axis_that_one_side_lacks_counts_as_drawn(board: Maker, compared: Compared) -> None:
    """The supply is drawn as 12 V: the corners at 12 V are the ones before, that at 13 V is new."""
    axis = '[axes.supply]\nvalues = [12, 13]\nunit = "V"\nsets = "Vcc"\n\n[hand]'
    found = compared(board("before"), board("after", file=[("[hand]", axis)]))
    assert not len(found.moved)
    assert (found.corners_that("new"), found.corners_that("missing")) == (3, 0)


@pytest.mark.slow
def test_run_folders_tell_the_same_as_their_boards(
    board: Maker, compared: Compared, ledger: Path, tmp_path: Path
) -> None:
    """What a run wrote is enough, its board file need not be there; a folder without drawing.json is compared
    as far as it goes, and says so."""
    paths = [board("before"), board("after", [SLIP])]
    folders = []
    for number, path in enumerate(paths):
        folders.append(tmp_path / f"run{number}")
        write_run(run(path, jobs=1, ledger=ledger), folders[-1])
    from_boards, from_folders = compared(*paths), compared(*folders)
    shutil.rmtree(paths[1].parent)
    pd.testing.assert_frame_equal(from_boards.table(), from_folders.table(), check_exact=True)
    (folders[0] / "drawing.json").unlink()
    with pytest.raises(InputError, match=r"drawing\.json: is missing"):
        compared(*folders)
    record = json.loads((folders[0] / "run.json").read_text(encoding="utf-8"))
    del record["tables"]  # which an earlier version did not write
    (folders[0] / "run.json").write_text(json.dumps(record), encoding="utf-8")
    older = compared(*folders)
    assert "earlier version" in older.lacking[0]
    assert [part.name for part in older.parts] == ["Rcontrol"]
    pd.testing.assert_frame_equal(older.shifts, from_folders.shifts)


@pytest.mark.slow
def test_a_revision_of_git_is_read_with_its_netlist(
    board: Maker,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    ledger: Path,
) -> None:
    """HEAD~1 has the netlist and the include of then; an unknown revision or path is one sentence."""
    path = board("repository")
    folder = path.parent
    include = folder / "values.inc"
    netlist = folder / "held.cir"
    netlist.write_text(
        netlist.read_text().replace(
            "Rcontrol control thr 150k", '.include "values.inc"\nRcontrol control thr {rc}'
        )
    )
    include.write_text(".param rc=150k\n")

    def git(*arguments: str) -> None:
        name = ["-c", "user.name=tester", "-c", "user.email=tester@example.org"]
        subprocess.run(["git", *name, *arguments], cwd=folder, check=True, capture_output=True)

    git("init", "-q")
    git("add", "held.cir", "held.board.toml", "values.inc")
    git("commit", "-q", "-m", "one")
    include.write_text(".param rc=510k\n")
    git("commit", "-q", "-a", "-m", "two")
    monkeypatch.chdir(folder)
    options = ["--ledger", str(ledger), "--jobs", "1"]
    assert main(["compare", "HEAD~1:held.board.toml", "held.board.toml", *options]) == 1
    assert "Rcontrol: 150 kOhm to 510 kOhm" in capsys.readouterr().out
    assert main(["compare", "HEAD:held.board.toml", "held.board.toml", *options]) == 0
    (folder / "below").mkdir()
    monkeypatch.chdir(folder / "below")
    assert main(["compare", "@:../held.board.toml", "../held.board.toml", *options]) == 0
    capsys.readouterr()
    for word, complaint in (
        ("HEAD~7:held.board.toml", 'git knows no revision "HEAD~7"'),
        ("HEAD:hold.board.toml", 'has no file "hold.board.toml" (did you mean "held.board.toml"?)'),
    ):
        assert main(["compare", word, "../held.board.toml", *options]) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert complaint in line
    monkeypatch.setenv("PATH", "")
    assert main(["compare", "HEAD:held.board.toml", "../held.board.toml", *options]) == 2
    assert "git is not installed" in capsys.readouterr().err


@pytest.mark.slow
def test_an_accepted_reference_is_stable_and_catches_a_regression(
    board: Maker,
    ledger: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Accepting an unchanged board leaves the file to the letter; a changed one changes its own lines; what
    is accepted is what later boards are held to."""
    path, folder = board("board"), tmp_path / "run"
    monkeypatch.chdir(tmp_path)
    reference = tmp_path / "reports" / "accepted" / "held.toml"
    write_run(run(path, jobs=1, ledger=ledger), folder)
    assert main(["accept", str(folder)]) == 0
    first = reference.read_text(encoding="utf-8")
    assert main(["accept", str(folder)]) == 0
    assert "to the letter" in capsys.readouterr().out
    assert reference.read_text(encoding="utf-8") == first
    options = ["--ledger", str(ledger), "--jobs", "1"]
    assert main(["compare", "accepted", str(path), *options]) == 0
    assert capsys.readouterr().out.startswith("Nothing changed: ")
    slipped = board("slipped", [SLIP])
    assert main(["compare", "accepted", str(slipped), *options]) == 1
    assert "Rcontrol: 150 kOhm to 510 kOhm (changed, unannounced)" in capsys.readouterr().out
    slewed = board("slewed", [("Cload out 0 220p", "Cload out 0 270p")])
    write_run(run(slewed, jobs=1, ledger=ledger), folder)
    assert main(["accept", str(folder), "--out", str(tmp_path / "out")]) == 0
    assert "Cload: 220 pF to 270 pF" in capsys.readouterr().out
    table = pd.read_csv(tmp_path / "out" / "accept.csv")
    assert list(table["name"][table["kind"] == "part"]) == ["Cload"]
    old, new = first.splitlines(), reference.read_text(encoding="utf-8").splitlines()
    assert len(old) == len(new)
    differ = {
        line.partition(".")[0].partition(" ")[0] for line, was in zip(new, old, strict=True) if line != was
    }
    assert {"Cload", "rise_time", "content"} <= differ
    assert differ.isdisjoint({"frequency", "threshold", "ramp_low", "pullup_current", "low_level"})


@pytest.mark.slow
def test_an_incomplete_run_is_accepted_only_when_told(
    board: Maker,
    ledger: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A part of the corners is refused; with --incomplete the reference says it, and what it lacks is new."""
    path, folder = board("board"), tmp_path / "run"
    monkeypatch.chdir(tmp_path)
    write_run(run(path, jobs=1, ledger=ledger, only={"control": 2}), folder)
    assert main(["accept", str(folder)]) == 2
    assert "2 corners of the table left out" in capsys.readouterr().err
    assert main(["accept", str(folder), "--incomplete"]) == 0
    text = (tmp_path / "reports" / "accepted" / "held.toml").read_text()
    assert 'restricted = "2 corners of the table left out"' in text
    options = ["--ledger", str(ledger), "--jobs", "1"]
    capsys.readouterr()
    assert main(["compare", "accepted", str(path), *options]) == 0
    assert "2 corners new" in capsys.readouterr().out
    assert main(["compare", "accepted", str(path), "--only", "control=2", *options]) == 0
    assert capsys.readouterr().out.startswith("Nothing changed")
    assert main(["compare", str(path), "accepted", *options]) == 1
    assert "2 corners missing" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("spoil", "complaint"),
    [
        (lambda text: text.replace("format = 1", "format = 9", 1), "is of format 9"),
        (lambda text: text[: len(text) // 2], "the reference is damaged: it cannot be read"),
        (lambda text: text.replace("simulated = 0.59", "simulated = 0.69", 1), "does not fit the hash"),
        (lambda text: "\n".join(text.splitlines()[:-1]), "does not fit the hash"),
    ],
)
def test_a_newer_or_damaged_reference_is_one_sentence(
    spoil: Callable[[str], str], complaint: str, base: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """Exit 2 for compare and for accept, which leaves the file as it is."""
    monkeypatch.chdir(tmp_path)
    assert main(["accept", str(base)]) == 0
    reference = tmp_path / "reports" / "accepted" / "held.toml"
    spoilt = spoil(reference.read_text())
    assert spoilt != reference.read_text()
    reference.write_text(spoilt)
    capsys.readouterr()
    for arguments in (["compare", "accepted", str(base)], ["accept", str(base)]):
        assert main(arguments) == 2
        (line,) = capsys.readouterr().err.splitlines()
        assert complaint in line
    assert reference.read_text() == spoilt


@pytest.mark.slow
def test_the_demo_board_is_what_was_accepted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The reference that is committed with this repository holds, judged by the bars."""
    boards = netlists_folder() / "boards" / "kestrel"
    for name in ("kestrel_slicer.board.toml", "kestrel_slicer.cir"):
        shutil.copy(boards / name, tmp_path / name)
    references = Path(__file__).resolve().parents[2] / "reports" / "accepted"
    board = str(tmp_path / "kestrel_slicer.board.toml")
    assert main(["compare", "accepted", board, "--references", str(references)]) == 0
    assert "none of 1170 figures in 45 corners moved measurably" in capsys.readouterr().out


def test_bad_input_is_one_sentence_each(
    base: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What names nothing, a folder that is no run, a run with a broken table, a file to accept: exit 2."""
    monkeypatch.chdir(tmp_path)
    path, folder, empty = base.parent / "held.board.toml", base, tmp_path / "empty"
    empty.mkdir()
    broken = tmp_path / "broken"
    shutil.copytree(folder, broken)
    (broken / "drawing.json").write_text(json.dumps({"format": 1}))
    short = tmp_path / "short"
    shutil.copytree(folder, short)
    (short / "corners.csv").write_text(
        (folder / "corners.csv").read_text().replace(",pulsing,", ",pulsing", 1)
    )
    for arguments, complaint in (
        (["compare", "nothing", str(path)], '"nothing" is no run folder'),
        (["compare", str(empty), str(path)], "is no folder of a run"),
        (["compare", str(short), str(folder)], f"{short / 'corners.csv'}: row 1 has "),
        (["compare", "accepted", "accepted"], "name one of the two"),
        (["compare", "accepted", str(folder)], "no reference of held is accepted"),
        (["compare", str(broken), str(folder)], "drawing.json: cannot be used"),
        (["compare", str(folder), str(folder), "--only", "speed=1"], 'there is no axis "speed"'),
        (["compare", str(folder), str(folder), "--only", "control=9"], "no corner of it has control=9"),
        (["accept", str(path)], "is a file"),
        (["accept", str(empty)], "is no folder of a run"),
    ):
        assert main(arguments) == 2, arguments
        (line,) = capsys.readouterr().err.splitlines()
        assert complaint in line
