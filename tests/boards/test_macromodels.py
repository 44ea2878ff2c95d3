# SPDX-License-Identifier: GPL-3.0-or-later
"""Macromodels in the commercial notation, from end to end: what a run says of them against an independent
solver, and against the same circuit drawn natively. The macromodels are invented."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp

from harness.cli import main
from harness.netlist.dialects.forms import smooth_resistance

MODELS = Path(__file__).with_name("macromodels")
BOARD = """[board]
format = 1
name = "slice"
revision = "A"
netlist = "slice.cir"
{dialect}
[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
ramp_input = "minus"
supply = "Vcc"
{roles}
[core]
kind = "ramp source"

[axes.control]
values = [1, 2, 4]
unit = "V"
sets = "Vthr"

[hand]
threshold = "control"
"""
COMPARATOR = """* an ideal ramp, sliced by a macromodel
.lib comparator_macro.lib
VCC VCC 0 12
VTHR THR 0 2
VRAMP RAMP 0 PULSE(0 5 0 980u 10u 10u 1m)
XSLICE THR RAMP VCC 0 OUT OCCOMP PARAMS: VOS=2M
RPULL VCC OUT 4.7kOhm
CLOAD OUT 0 220pF
.tran 1u 5m
"""
AMPLIFIER = """* an ideal ramp, sliced by an op-amp of limited slew rate
.lib opamp_macro.lib
VCC VCC 0 12
VEE VEE 0 -12
VTHR THR 0 2
VRAMP RAMP 0 PULSE(0 5 0 980u 10u 10u 1m)
XSLICE THR RAMP VCC VEE OUT SLOWAMP
CLOAD OUT 0 220pF
"""


def run(folder: Path, netlist: str, roles: str, dialect: str) -> pd.DataFrame:
    for library in MODELS.glob("*.lib"):
        shutil.copy(library, folder)
    (folder / "slice.cir").write_text(netlist)
    (folder / "slice.board.toml").write_text(BOARD.format(dialect=dialect, roles=roles))
    assert main(["run", str(folder / "slice.board.toml"), "--out", str(folder / "out"), "--jobs", "1"]) == 0
    return pd.read_csv(folder / "out" / "corners.csv")


def comparator_output(threshold: float) -> Callable[[float, np.ndarray], list[float]]:
    """Derivatives of the two capacitor voltages of the macromodel and its load: the pole behind the decision,
    and the output. Written down from the macromodel's text by hand."""
    pole, offset = 200e-9 / math.log(2.0), 2e-3

    def slope(time: float, state: np.ndarray) -> list[float]:
        inner, output = state
        ramp = 5.0 * float(np.interp(time, [0.0, 980e-6, 990e-6, 1e-3], [0.0, 1.0, 1.0, 0.0]))
        decision = min(max(200.0 * (threshold - ramp - offset), -1.0), 1.0)
        on = float(np.interp(inner, [-0.1, 0.1], [1.0, 0.0]))
        resistance = smooth_resistance((on - 0.5) / 0.6, 150.0 / 4.0, 100e6)
        current = (12.0 - output) / 4700.0 - output / resistance - output / 50e9
        return [(decision - inner) / pole, current / 223e-12]

    return slope


def duty_by_an_independent_solver(threshold: float) -> float:
    """Share of the period above the middle of the output's levels, by an implicit Runge-Kutta method."""
    high, low = 12.0 * (1.0 - 4700.0 / 100e6), 12.0 * 37.5 / 4737.5
    times: list[float] = []
    state = np.array([1.0, high])
    middle = 0.5 * (high + low)
    cross = lambda time, state: state[1] - middle  # noqa: E731
    edges = sorted(
        {0.0, 980e-6 * threshold / 5.0 - 3e-6, 980e-6 * threshold / 5.0 + 3e-6, 980e-6, 990e-6, 1e-3}
    )
    for begin, end in pairwise(edges):
        solved = solve_ivp(
            comparator_output(threshold), (begin, end), state, method="Radau", rtol=1e-8, atol=1e-10,
            max_step=(end - begin) / 50, events=cross,
        )  # fmt: skip
        times += list(solved.t_events[0])
        state = solved.y[:, -1]
    assert len(times) == 2
    return 1.0 - (times[1] - times[0]) / 1e-3


@pytest.mark.slow
def test_a_comparator_macromodel_slices_a_ramp(tmp_path: Path) -> None:
    roles = 'pullup = "Rpull"\nload_capacitor = "Cload"'
    table = run(tmp_path, COMPARATOR, roles, 'include_dialect = { "comparator_macro.lib" = "commercial" }')
    assert list(table["state"]) == ["pulsing"] * 3
    for control, duty, bar in zip(table["control"], table["duty.simulated"], table["duty.bar"], strict=True):
        assert bar <= 1e-4
        assert abs(duty - duty_by_an_independent_solver(control)) <= bar
    # the output's switch is 37.5 Ohm: a divider with the pull-up
    assert np.allclose(table["low_level.simulated"], 12.0 * 37.5 / 4737.5, rtol=1e-3)


@pytest.mark.slow
def test_an_amplifier_macromodel_slews_and_stops_below_its_rails(tmp_path: Path) -> None:
    """A clamp holds where its diode takes the whole slewing current, 100 uA: n kT/q ln(I/Is) = 0.298 V at
    27 degC, behind 0.6 V, 1 V inside the rail. The input difference grows with the ramp, so the output falls
    as gm s t^2 / 2C until the current is at its limit, then at 1 V/us."""
    table = run(tmp_path, AMPLIFIER, 'supplies = { main = "Vcc" }', 'dialect = "commercial"')
    assert list(table["state"]) == ["pulsing"] * 3
    level = 12.0 - 1.0 - 0.6 + 0.5 * 0.02586 * math.log(1e-4 / 1e-14)
    assert np.allclose(table["high_level.simulated"], level, atol=0.01)
    assert np.allclose(table["low_level.simulated"], -level, atol=0.01)
    transconductance, slope, capacitance, limit = 2.0 * 3.14159265e6 * 100e-12, 5.0 / 980e-6, 100e-12, 100e-6
    bent = transconductance * slope / (2.0 * capacitance)
    until = limit / (transconductance * slope)
    ten, ninety = 0.1 * 2.0 * level, 0.9 * 2.0 * level
    assert ten < bent * until**2 < ninety
    fall = until + (ninety - bent * until**2) / (limit / capacitance) - math.sqrt(ten / bent)
    assert np.allclose(table["fall_time.simulated"], fall, rtol=0.01)
