# SPDX-License-Identifier: GPL-3.0-or-later
"""The ledger of finished corners: what it gives back, what it refuses, and what damage costs."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import sqlite3
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.cli import main
from harness.engine.errors import EngineFailed
from harness.engine.plan import Plan
from harness.engine.session import engine_report
from harness.findings import InputError
from harness.fingerprints import plain
from harness.finished import Finished
from harness.ledger import COLUMNS, Ledger, Origin, conditions, key_of, keys_of
from harness.measure.cycle import Probes
from harness.measure.stress import Watch
from harness.resources import netlists_folder
from harness.simulate import CornerResult, Task

ORIGIN = Origin("plain", "A", "c001", {"control": 2.0})
PLAN = Plan(("r1 a 0 1k",), "ramp", "out", 1e-3, 2.5, 6.0, alterations=(("v1", 2.0),))
TASK = Task("c001", PLAN, Probes("ramp", "thr", "out"))


def result(corner: str = "c001", duty: float = 1 / 3) -> CornerResult:
    return CornerResult(
        corner, "pulsing", figures={"duty": duty}, bars={"duty": 1e-6}, words={"level_method": "modes"},
        harmonics=np.array([0.1 + 0.2j, -1e-300j]), waveforms={"time": np.array([0.0, 1e-9, np.pi])},
        setting="steered", reached=True, points=77, notes=("one",), engine="ngspice-39",
    )  # fmt: skip


def test_what_goes_in_comes_out_to_the_bit(tmp_path: Path) -> None:
    with Ledger(tmp_path / "deep" / "ledger.sqlite") as ledger:
        ledger.add("key", ORIGIN, result())
    with Ledger(tmp_path / "deep" / "ledger.sqlite") as ledger:
        found = ledger.find(["key", "other"])
        waves = ledger.waveforms("key")
        (entry,) = ledger.entries()
    assert set(found) == {"key"}
    again, first = found["key"], result()
    for name in ("corner", "state", "figures", "bars", "words", "setting", "reached", "points", "notes"):
        assert getattr(again, name) == getattr(first, name)
    np.testing.assert_array_equal(again.harmonics, first.harmonics)
    assert waves is not None
    np.testing.assert_array_equal(waves["time"], first.waveforms["time"])
    assert dict(zip(COLUMNS, entry, strict=True))["axes"] == '{"control": 2.0}'


@pytest.mark.parametrize(
    "other",
    [
        replace(TASK, test_load=1e5),
        replace(TASK, sink_currents=(("@r1[i]", 1.0),)),
        replace(TASK, probes=replace(TASK.probes, class_="393")),
        *(
            replace(TASK, plan=replace(PLAN, **change))
            for change in (
                {"deck": ("r1 a 0 1.1k",)}, {"accuracy": 1e-5}, {"temperature": 50.0}, {"period": 2e-3},
                {"alterations": (("v1", 2.0000000000000004),)}, {"saved": ("@r1[i]",)}, {"seconds": 5.0},
            )
        ),
    ],
)  # fmt: skip
def test_all_that_decides_a_result_is_in_the_key(other: Task) -> None:
    assert key_of(other, "ngspice-39") != key_of(TASK, "ngspice-39")


def test_the_name_of_a_corner_is_not_in_the_key_and_the_engine_is() -> None:
    assert key_of(replace(TASK, corner="c002"), "ngspice-39") == key_of(TASK, "ngspice-39")
    assert key_of(TASK, "ngspice-44") != key_of(TASK, "ngspice-39")


def test_a_key_is_the_same_whatever_other_corners_are_asked_for() -> None:
    """What corners share is put into text once; each key is still the hash of its own task in full."""
    others = (
        replace(TASK, corner="c002"),
        replace(TASK, plan=replace(PLAN, period=float("nan"))),
        replace(TASK, sink_currents=(("@r1[i]", -1.0),), watches=(Watch("r1", across=("a", "0")),)),
        replace(TASK, watches=(Watch("r1", through=(("@r1[i]", 1.0),), averaged=True),), test_load=1e5),
    )
    tasks = [TASK, *others, *reversed(others), TASK]
    keys = keys_of(tasks, "ngspice-39")
    assert keys == [key_of(task, "ngspice-39") for task in tasks] and len(set(keys)) == len(others)
    parts = {field.name: plain(getattr(others[2], field.name)) for field in fields(Task)}
    del parts["corner"]
    whole = {"task": parts, "engine": "ngspice-39", "conditions": conditions()}
    assert keys[3] == hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()


def test_a_figure_of_another_engine_is_neither_kept_nor_taken(tmp_path: Path) -> None:
    """An engine that was replaced after it was recognised would stand in the report under its old name."""
    board = load_board(netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml")
    corners = pd.DataFrame({"corner": ["c001"], **{axis: [0.0] for axis in board.axes}})
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        finished = Finished(ledger, board, corners, [TASK], "ngspice-44")
        with pytest.raises(EngineFailed, match="by ngspice-39 and not by ngspice-44"):
            finished.add(0, result())
        assert len(ledger) == 0
        finished.add(0, replace(result(), engine="ngspice-44"))
        assert len(ledger) == 1


def test_a_row_that_was_edited_counts_as_none(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.add("one", ORIGIN, result())
        ledger.add("two", ORIGIN, result())
    base = sqlite3.connect(path)
    base.execute("UPDATE corners SET content = replace(content, '0.333', '0.444') WHERE key = 'one'")
    base.execute("UPDATE waveforms SET arrays = x'00' WHERE key = 'one'")
    base.commit()
    base.close()
    with Ledger(path) as ledger:
        assert set(ledger.find(["one", "two"])) == {"two"}
        assert ledger.waveforms("one") is None and ledger.waveforms("two") is not None


def test_a_newer_ledger_and_a_strange_database_are_left_as_they_are(tmp_path: Path) -> None:
    newer, strange = tmp_path / "newer.sqlite", tmp_path / "strange.sqlite"
    with Ledger(newer):
        pass
    base = sqlite3.connect(newer)
    base.execute("PRAGMA user_version=99")
    base.close()
    base = sqlite3.connect(strange)
    base.execute("CREATE TABLE recipes (name TEXT)")
    base.commit()
    base.close()
    for path, words in (
        (newer, "format 99, of a newer ramp-harness"),
        (strange, "no ledger of ramp-harness"),
    ):
        before = path.read_bytes()
        with pytest.raises(InputError, match=words):
            Ledger(path)
        assert path.read_bytes() == before


@pytest.mark.parametrize("damage", ["no database at all", "first page", "in the middle", "cut short"])
def test_a_damaged_ledger_is_set_aside_and_what_can_be_read_is_kept(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "ledger.sqlite"
    keys = [f"key{number:04}" for number in range(400)]
    with Ledger(path) as ledger:
        for key in keys:
            ledger.add(key, ORIGIN, result())
    content = bytearray(path.read_bytes())
    match damage:
        case "no database at all":
            content = bytearray(b"not a database\n" * 100)
        case "first page":
            content[:4096] = bytes(4096)
        case "cut short":
            del content[len(content) // 2 :]
        case _:
            middle = len(content) // 2
            content[middle : middle + 8192] = b"\xff" * 8192
    path.write_bytes(content)
    with Ledger(path) as ledger:
        kept = ledger.find(keys)
        assert len(ledger.remarks) == 1 and "set aside" in ledger.remarks[0]
        ledger.add("fresh", ORIGIN, result())
        assert set(ledger.find(["fresh"])) == {"fresh"}
    assert (tmp_path / "ledger.sqlite.set-aside").read_bytes() == bytes(content)
    assert all(found.figures == result().figures for found in kept.values())
    if damage in ("in the middle", "cut short"):
        assert len(kept) > 100


def test_pruning_drops_what_no_run_can_find_again(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        for number in range(20):
            engine = "ngspice-39" if number < 12 else "ngspice-38"
            ledger.add(f"key{number}", ORIGIN, replace(result(), engine=engine))
        ledger._base.execute("UPDATE corners SET conditions = 'other sources' WHERE key = 'key5'")
        ledger._base.execute("UPDATE corners SET made = '2020-01-01T00:00:00+00:00' WHERE key = 'key6'")
        assert ledger.prune("ngspice-39", "2021-01-01") == 10
        assert set(ledger.find([f"key{n}" for n in range(20)])) == {f"key{n}" for n in range(12)} - {
            "key5",
            "key6",
        }
        assert ledger.waveforms("key3") is not None and ledger.waveforms("key13") is None


def test_a_place_that_cannot_be_written_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError, match="--ledger"):
        Ledger(tmp_path / "file" / "ledger.sqlite")
    with pytest.raises(InputError, match="a folder"):
        Ledger(tmp_path)


def _write(path: Path, number: int) -> None:
    with Ledger(path) as ledger:
        for place in range(60):
            ledger.add(f"key{number}-{place}", ORIGIN, result(duty=number + place / 100))


def test_several_processes_write_at_the_same_time(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_write, args=(path, number)) for number in range(3)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    with Ledger(path) as ledger:
        found = ledger.find([f"key{n}-{p}" for n in range(3) for p in range(60)])
    assert len(found) == 180
    assert found["key2-7"].figures["duty"] == 2 + 7 / 100


def test_a_full_disk_costs_the_ledger_and_not_the_run(tmp_path: Path) -> None:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger._base.execute("PRAGMA max_page_count=12")
        for number in range(50):
            ledger.add(f"key{number}", ORIGIN, replace(result(), reason="x" * 2000))
        assert ledger.full and len(ledger.remarks) == 1 and "full" in ledger.remarks[0]
        assert 0 < len(ledger) < 50


def test_the_command_lists_exports_and_prunes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    board = tmp_path / "plain.board.toml"
    board.write_text("")
    assert main(["ledger", str(board)]) == 2
    assert "there is no ledger here" in capsys.readouterr().err
    with Ledger(tmp_path / ".ramp-harness" / "ledger.sqlite") as ledger:
        ledger.add("one", ORIGIN, result())
        ledger.add("two", ORIGIN, replace(result(), engine="ngspice-1"))
    assert main(["ledger", str(board), "--out", str(tmp_path / "out")]) == 0
    assert "plain, revision A: 2 (2 pulsing), " in capsys.readouterr().out
    table = pd.read_csv(tmp_path / "out" / "ledger.csv")
    assert table["control"].tolist() == [2.0, 2.0] and table["engine"].tolist() == ["ngspice-39", "ngspice-1"]
    assert main(["ledger", str(board), "--older-than", "3"]) == 2
    assert main(["ledger", str(board), "--prune"]) == 0
    here = str(engine_report()["version_text"])
    dropped = sum(engine != here for engine in ("ngspice-39", "ngspice-1"))
    assert f"{dropped} corners dropped" in capsys.readouterr().out


def test_a_file_of_the_user_is_left_as_it_is(tmp_path: Path) -> None:
    """Only what stands where a ledger stands, or begins as one, is taken for a damaged one."""
    notes = tmp_path / "notes.txt"
    notes.write_text("my notes")
    with pytest.raises(InputError, match="no ledger"):
        Ledger(notes)
    assert notes.read_text() == "my notes" and list(tmp_path.iterdir()) == [notes]
