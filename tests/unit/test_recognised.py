# SPDX-License-Identifier: GPL-3.0-or-later
"""The engine's version by the content of its library, and figures of models without an engine."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

from harness.engine import library, recognised, session
from harness.knowing import characterised
from harness.resources import netlists_folder
from harness.run import prepare


@pytest.fixture
def stand_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A file in the place of the library: it is never loaded here."""
    path = tmp_path / "libngspice.so.0"
    path.write_bytes(b"one version")
    monkeypatch.setenv(library.VARIABLE, str(path))
    return path


def test_a_library_is_recognised_by_its_content_alone(stand_in: Path, tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    assert recognised.recognised(folder) is None
    recognised.write_down(folder, str(stand_in), 42)
    assert recognised.recognised(folder) == 42
    stand_in.write_bytes(b"another version")
    assert recognised.recognised(folder) is None
    recognised.write_down(folder, str(stand_in), 44)
    assert recognised.recognised(folder) == 44
    assert [path.name for path in folder.iterdir()] == [recognised.NAME]


def test_a_bare_name_is_no_file_of_the_working_directory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the system's loader knows where such a library is."""
    (tmp_path / "libngspice.so.0").write_bytes(b"another file")
    monkeypatch.chdir(tmp_path)
    recognised.write_down(tmp_path, "libngspice.so.0", 42)
    assert not (tmp_path / recognised.NAME).exists()


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"version": 42}', "null", '"text"'])
def test_what_is_no_such_record_tells_nothing(stand_in: Path, tmp_path: Path, text: str) -> None:
    (tmp_path / recognised.NAME).write_text(text)
    assert recognised.recognised(tmp_path) is None


@pytest.mark.parametrize("version", ["42", 42.0, True, None])
def test_a_version_is_a_whole_number(stand_in: Path, tmp_path: Path, version: object) -> None:
    recognised.write_down(tmp_path, str(stand_in), 42)
    record = json.loads((tmp_path / recognised.NAME).read_text())
    (tmp_path / recognised.NAME).write_text(json.dumps(record | {"version": version}))
    assert recognised.recognised(tmp_path) is None


def test_without_a_library_nothing_is_recognised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(library.VARIABLE, str(tmp_path / "gone"))
    assert recognised.recognised(tmp_path) is None


def test_what_is_kept_needs_no_engine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second time nothing is started, and the values are the same to the bit."""
    for name in ("kestrel_slicer.board.toml", "kestrel_slicer.cir"):
        shutil.copy(netlists_folder() / "boards" / "kestrel" / name, tmp_path)
    prepared = prepare(tmp_path / "kestrel_slicer.board.toml")
    measured, engine = characterised(prepared)

    def started(*_: object, **__: object) -> NoReturn:
        raise AssertionError("an engine was started")

    monkeypatch.setattr("harness.engine.pool.run_all", started)
    monkeypatch.setattr(session, "session", started)
    again, same = characterised(prepared)
    assert same == engine and again.summary() == measured.summary()
    assert again.reused == sum(name != "" for name in again.tables) > measured.reused
    for name, table in measured.tables.items():
        assert again.tables[name].figures.tobytes() == table.figures.tobytes()

    (kept,) = list((tmp_path / ".ramp-harness" / "models").glob("*"))[:1]
    kept.unlink()
    with pytest.raises(AssertionError, match="an engine was started"):
        characterised(prepared)
