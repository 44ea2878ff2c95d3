# SPDX-License-Identifier: GPL-3.0-or-later
"""From runs a decade apart in every limit to a best value and an error bar.

The error of a steered run falls by about 10**(2/3) a decade, so the difference of two decades tells what is
left. The gains and shares below were tuned on random circuits and confirmed on fresh ones against closed
forms and an independent solver with event location. The bar of duty and frequency is never below half of the
accuracy asked for, since two runs can agree by luck.

The points at an edge grow finer in no clean order, so the difference of two runs alone tells too little of
its figures: what the points themselves resolve counts as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.measure.resolution import Resolution

FLOOR = 5e-8  # share of the period below which no bar is believed
_LAST_SHARE = 0.22  # a difference is taken as no smaller than this share of the one before it
_SWING_SHARE = 0.2  # of the engine's tolerance, by which a mean near 0 V is known as a share of its swing
_STILL_SHARE = 0.05  # the same of a level: where nothing moves the engine comes nearer than its tolerance
_POINT_SHARE = 0.4  # error of an edge's figure over what leaving out a point there changes
_FINE = 5e-6  # an accuracy below which differences no longer fall in good order: slow memories, rounding
_LEAST_HALF = 0.6  # bar over the last difference there
_LEVEL_GAIN = 1.5  # bar of levels and currents over the last difference
_AVERAGES = ("mean_level", "ac_rms")
_SHARES = ("overshoot", "undershoot")
_SWINGS = {
    ("low_level", "high_level", *_AVERAGES): ("low_level", "high_level"),
    ("ramp_low", "ramp_high", "threshold", "threshold_return", "headroom", "floor_room"): (
        "ramp_low",
        "ramp_high",
    ),
}


def timing(
    values: Sequence[tuple[float, float]], drift: float, events: int, accuracy: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Best (duty, frequency) and their bars, from two or more decades.

    ``values``: (duty, frequency in Hz), coarsest first. ``drift``: relative change from cycle to cycle. The
    duty bar is absolute, the frequency bar in Hz. A NaN duty (an output without pulses) stays NaN.
    """
    table: NDArray[np.float64] = np.array(values, dtype=float)
    scale = np.array([1.0, table[-1][1]])
    step = (table[-1] - table[-2]) / scale
    size = _neither_by_luck(np.abs(step))
    if len(table) > 2:
        last = _neither_by_luck(np.abs(table[-2] - table[-3]) / scale)
        size = np.fmax(size, _LAST_SHARE * last)
    else:
        last = 4.0 * size
    gain: float | NDArray[np.float64]
    half: float | NDArray[np.float64]
    if events:
        ratio = np.maximum(last / np.maximum(size, 1e-300), 1.01)
        gain = np.clip((0.3 + 1 / (ratio - 1)) / 2, 0.27, 0.65)
        half = np.where(ratio < 1.7, 1.0, 0.2 + np.abs(gain - 0.3))
        if accuracy < _FINE:
            half = np.maximum(half, _LEAST_HALF)
        if len(table) == 2:
            gain, half = 0.35, 0.7
    else:
        # smooth: edges fall between points, in no clean order; two runs alone lie half a decade apart
        gain, half = 0.1, 1.3 if len(table) > 2 else 2.0
    best = table[-1] + gain * step * scale
    bar = np.maximum(half * size + FLOOR + drift, accuracy / 2) * scale
    bar[~np.isfinite(table[-1])] = math.nan
    return (float(best[0]), float(best[1])), (float(bar[0]), float(bar[1]))


def apart(first: Mapping[str, float], last: Mapping[str, float]) -> float:
    """How far two runs lie apart: the larger of duty's difference and frequency's relative one."""
    frequency = abs(last["frequency"] / first["frequency"] - 1.0)
    duty = abs(last.get("duty", math.nan) - first.get("duty", math.nan))
    return max(frequency, duty) if math.isfinite(duty) else frequency


def one_way(*runs: Mapping[str, float]) -> bool:
    """True where, of duty and frequency, the one that moves most from run to run moves in one direction."""
    moves = [
        [
            runs[k + 1].get(name, math.nan) / scale - runs[k].get(name, math.nan) / scale
            for k in range(len(runs) - 1)
        ]
        for name, scale in (("duty", 1.0), ("frequency", runs[-1]["frequency"]))
    ]
    most = max(
        moves, key=lambda steps: max((abs(step) for step in steps if math.isfinite(step)), default=0.0)
    )
    return not (min(most) < 0 < max(most))


def _neither_by_luck(size: NDArray[np.float64]) -> NDArray[np.float64]:
    """Duty and frequency err alike, so neither difference is believed below half of the other."""
    return np.fmax(size, 0.5 * size[::-1])


def figure(values: Sequence[float], near: float, drift: float, scale: float = 0.0) -> float:
    """Error bar of a level, current or time, in its own unit, from its values at two or more decades.

    ``near``: what all runs may have in common, in the figure's unit; ``drift``: relative change between
    cycles; ``scale``: what that is relative to, where it is more than the figure itself. NaN where the last
    value is missing, infinite where an earlier one is.
    """
    last = values[-1]
    if not math.isfinite(last):
        return math.nan
    if len(values) < 2 or not math.isfinite(values[-2]):
        return math.inf
    size = abs(last - values[-2])
    if len(values) > 2 and math.isfinite(values[-3]):
        size = max(size, _LAST_SHARE * abs(values[-2] - values[-3]))
    return _LEVEL_GAIN * size + near + drift * max(abs(last), scale)


def edge(
    values: Sequence[float], resolution: Resolution, levels: float, drift: float, gain: float = 1.0
) -> float:
    """Error bar of an edge's duration, settling, overshoot or undershoot, in its own unit.

    What its points resolve and ``gain`` times what the last two of the ``values`` differ by, added as
    independent errors are, and what ``levels``, the bars (V) of both state levels together, make of it. NaN
    and infinite as in :func:`figure`.
    """
    last = values[-1]
    if not math.isfinite(last):
        return math.nan
    if len(values) < 2 or not math.isfinite(values[-2]):
        return math.inf
    own = math.hypot(_POINT_SHARE * resolution.left_out, gain * (last - values[-2]))
    return own + resolution.per_volt * levels + drift * abs(last)


def in_common(name: str, value: float, relative: float, scale: float | None) -> float:
    """What two runs may have in common and yet be wrong by, in the figure's unit. ``relative``: the engine's
    relative tolerance at the last decade; ``scale``: what the figure is part of, where that is known (a level
    near 0 V is no better known than its swing)."""
    if scale is None or name in _AVERAGES or name in _SHARES:
        return 2 * relative * abs(value) + _SWING_SHARE * relative * (scale or 0.0)
    return _STILL_SHARE * relative * max(abs(value), scale)


def swings(figures: Mapping[str, float]) -> dict[str, float]:
    """What each figure that may come near 0 is part of, where it is known: the swing (V) for voltages, the
    whole (1) for shares of it."""
    found = dict.fromkeys(_SHARES, 1.0)
    for names, ends in _SWINGS.items():
        swing = figures.get(ends[1], math.nan) - figures.get(ends[0], math.nan)
        if math.isfinite(swing):
            found |= dict.fromkeys(names, abs(swing))
    return found


def all_figures(
    tables: Sequence[Mapping[str, float]],
    drift: float,
    events: int,
    accuracy: float,
    relative: float,
    resolved: Mapping[str, Resolution] | None = None,
) -> tuple[dict[str, float], dict[str, float]]:
    """Best values and bars of every figure of the finest run: timing by :func:`timing`, edges whose points
    are ``resolved`` by :func:`edge`, the rest by :func:`figure`. ``relative``: the engine's relative
    tolerance at the last decade."""
    best = dict(tables[-1])
    scales = swings(best)
    values = {name: [table.get(name, math.nan) for table in tables] for name in best}
    bars = {
        name: figure(
            values[name],
            in_common(name, best[name], relative, scales.get(name)),
            drift,
            scales.get(name, 0.0),
        )
        for name in best
    }
    levels = bars.get("low_level", math.nan) + bars.get("high_level", math.nan)
    for name, resolution in (resolved or {}).items():
        gain = _LEVEL_GAIN if name in _SHARES else 1.0
        bars[name] = edge(values[name], resolution, levels, drift, gain)
    if len(tables) > 1 and math.isfinite(best.get("frequency", math.nan)):
        pairs = [(t.get("duty", math.nan), t["frequency"]) for t in tables]
        (duty, frequency), (duty_bar, frequency_bar) = timing(pairs, drift, events, accuracy)
        best["frequency"], bars["frequency"] = frequency, frequency_bar
        if "duty" in best:
            best["duty"], bars["duty"] = duty, duty_bar
    return best, bars


def widen(figures: Mapping[str, float], widths: dict[str, float], least: float) -> None:
    """Raises every bar to at least this share of its figure (duty: of the period; a level near 0 V: of the
    swing that it is part of)."""
    scales = swings(figures)
    for name, width in widths.items():
        scale = 1.0 if name == "duty" else max(abs(figures[name]), scales.get(name, 0.0))
        widths[name] = max(width, least * scale) if math.isfinite(width) else width


def telling(
    figures: Mapping[str, float], widths: Mapping[str, float], wanted: Sequence[tuple[str, float, str]]
) -> bool:
    """True where no figure has a bar wider than wanted: (quantity, most, what that is a share of), as in
    `plan.Plan`."""
    units = {
        "swing": figures.get("high_level", math.nan) - figures.get("low_level", math.nan),
        "ramp": figures.get("ramp_high", math.nan) - figures.get("ramp_low", math.nan),
        "absolute": 1.0,
    }
    return not any(
        widths.get(name, 0.0) > share * abs(units.get(scale, figures.get(name, math.nan)))
        for name, share, scale in wanted
    )
