# SPDX-License-Identifier: GPL-3.0-or-later
"""``pytest NAME.board.toml``: a test for each limit and agreement, said in sentences, simulated once."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from harness.as_tests.once import once

NETLIST = """small: an ideal ramp, sliced at the control voltage
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vcontrol thr 0 2
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out 4.7k
.end
"""
BOARD = """[board]
format = 1
name = "small"
revision = "A"
netlist = "small.cir"

[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"

[core]
kind = "ramp source"

[intended]
Rpull = "4.7k 5%"

[axes.control]
values = [1, 4]
unit = "V"
sets = "Vcontrol"

[hand]
slope = "1 / 5 V"
duty = "control * slope"
high_level = "12 V"
threshold_return = "control"

[expected]
duty = { value = 0.2, at = { control = 1 } }
low_level = { value = "0.1 V", at = { control = 4 } }

[limits]
duty = { least = 0.1, most = 0.7 }
low_level = { most = "0.4 V" }
"""
NAMES = [
    "duty within limits",
    "low_level within limits",
    "duty agrees",
    "high_level agrees",
    "threshold_return agrees",
    "duty as expected in c001",
    "low_level as expected in c002",
]
ONE = "small.board.toml"
Simulated = tuple[Path, subprocess.CompletedProcess[str]]


def write(folder: Path, netlist: str = NETLIST, board: str = BOARD) -> Path:
    """The two files of the board in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "small.cir").write_text(netlist)
    (folder / ONE).write_text(board)
    return folder


def typed(folder: Path, *arguments: str, **variables: str) -> subprocess.CompletedProcess[str]:
    """pytest as somebody types it in ``folder``, not on a CI server, where it prints each reason twice."""
    server = ("PYTEST", "CI", "BUILD_NUMBER")
    kept = {name: value for name, value in os.environ.items() if not name.startswith(server)}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *arguments],
        cwd=folder, env={**kept, "COLUMNS": "200", **variables}, capture_output=True, text=True, check=False,
    )  # fmt: skip


def cases(file: Path) -> dict[str, list[str]]:
    """What stands in a file of results: each test with the tags of its outcome."""
    root = ElementTree.parse(file).getroot()
    (suite,) = root.iter("testsuite")
    found = list(suite.iter("testcase"))
    assert int(suite.attrib["tests"]) == len(found)
    told = {case.attrib["name"]: [child.tag for child in case] for case in found}
    assert len(told) == len(found)
    return told


def names(subjects: Sequence[str]) -> list[str]:
    return [f"small[{subject}]" for subject in subjects]


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Simulated:
    """The board, run: one limit is broken at control 4 V, and nothing else is amiss."""
    folder = write(tmp_path_factory.mktemp("simulated"))
    return folder, typed(folder, ONE, "--junitxml=results.xml", "-rA")


def test_one_test_for_each_limit_and_agreement(
    simulated: Simulated,
) -> None:
    """Limits, formulas that are quantities, expected figures: no more, no less, helpers not counted."""
    folder, done = simulated
    told = cases(folder / "results.xml")
    assert list(told) == names(NAMES), done.stdout
    outcomes = {name: tags for name, tags in told.items() if tags}
    assert outcomes == {
        "small[duty within limits]": ["failure"],
        "small[threshold_return agrees]": ["skipped"],
    }
    assert done.returncode == 1


def test_a_broken_limit_names_its_corner(simulated: Simulated) -> None:
    """Corner with its axes, figure with its bar, limit, margin and where to look, and no traceback."""
    _, done = simulated
    assert "outside in 1 corner, within in 1; worst in c002 (control 4 V)" in done.stdout
    assert "Duty factor: simulated 0.79" in done.stdout
    assert "limit least 0.1, most 0.7, margin -0.09" in done.stdout
    assert "likely cause: the hand calculation falls short there already (0.8)" in done.stdout
    assert "Traceback" not in done.stdout and "pytest_plugin" not in done.stdout
    assert re.search(
        r"SKIPPED \[1\] small.board.toml:32: Threshold on the way back: nothing to compare", done.stdout
    )


def test_collecting_does_not_simulate(tmp_path: Path) -> None:
    """``--collect-only`` lists the tests where no engine is to be had, and leaves nothing behind."""
    write(tmp_path)
    done = typed(tmp_path, ONE, "--collect-only", "-q", NGSPICE_LIBRARY_PATH="nowhere")
    assert done.returncode == 0, done.stdout
    assert done.stdout.splitlines()[: len(NAMES)] == [f"{ONE}::{name}" for name in names(NAMES)]
    assert not (tmp_path / ".ramp-harness").exists()


def test_a_bad_board_file_is_an_error_of_collection(tmp_path: Path) -> None:
    """All findings of board file and netlist in sentences; and a board that promises nothing is one, too."""
    write(tmp_path, board=BOARD.replace('name = "small"', 'name = "a b"').replace("most = 0.7", "mots = 0.7"))
    write(tmp_path / "bare", board=BOARD[: BOARD.index("[hand]")])
    done = typed(tmp_path, ONE, f"bare/{ONE}", "-q")
    assert done.returncode == 2
    assert "small.board.toml:3: board.name" in done.stdout and "mots" in done.stdout
    assert "there is nothing to test" in done.stdout
    assert "Traceback" not in done.stdout and "pytest_plugin" not in done.stdout


@pytest.mark.slow
def test_an_engine_that_cannot_run_is_an_error(tmp_path: Path) -> None:
    """No test passes, each is an error that says what to do."""
    write(tmp_path)
    done = typed(tmp_path, ONE, "--junitxml=results.xml", NGSPICE_LIBRARY_PATH="nowhere")
    assert done.returncode == 1
    assert cases(tmp_path / "results.xml") == {name: ["error"] for name in names(NAMES)}
    assert "NGSPICE_LIBRARY_PATH names nowhere" in done.stdout and "Traceback" not in done.stdout


@pytest.mark.slow
def test_folders_are_searched_where_the_configuration_asks(tmp_path: Path) -> None:
    """Nobody waits for a simulation unasked: in folders board files are taken up by an ini option only."""
    write(tmp_path / "boards")
    assert typed(tmp_path, "--collect-only", "-q").returncode == 5
    (tmp_path / "pytest.ini").write_text("[pytest]\nboards_as_tests = true\naddopts = --strict-config\n")
    done = typed(tmp_path, "--collect-only", "-q")
    assert f"boards/{ONE}::small[duty agrees]" in done.stdout


@pytest.mark.slow
def test_wrong_options_are_sentences(tmp_path: Path) -> None:
    write(tmp_path)
    done = typed(tmp_path, ONE, "--board-jobs", "0")
    assert done.returncode == 4 and "expected a whole number from 1" in done.stderr
    done = typed(tmp_path, ONE, "--board-only", "control=9")
    assert done.returncode == 2 and "--board-only: no corner has control at 9 V" in done.stdout


def test_the_plugin_costs_nothing_without_a_board() -> None:
    """Loading it loads none of the numerical libraries; ``pytest --help`` lists its options in our words."""
    code = (
        "import sys, harness.pytest_plugin; "
        "print(sorted({'numpy', 'pandas', 'matplotlib', 'scipy', 'PySpice', 'sqlite3'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    for option in ("jobs", "cluster", "only", "ledger", "accuracy"):
        assert f"--board-{option}" in typed(Path(), "--help").stdout


def test_one_process_does_what_several_ask_for(tmp_path: Path) -> None:
    """Whoever comes first does the work; where it fails the next one tries."""
    tries: list[int] = []

    def work() -> str:
        tries.append(len(tries))
        if len(tries) == 1:
            raise OSError("the first one fails")
        return f"done in try {len(tries)}"

    def asked(_: int) -> str:
        try:
            return once(tmp_path, "board", work)
        except OSError as error:
            return str(error)

    with ThreadPoolExecutor(8) as pool:
        answers = sorted(pool.map(asked, range(8)))
    assert answers == ["done in try 2"] * 7 + ["the first one fails"]
    assert once(tmp_path, "another", lambda: "another") == "another"


COUNTING = """
import harness.as_tests.outcome as outcome

run = outcome.run


def counted(*arguments, **keywords):
    with open("runs.txt", "a") as file:
        file.write("run\\n")
    return run(*arguments, **keywords)


outcome.run = counted
"""


@pytest.mark.slow
def test_workers_of_xdist_simulate_once(tmp_path: Path) -> None:
    """Three processes share one run of each of two boards, also where warnings are errors."""
    for name in ("one", "two"):
        write(tmp_path / name)
    (tmp_path / "conftest.py").write_text(COUNTING)
    (tmp_path / "pytest.ini").write_text("[pytest]\nfilterwarnings = error\nboards_as_tests = true\n")
    done = typed(tmp_path, "-n", "3", "--junitxml=results.xml", "-q")
    assert done.returncode == 1, done.stdout
    assert "2 failed, 10 passed, 2 skipped" in done.stdout
    assert (tmp_path / "runs.txt").read_text() == "run\nrun\n"


@pytest.mark.slow
def test_selecting_and_stopping(simulated: Simulated) -> None:
    """``-k``, ``-x`` and the name of a single test do what they do everywhere; nothing is simulated again."""
    folder, _ = simulated
    (folder / "elsewhere").mkdir()
    for arguments, code, counts in (
        (("-k", "low_level and limits"), 0, "1 passed, 6 deselected"),
        (("-x",), 1, "1 failed in"),
        (("--board-only", "control=1"), 0, "5 passed, 1 skipped"),
    ):
        done = typed(folder, ONE, "-q", *arguments)
        assert (done.returncode, counts in done.stdout) == (code, True), done.stdout
    done = typed(folder, f"{ONE}::small[duty agrees]", "-q")
    assert done.returncode == 0 and "1 passed" in done.stdout


@pytest.mark.slow
def test_what_is_neither_limit_nor_agreement_is_not_lost(tmp_path: Path) -> None:
    """A part drawn otherwise, which no limit notices, is an error of the last test; the count stays."""
    write(tmp_path, NETLIST.replace("4.7k", "5.1k"), BOARD.replace("most = 0.7", "most = 0.9"))
    done = typed(tmp_path, ONE, "-q", "--junitxml=results.xml")
    told = cases(tmp_path / "results.xml")
    assert done.returncode == 1 and list(told) == names(NAMES)
    assert [name for name, tags in told.items() if tags == ["error"]] == [f"small[{NAMES[-1]}]"]
    assert "failure" not in [tag for tags in told.values() for tag in tags]
    assert "Rpull: 4.7 kOhm intended, 5.1 kOhm drawn" in done.stdout
    assert "Rpull: 4.7 kOhm intended, 5.1 kOhm drawn" in (tmp_path / "results.xml").read_text()
    done = typed(tmp_path, ONE, "-q", "-k", "high_level")
    assert done.returncode == 1 and "Rpull: 4.7 kOhm intended, 5.1 kOhm drawn" in done.stdout
    for mark in ("skip", "xfail"):
        (tmp_path / "conftest.py").write_text(
            f"import pytest\ndef pytest_collection_modifyitems(items):\n    items[-1].add_marker('{mark}')\n"
        )
        done = typed(tmp_path, ONE, "-q")
        assert done.returncode == 1 and "1 error" in done.stdout
        assert "Rpull: 4.7 kOhm intended, 5.1 kOhm drawn" in done.stdout


@pytest.mark.slow
def test_it_stands_below_the_failure_that_ends_it_all(tmp_path: Path) -> None:
    """With ``-x`` the last test does not come to speak, so the failure after which pytest stops does; one
    after which it goes on does not."""
    board = BOARD.replace('most = "0.4 V"', 'most = "1 mV"')
    write(tmp_path, NETLIST.replace("4.7k", "5.1k"), board)
    also = "also, neither limit nor agreement:\n  Rpull: 4.7 kOhm intended, 5.1 kOhm drawn"
    for arguments, failed in ((("-x",), 1), (("--maxfail", "2"), 2)):
        done = typed(tmp_path, ONE, "-q", *arguments)
        assert done.returncode == 1 and f"{failed} failed" in done.stdout, done.stdout
        assert done.stdout.count(also) == 1


@pytest.mark.slow
def test_it_stands_below_a_failure_of_the_last_test(tmp_path: Path) -> None:
    """Where the last test fails itself, its text tells both, and the count stays again."""
    board = BOARD.replace('value = "0.1 V"', 'value = "3 V"')
    write(tmp_path, NETLIST.replace("4.7k", "5.1k"), board)
    done = typed(tmp_path, ONE, "-q", "--junitxml=results.xml")
    told = cases(tmp_path / "results.xml")
    assert done.returncode == 1 and list(told) == names(NAMES)
    assert told[f"small[{NAMES[-1]}]"] == ["failure"]
    text = done.stdout
    assert "also, neither limit nor agreement:\n  Rpull: 4.7 kOhm intended, 5.1 kOhm drawn" in text
    assert "likely cause: a part is not drawn as intended (Rpull: 4.7 kOhm intended, 5.1 kOhm drawn)" in text
