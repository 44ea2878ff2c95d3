# SPDX-License-Identifier: GPL-3.0-or-later
"""What is kept of models measured alone: under which key, and what is believed of it later."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import harness.alone.cores.charged
import harness.alone.slicer_benches
from harness.alone import store
from harness.alone.benches import benches_of
from harness.alone.subject import SOURCES, Bench, Refused
from harness.board import load_board
from harness.characterise import Characteristics, characterise
from harness.checking import check, check_lines
from harness.engine.session import session
from harness.fingerprints import PACKAGE, sources_hash
from harness.netlist import read_netlist
from harness.resources import netlists_folder

KESTREL = netlists_folder() / "boards" / "kestrel"
NETLIST = """\
A slicer between two supplies
.subckt plain plus minus supply ground output
Bdifference d ground v = tanh((v(plus)-v(minus))*1e6)
Rdelay d e 1k
Cdelay e ground 100p
Bout output ground i = v(output,ground)/50*(0.5-0.5*tanh((v(e)-v(ground))*1e3))
Rsupply supply ground 1meg
.ends
Vcc vcc 0 12
Vneg neg 0 -5
Vrail rail 0 10
Vramp ramp 0 pulse(1 5 0 0.97m 20u 10u 1m)
Vthr thr 0 3
Xcomparator thr ramp vcc neg out plain
Rpull rail out 3.3k
Cload out 0 1n
"""
BOARD = """\
[board]
format = 1
name = "plain"
revision = "A"
netlist = "plain.cir"
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
[axes.supply]
values = [10, 12]
unit = "V"
sets = "Vcc"
[axes.rail]
values = [8, 10, 12]
unit = "V"
sets = "Vrail"
"""
#: each changes what a bench of the slicer does, or nothing at all
CHANGES = (
    ("Vneg neg 0 -5", "Vneg neg 0 -1"),
    ('ramp_input = "minus"', 'ramp_input = "plus"'),
    ("Vneg neg 0 -5", "Vneg neg 0 0.2"),
    ("Vneg neg 0 -5", "Vneg neg 0 0.4"),
    ("[8, 10, 12]", "[8, 10, 14]"),
    ("Vthr thr 0 3", "Vthr thr 0 2"),
    ("Rpull rail out 3.3k", "Rpull rail out 4.7k"),
    ("Cload out 0 1n", "Cload out 0 2n"),
    ("0 0.97m 20u", "0 0.5m 20u"),
    ("values = [10, 12]", "values = [9, 12]"),
    ("values = [10, 12]", "values = [10, 11, 12]"),
    (")/50*", ")/60*"),
    ("thr ramp vcc", "ramp thr vcc"),
    ("A slicer between", "* a remark\n* A slicer between"),
    ("Rsupply supply ground", "* a remark\nRsupply supply ground"),
)


def board_of(folder: Path, change: tuple[str, str] = ("", "")) -> Path:
    folder.mkdir(exist_ok=True)
    assert change[0] in NETLIST + BOARD
    (folder / "plain.cir").write_text(NETLIST.replace(*change) if change[0] else NETLIST)
    (folder / "plain.board.toml").write_text(BOARD.replace(*change) if change[0] else BOARD)
    return folder / "plain.board.toml"


def benches(path: Path) -> dict[str, Bench]:
    board = load_board(path)
    found = benches_of(board, read_netlist(board.netlist, board.include))
    return {bench.title: bench for bench in found if not isinstance(bench, Refused)}


def characterised(path: Path, measure: bool) -> Characteristics:
    board = load_board(path)
    netlist = read_netlist(board.netlist, board.include)
    return characterise(board, netlist, path.parent / "store", measure)


class Listening:
    """This process's engine, and everything that a bench asks of it."""

    def __init__(self) -> None:
        self.heard: list[str] = []

    def __getattr__(self, name: str) -> Callable[..., Any]:
        def ask(*arguments: Any, **named: Any) -> Any:
            self.heard.append(repr((name, arguments, sorted(named.items()))))
            return getattr(session(), name)(*arguments, **named)

        return ask


PINS = "slicer pins"  # tried on rails of their own, so that little of the board has a say in it


def asked(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """All that a bench asks of the engine: circuits, values, analyses."""
    ear = Listening()
    for module in (harness.alone.slicer_benches, harness.alone.cores.charged):
        monkeypatch.setattr(module, "the_engine", lambda: ear)
    bench.measure()
    assert ear.heard
    return ear.heard


def test_what_asks_the_engine_for_something_else_has_another_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    heard: dict[tuple[str, str], list[str]] = {}
    for number, change in enumerate([("", ""), *CHANGES]):
        found = benches(board_of(tmp_path / str(number), change))
        assert set(found) == {"slicer at rest", "slicer output", "slicer delays", PINS}
        del found[PINS]
        for title, bench in found.items():
            now = asked(bench, monkeypatch)
            assert heard.setdefault((title, bench.key), now) == now, (change, title)
    keys = [sum(title == wanted for title, _ in heard) for wanted in found]
    assert min(keys) >= 9  # a key that nothing shares would prove nothing, nor one that all do
    assert max(keys) <= len(CHANGES) - 1


@pytest.mark.parametrize("change", CHANGES[:2])
def test_voltages_of_other_pins_and_the_sense_of_the_ramp_count(
    tmp_path: Path, change: tuple[str, str]
) -> None:
    before, after = benches(board_of(tmp_path / "a")), benches(board_of(tmp_path / "b", change))
    assert all(before[title].key != after[title].key for title in before if title != PINS)


@pytest.mark.parametrize("change", CHANGES[-2:])
def test_remarks_and_places_do_not_count(tmp_path: Path, change: tuple[str, str]) -> None:
    before, after = benches(board_of(tmp_path / "a")), benches(board_of(tmp_path / "b", change))
    assert {title: bench.key for title, bench in before.items()} == {
        title: bench.key for title, bench in after.items()
    }


@pytest.mark.slow
def test_keys_of_the_core_follow_what_is_asked_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where parts of the demo board change that only some of the benches see."""
    changes = (
        ("", ""),
        ("Rgate vcc gate 4.7k", "Rgate vcc gate 6.8k"),
        ("Cramp ramp 0 4.7n", "Cramp ramp 0 6.8n"),
        ("Rfoot trip foot 430", "Rfoot trip foot 470"),
        ("Q2 base base vcc pnp_small", "Q2 base base vcc pnp_small area=2"),
    )
    heard: dict[tuple[str, str], list[str]] = {}
    for number, change in enumerate(changes):
        folder = tmp_path / str(number)
        shutil.copytree(KESTREL, folder, ignore=shutil.ignore_patterns(".*"))
        text = (folder / "kestrel.cir").read_text()
        assert change[0] in text
        (folder / "kestrel.cir").write_text(text.replace(*change) if change[0] else text)
        for title, bench in benches(folder / "kestrel.board.toml").items():
            now = asked(bench, monkeypatch)
            assert heard.setdefault((title, bench.key), now) == now, (change, title)
    assert {"trip delays", "reset switch", "mirror", "capacitance on the ramp"} <= {
        title for title, _ in heard
    }


def test_the_sources_that_measure_count(tmp_path: Path) -> None:
    for room in {pattern.partition("/")[0] for pattern in SOURCES}:
        shutil.copytree(PACKAGE / room, tmp_path / "one" / room, ignore=shutil.ignore_patterns("_*"))
    for name in ("two", "three"):
        shutil.copytree(tmp_path / "one", tmp_path / name)
    bench = tmp_path / "two" / "alone" / "comparator.py"
    bench.write_text(bench.read_text().replace("LET_GO = 0.1", "LET_GO = 0.2"))
    hashes = [sources_hash(SOURCES, tmp_path / name) for name in ("one", "two", "three")]
    assert hashes[0] == hashes[2] != hashes[1]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A board whose models have been measured once."""
    path = board_of(tmp_path_factory.mktemp("plain"))
    found = characterised(path, measure=True)
    assert found.reused == 0 and not found.missing
    return path


@pytest.fixture
def board(measured: Path, tmp_path: Path) -> Path:
    """The same with a store of its own."""
    shutil.copytree(measured.parent, tmp_path / "board")
    return tmp_path / "board" / measured.name


def leakless(content: dict[str, Any]) -> None:
    content["figures"]["slicer.sink"][0][0][3] *= 0.5


def sealed(change: Callable[[dict[str, Any]], None]) -> Callable[[dict[str, Any]], None]:
    """The change with the hash put right again."""

    def both(content: dict[str, Any]) -> None:
        del content["sha256"]
        change(content)
        content["sha256"] = store._digest(content)

    return both


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (leakless, "changed by hand"),
        (lambda content: content.pop("sha256"), "changed by hand"),
        (sealed(lambda content: content.update(key="{}")), "something else"),
        (sealed(lambda content: content.update(engine=1)), "something else"),
        (sealed(lambda content: content["figures"]["slicer.sink"].pop()), "figures"),
        (sealed(lambda content: content["figures"].update({"slicer.offset": [[1.0]]})), "figures"),
        (sealed(lambda content: content.update(figures=[])), "figures"),
        (sealed(lambda content: content["figures"].update({"slicer.sink": "much"})), "figures"),
        (None, "damaged"),
    ],
)
def test_what_is_not_to_be_trusted_is_set_aside_and_measured_anew(
    board: Path, measured: Path, change: Callable[[dict[str, Any]], None] | None, words: str
) -> None:
    (path,) = (board.parent / "store").glob("slicer_output-*.json")
    true = path.read_text()
    if change is None:
        path.write_text("{ not json")
    else:
        content = json.loads(true)
        change(content)
        path.write_text(json.dumps(content))
    false = path.read_text()
    assert false != true

    looked_at = characterised(board, measure=False)
    (why,) = (why for name, why in looked_at.missing if name == "slicer.sink")
    assert words in why and "measures anew" in why and path.read_text() == false

    again, right = characterised(board, measure=True), characterised(measured, measure=False)
    assert np.array_equal(again.table("slicer.sink").figures, right.table("slicer.sink").figures)
    assert again.reused == right.reused - 1
    assert path.read_text() == true
    assert path.with_name(path.name + store.SET_ASIDE).read_text() == false


def test_unit_and_origin_never_come_from_the_store(board: Path) -> None:
    for path in (board.parent / "store").iterdir():
        assert not {"unit", "origin", "axes"} & set(json.loads(path.read_text()))


def test_a_run_believes_its_own_engine_only_and_a_check_says_which_one(board: Path) -> None:
    """Twice the current, kept by an engine that is not here: a check reads it and says so."""
    mine, bench = session().version, benches(board)["slicer output"]
    kept = store.read(board.parent / "store", bench, mine)
    assert kept is not None
    store.write(
        board.parent / "store", bench, store.Kept({"slicer.sink": 2 * kept.figures["slicer.sink"]}, mine + 50)
    )
    checked, run = characterised(board, measure=False), characterised(board, measure=True)
    assert np.array_equal(checked.table("slicer.sink").figures, 2 * kept.figures["slicer.sink"])
    assert checked.table("slicer.sink").origin.endswith(f"by ngspice-{mine + 50}")
    assert np.array_equal(run.table("slicer.sink").figures, kept.figures["slicer.sink"])
    assert run.table("slicer.sink").origin.endswith(f"by ngspice-{mine}")


def test_measured_or_kept_no_word_differs(board: Path, measured: Path) -> None:
    """A second run must not read otherwise than the first."""
    shutil.rmtree(board.parent / "store")
    first, second = characterised(board, measure=True), characterised(board, measure=True)
    assert first.summary() == second.summary() and second.reused == len(second.tables)


@pytest.mark.parametrize("obstacle", ["file", "read-only"])
def test_a_store_that_cannot_be_written_only_costs_time(board: Path, obstacle: str) -> None:
    folder = board.parent / "store"
    shutil.rmtree(folder)
    if obstacle == "file":
        folder.write_text("in the way")
    else:
        if os.geteuid() == 0:
            pytest.skip("root may write everywhere")
        folder.mkdir(mode=0o500)
    found = characterised(board, measure=True)
    assert len(found.tables) == 9 and not found.missing and found.reused == 0
    assert not characterised(board, measure=False).tables


def test_a_folder_where_the_file_should_be_leaves_no_rubbish(board: Path) -> None:
    (path,) = (board.parent / "store").glob("slicer_output-*.json")
    path.unlink()
    (path / "inside").mkdir(parents=True)
    assert characterised(board, measure=True).has("slicer.sink")
    assert not list((board.parent / "store").glob("*.part"))


def test_a_check_says_how_many_values_come_from_earlier_runs(board: Path) -> None:
    shutil.copytree(board.parent / "store", board.parent / ".ramp-harness" / "models")
    text = "\n".join(check_lines(check(board)))
    assert "9 values of device models alone, measured by earlier runs, come from .ramp-harness/models" in text
    shutil.rmtree(board.parent / ".ramp-harness")
    assert "earlier runs" not in "\n".join(check_lines(check(board)))


def test_a_check_says_in_plain_words_what_waits_for_a_measurement(board: Path) -> None:
    """Before a model was measured nothing is said of what only its output decides; afterwards all is."""
    text = "\n".join(check_lines(check(board)))
    assert "device models not measured yet" in text
    assert "bias, offset, leakage, output curve and delays of the slicing comparator" in text
    assert "slicer.sink" not in text
    (level,) = {line.rpartition("predicted ")[2] for line in text.splitlines() if "Output, low level" in line}
    assert level == "-"
    shutil.copytree(board.parent / "store", board.parent / ".ramp-harness" / "models")
    known = "\n".join(check_lines(check(board)))
    shutil.rmtree(board.parent / ".ramp-harness")
    assert "predicted" not in known
    assert "predicted -" not in known
    levels = [line.rpartition("refined ")[2] for line in known.splitlines() if "Output, low level" in line]
    assert levels
    assert not any(level.strip() in ("-", "0 V") for level in levels)
