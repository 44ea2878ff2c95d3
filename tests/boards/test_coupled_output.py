# SPDX-License-Identifier: GPL-3.0-or-later
"""An output behind a capacitor swings about 0 V: it pulses over its own range, not over the pull-up's."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from harness.cli import main

NETLIST = """* a slicer whose output goes through a capacitor
.include "parts/comparator_393.inc"
Vcc vcc 0 12
Vcontrol control 0 2
Vramp ramp 0 PULSE(0 4 0 980u 10u 10u 1m)
Bnear near 0 V={V(control)}
Rnear near thr 1k
Xslice thr ramp vcc 0 inner comparator_393
Rpull vcc inner 4.7k
Ccouple inner out 1u
Rload out 0 100k
.end
"""
BOARD = """
[board]
format = 1
name = "coupled"
revision = "A"
netlist = "coupled.cir"
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"
[axes.control]
values = [0.4, 2, 3.6]
unit = "V"
sets = "Vcontrol"
[hand]
duty = "control / 4 V"
"""


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    folder = tmp_path_factory.mktemp("coupled")
    (folder / "coupled.cir").write_text(NETLIST)
    (folder / "coupled.board.toml").write_text(BOARD)
    main(["run", str(folder / "coupled.board.toml"), "--out", str(folder / "out")])
    return pd.read_csv(folder / "out" / "corners.csv")


def test_the_pulse_is_seen_about_0_volt(table: pd.DataFrame) -> None:
    """A capacitor passes no mean: the pulse has both signs, the comparator's swing and a mean of 0 V."""
    assert (table["state"] == "pulsing").all()
    assert (table["low_level.simulated"] < 0).all() and (table["high_level.simulated"] > 0).all()
    swing = table["high_level.simulated"] - table["low_level.simulated"]
    assert np.allclose(swing, 11.5, atol=0.6)
    assert (table["mean_level.simulated"].abs() < 0.02 * swing).all()


def test_its_duty_is_the_comparator_s(table: pd.DataFrame) -> None:
    """Delays and edges of some microseconds are all that the duty may be off from threshold over ramp."""
    assert (table["duty.difference"].abs() < 0.02).all()
    assert set(table["duty.agreement"]) <= {"agrees", "disagrees"}
