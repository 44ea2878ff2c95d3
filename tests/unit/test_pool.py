# SPDX-License-Identifier: GPL-3.0-or-later
"""Workers that hang, crash, exit or raise cost one task each, and say why."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.engine.pool import Outcome, Standing, Team, run_all
from harness.engine.session import EngineMissing

Task = tuple[str, float]
MANY = 1000.0  # seconds that no test takes


@pytest.fixture(autouse=True)
def reachable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Workers are given the search path of this process; what they run lies beside this file."""
    monkeypatch.syspath_prepend(str(Path(__file__).parent))


def start(
    tasks: list[Task], workers: int = 2, seconds: float = MANY, memory: int | None = None
) -> Iterator[tuple[int, Outcome[float | int | str]]]:
    from pool_tasks import work

    more = {} if memory is None else {"memory": memory}
    return run_all(tasks, work, workers, seconds, **more)


def outcomes(tasks: list[Task], workers: int = 2, seconds: float = MANY) -> list[Outcome[float | int | str]]:
    found = dict(start(tasks, workers, seconds))
    assert sorted(found) == list(range(len(tasks)))
    return [found[index] for index in range(len(tasks))]


def alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_values_come_by_index() -> None:
    assert [outcome.value for outcome in outcomes([("square", n) for n in range(20)])] == [
        n * n for n in range(20)
    ]


def test_workers_are_deaf_to_an_interrupt_while_they_start_and_this_process_is_not() -> None:
    """In a process of its own, since what the first pool of a process starts beside it would lift the block;
    the signal is blocked in every worker, also in place of one that crashed, and not where they are asked."""
    script = """
import signal
from harness.engine.pool import run_all
from pool_tasks import work
tasks = [("deaf", 0.0), ("crash", 0.0), ("deaf", 1.0), ("deaf", 2.0)]
found = dict(run_all(tasks, work, 1, 1000.0))
print([found[place].value for place in (0, 2, 3)])
print(signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, []))
"""
    paths = os.pathsep.join(str(path) for path in sys.path)
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": paths}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.split("\n")[:2] == ["[1, 1, 1]", "False"], done.stderr


def test_no_tasks_no_outcomes() -> None:
    assert outcomes([]) == []


def test_each_failure_costs_its_own_task_only() -> None:
    failures: list[Task] = [
        ("crash", 0),
        ("exit", 3),
        ("bug", 0),
        ("engine error", 0),
        ("engine dead", 0),
        ("undefined", 0),
        ("memory", 6e9),
    ]
    tasks = [task for index, failure in enumerate(failures) for task in (failure, ("square", float(index)))]
    found = outcomes(tasks)
    assert [outcome.value for outcome in found[1::2]] == [index**2 for index in range(len(failures))]
    crash, exit_, bug, error, dead, undefined, memory = found[::2]
    assert crash.reason == "the process of the simulator was killed by SIGSEGV"
    assert exit_.reason == "the process of the simulator ended by itself with exit code 3"
    assert bug.reason == "a fault of this program: no such thing"
    assert "raise KeyError" in bug.details
    assert error.reason == "line 3: words of the engine"
    assert dead.reason == "line 7: last words of the engine"
    assert undefined.reason.startswith("line 2: ")
    assert "nowhere" in undefined.reason
    assert memory.reason == "the memory limit of a worker was reached"
    assert not any(outcome.ok or outcome.value for outcome in found[::2])


def test_a_hanging_engine_is_killed_and_its_neighbours_finish() -> None:
    begin = time.monotonic()
    hang, *others = outcomes([("hang", 0), ("square", 2), ("ramp", 1.2), ("square", 3)], seconds=2)
    assert hang == Outcome(None, "no result within 2 s: stopped")
    assert all(outcome.ok for outcome in others)
    assert time.monotonic() - begin < 20


def test_an_engine_that_died_is_not_met_by_the_next_task() -> None:
    """One worker: what follows in its queue runs in another process, and comes out the same."""
    tasks: list[Task] = [("process", 0), ("ramp", 1.2), ("undefined", 0), ("ramp", 1.2), ("process", 0)]
    first, before, dead, after, second = outcomes(tasks, workers=1)
    assert before.ok
    assert before == after
    assert not dead.ok
    assert first.value != second.value


def test_a_dead_process_is_replaced_and_the_task_tried_once_more(tmp_path: Path) -> None:
    marker = tmp_path / "tries"
    from pool_tasks import die_at_first

    outcome = dict(run_all([str(marker)], die_at_first, 1, MANY))[0]
    assert outcome == Outcome(2)
    assert marker.read_text() == "||"


def test_results_do_not_depend_on_the_number_of_workers() -> None:
    tasks: list[Task] = [("ramp", 1 + n / 10) for n in range(6)]
    mixed: list[Task] = [("ramp", 1.0), ("crash", 0), ("engine dead", 0)]
    single = outcomes(tasks, workers=1)
    assert all(outcome.ok for outcome in single)
    assert len({outcome.value for outcome in single}) == 6
    assert outcomes([*mixed, *tasks], workers=3)[3:] == single
    assert outcomes(tasks[::-1], workers=2)[::-1] == single


def test_outcomes_stream_in_as_they_are_ready() -> None:
    stream = start([("sleep", 3), ("square", 5)])
    begin = time.monotonic()
    index, outcome = next(stream)
    assert (index, outcome.value) == (1, 25)
    stream.close()  # type: ignore[attr-defined]
    assert time.monotonic() - begin < 3


def test_tasks_are_taken_only_when_needed() -> None:
    taken = []

    def endless() -> Iterator[Task]:
        while True:
            taken.append(1)
            yield ("process", 0)

    from pool_tasks import work

    stream = run_all(endless(), work, 1, MANY)
    processes = {int(next(stream)[1].value or 0) for _ in range(10)}
    stream.close()
    assert len(taken) < 20
    assert len(processes) == 1
    assert not any(alive(process) for process in processes)


def test_the_memory_limit_can_be_chosen() -> None:
    found = dict(start([("memory", 3e9), ("memory", 1e6)], memory=2 * 1024**3))
    assert found[0].reason == "the memory limit of a worker was reached"
    assert found[1].value == 1_000_000


def test_what_cannot_travel_is_named() -> None:
    from pool_tasks import work

    outcome = dict(run_all([lambda: 0, ("square", 2.0)], work, 1, MANY))  # type: ignore[arg-type]
    assert "lambda" in outcome[0].reason
    assert outcome[1].value == 4


def test_workers_share_a_folder_that_is_gone_afterwards() -> None:
    (first,) = outcomes([("folder", 0)])
    assert first.ok
    assert not Path(str(first.value)).parent.exists()


def test_a_team_stays_from_one_list_to_the_next() -> None:
    """With each list its own indices, and last words of its own."""
    from pool_tasks import work

    with Team(1) as team:
        first = dict(team.run_all([("process", 0.0), ("square", 2.0)], work, MANY))
        second = dict(team.run_all([("square", 3.0), ("process", 0.0)], work, MANY))
        process = int(first[0].value or 0)
        assert (first[1].value, second[0].value, second[1].value) == (4.0, 9.0, process)
        assert dict(team.run_all([("engine dead", 0.0)], work, MANY))[0].reason.endswith("the engine")
        assert dict(team.run_all([("exit", 71.0)], work, MANY))[0].reason.endswith("exit code 71")
        assert dict(team.run_all([], work, MANY)) == {}
    assert not alive(process)


def test_a_list_that_is_given_up_leaves_no_process_and_hinders_no_other() -> None:
    from pool_tasks import work

    with Team(1) as team:
        stream = team.run_all([("process", 0.0), ("sleep", 60.0)], work, MANY)
        process = int(next(stream)[1].value or 0)
        stream.close()
        assert not alive(process)
        assert dict(team.run_all([("square", 3.0)], work, MANY))[0].value == 9.0


def test_a_missing_engine_is_not_an_outcome(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NGSPICE_LIBRARY_PATH", "/nowhere/none.so")
    with pytest.raises(EngineMissing, match=r"none\.so"):
        list(start([("square", 2), ("ramp", 1.0)]))


def test_standing_workers_survive_a_crash_and_rest_when_idle(tmp_path: Path) -> None:
    from pool_tasks import die_at_first, work

    standing = Standing(1, tmp_path, idle=0.3)
    first = standing.outcome(("process", 0.0), work, MANY).value
    assert standing.outcome(str(tmp_path / "tries"), die_at_first, MANY) == Outcome(2)
    process = int(standing.outcome(("process", 0.0), work, MANY).value or 0)
    assert process != first
    deadline = time.monotonic() + 10
    while alive(process) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not alive(process)
    assert standing.outcome(("square", 3.0), work, MANY).value == 9.0


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")
def test_workers_do_not_outlive_their_parent(tmp_path: Path) -> None:
    import subprocess

    program = tmp_path / "parent.py"
    program.write_text(
        "import os, signal\n"
        "from pool_tasks import work\n"
        "from harness.engine.pool import run_all\n"
        "if __name__ == '__main__':\n"
        "    for index, outcome in run_all([('process', 0), ('hang', 0)], work, 1, 600):\n"
        "        print(outcome.value, flush=True)\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    here = Path(__file__)
    environment = {
        **os.environ,
        "PYTHONPATH": f"{here.parents[2]}{os.pathsep}{here.parent}",
        "TMPDIR": str(tmp_path),
    }
    run = subprocess.run(
        [sys.executable, str(program)],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
        timeout=60,
        check=False,
    )
    worker = int(run.stdout)
    deadline = time.monotonic() + 10
    while alive(worker) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not alive(worker)
