# SPDX-License-Identifier: GPL-3.0-or-later
"""ngspice in its process: the same answer whatever ran before, the end of a dead engine, the library."""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.engine.session import (
    EngineDead,
    EngineError,
    EngineMissing,
    Session,
    engine_report,
    find_library,
    session,
)

DIVIDER = ["v1 in 0 6", "r1 in out 2k", "r2 out 0 1k"]
CORE = [
    "icharge 0 ramp 25u",
    "cramp ramp 0 1n ic=0",
    "sreset ramp 0 ramp 0 reset",
    ".model reset sw vt=2.5 vh=2.4 ron=50 roff=1g",
]
STUCK = [  # a current that has no answer from 1 us on: the run breaks off with half of its data in the plot
    "v1 in 0 1",
    "l1 in b 1u",
    "d1 b 0 dd",
    ".model dd d is=1e-14",
    "b2 b 0 i=1e9*(time>1u ? (v(b)>0.3 ? 1 : -1) : 0)",
    "c1 b 0 1e-15",
]


@pytest.fixture
def engine() -> Iterator[Session]:
    """The session of the test process, left without a circuit."""
    yield session()
    session().unload()


class Short:
    """A stepper that ends the run at its twentieth point."""

    bound = 1e-7

    def __init__(self) -> None:
        self.points = 0

    def point(self, data: Any) -> bool:
        self.points += 1
        return self.points >= 20


def fingerprint(waves: dict[str, Any]) -> str:
    digest = hashlib.sha256()
    for name in sorted(waves):
        digest.update(name.encode() + waves[name].tobytes())
    return digest.hexdigest()


def elsewhere(program: str, folder: Path | None = None, **environment: str) -> Any:
    """Run a few lines in a process of their own; what they leave in ``answer``."""
    head = "import json\nfrom harness.engine.session import *\n"
    run = subprocess.run(
        [sys.executable, "-c", head + program + "\nprint(json.dumps(answer))"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), **environment},
    )
    assert run.stderr == ""
    return json.loads(run.stdout)


# --- the same answer whatever ran before


def test_results_do_not_depend_on_what_ran_before(engine: Session) -> None:
    def run(current: float) -> str:
        engine.load([*CORE, ".param i=1", f".param i={current!r}", "r1 ramp 0 {1meg*i}"])
        engine.alter("icharge", 25e-6 * current)
        return fingerprint(engine.transient(1e-6, 300e-6, 1e-6))

    first = [run(current) for current in (1.0, 1.2)]
    assert first[0] != first[1]
    for bad in (STUCK, ["v1 a 0 1", "x1 a 0 nowhere"], ["v1 a 0 1", "z1 a 0"], [*DIVIDER, ".save nowhere"]):
        with pytest.raises(EngineError):
            engine.load(bad)
            engine.transient(1e-8, 2e-6, 2e-8)
        engine.load([*CORE, ".options reltol=1e-5 method=gear gmin=1e-9 itl4=50 temp=80"])
        engine.transient(1e-6, 1e-4, 1e-6, stepper=Short())
        assert [run(current) for current in (1.0, 1.2)] == first
    program = f"""
import hashlib
s, answer = session(), hashlib.sha256()
s.load({[*CORE, ".param i=1", ".param i=1.0", "r1 ramp 0 {1meg*i}"]!r})
s.alter("icharge", 25e-6)
waves = s.transient(1e-6, 300e-6, 1e-6)
for name in sorted(waves):
    answer.update(name.encode() + waves[name].tobytes())
answer = answer.hexdigest()
"""
    assert elsewhere(program) == first[0]


# --- a dead engine


def test_an_engine_that_gave_up_is_not_used_again() -> None:
    program = """
s, answer = session(), []
for lines in (["v1 a 0 1", "r1 a 0 {nowhere}"], ["v1 a 0 1", "r1 a 0 1k"]):
    try:
        s.load(lines)
    except EngineError as error:
        answer.append([type(error).__name__, error.line, str(error)])
for call in (s.operating_point, s.unload, s.listing, lambda: s.transient(1, 1, 1), lambda: s.alter("r1", 1)):
    try:
        call()
    except EngineDead:
        answer.append("dead")
"""
    first, second, *rest = elsewhere(program)
    assert first[:2] == ["EngineDead", 2]
    assert "nowhere" in first[2]
    assert second[0] == "EngineDead"
    assert rest == ["dead"] * 5


@pytest.mark.parametrize(
    "line", ['.include "/nowhere/part.inc"', "b1 b 0 v=v(a)+*3", "b1 b 0 v=atan2(v(a),1)"]
)
def test_errors_that_newer_engines_do_not_survive(line: str) -> None:
    program = f"""
s = session()
try:
    s.load(["v1 a 0 1", {line!r}, "r1 a 0 1k"])
    answer = None
except EngineError as error:
    answer = [s.version, type(error).__name__, error.words]
"""
    version, kind, said = elsewhere(program)
    assert kind == ("EngineError" if version < 44 else "EngineDead")
    assert said


def test_errors_travel_between_processes() -> None:
    for kind in (EngineError, EngineDead):
        copy = pickle.loads(pickle.dumps(kind(["one", "two"], 3)))
        assert (type(copy), copy.words, copy.line, str(copy)) == (kind, ["one", "two"], 3, "line 3: one; two")


# --- the library


def test_importing_loads_neither_pyspice_nor_the_library() -> None:
    program = """
import sys
from pathlib import Path
before = "PySpice" in sys.modules, "libngspice" in Path("/proc/self/maps").read_text()
session()
answer = [before, "PySpice" in sys.modules, "libngspice" in Path("/proc/self/maps").read_text()]
"""
    assert elsewhere(program) == [[False, False], True, True]


def test_settings_of_the_user_are_not_read(tmp_path: Path) -> None:
    """A ``.spiceinit`` where the program was called would be run by ngspice, with a shell at its service."""
    marker = tmp_path / "made"
    (tmp_path / ".spiceinit").write_text(f"shell touch {marker}\n")
    program = "import os\nsession().load(['v1 a 0 1', 'r1 a 0 1k'])\nanswer = os.getcwd()"
    assert elsewhere(program, tmp_path) == str(tmp_path)
    assert not marker.exists()
    start = "from harness.engine.ngspice import Ngspice\n"
    elsewhere(start + f"Ngspice(find_library(), {str(tmp_path)!r})\nanswer = 0", tmp_path)
    assert marker.exists()  # the danger is real


def test_report_of_the_engine() -> None:
    report = engine_report()
    assert report["found"]
    assert report["version"] == session().version >= 39
    assert Path(str(report["library"])).name.startswith("libngspice")
    assert report["tested"] == "39 to 47"
    assert bool(report["mend"]) is not report["within_tested"]


def test_a_missing_engine_says_what_to_type(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NGSPICE_LIBRARY_PATH", str(tmp_path / "none.so"))
    with pytest.raises(EngineMissing, match=r"NGSPICE_LIBRARY_PATH names .*none.so, which is no file"):
        find_library()
    report = elsewhere("answer = engine_report()", NGSPICE_LIBRARY_PATH=str(tmp_path / "none.so"))
    assert report["found"] is False
    assert "none.so" in report["mend"]
    monkeypatch.delenv("NGSPICE_LIBRARY_PATH")
    real = find_library()
    monkeypatch.setattr("harness.engine.library._folders", lambda: iter([tmp_path]))
    monkeypatch.setattr("ctypes.util.find_library", lambda name: None)
    with pytest.raises(EngineMissing, match="sudo apt-get install libngspice0"):
        find_library()
    (tmp_path / "libngspice.so.0").symlink_to(real)
    assert find_library() == str(tmp_path / "libngspice.so.0")


@pytest.mark.parametrize("content", ["text", "libm.so.6"])
def test_a_file_that_is_no_ngspice_is_named(tmp_path: Path, content: str) -> None:
    wrong = tmp_path / "wrong.so"
    if content == "text":
        wrong.write_text("not a library")
    else:
        with Path("/proc/self/maps").open() as maps:
            wrong.symlink_to(next(line.split()[-1] for line in maps if content in line))
    program = "try:\n    session()\nexcept EngineMissing as error:\n    answer = str(error)"
    answer = elsewhere(program, NGSPICE_LIBRARY_PATH=str(wrong))
    assert "is of no use as the ngspice library" in answer
    assert "apt-get install libngspice0" in answer
