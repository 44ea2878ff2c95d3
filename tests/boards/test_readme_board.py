# SPDX-License-Identifier: GPL-3.0-or-later
"""The board that the README shows works as printed there."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[2]


def command(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    call = [sys.executable, "-m", "harness", *arguments]
    environment = {"PATH": "/usr/bin:/bin", "HOME": str(folder), "PYTHONPATH": str(ROOT)}
    return subprocess.run(call, cwd=folder, env=environment, capture_output=True, text=True, check=False)


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """The two files of the README in a folder of their own."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for language, name in (("spice", "first.cir"), ("toml", "first.board.toml")):
        (block,) = re.findall(rf"^```{language}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
        (tmp_path / name).write_text(block, encoding="utf-8")
        assert f"`{name}`" in text
    return tmp_path / "first.board.toml"


def test_check_finds_nothing_wrong(board: Path) -> None:
    """Intended and drawn are the same, and every corner is predicted."""
    done = command("check", board.name, folder=board.parent)
    assert (done.returncode, done.stderr) == (0, "")
    assert "9 corners" in done.stdout


def test_run_keeps_every_limit(board: Path) -> None:
    """All corners are simulated, agree with the hand formulas or are explained, and keep the limits."""
    done = command("run", board.name, folder=board.parent)
    assert done.returncode == 0, done.stdout + done.stderr
    folder = board.parent / "reports" / "first" / "A"
    corners = pd.read_csv(folder / "corners.csv")
    assert list(corners["state"]) == ["pulsing"] * 9
    assert set(corners["duty.limit"]) == {"within"}
    assert corners["duty.simulated"].notna().all()
    assert (folder / "report.html").stat().st_size > 10_000


def test_a_wrong_value_in_the_drawing_is_noticed(board: Path) -> None:
    """A pull-up changed in the netlist alone is named, with both values, and the command ends 1."""
    netlist = board.with_name("first.cir")
    netlist.write_text(netlist.read_text().replace("Rpull vcc out 4.7k", "Rpull vcc out 7.4k"))
    done = command("check", board.name, folder=board.parent)
    assert done.returncode == 1
    assert "4.7 kOhm" in done.stdout and "7.4 kOhm" in done.stdout
