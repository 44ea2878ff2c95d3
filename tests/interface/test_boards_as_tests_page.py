# SPDX-License-Identifier: GPL-3.0-or-later
"""The page on boards as tests: its repository is made as written there, and what it shows comes out."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import harness

PAGE = Path(__file__).resolve().parents[2] / "harness" / "pages" / "boards-as-tests.md"
TEXT = PAGE.read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", TEXT, re.DOTALL | re.MULTILINE)
NUMBER = re.compile(r"\d+(?:\.\d+)?")
TIME = re.compile(r" in \d+\.\d+s(?: \([\d:]+\))?")


def blocks(language: str) -> list[str]:
    """The blocks of the page in one language, in their order."""
    return [block for each, block in BLOCKS if each == language]


def repository(folder: Path) -> None:
    """The files of the page; the package of this checkout stands in for what the script would install."""
    (folder / "pytest.ini").write_text(blocks("ini")[0])
    script = folder / "check-boards"
    script.write_text(blocks("bash")[0])
    script.chmod(0o755)
    (folder / ".venv").mkdir()
    (folder / ".venv" / "bin").symlink_to(Path(sys.executable).parent)


def typed(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """One line of the page, typed in the repository."""
    environment = {
        **{name: value for name, value in os.environ.items() if not name.startswith("PYTEST")},
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "KEEP": str(folder / "kept"),
        "COLUMNS": "100",
    }
    environment.pop("CI", None)
    return subprocess.run(
        ["/bin/sh", "-c", line], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


def assert_alike(shown: str, got: str) -> None:
    """The same words and figures; the last digits may be those of another version of the engine."""
    shown, got = (TIME.sub("", text).strip() for text in (shown, got))
    assert NUMBER.sub("#", shown) == NUMBER.sub("#", got)
    numbers = [[float(number) for number in NUMBER.findall(text)] for text in (shown, got)]
    assert numbers[1] == pytest.approx(numbers[0], rel=0.05, abs=0.002)


def test_the_version_that_it_names_is_this_one() -> None:
    assert f"ramp-harness[pytest]=={harness.__version__}\n" in blocks("")


@pytest.mark.slow
def test_the_repository_does_what_the_page_says(tmp_path: Path) -> None:
    """Every line is typed as it stands; every answer that the page shows is given."""
    repository(tmp_path)
    shown = 0
    for language, block in BLOCKS:
        if language == "sh":
            for line in block.splitlines():
                done = typed(line, tmp_path)
                assert done.returncode == 0, line + done.stdout + done.stderr
        elif block.startswith("$ "):
            command, _, answer = block.removeprefix("$ ").partition("\n")
            done = typed(command, tmp_path)
            assert_alike(answer, done.stdout)
            assert done.returncode == (1 if "FAILED" in answer or "ERROR" in answer else 0)
            shown += 1
    assert shown >= 2
    assert (tmp_path / "boards.xml").is_file() and (tmp_path / "kept" / "ledger.sqlite").is_file()
