# SPDX-License-Identifier: GPL-3.0-or-later
"""From an exported netlist to a report: what ``new --from`` writes is checked and simulated as it is, and the
figures are those of an independent calculation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from harness.cli import main

EXPORTED = """* D:\\drawings\\slicer.sch
* the stage is a block; the macromodel's file lies beside
X1 5 3 12 7 SLICER
VDD 12 0 15 Rser=10m
VRMP 5 0 PULSE(1 6 0 1.96m 20u 20u 2m)
VCTL 8 0 4
R10 8 3 47kOhm tol=1
R11 12 3 180k
R12 3 0 100K
C3 7 0 330pF mfg="any" V=50
.SUBCKT SLICER 1 2 3 4
XCMP 2 1 3 0 4 OCCOMP PARAMS: VOS={2*0.5M}
RPU 3 4 3.3k
.ENDS SLICER
.LIB 'comparator_macro.lib'
.tran 0 10m 0 1u
.probe V(alias(*))
.options reltol=1e-4
"""
MACROMODEL = Path(__file__).with_name("macromodels") / "comparator_macro.lib"


@pytest.mark.slow
def test_an_exported_netlist_with_a_macromodel_in_a_nested_stage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Duty: the ramp passes the threshold of the three resistors (Millman's theorem) less the offset;
    delays of the macromodel and its pull-up move it by less than 0.002."""
    netlist = tmp_path / "slicer.net"
    netlist.write_text(EXPORTED)
    (tmp_path / "comparator_macro.lib").write_text(MACROMODEL.read_text())
    assert main(["new", "sliced", "--from", str(netlist)]) == 0
    board = tmp_path / "sliced.board.toml"
    text = board.read_text()
    for line in (
        'dialect = "commercial"', 'ramp = "5"', 'threshold = "3"', 'output = "7"', 'comparator = "x1.XCMP"',
        'pullup = "x1.RPU"', 'supply = "VDD"', 'ramp_input = "minus"', 'sets = "VCTL"',
        '"x1.RPU" = "3.3 kOhm"',
    ):  # fmt: skip
        assert line in text, line
    assert main(["check", str(board)]) == 0
    out = tmp_path / "out"
    assert main(["run", str(board), "--out", str(out), "--only", "temperature=25"]) == 0
    said = capsys.readouterr().out
    assert "copied from the drawing and are not confirmed" in said
    assert "not confirmed" in (out / "report.html").read_text()
    table = pd.read_csv(out / "corners.csv")
    assert len(table) == 9 and set(table["state"]) == {"pulsing"}
    conductance = 1 / 47e3 + 1 / 180e3 + 1 / 100e3
    threshold = (table["control"] / 47e3 + table["supply"] / 180e3) / conductance
    assert np.allclose(table["threshold.simulated"], threshold, atol=2e-3)  # two bias currents of 25 nA
    share = (threshold - 1e-3 - 1.0) / 5.0
    assert np.all(table["duty.bar"] <= 1e-4)
    assert np.allclose(table["duty.simulated"], share * (1.96e-3 + 20e-6) / 2e-3, atol=2e-3)


STARTERS = [
    ("ramp source", "393", "reference and control", "direct"),
    ("ramp source", "311", "reference and control", "direct"),
    ("ramp source", "push-pull", "knob and jack", "divider"),
    ("charged capacitor", "393", "control", "direct"),
    ("snapped capacitor", "push-pull", "reference and control", "direct"),
    ("snapped capacitor", "393", "knob", "direct"),
    ("integrator", "393", "reference and control", "direct"),
    ("integrator", "311", "knob and jack", "divider"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("core", "stage", "network", "output"), STARTERS)
def test_a_starter_runs_within_its_limits(
    tmp_path: Path, core: str, stage: str, network: str, output: str
) -> None:
    """What ``new NAME`` writes ends with 0: limits kept, hand and simulated figures agree or are named."""
    options = ["--core", core, "--stage", stage, "--network", network, "--output", output]
    assert main(["new", "mine", *options, "--out", str(tmp_path)]) == 0
    assert main(["run", str(tmp_path / "mine.board.toml"), "--out", str(tmp_path / "out")]) == 0
    table = pd.read_csv(tmp_path / "out" / "corners.csv")
    assert set(table["state"]) == {"pulsing"} and len(table) >= 9
    assert set(table["duty.agreement"]) <= {"agrees", "explained"}
