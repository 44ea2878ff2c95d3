# SPDX-License-Identifier: GPL-3.0-or-later
"""All figures of one settled cycle of a board, from the engine's record of its nodes and currents."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from math import nan

import numpy as np

from harness.measure.aberrations import aberrations
from harness.measure.crossings import crossings
from harness.measure.levels import state_levels, time_median
from harness.measure.pulse import FLAT, Pulse, pulse_figures
from harness.measure.ramp import ramp_figures, threshold_figures
from harness.measure.room import room
from harness.measure.spectrum import level_vs_square, mean_and_ac_rms
from harness.measure.window import Array, cut, mean, mean_product, thrice

Record = Mapping[str, Array]
Figures = dict[str, float | str]
_MOVES = 0.05  # of the full range: a coupled output that moves less is at rest
LEAST_RANGE = 0.01  # V between the ends of what an output is able to take


@dataclass(frozen=True)
class Probes:
    """Which vectors of a record are what. Node names in lower case; "0" is ground and needs no vector.

    - ``output_ground``: node that the output pulls down to (the emitter node of a 311-class)
    - ``coupled``: the output lies behind a network of its own, so that its range is what it moves over
    - ``drooping``: a capacitor alone joins the output to the comparator, so that its states droop
    - ``plus``, ``minus``, ``supply_node``, ``ground_node``: inputs and supply pins of the comparator
    - ``class_``: the class whose common-mode rule holds
    - ``pullup_current``: current through the pull-up, of either sign
    - ``pullup_nodes``: nodes of the pull-up, that of its supply first
    - ``sink_current``: current into the comparator's output; a leading "-" where the vector counts outwards
    - ``supplies``: rail -> branch vector of its source, positive into its positive terminal, as in SPICE
    - ``swing``: lowest and highest level (V) that the output is able to take; where None, from
      ``output_ground`` to the pull-up's supply, or without a pull-up to the comparator's supply

    What is None is not measured and has no figure.
    """

    ramp: str | None
    threshold: str | None
    output: str
    output_ground: str = "0"
    coupled: bool = False
    drooping: bool = False
    plus: str | None = None
    minus: str | None = None
    supply_node: str | None = None
    ground_node: str = "0"
    class_: str | None = None
    pullup_current: str | None = None
    pullup_nodes: tuple[str, str] | None = None
    sink_current: str | None = None
    supplies: Mapping[str, str] = field(default_factory=dict)
    swing: tuple[float, float] | None = None


def measure_cycle(
    record: Record, begin: float, end: float, probes: Probes, temperature: float = 25.0
) -> Figures:
    """Figures of the cycle from ``begin`` to ``end`` (s) of a record that covers it, by stem, in SI units.

    ``record``: vector name -> values, shape (n,), "time" among them. ``temperature`` in degC, for the
    common-mode rule. Besides the stems: ``state``, ``level_method``, ``threshold_method``, ``note`` (texts).
    A figure that the cycle does not have (the duty of a stuck output) is not a number.
    Raises KeyError with a sentence for a vector that the record lacks, ValueError where it does not cover
    the cycle.
    """
    time = vector(record, "time")
    output = vector(record, probes.output)
    full = probes.swing or _full_range(record, begin, end, probes)
    pulse = pulse_figures(
        time, output, begin, end, _own_range(record, begin, end, probes, full), probes.drooping
    )
    level, ac_rms = mean_and_ac_rms(time, output, begin, end)
    beside = aberrations(time, output, begin, end, pulse)
    figures: Figures = {
        "state": pulse.state,
        "level_method": pulse.level_method,
        "note": pulse.note,
        "frequency": 1 / (end - begin),
        "duty": pulse.duty,
        "low_level": pulse.low_level,
        "high_level": pulse.high_level,
        "rise_time": pulse.rise_time,
        "fall_time": pulse.fall_time,
        "overshoot": beside.overshoot,
        "undershoot": beside.undershoot,
        "rise_settling": beside.rise_settling,
        "fall_settling": beside.fall_settling,
        "mean_level": level,
        "ac_rms": ac_rms,
        "level_vs_square": level_vs_square(ac_rms, pulse.high_level - pulse.low_level),
    }
    figures |= _ramp(record, begin, end, probes)
    figures |= _room(record, begin, end, probes, temperature)
    figures |= _output_currents(record, begin, end, probes, pulse)
    figures |= _supply_currents(record, begin, end, probes)
    return figures


def vector(record: Record, name: str) -> Array:
    """Values of a node or current; zeros for ground. Raises KeyError with a sentence where there is none."""
    if name in record:
        return np.asarray(record[name], dtype=np.float64)
    if name == "0":
        return np.zeros(len(record["time"]))
    raise KeyError(f'the record holds no vector "{name}"; it holds {", ".join(sorted(record))}')


def _own_range(
    record: Record, begin: float, end: float, probes: Probes, full: tuple[float, float]
) -> tuple[float, float]:
    """The range of an output that is ``coupled``: its own extremes, unless it hardly moves. The same where
    neither a pull-up nor the comparator's class says how far the output can go."""
    known = probes.swing or probes.pullup_nodes or probes.class_
    if known and not probes.coupled:
        return full
    _, wave = cut(vector(record, "time"), begin, end, vector(record, probes.output))
    low, high, whole = float(wave.min()), float(wave.max()), full[1] - full[0]
    if high - low >= (_MOVES if probes.coupled else FLAT) * whole:
        return low, high
    return (low, low + whole) if probes.coupled else full


def _full_range(record: Record, begin: float, end: float, probes: Probes) -> tuple[float, float]:
    """From the output's ground to the supply of its pull-up (means over the cycle, V), the lower one first.

    Where a wrong drawing pulls the output up to its own ground there is no range: a small one stands in for
    it, so that the output is called stuck.
    """
    top = probes.pullup_nodes[0] if probes.pullup_nodes else probes.supply_node
    if top is None:
        raise ValueError("the output's full range is not known: give a pull-up, a supply node or a swing")
    time, low, high = cut(
        vector(record, "time"), begin, end, vector(record, probes.output_ground), vector(record, top)
    )
    ends = sorted((mean(time, low), mean(time, high)))
    return ends[0], max(ends[1], ends[0] + LEAST_RANGE)


def _ramp(record: Record, begin: float, end: float, probes: Probes) -> Figures:
    if probes.ramp is None:
        return {}
    time, ramp = vector(record, "time"), vector(record, probes.ramp)
    low, high = ramp_figures(time, ramp, begin, end)
    figures: Figures = {"ramp_low": low, "ramp_high": high}
    if probes.threshold is not None:
        found = threshold_figures(time, ramp, vector(record, probes.threshold), begin, end)
        figures |= {
            "threshold": found.sweep,
            "threshold_return": found.back,
            "threshold_method": found.method,
        }
    return figures


def _room(record: Record, begin: float, end: float, probes: Probes, temperature: float) -> Figures:
    if probes.class_ is None or probes.plus is None or probes.minus is None or probes.supply_node is None:
        return {}
    names = (probes.plus, probes.minus, probes.supply_node, probes.ground_node)
    plus, minus, supply, ground = (vector(record, name) for name in names)
    time = vector(record, "time")
    headroom, floor_room = room(
        time, plus, minus, supply, begin, end, probes.class_, temperature=temperature, ground=ground
    )
    return {"headroom": headroom, "floor_room": floor_room}


def _output_currents(record: Record, begin: float, end: float, probes: Probes, pulse: Pulse) -> Figures:
    """Currents while the output rests at its low level, and the pull-up's mean current and power."""
    figures: Figures = {}
    time = vector(record, "time")
    if probes.pullup_current is not None:
        instants, current = cut(time, begin, end, vector(record, probes.pullup_current))
        if probes.pullup_nodes is not None:
            upper, lower = (vector(record, node) for node in probes.pullup_nodes)
            _, across = cut(time, begin, end, upper - lower)
            power = mean_product(instants, across, current)
            current = current if power >= 0 else -current
            figures["pullup_power"] = abs(power)
        figures["pullup_current"] = _settled(instants, current, pulse.settled_low)
        figures["pullup_current_mean"] = mean(instants, current)
    if probes.sink_current is not None:
        name = probes.sink_current.removeprefix("-")
        instants, current = cut(time, begin, end, vector(record, name))
        sign = -1.0 if probes.sink_current.startswith("-") else 1.0
        figures["sink_current"] = _settled(instants, sign * current, pulse.settled_low)
    return figures


def _settled(time: Array, current: Array, span: tuple[float, float] | None) -> float:
    """Time median over ``span`` (s) of a cut cycle taken as periodic; not a number without a span."""
    if span is None:
        return nan
    around, values = thrice(float(time[-1] - time[0]), time, current)
    return time_median(*cut(around, *span, values))


def _supply_currents(record: Record, begin: float, end: float, probes: Probes) -> Figures:
    """Mean and peak current (A) that each rail's source delivers."""
    figures: Figures = {}
    for rail, branch in probes.supplies.items():
        time, current = cut(vector(record, "time"), begin, end, -vector(record, branch))
        figures[f"supply_current_{rail}"] = mean(time, current)
        figures[f"supply_current_{rail}_peak"] = float(current.max())
    return figures


@dataclass(frozen=True)
class SettledCycles:
    """Whole cycles of a record, and how far the last two still differ.

    ``spans``: begin and end (s) of each; ``period_drift``: share of the period; ``low_drift``,
    ``high_drift``: state levels, as a share of their difference. Not a number with fewer than two cycles.
    """

    spans: tuple[tuple[float, float], ...]
    period_drift: float
    low_drift: float
    high_drift: float


def settled_cycles(time: Array, wave: Array, level: float) -> SettledCycles:
    """Whole cycles of ``wave`` between its rising crossings of ``level``. ValueError for a broken record."""
    instants, directions = crossings(time, wave, level)
    starts = [float(instant) for instant in instants[directions > 0]]
    spans = tuple(pairwise(starts))
    if len(spans) < 2:
        return SettledCycles(spans, nan, nan, nan)
    (first, middle), (_, last) = spans[-2:]
    before = state_levels(*cut(time, first, middle, wave))
    after = state_levels(*cut(time, middle, last, wave))
    swing = after.high - after.low
    return SettledCycles(
        spans,
        (last - 2 * middle + first) / (last - middle),
        (after.low - before.low) / swing,
        (after.high - before.high) / swing,
    )
