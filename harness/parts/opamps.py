# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for op-amps. Pins of the sheets: plus, minus, supply, negative, output.

Loads and levels are referred to the middle between the rails, ``positive`` and ``negative`` (V).
"""

from __future__ import annotations

import math

import numpy as np

from harness.alone.bench import Array, first_crossing, ohms, piecewise, volts
from harness.parts.rows import BenchFunction
from harness.parts.subject import ROOM, Subject

OPEN = {"plus": "p", "minus": "m", "supply": "s", "negative": "n", "output": "o"}
FOLLOWER = {**OPEN, "minus": "o"}
DRIVE = 1.0  # V between the inputs that drives the output to its end
SENSED = 0.02  # V between the inputs where the sign of the output is asked for
FEEDBACK = 1e5  # Ohm, of the resistors around an amplifier


def rails(positive: float, negative: float) -> list[str]:
    """The sources of both supplies."""
    return [volts("s", "s", positive), volts("n", "n", negative)]


def loaded(middle: float, load: float, capacitance: float = 0.0) -> list[str]:
    """A resistor (Ohm) from the output to the middle (V), and where asked for a capacitor (F) to ground."""
    capacitor = [f"cl o 0 {capacitance!r}"] if capacitance else []
    return [volts("l", "l", middle), ohms("l", "o", "l", load), *capacitor]


def _asked(part: Subject, parameters: str) -> Subject:
    """The model with parameters that the sheet asks for; as it comes where there are none."""
    return part.with_parameters(parameters) if parameters else part


def _middle(positive: float, negative: float) -> float:
    return 0.5 * (positive + negative)


def supply_current(part: Subject, positive: float, negative: float = 0.0, temperature: float = ROOM) -> float:
    """Current (A) out of the positive supply, as a follower in the middle without load."""
    around = [*rails(positive, negative), volts("p", "p", _middle(positive, negative))]
    return -part.at_rest(FOLLOWER, around, temperature)["vs#branch"]


def bias(part: Subject, positive: float, negative: float = 0.0, temperature: float = ROOM) -> float:
    """Input current (A), of both pins and of either sign the larger, inputs in the middle."""
    middle = _middle(positive, negative)
    around = [*rails(positive, negative), volts("p", "p", middle), volts("m", "m", middle)]
    rest = part.at_rest(OPEN, around, temperature)
    return max(abs(rest["vp#branch"]), abs(rest["vm#branch"]))


def bias_growth(part: Subject, positive: float, cold: float, hot: float, negative: float = 0.0) -> float:
    """Input current at one temperature (degC) over that at another."""
    return bias(part, positive, negative, hot) / bias(part, positive, negative, cold)


def offset(part: Subject, positive: float, negative: float = 0.0, parameters: str = "") -> float:
    """How far (V) plus lies above minus in a follower at the middle."""
    level = _middle(positive, negative)
    around = [*rails(positive, negative), volts("p", "p", level)]
    return level - _asked(part, parameters).at_rest(FOLLOWER, around)["o"]


def open_loop_gain(part: Subject, positive: float, negative: float, swing: float, load: float) -> float:
    """Output over input difference between ``swing`` (V) to either side of 0 V, as an inverting amplifier."""
    outputs, inputs = [], []
    for level in (-swing, swing):
        around = [
            *rails(positive, negative), volts("p", "p", 0.0), volts("i", "i", -level),
            ohms("i", "i", "m", FEEDBACK), ohms("f", "m", "o", FEEDBACK), *loaded(0.0, load),
        ]  # fmt: skip
        rest = part.at_rest(OPEN, around)
        outputs.append(rest["o"])
        inputs.append(-rest["m"])
    return (outputs[1] - outputs[0]) / (inputs[1] - inputs[0])


def ends(
    part: Subject, positive: float, negative: float, load: float, temperature: float = ROOM
) -> tuple[float, float]:
    """Lowest and highest output level (V) into a load."""
    middle = _middle(positive, negative)
    found = []
    for drive in (-DRIVE, DRIVE):
        inputs = [volts("p", "p", middle + drive / 2), volts("m", "m", middle - drive / 2)]
        around = [*rails(positive, negative), *inputs, *loaded(middle, load)]
        found.append(part.at_rest(OPEN, around, temperature)["o"])
    return found[0], found[1]


def swing(
    part: Subject, positive: float, load: float, negative: float = 0.0, temperature: float = ROOM
) -> float:
    """How far (V) the output goes from the middle into a load, to the side where it goes less far."""
    low, high = ends(part, positive, negative, load, temperature)
    middle = _middle(positive, negative)
    return min(high - middle, middle - low)


def room_to_rails(
    part: Subject, positive: float, load: float, negative: float = 0.0, temperature: float = ROOM
) -> float:
    """What is missing (V) between output and rail, at the rail where more is missing."""
    low, high = ends(part, positive, negative, load, temperature)
    return max(positive - high, low - negative)


def short_circuit(part: Subject, positive: float, negative: float = 0.0) -> float:
    """Output current (A) into a short circuit to the middle, of both directions the larger."""
    ohm = 1e-3
    low, high = ends(part, positive, negative, ohm)
    middle = _middle(positive, negative)
    return max(high - middle, middle - low) / ohm


def _follows(
    part: Subject, points: list[tuple[float, float]], around: list[str], span: float
) -> dict[str, Array]:
    """A follower driven through points of (s, V), recorded for ``span`` (s)."""
    return part.over_time(FOLLOWER, [*around, piecewise("p", "p", points)], span, span / 2000)


def slew_rate(
    part: Subject,
    positive: float,
    step: float,
    load: float,
    capacitance: float,
    negative: float = 0.0,
    expected: float = 1e6,
) -> float:
    """Slew rate (V/s) of a follower between 10 % and 90 % of a step (V) around the middle, of both edges the
    slower. ``expected`` (V/s): about what it is, for the length of the run."""
    middle = _middle(positive, negative)
    low, high = middle - step / 2, middle + step / 2
    time = 3 * step / expected
    around = [*rails(positive, negative), *loaded(middle, load, capacitance)]
    slowest = math.inf
    for first, last in ((low, high), (high, low)):
        wave = _follows(part, [(0.0, first), (0.1 * time, first), (0.101 * time, last)], around, 1.1 * time)
        begin, end = (
            first_crossing(wave["time"], wave["o"], first + share * (last - first), last > first)
            for share in (0.1, 0.9)
        )
        slowest = min(slowest, 0.8 * step / (end - begin))
    return slowest


def bandwidth(
    part: Subject,
    positive: float,
    negative: float = 0.0,
    load: float = 1e4,
    expected: float = 1e6,
    parameters: str = "",
) -> float:
    """Gain-bandwidth product (Hz): (1 + R2/R1) / (2 pi tau), tau of the step response of an inverting
    amplifier with R2/R1 = 100, small enough that nothing slews.

    Law: an amplifier of one pole f_T / s with the share b = 1 / (1 + R2/R1) fed back has
    tau = 1 / (2 pi b f_T).
    """
    ratio, output = 100.0, 0.05
    middle = _middle(positive, negative)
    tau = (1 + ratio) / (2 * math.pi * expected)
    around = [
        *rails(positive, negative), volts("p", "p", middle), *loaded(middle, load),
        ohms("f", "m", "o", FEEDBACK), ohms("i", "i", "m", FEEDBACK / ratio),
        piecewise("i", "i", [(0.0, middle), (tau, middle), (1.001 * tau, middle - output / ratio)]),
    ]  # fmt: skip
    wave = _asked(part, parameters).over_time(OPEN, around, 11 * tau, tau / 100)
    begin, end = float(wave["o"][0]), float(wave["o"][-1])
    passed = first_crossing(wave["time"], wave["o"], end - (end - begin) / math.e, True)
    return (1 + ratio) / (2 * math.pi * (passed - 1.0005 * tau))


def overshoot(
    part: Subject,
    positive: float,
    step: float,
    load: float,
    capacitance: float,
    negative: float = 0.0,
    expected: float = 1e6,
) -> float:
    """Overshoot of a follower after a small step (V), as a share of it. ``expected`` (Hz): about its
    bandwidth."""
    middle = _middle(positive, negative)
    time = 5.0 / expected
    around = [*rails(positive, negative), *loaded(middle, load, capacitance)]
    points = [(0.0, middle), (0.1 * time, middle), (0.101 * time, middle + step)]
    wave = _follows(part, points, around, time)["o"]
    return float((np.max(wave) - wave[-1]) / (wave[-1] - wave[0]))


def common_mode_room(
    part: Subject, positive: float, side: str, negative: float = 0.0, temperature: float = ROOM
) -> float:
    """How far (V) both inputs have to stay off the ``upper`` or ``lower`` rail for the output to follow the
    sign of their difference, to 0.1 V; negative where they may lie beyond it, at most 1 V."""
    if side not in ("upper", "lower"):
        raise ValueError(f"{side!r} is neither upper nor lower")
    rail, outwards = (positive, 1.0) if side == "upper" else (negative, -1.0)
    middle = _middle(positive, negative)
    levels = (middle, rail + outwards, 0.1 * outwards)
    right = np.ones(0, dtype=bool)
    for difference in (-SENSED, SENSED):
        inputs = [volts("m", "m", middle), f"vd p m {difference!r}"]
        around = [*rails(positive, negative), *inputs, *loaded(middle, FEEDBACK)]
        wave = part.sweep(OPEN, around, "vm", levels, temperature)
        follows = (wave["o"] > middle) == (difference > 0)
        right = follows & right if right.size else follows
    if not right[0]:
        return math.nan
    last = int(np.argmin(right)) - 1 if not right.all() else len(right) - 1
    return abs(rail - middle) - 0.1 * last


def output_is(
    part: Subject, state: str, plus: float, minus: float, positive: float, negative: float
) -> float:
    """1 where the output is ``high`` (``low``) with the inputs at these levels (V), else 0."""
    if state not in ("high", "low"):
        raise ValueError(f"{state!r} is neither high nor low")
    middle = _middle(positive, negative)
    inputs = [volts("p", "p", plus), volts("m", "m", minus)]
    rest = part.at_rest(OPEN, [*rails(positive, negative), *inputs, *loaded(middle, FEEDBACK)])
    return float((rest["o"] > middle) == (state == "high"))


BENCHES: dict[str, BenchFunction] = {
    "supply_current": supply_current,
    "bias": bias,
    "bias_growth": bias_growth,
    "offset": offset,
    "open_loop_gain": open_loop_gain,
    "swing": swing,
    "room_to_rails": room_to_rails,
    "short_circuit": short_circuit,
    "slew_rate": slew_rate,
    "bandwidth": bandwidth,
    "overshoot": overshoot,
    "common_mode_room": common_mode_room,
    "output_is": output_is,
}
