# SPDX-License-Identifier: GPL-3.0-or-later
"""Absolute maximum ratings from the command line, on real ngspice: a breach is a verdict of its own, exit 1.

Boards are copies of the demo slicer, changed as a designer would change them, at one corner.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from harness.cli import main
from harness.resources import netlists_folder

BOARD, NETLIST = "kestrel_slicer.board.toml", "kestrel_slicer.cir"
pytestmark = pytest.mark.slow  # each board measures its models alone first
ONE_CORNER = ["--only", "control=5", "--only", "supply=15", "--only", "temperature=25", "--jobs", "1"]


def run(folder: Path, changes: dict[str, str], ratings: str = "") -> tuple[int, pd.Series, pd.DataFrame]:
    """Exit code, the corner's row, and the ratings by part and words, of the slicer with texts replaced."""
    for name in (BOARD, NETLIST):
        shutil.copy(netlists_folder() / "boards" / "kestrel" / name, folder / name)
        text = (folder / name).read_text()
        for old, new in changes.items():
            text = text.replace(old, new)
        (folder / name).write_text(text)
    if ratings:
        with (folder / BOARD).open("a") as file:
            file.write(f"\n[ratings]\n{ratings}\n")
    code = main(["run", str(folder / BOARD), "--out", str(folder / "out"), *ONE_CORNER])
    table = pd.read_csv(folder / "out" / "corners.csv")
    return code, table.iloc[0], pd.read_csv(folder / "out" / "ratings.csv").set_index(["part", "rating"])


def test_the_untouched_board_keeps_every_rating(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, row, ratings = run(tmp_path, {}, 'Rpull = "0.25 W"')
    assert code == 0
    assert row["ratings"] == "within"
    assert set(ratings["verdict"]) == {"within"}
    assert "none is breached" in capsys.readouterr().out
    assert "none is breached" in (tmp_path / "out" / "report.html").read_text()
    # the mean of a current that flows while the output is low, by Ohm's law from the measured figures
    current = (8.0 - row["low_level.simulated"]) / 3.3e3
    assert ratings.loc[("Xslice", "output current"), "value"] == pytest.approx(current, rel=5e-3)
    power = current**2 * 3.3e3 * (1 - row["duty.simulated"])
    assert ratings.loc[("Rpull", "dissipation"), "value"] == pytest.approx(power, rel=0.02)
    assert ratings.loc[("Xslice", "supply voltage"), "value"] == pytest.approx(15.0)


def test_a_pull_up_that_is_far_too_small(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A 311-class output takes in what 100 Ohm bring, above the 50 mA that it is made to switch; the
    resistor gets hotter than it may."""
    changes = {
        "parts/comparator_393.inc": "parts/comparator_311.inc",
        "vcc 0 out comparator_393": "vcc 0 out 0 comparator_311",
        '"393"': '"311"',
        "Rpull rail out 3.3k": "Rpull rail out 100",
        '"3.3k 1%"': '"100 1%"',
    }
    code, row, ratings = run(tmp_path, changes, 'Rpull = "125 mW"')
    assert code == 1
    current = (8.0 - row["low_level.simulated"]) / 100
    output = ratings.loc[("Xslice", "output current")]
    assert output["verdict"] == "breached"
    assert output["value"] == pytest.approx(current, rel=5e-3)
    assert ratings.loc[("Rpull", "dissipation"), "verdict"] == "breached"
    assert row["ratings"].startswith("breached: ")
    assert "Xslice output current" in row["ratings"] and "rating 50 mA" in row["ratings"]
    screen = capsys.readouterr().out
    assert "breaches an absolute maximum rating" in screen
    assert "Xslice: output current" in screen
    assert "Xslice" in (tmp_path / "out" / "report.html").read_text()


def test_an_input_beyond_the_rail(tmp_path: Path) -> None:
    """The ramp goes to -1 V, below the -0.3 V of the 393's sheet."""
    code, row, ratings = run(tmp_path, {"ramp_foot=0.6": "ramp_foot=-1", '"0.6 V"': '"-1 V"'})
    assert code == 1
    minus = ratings.loc[("Xslice", "voltage at the minus input")]
    assert (minus["verdict"], minus["value"]) == ("breached", pytest.approx(-1.0, abs=1e-3))
    assert "Xslice voltage at the minus input -1 V, rating -300 mV" in row["ratings"]


def test_the_boards_own_rating_goes_before_the_sheet(tmp_path: Path) -> None:
    code, row, ratings = run(tmp_path, {}, 'sink_current = "2 mA"')
    assert code == 1
    output = ratings.loc[("Xslice", "output current")]
    assert (output["verdict"], output["most"], output["source"]) == ("breached", 2e-3, "board file")
    assert "rating 2 mA" in row["ratings"]
