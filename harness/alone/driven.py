# SPDX-License-Identifier: GPL-3.0-or-later
"""The output curves of a comparator that drives its output both ways, alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import Engine, PartAlone, deck, ohms, volts
from harness.alone.comparator import BIAS_SWING, COARSE_STEP, Pins, Surroundings, held_pins, instance

Array = NDArray[np.float64]
BEYOND, STEP, FINE = 0.1, 0.02, 4.0  # V: of the output curves
TITLE = "comparator output curve"
SERIES, STRONG, LED_STEPS = 100.0, 0.3, 2000  # Ohm, A, of a sweep over a resistor
REST = 100e-6  # s: what an op-amp gets to leave its overload and to slew


def curves(
    engine: Engine,
    comparator: PartAlone,
    pins: Pins,
    where: Surroundings,
    high_below: bool,
    rails: tuple[float, float],
    span: float,
) -> tuple[Array, Array]:
    """The currents (A) into an output that drives both ways: in its low state at the voltages of
    :func:`knots` above its reference, in its high state at the negatives of those below its supply.

    ``rails``: reference and supply, V; both within ``span`` (V) of each other.
    """
    from harness.engine.errors import EngineDead, EngineError

    found: list[Array] = []
    held = True
    for low in (True, False):
        above = low == high_below
        elements = [
            instance(comparator, pins, "dut", ""),
            *held_pins(pins, where),
            volts("ramp", "ramp", where.level + (BIAS_SWING if above else -BIAS_SWING)),
            volts("level", "level", where.level),
        ]
        try:
            if held:
                lines = [*elements, volts("out", "output", rails[0] if low else rails[1])]
                engine.load(deck(comparator.support, lines, where.temperature), TITLE)
                found.append(_forced(engine, rails, low, span))
                continue
        except EngineDead:
            raise
        except EngineError:
            held = False
        lines = [*elements, volts("out", "forced", 0.0), ohms("out", "forced", "output", SERIES)]
        engine.load(deck(comparator.support, lines, where.temperature), TITLE)
        found.append(_led(engine, _places(rails, low, span)))
    return found[0], found[1]


def _places(rails: tuple[float, float], low: bool, span: float) -> Array:
    """The voltages of a state, rising."""
    away = np.concatenate(knots(span))
    return rails[0] + away if low else (rails[1] - away)[::-1]


def _forced(engine: Engine, rails: tuple[float, float], low: bool, span: float) -> Array:
    """Currents (A) into the output where a source holds it at these voltages."""
    currents: list[Array] = []
    for away in knots(span):
        first, last = (rails[0] + away[0], rails[0] + away[-1])
        if not low:
            first, last = rails[1] - away[-1], rails[1] - away[0]
        step = float(away[1] - away[0])
        swept = -engine.dc_sweep("vout", first, last + 1e-3 * step, step)["vout#branch"]
        currents.append(swept[: len(away)])
    return np.concatenate(currents if low else currents[::-1])


def _led(engine: Engine, voltages: Array) -> Array:
    """The same at rising ``voltages`` where a source leads the output over a resistor of `SERIES`: a model
    whose limits are stiff has no operating point when it is held far beyond them. Beyond what `STRONG` can
    reach the last slope goes on."""
    first, last = voltages[0] - SERIES * STRONG, voltages[-1] + SERIES * STRONG
    step = (last - first) / LED_STEPS
    waves = engine.dc_sweep("vout", first, last + 1e-3 * step, step)
    at, current = np.maximum.accumulate(waves["output"]), -waves["vout#branch"]
    found: Array = np.interp(voltages, at, current)
    for end, inner, out in ((0, 1, voltages < at[0]), (-1, -2, voltages > at[-1])):
        slope = (current[end] - current[inner]) / (at[end] - at[inner] or np.inf)
        found[out] = current[end] + slope * (voltages[out] - at[end])
    return found


def knots(span: float) -> tuple[Array, Array]:
    """Volts from a rail, the near ones and the far ones: from a little beyond the rail to ``span`` V."""
    near = -BEYOND + STEP * np.arange(round((min(span, FINE) + BEYOND) / STEP) + 1)
    start = near[-1] + COARSE_STEP
    count = max(int((span - start) / COARSE_STEP + 1e-6) + 1, 2)
    far = start + COARSE_STEP * np.arange(count)
    return np.asarray(near, dtype=np.float64), np.asarray(far, dtype=np.float64)
