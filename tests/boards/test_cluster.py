# SPDX-License-Identifier: GPL-3.0-or-later
"""Corners on the workers of a Dask cluster, all of it on the loopback address: same figures, and losses."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from harness.cli import main
from harness.engine import cluster as clusters
from harness.engine.cluster import connected
from harness.engine.errors import EngineFailed
from harness.engine.session import session
from harness.findings import InputError
from harness.resources import netlists_folder

pytest.importorskip("distributed")
HERE = "127.0.0.1"
NAME = "kestrel_slicer"
ONLY = ("--only", "temperature=25")  # 15 corners
ONE = (*ONLY, "--only", "supply=15", "--only", "control=5")
FILES = ("corners.csv", "effects.csv", "harmonics.csv", "report.html")
UNIT = Path(__file__).parents[1] / "unit"
MANY = 1000.0  # s that no test takes


class Site:
    """A scheduler and its workers, processes of this machine. ``folder``: theirs."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.workers: list[subprocess.Popen[bytes]] = []
        with socket.socket() as free:
            free.bind((HERE, 0))
            port = free.getsockname()[1]
        self.address = f"tcp://{HERE}:{port}"
        self.scheduler = self._started("dask_scheduler", "--port", str(port), "--no-show")
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            with suppress(OSError), socket.create_connection((HERE, port), 1):
                return
            time.sleep(0.1)
        raise TimeoutError("the scheduler did not come up")

    def add(self, count: int = 1, nanny: str = "--no-nanny") -> None:
        """Starts workers, without a nanny so that one that is killed stays away, and awaits them."""
        from distributed import Client

        for _ in range(count):
            room = self.folder / f"worker{len(self.workers)}"
            options = ("--nthreads", "1", nanny, "--local-directory", str(room))
            self.workers.append(self._started("dask_worker", self.address, *options))
        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(len(self.workers), timeout=60)

    def kill(self, place: int) -> None:
        self.workers[place].send_signal(signal.SIGKILL)
        self.workers[place].wait()

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):  # a worker takes its leave of the scheduler
            process.terminate()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    def _started(self, module: str, *options: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", f"distributed.cli.{module}", "--host", HERE, "--no-dashboard"]
        return subprocess.Popen(
            [*command, *options],
            env={**os.environ, "PYTHONPATH": f"{UNIT.parents[1]}{os.pathsep}{UNIT}"},
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Site]:
    monkeypatch.syspath_prepend(str(UNIT))
    folder = tmp_path / "site"
    folder.mkdir()
    made = Site(folder)
    yield made
    made.close()


@pytest.fixture
def board(tmp_path: Path) -> Path:
    for ending in ("board.toml", "cir"):
        shutil.copy(netlists_folder() / "boards" / "kestrel" / f"{NAME}.{ending}", tmp_path)
    return tmp_path / f"{NAME}.board.toml"


def engine() -> str:
    return session().version_text


def run(board: Path, out: Path, *options: str) -> None:
    ledger = out.with_suffix(".sqlite")
    assert main(["run", str(board), "--out", str(out), "--ledger", str(ledger), *ONLY, *options]) == 0


def same(one: Path, other: Path) -> None:
    for name in FILES:
        assert (one / name).read_bytes() == (other / name).read_bytes(), name


def eventually(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 30
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.1)


def test_without_dask_the_message_says_what_to_install(
    board: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["run", str(board), "--cluster", "tcp://127.0.0.1:8786"]) == 2
    assert "pip install 'ramp-harness[cluster]'" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["run", "worst", "yield"])
def test_an_address_where_nobody_answers_is_a_sentence(
    command: str, board: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(clusters, "PATIENCE", 0.3)
    with socket.socket() as taken:  # bound, but nobody listens
        taken.bind((HERE, 0))
        address = f"tcp://{HERE}:{taken.getsockname()[1]}"
        assert main([command, str(board), "--cluster", address]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"--cluster: no scheduler answers at {address}")
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:port", "smoke://127.0.0.1:1", ""])
def test_what_is_no_address_is_a_sentence(
    address: str, board: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", str(board), "--cluster", address]) == 2
    assert capsys.readouterr().err.startswith("--cluster: ")


def test_processes_here_and_a_cluster_exclude_each_other(
    board: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["run", str(board), "--jobs", "2", "--cluster", "tcp://127.0.0.1:8786"])
    assert ended.value.code == 2
    assert "not allowed with" in capsys.readouterr().err


@pytest.mark.slow
def test_same_bytes_also_where_a_worker_is_killed_midway(site: Site, board: Path, tmp_path: Path) -> None:
    site.add(2)
    run(board, tmp_path / "local")
    run(board, tmp_path / "cluster", "--cluster", site.address)
    same(tmp_path / "local", tmp_path / "cluster")

    import harness.run as whole

    done: list[str] = []

    def progress(count: int, most: int, text: str) -> None:
        done.append(text)
        if count == 4:
            site.kill(0)

    with connected(site.address) as workers:
        assert workers.count == 2
        ledger = tmp_path / "killed.sqlite"
        only = [("temperature", 25.0)]
        result = whole.run(board, jobs=workers, only=only, progress=progress, ledger=ledger)
        workers._looked = 0.0
        workers._look()
        assert workers.count == 1
    assert len(done) == 15
    assert result.run["simulated"] == 15
    result.corners.to_csv(tmp_path / "killed.csv", index=False)
    whole.run(board, only=only, ledger=tmp_path / "local.sqlite").corners.to_csv(
        tmp_path / "undisturbed.csv", index=False
    )
    assert (tmp_path / "killed.csv").read_bytes() == (tmp_path / "undisturbed.csv").read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("study", [["worst"], ["yield", "--draws", "5"]])
def test_studies_say_the_same(
    study: list[str], site: Site, board: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site.add(2)
    said = []
    for name, options in (("local", []), ("cluster", ["--cluster", site.address])):
        ledger = ["--ledger", str(tmp_path / f"{name}.sqlite")]
        code = main([study[0], str(board), *study[1:], *ONE, *ledger, *options])
        said.append((code, capsys.readouterr().out))
    assert said[0] == said[1]
    assert said[0][0] in (0, 1)


@pytest.mark.slow
def test_a_crash_costs_one_task_and_no_worker(site: Site) -> None:
    from pool_tasks import work

    site.add(2)
    tasks = [
        ("square", 1.0),
        ("crash", 0.0),
        ("hang", 0.0),
        ("square", 2.0),
        ("engine dead", 0.0),
        ("bug", 0),
    ]
    tasks += [("square", float(number)) for number in range(20)]
    with connected(site.address) as workers:
        found = dict(workers.run_all(tasks, work, 3.0, engine()))
    assert sorted(found) == list(range(len(tasks)))
    assert found[1].reason == "the process of the simulator was killed by SIGSEGV"
    assert found[2].reason == "no result within 3 s: stopped"
    assert found[4].reason == "line 7: last words of the engine"
    assert found[5].reason == "a fault of this program: no such thing"
    assert [found[place].value for place in (0, 3)] == [1.0, 4.0]
    assert [found[place].value for place in range(6, 26)] == [float(n * n) for n in range(20)]
    assert all(worker.poll() is None for worker in site.workers)


@pytest.mark.slow
def test_outcomes_stream_and_tasks_are_taken_only_when_needed(site: Site) -> None:
    from pool_tasks import work

    site.add(1)
    taken: list[int] = []

    def endless() -> Iterator[tuple[str, float]]:
        while True:
            taken.append(1)
            yield ("process", 0.0)

    with connected(site.address) as workers:
        stream = workers.run_all(endless(), work, MANY, engine())
        processes = {int(next(stream)[1].value or 0) for _ in range(10)}
        stream.close()
    assert len(taken) < 20
    assert len(processes) == 1
    assert processes.isdisjoint({worker.pid for worker in site.workers})


@pytest.mark.slow
def test_workers_of_another_kind_are_named_and_nothing_is_simulated(site: Site) -> None:
    from pool_tasks import work

    site.add(2)
    with connected(site.address) as workers:
        with pytest.raises(InputError) as refused:
            list(workers.run_all([("square", 2.0)], work, MANY, "ngspice-of-another-day"))
        said = str(refused.value)
        assert "ngspice-of-another-day" in said
        assert said.count(f"tcp://{HERE}:") == 2
        assert said.count(engine()) == 2

        # One that joins after the others were looked at says so itself.
        workers._check = lambda kind: None  # type: ignore[method-assign]
        with pytest.raises(InputError, match="ngspice-of-another-day"):
            list(workers.run_all([("square", 2.0)], work, MANY, "ngspice-of-another-day"))


@pytest.mark.slow
def test_a_cluster_without_workers_is_a_sentence(
    site: Site, board: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", str(board), "--cluster", site.address]) == 2
    assert capsys.readouterr().err.startswith(f"--cluster: no worker is at {site.address}")


@pytest.mark.slow
@pytest.mark.parametrize("lost", ["the last worker", "the scheduler"])
def test_a_cluster_that_is_lost_ends_the_run(lost: str, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    from pool_tasks import work

    monkeypatch.setattr(clusters, "ALONE", 3.0)
    site.add(1)
    with connected(site.address) as workers:
        stream = workers.run_all([("square", 2.0), ("sleep", 60.0)], work, MANY, engine())
        assert next(stream)[1].value == 4.0
        if lost == "the scheduler":
            site.scheduler.kill()
        else:
            site.kill(0)
        begin = time.monotonic()
        with pytest.raises(EngineFailed, match="finished corners are written down"):
            next(stream)
    assert time.monotonic() - begin < 60


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
@pytest.mark.parametrize(
    ("nanny", "how"),
    [("--no-nanny", signal.SIGKILL), ("--no-nanny", signal.SIGTERM), ("--nanny", signal.SIGTERM)],
)
def test_no_process_outlives_its_dask_worker(nanny: str, how: signal.Signals, site: Site) -> None:
    from pool_tasks import work

    site.add(1, nanny)
    with connected(site.address) as workers:
        found = dict(workers.run_all([("process", 0.0)], work, MANY, engine()))
    process = Path("/proc") / str(found[0].value)
    assert process.exists()
    site.workers[0].send_signal(how)
    site.workers[0].wait(6)  # a nanny is not patient for much longer
    eventually(lambda: not process.exists())
