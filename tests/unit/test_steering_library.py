# SPDX-License-Identifier: GPL-3.0-or-later
"""Building, keeping and opening the compiled callbacks, and doing without them."""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from harness.engine import steering
from harness.engine.steering import NotBuilt

RUN = """
import hashlib
from harness.engine.session import session
from harness.engine.steering import callbacks_kind, callbacks_reason
engine = session()
engine.load(["v1 a 0 1", "r1 a b 1k", "c1 b 0 1n"])
waves = engine.transient(1e-7, 1e-5, 1e-7)
print(callbacks_kind(), hashlib.sha256(waves["b"].tobytes()).hexdigest(), engine.callback_seconds > 0)
print(callbacks_reason())
"""


@pytest.fixture(scope="module")
def compiler() -> str:
    try:
        return steering.find_compiler()
    except NotBuilt:
        pytest.skip("no C compiler here")


def in_a_fresh_process(**environment: str) -> list[str]:
    run = subprocess.run(
        [sys.executable, "-c", RUN], env=os.environ | environment, capture_output=True, text=True, timeout=60
    )
    assert run.returncode == 0 and not run.stderr, run.stderr
    return run.stdout.splitlines()


def test_without_a_compiler_or_on_request_the_twin_gives_the_same_waves(
    compiler: str, tmp_path: Path
) -> None:
    """Figures do not depend on what is installed; the reason for the twin is known, nothing is printed."""
    (usual, reason), (missing, why), (asked, wish) = (
        in_a_fresh_process(),
        in_a_fresh_process(PATH=str(tmp_path)),
        in_a_fresh_process(**{steering.VARIABLE: "python"}),
    )
    assert usual.split()[0] == "compiled" and reason == ""
    assert missing.split()[0] == asked.split()[0] == "python"
    assert "no C compiler" in why and steering.VARIABLE in wish
    assert usual.split()[1:] == missing.split()[1:] == asked.split()[1:]
    assert usual.split()[2] == "True"


def test_what_was_built_is_kept_and_found_again(compiler: str, tmp_path: Path) -> None:
    key = steering.key_of(compiler)
    assert steering.kept(tmp_path, key) is None
    path = steering.build(compiler, tmp_path, key)
    assert steering.kept(tmp_path, key) == path
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]
    assert steering.kept(tmp_path, "another key") is None


@pytest.mark.parametrize("damage", [b"", b"no library at all", None])
def test_a_damaged_file_is_built_anew(compiler: str, tmp_path: Path, damage: bytes | None) -> None:
    """Empty, replaced or cut short (which would kill the process that opens it): its name gives it away."""
    key = steering.key_of(compiler)
    path = steering.build(compiler, tmp_path, key)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2] if damage is None else damage)
    assert steering.kept(tmp_path, key) is None
    again = steering.build(compiler, tmp_path, key)
    assert steering.kept(tmp_path, key) == again
    steering.open_library(again)


def test_a_file_that_others_could_have_written_is_not_opened(compiler: str, tmp_path: Path) -> None:
    key = steering.key_of(compiler)
    path = steering.build(compiler, tmp_path, key)
    path.chmod(0o777)
    assert steering.kept(tmp_path, key) is None
    path.chmod(0o755)
    target = path.rename(tmp_path / "elsewhere")
    path.symlink_to(target)
    assert steering.kept(tmp_path, key) is None


def test_many_may_build_at_once(compiler: str, tmp_path: Path) -> None:
    """Each gets a whole file, and nothing else is left behind."""
    key = steering.key_of(compiler)
    with ThreadPoolExecutor(4) as crew:
        paths = list(crew.map(lambda _: steering.build(compiler, tmp_path, key), range(4)))
    for path in paths:
        steering.open_library(path)
    assert {entry.name for entry in tmp_path.iterdir()} == {path.name for path in paths}
    assert steering.kept(tmp_path, key) in paths


def test_a_package_that_cannot_be_written_gets_a_private_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody else can enter that folder; workers take the one they are given."""
    (tmp_path / "file").touch()
    monkeypatch.setattr(steering, "BUILT", tmp_path / "file" / "built")
    (private,) = steering.folders()
    assert private.stat().st_mode & 0o777 == 0o700 and private.stat().st_uid == os.getuid()
    monkeypatch.setattr(steering, "_shared_folder", tmp_path)
    assert list(steering.folders()) == [tmp_path]


def test_a_source_that_does_not_compile_says_so(
    compiler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = tmp_path / "steer.c"
    broken.write_text("this is no C\n")
    monkeypatch.setattr(steering, "SOURCE", broken)
    with pytest.raises(NotBuilt, match=r"failed: .*error"):
        steering.build(compiler, tmp_path, "key")


def test_a_library_that_computes_otherwise_is_refused(
    compiler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An operation that differs from the twin in its last digits is found when the library is opened."""
    source = steering.SOURCE.read_text()
    assert source.count("return tanh(a);") == 1
    other = tmp_path / "steer.c"
    other.write_text(source.replace("return tanh(a);", "return tanhf((float)a);"))
    (tmp_path / "steer.h").write_text(steering.HEADER.read_text())
    monkeypatch.setattr(steering, "SOURCE", other)
    path = steering.build(compiler, tmp_path, "key")
    with pytest.raises(NotBuilt, match="hyperbolic_tangent differ"):
        steering.open_library(path)
