# SPDX-License-Identifier: GPL-3.0-or-later
"""The slicing stage on an ideal ramp, from the command line, on real ngspice: what each kind of change
does.

Boards are copies in a folder of their own, changed as a designer would change them.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.cli import main
from harness.quantities import is_stem
from harness.resources import netlists_folder

BOARD = "kestrel_slicer.board.toml"
NETLIST = "kestrel_slicer.cir"


def copy_of_the_board(folder: Path) -> Path:
    source = netlists_folder() / "boards" / "kestrel"
    for name in (BOARD, NETLIST):
        shutil.copy(source / name, folder / name)
    return folder / BOARD


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {path.name}"
    path.write_text(text.replace(old, new))


def run(board: Path, out: Path, *options: str) -> tuple[int, pd.DataFrame]:
    code = main(["run", str(board), "--out", str(out), *options])
    return code, pd.read_csv(out / "corners.csv")


def quantities(table: pd.DataFrame) -> list[str]:
    return [c.removesuffix(".agreement") for c in table.columns if c.endswith(".agreement")]


def same_corners(out: Path, table: pd.DataFrame) -> pd.DataFrame:
    """The rows of an earlier run for the corners of this one, in the same order and with the same index."""
    rows = pd.read_csv(out / "corners.csv").set_index("corner", drop=False).loc[table["corner"]]
    return rows.set_axis(table.index, axis=0)


@pytest.fixture(scope="module")
def untouched(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, Path]:
    folder = tmp_path_factory.mktemp("untouched")
    board = copy_of_the_board(folder)
    code, _ = run(board, folder / "out")
    return code, folder / "out"


def test_the_untouched_board_falls_short_nowhere(untouched: tuple[int, Path]) -> None:
    """Every limit within, every hand figure agrees, every corner has finite figures with bars; exit 0."""
    code, out = untouched
    table = pd.read_csv(out / "corners.csv")
    assert code == 0
    assert (table["state"] == "pulsing").all()
    for name in ("duty", "low_level", "high_level", "pullup_current"):
        for kind in ("hand", "refined", "simulated", "bar"):
            assert np.isfinite(table[f"{name}.{kind}"]).all(), f"{name}.{kind}"
    for name in quantities(table):
        assert set(table[f"{name}.agreement"]) <= {"agrees", "explained", "no figure"}, name
        assert set(table[f"{name}.limit"]) <= {"within", "no limit"}, name


def test_run_json_tells_what_was_done(untouched: tuple[int, Path]) -> None:
    _, out = untouched
    record = json.loads((out / "run.json").read_text())
    assert record["corners"] == record["simulated"] + record["not_simulated"] + record["reused"]
    assert record["engine_seconds"] > 0 and record["reused"] == 0
    assert record["versions"]["engine"].startswith("ngspice-")


def test_effects_add_up_to_the_difference_row_by_row(untouched: tuple[int, Path]) -> None:
    """The chain from hand to simulated closes for every corner and quantity."""
    _, out = untouched
    table = pd.read_csv(out / "corners.csv").set_index("corner")
    effects = pd.read_csv(out / "effects.csv")
    sums = effects.groupby(["quantity", "corner"])["amount"].sum()
    assert len(sums)
    for (name, corner), total in sums.items():
        difference = table.loc[corner, f"{name}.difference"]
        scale = max(abs(table.loc[corner, f"{name}.simulated"]), abs(difference))
        assert abs(total - difference) <= 1e-9 * scale, (name, corner)
    for name in (n for n in quantities(table) if is_stem(n)):
        known = table.index[np.isfinite(table[f"{name}.difference"])]
        assert set(known) == {corner for quantity, corner in sums.index if quantity == name}


def test_the_report_is_one_page_without_a_network(untouched: tuple[int, Path]) -> None:
    _, out = untouched
    page = (out / "report.html").read_text()
    assert "no limit falls short" in page.lower()
    assert "http://" not in page.replace("http://www.w3.org", "") and "https://" not in page


def test_a_pull_up_changed_in_the_drawing_only(tmp_path: Path, untouched: tuple[int, Path], capsys) -> None:
    """Intended and drawn are both named, the simulated current follows the drawing, the hand column stays."""
    board = copy_of_the_board(tmp_path)
    change(tmp_path / NETLIST, "Rpull rail out 3.3k", "Rpull rail out 2.2k")
    code, table = run(board, tmp_path / "out", "--only", "temperature=25")
    assert code == 1
    check = pd.read_csv(tmp_path / "out" / "check.csv").set_index("part")
    assert check.loc["Rpull", "verdict"] == "differs"
    assert check.loc["Rpull", "intended"] == "3.3 kOhm" and check.loc["Rpull", "drawn"] == "2.2 kOhm"
    assert "Rpull: 3.3 kOhm intended, 2.2 kOhm drawn" in capsys.readouterr().out
    expected = (8.0 - table["low_level.simulated"]) / 2200
    assert (
        abs(table["pullup_current.simulated"] - expected) <= table["pullup_current.bar"] + 0.01 * expected
    ).all()
    before = same_corners(untouched[1], table)
    np.testing.assert_array_equal(before["pullup_current.hand"], table["pullup_current.hand"])
    assert (table["pullup_current.agreement"] == "disagrees").all()


def test_a_misspelt_subcircuit_leaves_earlier_results_alone(tmp_path: Path, capsys) -> None:
    """Exit 2, the line is named, corners.csv keeps every byte."""
    board, out = copy_of_the_board(tmp_path), tmp_path / "out"
    run(board, out, "--only", "temperature=25", "--only", "supply=15")
    before = (out / "corners.csv").read_bytes()
    change(tmp_path / NETLIST, "out comparator_393", "out comparator_939")
    line = next(
        i for i, text in enumerate((tmp_path / NETLIST).read_text().splitlines(), 1) if "_939" in text
    )
    capsys.readouterr()
    assert main(["run", str(board), "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert f"{NETLIST}:{line}" in said and "comparator_939" in said and "comparator_393" in said
    assert "Traceback" not in said
    assert (out / "corners.csv").read_bytes() == before


def test_one_wrong_hand_formula_is_found_alone(tmp_path: Path, untouched: tuple[int, Path]) -> None:
    """A formula times 1.2 disagrees wherever that exceeds its tolerance; no other one leaves "agrees"."""
    board = copy_of_the_board(tmp_path)
    text = board.read_text()
    line = next(line for line in text.splitlines() if line.startswith("rise_time ="))
    formula = line.split('"')[1]
    board.write_text(text.replace(line, f'rise_time = "1.2 * ({formula})"'))
    code, table = run(board, tmp_path / "out", "--only", "temperature=25")
    before = same_corners(untouched[1], table)
    assert code == 1
    assert (table["rise_time.agreement"] == "disagrees").all()
    for name in quantities(table):
        if name != "rise_time":
            assert list(table[f"{name}.agreement"]) == list(before[f"{name}.agreement"]), name


def test_a_formula_without_one_resistor_is_never_explained(tmp_path: Path) -> None:
    """Of right units but wrong: disagrees, whatever real-part effects there are."""
    board = copy_of_the_board(tmp_path)
    text = board.read_text()
    line = next(line for line in text.splitlines() if line.startswith('threshold = "('))
    wrong = line.replace(" + Vrail / Rbias", "").replace(", Rbias", "")
    assert wrong.count("Rbias") == line.count("Rbias") - 2 == 0
    board.write_text(text.replace(line, wrong))
    code, table = run(board, tmp_path / "out", "--only", "temperature=25", "--only", "supply=15")
    assert code == 1
    assert (table["threshold.agreement"] == "disagrees").any()
    assert not (table["threshold.agreement"] == "explained").any()
    assert not (table["duty.agreement"] == "explained").any()


def test_a_parameter_of_the_model_moves_the_simulation(tmp_path: Path, untouched: tuple[int, Path]) -> None:
    """An ideal output transistor pulls lower; hand and drawing do not move."""
    board = copy_of_the_board(tmp_path)
    change(tmp_path / NETLIST, "out comparator_393", "out comparator_393 saturation=0")
    _, table = run(board, tmp_path / "out", "--only", "temperature=25", "--only", "supply=15")
    before = same_corners(untouched[1], table)
    moved = before["low_level.simulated"] - table["low_level.simulated"]
    assert (moved > 5 * (before["low_level.bar"] + table["low_level.bar"])).all()
    np.testing.assert_array_equal(before["low_level.hand"], table["low_level.hand"])
    assert (abs(table["low_level.refined"] - table["low_level.simulated"]) < 0.01).all()


def test_results_do_not_depend_on_the_number_of_workers(tmp_path: Path) -> None:
    board = copy_of_the_board(tmp_path)
    only = ("--only", "temperature=50")
    run(board, tmp_path / "one", *only, "--jobs", "1", "--ledger", str(tmp_path / "one.sqlite"))
    run(board, tmp_path / "two", *only, "--jobs", "2", "--ledger", str(tmp_path / "two.sqlite"))
    for name in ("corners.csv", "effects.csv", "harmonics.csv", "report.html"):
        one, two = ((tmp_path / folder / name).read_bytes() for folder in ("one", "two"))
        assert one == two, name


def test_running_a_part_of_the_table_changes_no_word(tmp_path: Path) -> None:
    """A formula that comes right by chance at one control voltage explains nothing there, also alone."""
    board = copy_of_the_board(tmp_path)
    text = board.read_text()
    line = next(line for line in text.splitlines() if line.startswith('duty = "clip'))
    wrong = line.replace(", 0, 1)", " + (control - 5 V) / 100 V, 0, 1)")
    assert wrong != line
    board.write_text(text.replace(line, wrong).replace("[limits]", "[tolerance]\nduty = 0.0005\n\n[limits]"))
    only = ("--only", "temperature=25", "--only", "supply=15")
    _, table = run(board, tmp_path / "all", *only)
    _, alone = run(board, tmp_path / "one", *only, "--only", "control=5")
    word = table.set_index("corner").loc[alone["corner"], "duty.agreement"].tolist()
    assert word == alone["duty.agreement"].tolist() == ["disagrees"]
