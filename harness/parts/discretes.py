# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for bipolar transistors, single and in pairs, and for diodes.

Pins of the sheets: collector, base, emitter; c1, b1, e1, c2, b2, e2; anode, cathode. Currents and voltages
are given as for an NPN, a PNP is measured with every sign turned. Of a pair ``half`` 1 or 2 is measured while
the other one rests.
"""

from __future__ import annotations

import math

import numpy as np

from harness.alone.bench import first_crossing, ohms, piecewise, volts
from harness.parts.rows import BenchFunction
from harness.parts.subject import ROOM, Subject, rising

VOLTS_PER_KELVIN = 1.380649e-23 / 1.602176634e-19  # k/q, exact in the SI since 2019
ZERO_CELSIUS = 273.15  # K


def _nodes(part: Subject, half: float = 1) -> dict[str, str]:
    """Nodes c, b, e for the transistor that is measured; the other one of a pair lies at ground."""
    if "collector" in part.pins:
        return {"collector": "c", "base": "b", "emitter": "e"}
    return {pin: pin[0] if pin[1] == str(int(half)) else "0" for pin in part.pins}


def _sign(part: Subject) -> float:
    return -1.0 if "pnp" in (part.polarity, part.kind) else 1.0


def _biased(
    part: Subject, current: float, voltage: float, temperature: float, half: float = 1
) -> tuple[float, float, float]:
    """Collector current (A), base current (A) and base-emitter voltage (V) with the emitter current chosen so
    that the collector carries ``current``, collector ``voltage`` (V) above the emitter."""
    sign, emitter, base_emitter = _sign(part), current, 0.65
    for _ in range(3):
        collector = sign * (voltage - base_emitter)
        around = [f"ie e 0 {sign * emitter!r}", volts("b", "b", 0.0), volts("c", "c", collector)]
        rest = part.at_rest(_nodes(part, half), around, temperature)
        flows = -sign * rest["vc#branch"]
        base_emitter = -sign * rest["e"]
        emitter *= current / flows if flows > 0 else 1.0
    return flows, -sign * rest["vb#branch"], base_emitter


def gain(part: Subject, current: float, voltage: float, temperature: float = ROOM, half: float = 1) -> float:
    """DC current gain at a collector current (A) and a collector-emitter voltage (V)."""
    collector, base, _ = _biased(part, current, voltage, temperature, half)
    return collector / base


def gain_matching(part: Subject, current: float, voltage: float) -> float:
    """Gain of the one of a pair over that of the other, the smaller over the larger."""
    gains = [gain(part, current, voltage, half=half) for half in (1, 2)]
    return min(gains) / max(gains)


def base_voltage(part: Subject, current: float, voltage: float, temperature: float = ROOM) -> float:
    """Base-emitter voltage (V) at a collector current (A) and a collector-emitter voltage (V)."""
    return _biased(part, current, voltage, temperature)[2]


def pair_offset(part: Subject, current: float, voltage: float) -> float:
    """Difference (V, without sign) of the base-emitter voltages of a pair at the same collector current."""
    one, other = (_biased(part, current, voltage, ROOM, half)[2] for half in (1, 2))
    return abs(one - other)


def saturation(part: Subject, current: float, base: float, temperature: float = ROOM) -> float:
    """Collector-emitter voltage (V) with these collector and base currents (A)."""
    sign = _sign(part)
    around = [volts("e", "e", 0.0), f"ib 0 b {sign * base!r}", f"ic 0 c {sign * current!r}"]
    return sign * part.at_rest(_nodes(part), around, temperature)["c"]


def output_admittance(part: Subject, current: float, voltage: float) -> float:
    """Change of the collector current (A/V) over 1 V around ``voltage``, the base current held."""
    sign = _sign(part)
    base = _biased(part, current, voltage, ROOM)[1]

    def collector(drop: float) -> float:
        around = [volts("e", "e", 0.0), f"ib 0 b {sign * base!r}", volts("c", "c", sign * drop)]
        return -sign * part.at_rest(_nodes(part), around)["vc#branch"]

    return collector(voltage + 0.5) - collector(voltage - 0.5)


def collector_capacitance(part: Subject, voltage: float) -> float:
    """Collector-base capacitance (F) with the collector ``voltage`` (V) above the base, emitter open."""
    around = [rising("c", "c", _sign(part) * voltage), volts("b", "b", 0.0), "ie 0 e 0"]
    return -part.currents_in_a_rise(_nodes(part), around)["vc#branch"]


def cut_off_current(part: Subject, voltage: float, temperature: float = ROOM) -> float:
    """Current (A) of the collector that is ``voltage`` (V) above the base, emitter open."""
    sign = _sign(part)
    around = [volts("c", "c", sign * voltage), volts("b", "b", 0.0), "ie 0 e 0"]
    return -sign * part.at_rest(_nodes(part), around, temperature)["vc#branch"]


# --- the exponential law


def law_slope(part: Subject, low: float, high: float, temperature: float = ROOM, half: float = 1) -> float:
    """Change of the base-emitter voltage (V) for a decade of collector current, between two of them (A);
    collector at the base."""
    first, second = (_transdiode(part, current, temperature, half) for current in (low, high))
    return (second[1] - first[1]) / math.log10(second[0] / first[0])


def bulk_resistance(part: Subject, low: float, high: float, temperature: float = ROOM) -> float:
    """Resistance (Ohm) that explains how far the base-emitter voltage departs from kT/q times the logarithm
    of the current between two collector currents (A)."""
    first, second = (_transdiode(part, current, temperature) for current in (low, high))
    ideal = VOLTS_PER_KELVIN * (temperature + ZERO_CELSIUS) * math.log(second[0] / first[0])
    return (second[1] - first[1] - ideal) / (second[0] - first[0])


def flattening(part: Subject, low: float, high: float, parameters: str = "") -> float:
    """What a current meant to be ``high`` (A) misses (cents) where the base voltage is set from ``low`` (A)
    by the ideal law at 25 degC."""
    part = part.with_parameters(parameters)
    first = _transdiode(part, low, ROOM)
    meant = VOLTS_PER_KELVIN * (ROOM + ZERO_CELSIUS) * math.log(high / first[0])
    sign = _sign(part)
    base = sign * (first[1] + meant)
    around = [volts("e", "e", 0.0), volts("b", "b", base), volts("c", "c", base)]
    flows = -sign * part.at_rest(_nodes(part), around)["vc#branch"]
    return 1200 * math.log2(flows / high) if flows > 0 else math.nan


def _transdiode(part: Subject, current: float, temperature: float, half: float = 1) -> tuple[float, float]:
    """Collector current (A) and base-emitter voltage (V) with the collector at the base and this emitter
    current (A)."""
    sign = _sign(part)
    around = [f"ie e 0 {sign * current!r}", volts("b", "b", 0.0), volts("c", "c", 0.0)]
    rest = part.at_rest(_nodes(part, half), around, temperature)
    return -sign * rest["vc#branch"], -sign * rest["e"]


# --- diodes

_DIODE = {"anode": "a", "cathode": "k"}


def forward_voltage(part: Subject, current: float, temperature: float = ROOM) -> float:
    """Voltage (V) across a diode that carries ``current`` (A)."""
    return part.at_rest(_DIODE, [volts("k", "k", 0.0), f"if 0 a {current!r}"], temperature)["a"]


def reverse_current(part: Subject, voltage: float, temperature: float = ROOM) -> float:
    """Current (A) backwards through a diode at ``voltage`` (V)."""
    around = [volts("a", "a", 0.0), volts("k", "k", voltage)]
    return -part.at_rest(_DIODE, around, temperature)["vk#branch"]


def diode_capacitance(part: Subject, voltage: float) -> float:
    """Capacitance (F) at a reverse voltage (V), over a rise of 0.2 V that leaves the diode shut."""
    small = 0.1 * 10e-6
    around = [volts("a", "a", 0.0), piecewise("k", "k", [(0, voltage - 0.1), (small, voltage + 0.1)])]
    wave = part.over_time(_DIODE, around, small, small / 100)
    conduction = part.at_rest(_DIODE, [volts("a", "a", 0.0), volts("k", "k", voltage)])["vk#branch"]
    middle = int(np.searchsorted(wave["time"], small / 2))
    return float(conduction - wave["vk#branch"][middle]) * small / 0.2


def recovery(part: Subject, current: float, voltage: float, resistance: float, left: float = 1e-3) -> float:
    """Time (s) from the instant at which the current turns round until it is down to ``left`` (A) backwards,
    after a step from ``current`` (A) to ``voltage`` (V) backwards through ``resistance`` (Ohm)."""
    forward = current * resistance + forward_voltage(part, current)
    step = [(0.0, forward), (5e-9, forward), (5.1e-9, -voltage)]
    around = [volts("k", "k", 0.0), piecewise("s", "s", step), ohms("s", "s", "a", resistance)]
    wave = part.over_time(_DIODE, around, 60e-9, 0.05e-9)
    backwards = wave["vk#branch"] * -1.0
    turned = first_crossing(wave["time"], backwards, 0.0, True, 4.9e-9)
    most = float(wave["time"][int(np.argmax(backwards))])
    return first_crossing(wave["time"], backwards, left, False, most) - turned


BENCHES: dict[str, BenchFunction] = {
    "gain": gain,
    "gain_matching": gain_matching,
    "base_voltage": base_voltage,
    "pair_offset": pair_offset,
    "saturation": saturation,
    "output_admittance": output_admittance,
    "collector_capacitance": collector_capacitance,
    "cut_off_current": cut_off_current,
    "law_slope": law_slope,
    "bulk_resistance": bulk_resistance,
    "flattening": flattening,
    "forward_voltage": forward_voltage,
    "reverse_current": reverse_current,
    "diode_capacitance": diode_capacitance,
    "recovery": recovery,
}
