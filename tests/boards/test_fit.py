# SPDX-License-Identifier: GPL-3.0-or-later
"""Preferred values that cure what falls short, on the real engine and against the divider's own law."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.board import load_board
from harness.cli import main
from harness.preferred import nearest, preferred_value
from harness.report.terminal import summary_lines
from harness.run import run
from harness.studies.goals import read_goals

NETLIST = """* An ideal ramp, sliced at a threshold that a divider makes of a reference and a control
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vref ref 0 5
Vcontrol control 0 2
Vramp ramp 0 PULSE(0 5 0 980u 10u 10u 1m)
Rref ref thr 100k tc1=0
Rcontrol control thr 150k
Rlow thr 0 220k
Xslice thr ramp vcc 0 out comparator_393
Rpull vcc out 4.7k
Rload out 0 47k
Cload out 0 220p
.end
"""
BOARD = """
[board]
format = 1
name = "divided"
revision = "A"
netlist = "divided.cir"

[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
load_resistor = "Rload"
load_capacitor = "Cload"

[core]
kind = "ramp source"

[intended]
Vref = "5 V 1%"
Rref = "100KF"
Rcontrol = "150k 1%"
Rlow = "220K J"
Rpull = "4K7J"
Rload = "47k 10%"

[axes.control]
values = [0, 4]
unit = "V"
sets = "Vcontrol"

[limits]
duty = { least = 0.2, most = 0.55 }
pullup_current = { most = "2.7 mA" }
""".replace('"220K J"', '"220KJ"')


def board_in(folder: Path, text: str = BOARD) -> Path:
    (folder / "divided.cir").write_text(NETLIST)
    path = folder / "divided.board.toml"
    path.write_text(text)
    return path


def threshold(
    low: float, control: float, ref: float = 100e3, through: float = 150e3, reference: float = 5.0
) -> float:
    """Millman's law (Millman 1940): the divider's node with nothing drawn from it."""
    return (reference / ref + control / through) / (1 / ref + 1 / through + 1 / low)


def duty(low: float, control: float, ref: float = 100e3, through: float = 150e3) -> float:
    """The share of the period that the ramp lies below the threshold: 980 us up, 10 us down, of 1 ms."""
    return 0.99 * threshold(low, control, ref, through) / 5


def kept_at_every_vertex(value: str) -> bool:
    """Whether the limits hold at all vertices of the tolerances with Rlow at another value, by Millman's law,
    and for the pull-up's current, with 0.1 V left at the output, by Ohm's."""
    low = 1e3 * float(value.removesuffix(" kOhm"))
    shares = product((0.99, 1.01), (0.99, 1.01), (0.95, 1.05), (0.99, 1.01), (0.0, 4.0))
    found = [
        0.99 * threshold(low * d, control, 100e3 * b, 150e3 * c, 5 * a) / 5 for a, b, d, c, control in shares
    ]
    return min(found) >= 0.2 and max(found) <= 0.55 and (12 - 0.1) / (0.95 * 4.7e3) <= 2.7e-3


def asked(board: Path, out: Path, *options: str) -> tuple[int, pd.DataFrame]:
    code = main(["fit", str(board), "--out", str(out), *options])
    return code, pd.read_csv(out / "fit.csv", keep_default_na=False)


def test_a_limit_that_falls_short_is_cured_by_the_value_found(tmp_path: Path) -> None:
    """The value keeps the threshold where the limits want it by Millman's law, and a run of the board drawn
    with it keeps them, too."""
    board = board_in(tmp_path)
    code, table = asked(board, tmp_path / "out", "--part", "rlow")
    assert code == 0
    assert table.loc[0, "part"] == "as drawn" and table.loc[0, "verdict"] == "outside"
    best, *others = [table.loc[place] for place in table.index[table["verdict"] == "within"]]
    assert (best["part"], best["series"], best["verdict"]) == ("Rlow", "E24", "within")
    near = max(1e3 * float(one["value"].removesuffix(" kOhm")) for one in (best, *others))
    assert near == 91e3  # the nearest to the drawn one is simulated, too
    assert duty(91e3, 4) < 0.55 < duty(100e3, 4)
    assert float(best["predicted_margin"]) == pytest.approx(float(best["simulated_margin"]), abs=0.1)
    value = 1e3 * float(best["value"].removesuffix(" kOhm"))
    assert nearest("E24", value) == value
    for one in (best, *others):
        assert one["with_tolerances"] == ("within" if kept_at_every_vertex(one["value"]) else "outside")
    assert {one["with_tolerances"] for one in (best, *others)} == {"within", "outside"}
    assert table.loc[0, "with_tolerances"] == "outside"
    assert duty(value, 0) > 0.2 and duty(value, 4) < 0.55
    (tmp_path / "divided.cir").write_text(NETLIST.replace("220k\n", f"{value}\n"))
    result = run(board)
    assert set(result.corners["duty.limit"]) == {"within"}
    assert result.cures.empty


def test_a_run_names_the_nearest_value_that_cures(tmp_path: Path) -> None:
    """No value of the series that lies nearer to the drawn one keeps the limit, by Millman's law."""
    result = run(board_in(tmp_path))
    (row,) = result.cures.to_dict("records")
    assert row["limit"] == "duty" and row["part"] == "Rlow" and row["drawn"] == "220 kOhm"
    value = 1e3 * float(row["value"].removesuffix(" kOhm"))
    high = {places: duty(preferred_value("E24", places), 4) for places in range(24 * 4, 24 * 6)}
    nearer = [share for places, share in high.items() if value < preferred_value("E24", places) <= 220e3]
    assert duty(value, 4) < 0.55 and all(share > 0.55 for share in nearer) and nearer
    words = "\n".join(summary_lines(result))
    assert f"by the closed forms, Rlow {row['value']} (E24) instead of 220 kOhm cures it" in words
    assert "confirm with `ramp-harness fit`" in words
    result.report(tmp_path / "report.html")
    assert f"Rlow {row['value']} (E24) instead of" in (tmp_path / "report.html").read_text()


@pytest.mark.slow
def test_what_no_single_part_cures_is_said_to_be(tmp_path: Path) -> None:
    """A duty between 0.499 and 0.5 at both ends of the control: no divider does that."""
    result = run(board_in(tmp_path, BOARD.replace("least = 0.2, most = 0.55", "least = 0.499, most = 0.5")))
    assert list(result.cures["part"]) == [""]
    assert "no single part cures it" in "\n".join(summary_lines(result))


def test_a_goal_that_nothing_meets_ends_with_one_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, table = asked(
        board_in(tmp_path), tmp_path / "out", "--part", "Rlow", "--goal", "duty 0.9..0.91", "--confirm", "1"
    )
    assert code == 1 and "within" not in set(table["verdict"])
    assert "No value that was simulated meets every goal" in capsys.readouterr().out
    record = json.loads((tmp_path / "out" / "run.json").read_text())
    assert record["meet_all"] == 0 and record["confirmed"] == 1


def test_two_parts_together_where_one_does_not_do(tmp_path: Path) -> None:
    """A duty of 0.25 with the control at 0 V and of 0.45 at 4 V: two conditions want two resistors."""
    goals = ["--goal", "duty 0.245..0.255 at control=0", "--goal", "duty 0.445..0.455 at control=4"]
    parts = ["--part", "Rcontrol", "--part", "Rlow"]
    code, table = asked(board_in(tmp_path), tmp_path / "out", *goals, *parts, "--confirm", "1")
    assert code == 0
    best = table.loc[1]
    assert (best["part"], best["series"], best["verdict"]) == ("Rcontrol, Rlow", "E96, E24", "within")
    through, low = (1e3 * float(text.removesuffix(" kOhm")) for text in best["value"].split(", "))
    for control, wanted in ((0, 0.25), (4, 0.45)):
        assert duty(low, control, through=through) == pytest.approx(wanted, abs=0.006)
    singles = table[table["part"].isin(("Rcontrol", "Rlow"))]
    assert (singles["predicted_margin"].astype(float) < 0).all() and len(singles)


def test_goals_and_parts_that_are_none_are_bad_input(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    board = str(board_in(tmp_path))
    assert main(["fit", board, "--part", "Vref", "--part", "Rother"]) == 2
    said = capsys.readouterr().err
    assert "no preferred values" in said and '[intended] has no part "rother"' in said
    goals = ["duty 2..1", "dutty 0..1", "duty 0..1 at control=7", "rise_time ..5V", "duty", "duty 0..1 at x"]
    assert main(["fit", board, *(word for goal in goals for word in ("--goal", goal))]) == 2
    said = capsys.readouterr().err
    assert said.count("--goal") == len(goals) and "Traceback" not in said
    assert "did you mean" in said and "valid: 0 V, 4 V" in said
    silent = ["--goal", "threshold 1..2 V at control=4", "--only", "control=0"]
    assert main(["fit", board, *silent]) == 2
    assert "no corner that --only leaves" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "least", "most", "corners"),
    [
        ("frequency 5..6 kHz", 5e3, 6e3, None),
        ("rise_time 1..5us", 1e-6, 5e-6, None),
        ("duty 10..90 %", 0.1, 0.9, None),
        ("threshold 2V..2.1 V at control=4", 2.0, 2.1, 1),
        ("threshold 2..2.1V at control=4", 2.0, 2.1, 1),
        ("high_level 9.9.. at control=4", 9.9, None, 1),
        ("level_vs_square -3.. dB at control=4", -3.0, None, 1),
        ("level_vs_square ..-3 dB", None, -3.0, None),
        ("output_resistance 1..4K7", 1.0, 4.7e3, None),
    ],
)
def test_a_unit_behind_a_span_is_that_of_both_ends(
    text: str, least: float | None, most: float | None, corners: int | None, tmp_path: Path
) -> None:
    (goal,) = read_goals(load_board(board_in(tmp_path)), [text])
    assert (goal.limit.least, goal.limit.most) == (
        None if least is None else pytest.approx(least),
        None if most is None else pytest.approx(most),
    )
    assert (goal.corners and len(goal.corners)) == corners


def test_where_no_value_meets_the_goals_none_worse_than_the_drawn_one_comes_first(tmp_path: Path) -> None:
    """A lower pull-up is quicker, takes more current than its limit and never gets below 100 ns; a higher one
    is only slower."""
    asked_for = ["--part", "Rpull", "--goal", "rise_time ..100ns", "--confirm", "1"]
    _, table = asked(board_in(tmp_path), tmp_path / "out", *asked_for)
    assert float(table.loc[1, "simulated_margin"]) > float(table.loc[0, "simulated_margin"])


@pytest.mark.slow
def test_margins_count_in_tolerances(tmp_path: Path) -> None:
    """The duty's usual tolerance is 0.01: a margin is the room over that, less the bar."""
    _, table = asked(board_in(tmp_path), tmp_path / "out", "--part", "Rlow", "--goal", "duty 0.2..0.55")
    result = run(board_in(tmp_path))
    room = float(np.min(result.corners["duty.margin"]))
    assert float(table.loc[0, "simulated_margin"]) == pytest.approx(room / 0.01, rel=1e-6)
