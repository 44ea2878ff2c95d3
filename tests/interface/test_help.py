# SPDX-License-Identifier: GPL-3.0-or-later
"""``--help`` lists the commands that work, and nothing else, at once."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import harness

COMMANDS = [
    "run",
    "check",
    "worst",
    "yield",
    "fit",
    "faults",
    "compare",
    "accept",
    "order",
    "ledger",
    "new",
    "engine",
    "sources",
    "parts",
]


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False)


def test_listed_commands() -> None:
    """The commands of the help are those that this file tests."""
    done = run("-m", "harness", "--help")
    assert (done.returncode, done.stderr) == (0, "")
    _, _, listing = done.stdout.partition("COMMAND\n")
    assert re.findall(r"^    (\w+) +\S", listing, re.MULTILINE) == COMMANDS
    assert "exit codes" in done.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_each_has_help_of_its_own(command: str) -> None:
    """``COMMAND --help`` ends 0 and names the options; every command takes --out."""
    done = run("-m", "harness", command, "--help")
    assert done.returncode == 0
    assert "--out DIR" in done.stdout


def test_version() -> None:
    """``--version`` gives the package's own."""
    assert run("-m", "harness", "--version").stdout.split() == ["ramp-harness", harness.__version__]


@pytest.mark.parametrize(
    "arguments", [[], ["testsheet", "x.board.toml"], ["run"], ["run", "x", "--jobs", "0"]]
)
def test_wrong_usage_ends_2(arguments: list[str]) -> None:
    """An unknown command, a missing board or a senseless option: exit 2, words on stderr, no traceback."""
    done = run("-m", "harness", *arguments)
    assert done.returncode == 2
    assert "usage" in done.stderr and "Traceback" not in done.stderr


def test_missing_board_ends_2() -> None:
    """A board file that is not there is one sentence."""
    for command in ("run", "check"):
        done = run("-m", "harness", command, "nowhere.board.toml")
        assert done.returncode == 2
        assert "nowhere.board.toml" in done.stderr and "Traceback" not in done.stderr


def test_engine_says_which() -> None:
    """``engine`` names the version and the tested range."""
    done = run("-m", "harness", "engine")
    assert done.returncode == 0, done.stderr
    assert re.search(r"ngspice-\d+", done.stdout) and "Tested with ngspice" in done.stdout


def test_help_loads_nothing_heavy() -> None:
    """The numerical libraries are loaded when a command needs them, not for the help."""
    code = (
        "import sys, harness, harness.cli; harness.cli.parser().format_help(); "
        "print(sorted({'numpy', 'pandas', 'matplotlib', 'scipy', 'PySpice'} & set(sys.modules)))"
    )
    assert run("-c", code).stdout.strip() == "[]"


def test_sources_lists_every_outside_check(tmp_path: Path) -> None:
    """``sources`` computes every printed figure anew; none is off, and slips in print are found."""
    done = run("-m", "harness", "sources", "--out", str(tmp_path))
    assert done.returncode == 0, done.stdout[-2000:]
    table = pd.read_csv(tmp_path / "sources.csv")
    assert list(table.columns) == ["check", "source", "place", "kind", "printed", "got", "verdict"]
    assert len(table) >= 80 and table["source"].nunique() >= 20
    assert set(table["verdict"]) == {"agrees", "found"}
