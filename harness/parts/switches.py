# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for what switches a signal: MOSFETs, JFETs, CMOS switches.

Pins of the sheets: drain, gate, source, bulk; one, other, control, supply, negative.
"""

from __future__ import annotations

import math

import numpy as np

from harness.alone.bench import first_crossing, ohms, piecewise, volts
from harness.parts.rows import BenchFunction
from harness.parts.subject import ROOM, Subject, rising

# --- field-effect transistors

_FET = {"drain": "d", "gate": "g", "source": "0", "bulk": "0"}


def threshold(part: Subject, current: float, temperature: float = ROOM) -> float:
    """Gate voltage (V) of a MOSFET with its drain at the gate that carries ``current`` (A)."""
    nodes = {**_FET, "gate": "d"}
    return part.at_rest(nodes, [f"id 0 d {current!r}"], temperature)["d"]


def on_resistance(part: Subject, gate: float, current: float, temperature: float = ROOM) -> float:
    """Drain-source resistance (Ohm) at a gate voltage (V) and a drain current (A)."""
    around = [volts("g", "g", gate), f"id 0 d {current!r}"]
    return part.at_rest(_FET, around, temperature)["d"] / current


def body_diode(part: Subject, current: float) -> float:
    """Voltage (V) of a MOSFET's body diode at ``current`` (A), gate at the source."""
    return -part.at_rest(_FET, [volts("g", "g", 0.0), f"id d 0 {current!r}"])["d"]


def drain_leakage(part: Subject, drain: float, gate: float = 0.0, temperature: float = ROOM) -> float:
    """Drain current (A) of a transistor that is off, its gate ``gate`` (V) below the source."""
    around = [volts("d", "d", drain), volts("g", "g", -gate)]
    return -part.at_rest(_FET, around, temperature)["vd#branch"]


def capacitance(part: Subject, which: str, drain: float = 0.0, gate: float = 0.0) -> float:
    """``input``, ``output`` or ``reverse`` capacitance (F), the gate ``gate`` (V) below the source."""
    if which not in ("input", "output", "reverse"):
        raise ValueError(f"{which!r} is none of input, output, reverse")
    if which == "input":
        around = [volts("d", "d", drain), rising("g", "g", -gate)]
        return -part.currents_in_a_rise(_FET, around)["vg#branch"]
    currents = part.currents_in_a_rise(_FET, [rising("d", "d", drain), volts("g", "g", -gate)])
    return currents["vg#branch"] if which == "reverse" else -currents["vd#branch"]


def cut_off_voltage(part: Subject, drain: float, current: float, deepest: float = 15.0) -> float:
    """How far (V) the gate of a JFET lies below its source where the drain carries ``current`` (A)."""
    around = [volts("d", "d", drain), volts("g", "g", 0.0)]
    sweep = part.sweep(_FET, around, "vg", (-deepest, 0.0, 0.01))
    flows = -sweep["vd#branch"]
    if not flows[0] < current < flows[-1]:
        return math.nan
    return -first_crossing(sweep["sweep"], flows, current, True, -math.inf)


def zero_bias_current(part: Subject, drain: float, temperature: float = ROOM) -> float:
    """Drain current (A) of a JFET with its gate at the source."""
    return drain_leakage(part, drain, 0.0, temperature)


def zero_bias_resistance(part: Subject, drain: float, temperature: float = ROOM) -> float:
    """Drain-source resistance (Ohm) of a JFET with its gate at the source, at a small drain voltage (V)."""
    return drain / drain_leakage(part, drain, 0.0, temperature)


def gate_leakage(part: Subject, gate: float, temperature: float = ROOM) -> float:
    """Current (A) out of the gate of a JFET that lies ``gate`` (V) below drain and source."""
    around = [volts("d", "d", 0.0), volts("g", "g", -gate)]
    return part.at_rest(_FET, around, temperature)["vg#branch"]


# --- CMOS switches

_SWITCH = {"one": "a", "other": "b", "control": "c", "supply": "s", "negative": "0"}
_EDGE = 20e-9  # s, rise of the control in the documents


def channel_resistance(part: Subject, supply: float, temperature: float = ROOM) -> float:
    """Largest resistance (Ohm) of the closed switch at 100 uA, over 51 levels from rail to rail."""
    current = 100e-6
    around = [volts("s", "s", supply), volts("c", "c", supply), volts("a", "a", 0.0), f"il b 0 {current!r}"]
    sweep = part.sweep(_SWITCH, around, "va", (0.0, supply, supply / 50), temperature)
    return float(np.max(sweep["a"] - sweep["b"])) / current


def open_leakage(part: Subject, supply: float, temperature: float = ROOM) -> float:
    """Current (A) through the open switch with the whole supply across it, the larger of both ways."""
    found = []
    for one, other in ((supply, 0.0), (0.0, supply)):
        around = [volts("s", "s", supply), volts("c", "c", 0.0), volts("a", "a", one), volts("b", "b", other)]
        rest = part.at_rest(_SWITCH, around, temperature)
        found.append(abs(rest["va#branch" if one < other else "vb#branch"]))
    return max(found)


def control_level(part: Subject, supply: float, current: float) -> float:
    """Lowest control voltage (V) at which ``current`` (A) flows with the whole supply across the switch."""
    levels = []
    for one, other in ((supply, 0.0), (0.0, supply)):
        around = [volts("s", "s", supply), volts("c", "c", 0.0), volts("a", "a", one), volts("b", "b", other)]
        sweep = part.sweep(_SWITCH, around, "vc", (0.0, supply, supply / 500))
        flows = np.abs(sweep["vb#branch"])
        levels.append(first_crossing(sweep["sweep"], flows, current, True, -math.inf))
    return min(levels)


def turn_on(part: Subject, supply: float, resistance: float = 1e3, load: float = 50e-12) -> float:
    """Time (s) from the middle of the control's rise to the middle of the output's, one end at the supply,
    the other loaded."""
    begin = 100e-9
    control = [(0.0, 0.0), (begin, 0.0), (begin + _EDGE, supply)]
    around = [
        volts("s", "s", supply), volts("a", "a", supply), piecewise("c", "c", control),
        ohms("l", "b", "0", resistance), f"cl b 0 {load!r}",
    ]  # fmt: skip
    wave = part.over_time(_SWITCH, around, 1e-6, 1e-9)
    middle = float(wave["b"][-1]) / 2
    return first_crossing(wave["time"], wave["b"], middle, True, begin) - begin - _EDGE / 2


def crosstalk(part: Subject, supply: float) -> float:
    """Peak-to-peak voltage (V) that a full swing of the control up and down leaves at 10 kOhm and 50 pF,
    1 kOhm from the other end to ground."""
    up, down = 1e-6, 6e-6
    control = [(0.0, 0.0), (up, 0.0), (up + _EDGE, supply), (down, supply), (down + _EDGE, 0.0)]
    around = [
        volts("s", "s", supply), piecewise("c", "c", control), ohms("a", "a", "0", 1e3),
        ohms("b", "b", "0", 1e4), "cb b 0 50p",
    ]  # fmt: skip
    return float(np.ptp(part.over_time(_SWITCH, around, 10e-6, 10e-9)["b"]))


def charge(part: Subject, supply: float, level: float, load: float = 1e-9) -> float:
    """Charge (C) that opening the switch puts on a capacitor (F) that it held at ``level`` (V)."""
    begin = 100e-9
    control = [(0.0, supply), (begin, supply), (begin + _EDGE, 0.0)]
    around = [
        volts("s", "s", supply), volts("a", "a", level), piecewise("c", "c", control), f"cb b 0 {load!r}",
    ]  # fmt: skip
    wave = part.over_time(_SWITCH, around, 0.5e-6, 1e-9)
    return float(wave["b"][-1] - wave["b"][0]) * load


def switch_capacitance(part: Subject, pin: str, supply: float) -> float:
    """Capacitance (F) of an end (``one``, ``other``) of the open switch or of its ``control``, everything
    else at rest; ``through``: from one end to the other."""
    around = [volts("s", "s", supply)]
    for name, node in (("one", "a"), ("other", "b"), ("control", "c")):
        moves = name == ("one" if pin == "through" else pin)
        level = 0.0 if name == "control" else supply / 2
        around.append(
            rising(node, node, level + (0.5 if name == "control" else 0.0))
            if moves
            else volts(node, node, level)
        )
    currents = part.currents_in_a_rise(_SWITCH, around)
    if pin == "through":
        return currents["vb#branch"]
    return -currents[f"v{_SWITCH[pin]}#branch"]


BENCHES: dict[str, BenchFunction] = {
    "threshold": threshold,
    "on_resistance": on_resistance,
    "body_diode": body_diode,
    "drain_leakage": drain_leakage,
    "capacitance": capacitance,
    "cut_off_voltage": cut_off_voltage,
    "zero_bias_current": zero_bias_current,
    "zero_bias_resistance": zero_bias_resistance,
    "gate_leakage": gate_leakage,
    "channel_resistance": channel_resistance,
    "open_leakage": open_leakage,
    "control_level": control_level,
    "turn_on": turn_on,
    "crosstalk": crosstalk,
    "charge": charge,
    "switch_capacitance": switch_capacitance,
}
