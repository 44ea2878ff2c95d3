# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs that are killed at random moments go on where they were, and give what an undisturbed run gives."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from harness.ledger import Ledger
from harness.resources import netlists_folder

NAME = "kestrel_slicer"
CORNERS = 45
FILES = ("corners.csv", "effects.csv", "harmonics.csv", "report.html")
KILLS, PORTIONS = 10, 5  # of the whole run: each portion has moments of its own
WORKER_KILLS = 8
LONGEST = 280.0  # s, of one portion


def copy_of_the_board(folder: Path) -> Path:
    folder.mkdir()
    for ending in ("board.toml", "cir"):
        shutil.copy(netlists_folder() / "boards" / "kestrel" / f"{NAME}.{ending}", folder)
    return folder / f"{NAME}.board.toml"


def started(board: Path, out: Path, ledger: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "harness", "run", str(board), "--out", str(out), "--ledger", str(ledger)]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def finished_corners(ledger: Path) -> int:
    if not ledger.exists():
        return 0
    with Ledger(ledger) as book:
        return len(book)


def workers_of(process: int) -> list[int]:
    """Processes that simulate for another one."""
    found = []
    for entry in Path("/proc").iterdir():
        with suppress(OSError, ValueError):
            parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == process and b"spawn_main" in (entry / "cmdline").read_bytes():
                found.append(int(entry.name))
    return found


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("undisturbed")
    board = copy_of_the_board(folder / "board")
    assert started(board, folder / "out", folder / "ledger.sqlite").wait() in (0, 1)
    return folder / "out"


def same(out: Path, undisturbed: Path) -> None:
    for name in FILES:
        assert (out / name).read_bytes() == (undisturbed / name).read_bytes(), name


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
@pytest.mark.parametrize("portion", range(PORTIONS))
def test_the_whole_run_killed_at_random_moments(undisturbed: Path, tmp_path: Path, portion: int) -> None:
    """No finished corner is simulated twice: the next run reuses all that stand in the ledger."""
    moments = random.Random(20 + portion)
    board = copy_of_the_board(tmp_path / "board")
    kills = rounds = 0
    begun = time.monotonic()
    while kills < KILLS and time.monotonic() - begun < LONGEST:
        rounds += 1
        ledger, out = tmp_path / f"{rounds}.sqlite", tmp_path / f"out{rounds}"
        while True:
            before = finished_corners(ledger)
            process = started(board, out, ledger)
            with suppress(subprocess.TimeoutExpired):
                process.wait(moments.uniform(0.8, 3.5) if kills < KILLS else None)
            if process.poll() is not None:
                break
            process.send_signal(signal.SIGKILL)
            process.wait()
            kills += 1
            assert finished_corners(ledger) >= before
        record = json.loads((out / "run.json").read_text())
        assert record["reused"] == before
        assert record["reused"] + record["simulated"] == record["corners"]
        same(out, undisturbed)
    assert kills >= KILLS


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
def test_workers_killed_at_random_moments(undisturbed: Path, tmp_path: Path) -> None:
    """A worker that dies costs nothing but time: its corner is simulated once more."""
    moments = random.Random(11)
    board = copy_of_the_board(tmp_path / "board")
    kills = rounds = 0
    while kills < WORKER_KILLS and rounds < 2 * WORKER_KILLS:
        rounds += 1
        ledger, out = tmp_path / f"{rounds}.sqlite", tmp_path / f"out{rounds}"
        process = started(board, out, ledger)
        until = moments.randint(1, CORNERS - 5)  # by corners, not by the clock: machines differ in speed
        while process.poll() is None and finished_corners(ledger) < until:
            time.sleep(0.05)
        time.sleep(moments.uniform(0.0, 0.05))
        for worker in workers_of(process.pid)[:1]:
            if finished_corners(ledger) < CORNERS:
                os.kill(worker, signal.SIGKILL)
                kills += 1
        assert process.wait() in (0, 1)
        same(out, undisturbed)
    assert kills >= WORKER_KILLS
