# SPDX-License-Identifier: GPL-3.0-or-later
"""Faults of parts from the command line, on real ngspice, against closed forms and data sheets.

The board is a perfect saw and a 393-class slicer, drawn so that reference and control are equal at the
nominal corner: a resistor between them that is missing cannot be seen there.
"""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from harness.cli import main
from harness.faults.answer import faults_of
from harness.faults.fault import COLUMNS
from harness.resources import netlists_folder

pytestmark = pytest.mark.slow  # device models are measured alone first, then some forty boards

VCC, RPULL, RREF, RCONTROL, TOP, HOLD, PERIOD = 12.0, 4.7e3, 100e3, 150e3, 5.0, 10e-6, 1e-3
NETLIST = """* a perfect saw, sliced by a 393-class comparator
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vref ref 0 2
Vcontrol control 0 2
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Rref ref thr 100k
Rcontrol control thr 150k
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out 4.7k
Cload out 0 220p
.end
"""
BOARD = """[board]
format = 1
name = "level"
revision = "A"
netlist = "level.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
supplies = { vcc = "Vcc" }
[core]
kind = "ramp source"
[intended]
Rpull = "4.7k 5%"
[axes.control]
values = [1, 2, 4]
unit = "V"
sets = "Vcontrol"
nominal = 2
[ratings]
Rpull = "25 mW"
[hand]
threshold = "control"
[limits]
duty = { least = 0.1, most = 0.9 }
"""


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("level")
    (folder / "level.cir").write_text(NETLIST, encoding="utf-8")
    (folder / "level.board.toml").write_text(BOARD, encoding="utf-8")
    return folder / "level.board.toml"


@pytest.fixture(scope="module")
def code(board: Path) -> int:
    return main(["faults", str(board), "--out", str(board.parent / "out"), "--jobs", "2"])


@pytest.fixture(scope="module")
def table(board: Path, code: int) -> pd.DataFrame:
    assert code == 1  # a pull-up that is shorted overstresses the comparator
    return pd.read_csv(board.parent / "out" / "faults.csv", keep_default_na=True).set_index("fault")


def test_columns_and_record(board: Path, table: pd.DataFrame) -> None:
    assert list(table.reset_index().columns) == [*COLUMNS, "supply_current_vcc", "text", "reason"]
    record = json.loads((board.parent / "out" / "run.json").read_text())
    assert record["faults"] == len(table)
    assert record["severities"] == {
        severity: int((table["severity"] == severity).sum()) for severity in record["severities"]
    }
    every = pd.read_csv(board.parent / "out" / "fault_corners.csv")
    assert set(every["fault"]) == set(table.index) and len(every) > len(table)


def test_the_missing_pull_up(table: pd.DataFrame) -> None:
    """Nothing pulls the output up: no pulse, and no current but a leak of 12 V through 1 GOhm."""
    row = table.loc["Rpull open"]
    assert (row["state"], row["severity"], row["seen_at_bench"]) == ("stuck low", "wrong sound", "yes")
    assert row["seen"].startswith("stuck low instead of pulsing")
    assert 0 <= abs(row["pullup_current"]) < 2 * VCC / 1e9


def test_the_pull_up_shorted_to_its_supply(table: pd.DataFrame) -> None:
    """The output takes in what its transistor can: 16 mA typical at 1.5 V (SNOSBJ6E), approximately 20 mA
    whatever the supply (ST, Doc ID 2164 rev 14, table 1, note 1); far above the 6 mA that is promised, and
    the output stays up."""
    row = table.loc["Rpull shorted"]
    assert (row["state"], row["severity"], row["seen_at_bench"]) == ("stuck high", "part overstressed", "yes")
    assert row["stressed"] == "Xslice" and row["rated"] == pytest.approx(6e-3)
    assert 16e-3 < row["sink_current"] < 20.5e-3
    assert row["pullup_current"] == pytest.approx(row["sink_current"], rel=1e-3)
    assert row["stress"] == pytest.approx(row["sink_current"], rel=1e-3)


def test_the_output_shorted_to_ground_heats_the_pull_up(table: pd.DataFrame) -> None:
    """Joule: V^2/R of the whole supply, all the time, above the 25 mW that the board file grants."""
    row = table.loc["Cload shorted"]
    power = VCC**2 / RPULL
    assert (row["severity"], row["stressed"], row["rating"]) == ("part overstressed", "Rpull", "dissipation")
    assert row["stress"] == pytest.approx(power, rel=1e-3) and row["rated"] == 25e-3
    assert row["hottest"] == "Rpull" and row["dissipation"] == pytest.approx(power, rel=1e-3)
    assert row["pullup_current"] == pytest.approx(VCC / RPULL, rel=1e-3)


@pytest.mark.parametrize(
    ("fault", "threshold"),
    [("Rref open", 1.0), ("Rcontrol open", 2.0), ("Rref shorted", 2.0), ("Rcontrol shorted", 1.0)],
)
def test_what_only_another_control_voltage_shows(table: pd.DataFrame, fault: str, threshold: float) -> None:
    """Reference and control are alike at the nominal corner, so that no meter tells one from the other; at a
    control of 1 V the threshold is that of the branch that is left (Millman's theorem with one branch)."""
    row = table.loc[fault]
    assert (row["severity"], row["seen_at_bench"]) == ("wrong sound", "no")
    assert row["seen"].startswith("only at control 1 V: ")
    bias = 250e-9 * RCONTROL  # V: the sheet's largest input current in the largest resistance there
    assert row["threshold"] == pytest.approx(threshold, abs=bias)
    assert row["duty"] == pytest.approx(threshold / TOP * (PERIOD - 2 * HOLD) / PERIOD + 5e-3, abs=0.012)


def test_what_no_ear_notices(table: pd.DataFrame) -> None:
    """A load capacitor that is missing makes edges quicker and no more: a scope shows it, no ear does."""
    row = table.loc["Cload open"]
    assert (row["severity"], row["seen_at_bench"]) == ("harmless", "yes") and pd.isna(row["stressed"])
    assert "rise time" in row["seen"]


def test_rails_that_are_joined_are_no_pass(table: pd.DataFrame) -> None:
    row = table.loc["Xslice supply to ground"]
    assert (row["severity"], row["seen_at_bench"]) == ("not simulated", "not known")
    assert "sources hold" in row["reason"]


def test_again_from_the_ledger(board: Path, table: pd.DataFrame) -> None:
    """Nothing is simulated twice, and the tables are the same to the byte, with another number of workers."""
    before = (board.parent / "out" / "faults.csv").read_bytes()
    assert main(["faults", str(board), "--out", str(board.parent / "out"), "--jobs", "1"]) == 1
    record = json.loads((board.parent / "out" / "run.json").read_text())
    assert record["reused"] == record["simulations"] and record["engine_seconds"] == 0
    assert (board.parent / "out" / "faults.csv").read_bytes() == before


def test_another_corner(board: Path, table: pd.DataFrame) -> None:
    """``--only`` puts the control elsewhere: there a bench does show what the nominal corner hides."""
    answer = faults_of(board, {"control": 4.0}, kinds=["open", "shorted"])
    rows = answer.tables["faults.csv"].set_index("fault")
    assert rows.loc["Rcontrol open", "seen_at_bench"] == "yes"
    assert rows.loc["Rcontrol open", "threshold"] == pytest.approx(2.0, abs=0.04)
    assert set(rows["kind"]) == {"open", "shorted"}


def test_a_ramp_that_stands_still_has_its_levels_and_currents(tmp_path: Path) -> None:
    """Kestrel's capacitor shorted: the ramp stays at 0 V, below any threshold, so the output stays high and
    its comparator takes in nothing; and the trip comparator's output stays low, so its pull-up of 4.7k
    carries the whole supply of 15 V (Ohm, Joule)."""
    path = netlists_folder() / "boards" / "kestrel" / "kestrel.board.toml"
    answer = faults_of(path, kinds=["shorted"], ledger=tmp_path / "ledger.sqlite")
    rows = answer.tables["faults.csv"].set_index("fault")
    row = rows.loc["Cramp shorted"]
    assert row["state"] == "no ramp" and "stays at" in row["reason"]
    assert row["low_level"] == pytest.approx(8.0, abs=0.01) == row["high_level"]
    assert abs(row["sink_current"]) < 1e-6
    assert row["supply_current_vcc"] > 14.5 / 4.7e3
