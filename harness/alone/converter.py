# SPDX-License-Identifier: GPL-3.0-or-later
"""The matched pair of an exponential converter alone: how far its output current is from the law, and what
its bases take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import Engine, PartAlone, deck, integral, piecewise, run, volts
from harness.alone.core import CHARGE_STEPS, PAUSE, RUN
from harness.predict.converter import thermal_voltage

Array = NDArray[np.float64]
SWEEP, STEP = (0.25, 0.85), 2e-3  # V: base above emitter of the reference transistor


@dataclass(frozen=True)
class Pair:
    """The pair with the nodes of its line: ``bases`` and ``collectors`` of reference and output, ``emitter``s
    of both. ``sign``: 1 for NPN, -1 for PNP."""

    part: PartAlone
    bases: tuple[str, str]
    collectors: tuple[str, str]
    sign: float

    def line(self) -> str:
        """Its element line between nodes b0, c0, b1, c1 and one emitter."""
        own = {self.bases[0]: "b0", self.bases[1]: "b1", self.collectors[0]: "c0", self.collectors[1]: "c1"}
        return self.part.line("pair", lambda node: own.get(node.lower(), "e"))


def currents(
    engine: Engine, pair: Pair, base: float, held: float, level: float, reference: float, wanted: Array,
    temperature: float,
) -> dict[str, list[float]]:  # fmt: skip
    """What the pair does for output currents ``wanted`` (A) by the law, with the reference transistor
    carrying ``reference`` (A): ``gain`` (real over ideal current), ``output`` and ``reference`` (base
    currents, A, into NPN and out of PNP). ``base``, ``held``, ``level``: V at the reference base and the two
    collectors."""
    drives = thermal_voltage(temperature) * np.log(wanted / reference)
    elements = [pair.line(), volts("b0", "b0", base), volts("b1", "b1", base), volts("c0", "c0", held)]
    elements += [volts("c1", "c1", level), volts("e", "e", base)]
    engine.load(deck(pair.part.support, elements, temperature), "pair alone")
    found: dict[str, list[float]] = {"gain": [], "output": [], "reference": []}
    for drive, ideal in zip(drives, wanted, strict=True):
        engine.alter("vb1", base + pair.sign * float(drive))
        start, stop = (base - pair.sign * v for v in SWEEP)
        swept = engine.dc_sweep("ve", start, stop, -pair.sign * STEP)
        waves = {name: -pair.sign * swept[f"v{name}#branch"] for name in ("b0", "b1", "c0", "c1")}
        rising = np.flatnonzero(waves["c0"] > 1e-3 * reference)
        place = np.interp(np.log(reference), np.log(waves["c0"][rising]), rising.astype(float))
        at = {
            name: float(np.exp(np.interp(place, rising, np.log(np.maximum(wave[rising], 1e-18)))))
            for name, wave in waves.items()
        }
        found["gain"].append(at["c1"] / float(ideal))
        found["output"].append(at["b1"])
        found["reference"].append(at["b0"])
    return found


def collector_capacitance(
    engine: Engine, pair: Pair, base: float, low: float, high: float, temperature: float
) -> float:
    """Capacitance (F) between output collector and its base, the collector between ``low`` and ``high`` (V).

    From the charge that the base gives and takes as the collector falls and rises; steady currents cancel.
    """
    times = np.cumsum([0.0, PAUSE, RUN, PAUSE, RUN])
    points = list(zip(times, (low, low, high, high, low), strict=True))
    elements = [pair.line(), *(volts(node, node, base) for node in ("b0", "b1", "c0", "e"))]
    elements.append(piecewise("drive", "c1", points))
    stop = float(times[-1]) + 0.5 * PAUSE
    waves = run(engine, pair.part.support, elements, temperature, stop, "collector of a pair", CHARGE_STEPS)
    time, current = waves["time"], waves["vb1#branch"]
    down = integral(time, current, float(times[2]) + 0.5 * PAUSE)
    up = integral(time, current, 0.5 * PAUSE) - down
    return (up - down) / (2 * (high - low))
