# SPDX-License-Identifier: GPL-3.0-or-later
"""A jack at 0 V is not an unplugged jack: a small board over the states of its jack and the turn of its knob.

Second opinion: Kirchhoff's current law over rational numbers, written without any of the package's formulas.
"""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pandas as pd
import pytest

from harness.checking import check
from harness.run import prepare

ROOT = Path(__file__).resolve().parents[2]

NETLIST = """\
* A knob from rail to rail and a jack set the width
.include "parts/comparator_393.inc"
.include "networks/knob_and_jack.inc"
.include "networks/control_jack.inc"
.param width=0.5 jack=0 control=0
Vcc vcc 0 12
Vknob rail 0 6
Vramp ramp 0 PULSE(0 6 0 990u 5u 5u 1m)
Xwidth rail 0 tip thr knob_and_jack of_knob=82k of_control=120k total=47k angle={width} middle=0.15 end=5
Xjack tip control_jack state={jack} level={control} source=1k
Xslice thr ramp vcc 0 out comparator_393 bias=0
Rpull vcc out 4.7k
Cload out 0 100p
.end
"""
BOARD = """\
[board]
format = 1
name = "jack"
revision = "A"
netlist = "jack.cir"

[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
load_capacitor = "Cload"

[core]
kind = "ramp source"

[intended]
Vknob = "6 V"
"xwidth.rknob" = "82k 1%"
"xwidth.rcontrol" = "120k 1%"
Rpull = "4.7k 5%"

[given]
of_knob = "82 kOhm"
of_control = "120 kOhm"
total = "47 kOhm"
end = "5 Ohm"
source = "1 kOhm"
top = "6 V"

[axes.knob]
values = ["20 %", "80 %"]
sets = "width"

[axes.jack]
values = { unplugged = 0, "at 0 V" = 1, driven = 2 }
sets = "jack"
nominal = "driven"

[axes.control]
values = [4]
unit = "V"
sets = "control"

[hand]
share = "taper(knob, 0.15)"                   # a logarithmic track
lower = "end + share * (total - 2 * end)"
upper = "total - lower"
of_wiper = "of_knob + parallel(lower, upper)"
of_jack = "of_control + source"
at_wiper = "Vknob * lower / total"
at_jack = "where(jack == 2, control, 0 V)"
both = "(at_wiper / of_wiper + at_jack / of_jack) * parallel(of_wiper, of_jack)"
threshold = "where(jack == 0, at_wiper, both)"
duty = "threshold / top"
"""
STATES = {"unplugged": 0, "at 0 V": 1, "driven": 2}


def exact(knob: Fraction, state: str) -> float:
    """The threshold (V) by elimination from Kirchhoff's current law at wiper and threshold."""
    share = (
        2 * Fraction(15, 100) * knob
        if knob <= Fraction(1, 2)
        else Fraction(15, 100) + Fraction(85, 100) * (2 * knob - 1)
    )
    lower, upper = 5 + share * 46990, 5 + (1 - share) * 46990
    if state == "unplugged":  # no current through the knob's resistor
        return float(6 * lower / (lower + upper))
    drive = 4 if state == "driven" else 0
    # (6 - w)/upper - w/lower - (w - v)/82000 = 0 and (w - v)/82000 + (drive - v)/121000 = 0
    to_wiper, to_jack = Fraction(1, 82000), Fraction(1, 121000)
    # the second equation gives w = a v + b
    a, b = (to_wiper + to_jack) / to_wiper, -drive * to_jack / to_wiper
    whole = 1 / upper + 1 / lower + to_wiper
    v = (6 / upper - b * whole) / (a * whole - to_wiper)
    return float(v)


def command(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    call = [sys.executable, "-m", "harness", *arguments]
    environment = {"PATH": "/usr/bin:/bin", "HOME": str(folder), "PYTHONPATH": str(ROOT)}
    return subprocess.run(call, cwd=folder, env=environment, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("jack")
    (folder / "jack.cir").write_text(NETLIST)
    (folder / "jack.board.toml").write_text(BOARD)
    return folder / "jack.board.toml"


@pytest.mark.slow
def test_three_states_of_a_jack_in_a_run(board: Path) -> None:
    """Hand, solved and simulated threshold against exact algebra in all six corners; 0 V is not unplugged."""
    done = command("run", board.name, "--out", "out", folder=board.parent)
    assert done.returncode == 0, done.stdout + done.stderr
    corners = pd.read_csv(board.parent / "out" / "corners.csv")
    assert len(corners) == 6
    for _, row in corners.iterrows():
        state = next(name for name, value in STATES.items() if value == row["jack"])
        expected = exact(Fraction(str(row["knob"])), state)
        assert row["threshold.hand"] == pytest.approx(expected, rel=1e-9)
        assert row["threshold.solved"] == pytest.approx(expected, rel=1e-6)
        assert row["threshold.simulated"] == pytest.approx(expected, abs=2e-4)
        assert row["threshold.agreement"] == "agrees"
    unplugged, grounded = (
        corners[corners["jack"] == value]["threshold.simulated"].to_numpy() for value in (0, 1)
    )
    assert (grounded < 0.7 * unplugged).all()
    page = (board.parent / "out" / "report.html").read_text(encoding="utf-8")
    assert "jack unplugged" in page and "jack at 0 V" in page


def test_check_predicts_each_state(board: Path) -> None:
    """Predicted without a simulation in every corner, an open branch left out of the sums."""
    for row in check(board).predictions.to_dict("records"):
        state = next(name for name, value in STATES.items() if value == row["jack"])
        expected = exact(Fraction(str(row["knob"])), state)
        assert row["threshold.solved"] == pytest.approx(expected, rel=1e-6)
        assert row["threshold.hand"] == pytest.approx(expected, rel=1e-9)


def test_only_one_state_by_its_name(board: Path) -> None:
    prepared = prepare(board, {"jack": "at 0 V"})
    assert prepared.asked == frozenset({"c002", "c005"})
