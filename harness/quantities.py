# SPDX-License-Identifier: GPL-3.0-or-later
"""The quantities that are predicted, measured and compared: names, units, default tolerances.

A tolerance is a share of a scale: of the output swing, of the ramp's height, of the figure itself,
or an absolute number in the quantity's own unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Scale = Literal["absolute", "swing", "ramp", "figure", "cents"]
TEMPERATURE = "temperature"  # name of the axis that the engine itself takes
ROOM_TEMPERATURE = 25.0  # degC, where a board has no such axis
STATES = ("pulsing", "stuck high", "stuck low", "chatter", "no ramp", "out of range", "not simulated")


@dataclass(frozen=True)
class Stem:
    """A quantity: its column stem, title, SI unit, and the tolerance used where a board file sets none.

    ``tolerance`` is absolute in ``unit``, or a share of ``scale``; for ``cents`` it is an interval in cents.
    """

    name: str
    title: str
    unit: str
    tolerance: float
    scale: Scale


STEMS: dict[str, Stem] = {
    stem.name: stem
    for stem in (
        Stem("duty", "Duty factor", "", 0.01, "absolute"),
        Stem("frequency", "Frequency", "Hz", 5.0, "cents"),
        Stem("threshold", "Threshold", "V", 0.02, "ramp"),
        Stem("threshold_return", "Threshold on the way back", "V", 0.02, "ramp"),
        Stem("ramp_low", "Ramp, lowest level", "V", 0.02, "ramp"),
        Stem("ramp_high", "Ramp, highest level", "V", 0.02, "ramp"),
        Stem("low_level", "Output, low level", "V", 0.02, "swing"),
        Stem("high_level", "Output, high level", "V", 0.02, "swing"),
        Stem("pullup_current", "Pull-up current, output low", "A", 0.05, "figure"),
        Stem("pullup_current_mean", "Pull-up current, mean", "A", 0.05, "figure"),
        Stem("pullup_power", "Pull-up dissipation, mean", "W", 0.05, "figure"),
        Stem("sink_current", "Comparator sink current", "A", 0.05, "figure"),
        Stem("rise_time", "Rise time, 10 % to 90 %", "s", 0.10, "figure"),
        Stem("fall_time", "Fall time, 90 % to 10 %", "s", 0.10, "figure"),
        Stem("overshoot", "Overshoot above the high level", "", 0.02, "absolute"),
        Stem("undershoot", "Undershoot below the low level", "", 0.02, "absolute"),
        Stem("rise_settling", "Settling after the rise, to 2 % of the swing", "s", 0.10, "figure"),
        Stem("fall_settling", "Settling after the fall, to 2 % of the swing", "s", 0.10, "figure"),
        Stem("headroom", "Room to the upper common-mode limit", "V", 0.02, "ramp"),
        Stem("floor_room", "Room to the lower common-mode limit", "V", 0.02, "ramp"),
        Stem("output_resistance", "Output resistance", "Ohm", 0.05, "figure"),
        Stem("mean_level", "Mean level (DC offset)", "V", 0.02, "swing"),
        Stem("ac_rms", "AC r.m.s. level", "V", 0.02, "swing"),
        Stem("level_vs_square", "Level against a square wave", "dB", 0.2, "absolute"),
    )
}


def is_stem(name: str) -> bool:
    """True for a known quantity, ``supply_current_<rail>`` and its ``_peak`` included."""
    return name in STEMS or name.startswith("supply_current_")


def stem(name: str) -> Stem:
    """The stem of ``name``. Raises KeyError for a name that is no quantity."""
    if name in STEMS:
        return STEMS[name]
    if name.startswith("supply_current_"):
        rail = name.removeprefix("supply_current_")
        kind = "peak" if rail.endswith("_peak") else "mean"
        return Stem(name, f"Supply current, {rail.removesuffix('_peak')}, {kind}", "A", 0.05, "figure")
    raise KeyError(name)
