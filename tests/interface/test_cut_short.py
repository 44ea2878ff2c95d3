# SPDX-License-Identifier: GPL-3.0-or-later
"""Output that nobody reads to its end, such as into ``head``: what was asked for with --out is there."""

from __future__ import annotations

import argparse
import io
from pathlib import Path

import pandas as pd
import pytest

from harness.cli import main
from harness.commands.answering import answered
from harness.resources import netlists_folder
from harness.studies.answers import Answer

BOARD = netlists_folder() / "boards" / "kestrel" / "kestrel_slicer.board.toml"


class Closed(io.StringIO):
    """A pipe whose reader has gone."""

    def write(self, text: str) -> int:
        raise BrokenPipeError


@pytest.mark.parametrize(
    ("arguments", "table"), [(["check", str(BOARD)], "predictions.csv"), (["sources"], "sources.csv")]
)
def test_tables_are_written_before_the_words(
    arguments: list[str], table: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdout", Closed())
    assert main([*arguments, "--out", str(tmp_path / "out")]) == 1
    assert (tmp_path / "out" / table).is_file()


def test_tables_of_a_study_are_written_before_its_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which took minutes."""
    answer = Answer(["a line"], {"worst.csv": pd.DataFrame({"quantity": ["duty"]})}, {"board": "held"}, False)
    monkeypatch.setattr("sys.stdout", Closed())
    with pytest.raises(BrokenPipeError):
        answered(answer, argparse.Namespace(out=tmp_path, board=tmp_path / "held.board.toml"))
    assert {path.name for path in tmp_path.iterdir()} == {"worst.csv", "run.json"}
