# SPDX-License-Identifier: GPL-3.0-or-later
"""A made-up run for the report's tests: tables from closed forms with known differences, no engine.

Known on purpose: the duty falls below its limit at control 0 V and is explained where the supply is off; one
hand
formula is wrong (rise time); one part is drawn with another value; one corner was not simulated, one sticks.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd

from harness.board import Board, load_board
from harness.corners import corner_table
from harness.findings import Finding
from harness.results import RunResult
from harness.verdict import expected_figures, judge, trusted_formulas

BOARD = """
[board]
format = 1
name = "sandpiper"
title = "Sandpiper <test> & bench board"
revision = "B2"
netlist = "sandpiper.cir"

[roles]
ramp = "ramp"
threshold = "thr"
output = "out"
comparator = "Xslice"
comparator_class = "393"
ramp_input = "minus"
pullup = "Rpull"
supply = "Vcc"

[intended]
Rpull = "3.3k 1%"
Vrail = "8 V 2%"
Cload = "1n 10%"
Cramp = "4.7n 5%"

[axes.control]
values = [{controls}]
unit = "V"
sets = "Vcontrol"
nominal = {nominal}

[axes.supply]
values = [13.5, 15, 16.5]
unit = "V"
sets = "Vcc"
nominal = 15

[axes.temperature]
values = [0, 25, 50]
unit = "degC"
nominal = 25

[axes.pitch]
values = ["7.5 uA", "15 uA", "30 uA", "60 uA", "150 uA"]
unit = "A"
sets = "Ipitch"
nominal = "15 uA"

[corners]
grids = [["control", "supply", "temperature"], ["pitch", "supply"]]

[hand]
duty = "control / 8 V"
frequency = "pitch / (Cramp * 7 V)"
rise_time = "Rpull * Cload"
pullup_current = "(Vrail - 0.15 V) / Rpull"
high_level = "Vrail"
low_level = "0.15 V"

[expected]
duty = [{{ value = 0.5, at = {{ control = {nominal} }} }}]

[limits]
duty = {{ least = 0.1, most = 0.95 }}
pullup_current = {{ most = "4 mA" }}
low_level = {{ most = "0.4 V" }}
"""


def board_file(folder: Path, controls: int = 5, with_intent: bool = True, with_limits: bool = True) -> Path:
    """A board file in ``folder`` with so many control values from 0 to 8 V."""
    values = np.linspace(0.0, 8.0, controls)
    text = BOARD.format(
        controls=", ".join(f"{value:.9g}" for value in values), nominal=f"{values[controls // 2]:.9g}"
    )
    if not with_intent:
        text = text[: text.index("[intended]")] + text[text.index("[axes.control]") :]
        text = text[: text.index("[hand]")] + text[text.index("[limits]") :]
    if not with_limits:
        text = text[: text.index("[limits]")]
    path = folder / "sandpiper.board.toml"
    path.write_text(text, encoding="utf-8")
    (folder / "sandpiper.cir").write_text("* stands beside the board file; the report never reads it\n.end\n")
    return path


def make_result(
    folder: Path, controls: int = 5, with_intent: bool = True, with_limits: bool = True, clean: bool = False
) -> RunResult:
    """The made-up run. ``clean``: nothing falls short, nothing differs, nothing is missing."""
    board = load_board(board_file(folder, controls, with_intent, with_limits))
    corners = corner_table(board)
    control, supply = corners["control"].to_numpy(), corners["supply"].to_numpy()
    pitch, temperature = corners["pitch"].to_numpy(), corners["temperature"].to_numpy()
    saturation = 0.15 + 4e-4 * (temperature - 25.0)
    ideal = pd.DataFrame(
        {
            "duty": np.clip(control / 8.0, 0.0, 1.0),
            "frequency": pitch / (4.7e-9 * 7.0),
            "rise_time": math.log(9.0) * 3.3e-6,
            "pullup_current": (8.0 - 0.15) / 3.3e3,
            "high_level": 8.0,
            "low_level": 0.15,
        },
        index=corners.index,
    )
    hand = ideal.copy()
    hand["rise_time"] = 3.3e-6
    by_supply = 0.0 if clean else 0.35 * ideal["duty"] * (1.0 - ideal["duty"]) * (15.0 - supply) / 15.0
    by_delay = 0.003
    refined = ideal.copy()
    refined["duty"] = np.clip(ideal["duty"] + by_supply + by_delay, 0.0, 1.0)
    refined["frequency"] = ideal["frequency"] * (1.0 - (0.0 if clean else 0.02) * pitch / 15e-5)
    refined["low_level"] = saturation
    refined["pullup_current"] = (8.0 - saturation) / 3.3e3
    simulated = refined.copy()
    simulated["duty"] = np.clip(refined["duty"] + 4e-4 * np.sin(control), 0.0, 1.0)
    simulated["headroom"] = 5.0 + supply - 15.0 - 0.1 * control
    simulated["ac_rms"] = 7.85 * np.sqrt(simulated["duty"] * (1.0 - simulated["duty"]))
    bars = simulated.abs() * 2e-6 + 1e-9
    corners["state"], corners["reason"] = "pulsing", ""
    if clean:
        hand["rise_time"] = ideal["rise_time"]
        simulated["duty"] = refined["duty"] = np.clip(simulated["duty"], 0.12, 0.94)
        hand["duty"] = ideal["duty"] = np.clip(ideal["duty"], 0.12, 0.94)
    else:
        corners.loc[3, ["state", "reason"]] = ["not simulated", "the time limit of 60 s ran out"]
        simulated.loc[3] = np.nan
        corners.loc[0, "state"] = "stuck low"
        simulated.loc[0, ["rise_time", "pullup_current", "high_level", "frequency"]] = np.nan
        bars.loc[5, "frequency"] = 10.0
    if not with_intent:
        hand = hand[[]]
    effects = _effects(corners["corner"], ideal, refined, np.asarray(by_supply + 0.0 * control))
    table, chain = judge(
        board,
        corners,
        hand,
        hand,
        {"solved": ideal[[]], "ideal": ideal, "refined": refined},
        effects,
        trusted_formulas(board, corners, hand, hand, ideal, refined),
        simulated,
        bars,
    )
    drawn = "3.3 kOhm" if clean else "4.7 kOhm"
    check = pd.DataFrame(
        [
            ("Rpull", "3.3 kOhm", drawn, "same" if clean else "differs"),
            ("Vrail", "8 V", "8 V", "same"),
            ("Cload", "1 nF", "1 nF", "same"),
            ("Rtop", "", "10 kOhm", "not intended"),
        ],
        columns=["part", "intended", "drawn", "verdict"],
    )
    if not with_intent:
        check = check.iloc[3:]
    nominal = table.loc[(table["corner"] == _nominal(board, table)).idxmax()]
    return RunResult(
        board=board,
        corners=table,
        harmonics=_harmonics(nominal),
        effects=chain,
        check=check,
        expected=expected_figures(board, table, set(table["corner"])),
        run={
            "board": board.name,
            "corners": len(table),
            "simulated": len(table) - 1,
            "reused": 0,
            "not_simulated": 1,
            "engine_seconds": 12.25,
            "wall_seconds": 7.5,
            "workers": 2,
            "versions": {"ramp-harness": "0.1", "engine": "ngspice-39"},
            "hashes": {"board": board.sha256, "sandpiper.cir": "3fa9c1d2" * 8},
            "settings": {"accuracy": 1e-4, "steps": ["gear"]},
            "assumed": ["parts at their drawn values"],
        },
        waveforms={str(nominal["corner"]): _waves(float(nominal["duty.simulated"]))},
        telling={str(nominal["corner"]): "every axis at its nominal value"},
        formulas={
            name: (formula.text, f"{formula.text} with numbers") for name, formula in board.hand.items()
        },
        parts_text=(("saturation of the comparator", "150 mV", "the model alone on a test circuit"),),
        lint=(Finding(Path("sandpiper.cir"), "node n7 has one connection only", "n7", 14),),
        notes=(Finding(Path("sandpiper.cir"), "analysis line skipped", ".tran", 40),),
    )


def _nominal(board: Board, table: pd.DataFrame) -> str:
    keep = np.ones(len(table), dtype=bool)
    for name, axis in board.axes.items():
        keep &= np.isclose(table[name], axis.nominal)
    return str(table.loc[keep, "corner"].iloc[0])


def _effects(
    names: pd.Series, ideal: pd.DataFrame, refined: pd.DataFrame, by_supply: np.ndarray
) -> pd.DataFrame:
    """Named effects between ideal and refined; the duty has two, the others one each."""
    rows = []
    for index, corner in names.items():
        total = refined.loc[index, "duty"] - ideal.loc[index, "duty"]
        rows.append((corner, "duty", "ramp follows the supply", by_supply[index], "trip divider, solved"))
        rows.append((corner, "duty", "delay of the comparator", total - by_supply[index], "model alone"))
        for name in ("frequency", "low_level", "pullup_current"):
            amount = refined.loc[index, name] - ideal.loc[index, name]
            effect = "reset time" if name == "frequency" else "saturation against temperature"
            rows.append((corner, name, effect, amount, "model alone"))
    return pd.DataFrame(rows, columns=["corner", "quantity", "effect", "amount", "origin"])


def _harmonics(row: pd.Series) -> pd.DataFrame:
    number = np.arange(1, 17)
    amplitude = 2 * 7.85 / (number * np.pi) * np.abs(np.sin(number * np.pi * row["duty.simulated"])) + 1e-4
    return pd.DataFrame({"corner": row["corner"], "harmonic": number, "amplitude": amplitude, "phase": 0.0})


def _waves(duty: float) -> dict[str, np.ndarray]:
    time = np.linspace(0.0, 3e-3, 5001)
    cycle = (time / 2.2e-3) % 1.0
    ramp = np.where(cycle < 0.985, 0.6 + 6.9 * cycle / 0.985, 7.5 - 6.9 * (cycle - 0.985) / 0.015)
    threshold = np.full_like(time, 0.6 + 6.9 * duty)
    return {
        "time": time,
        "ramp": ramp,
        "threshold": threshold,
        "output": np.where(ramp < threshold, 8.0, 0.15),
    }
