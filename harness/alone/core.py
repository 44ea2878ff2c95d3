# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts of a charged-capacitor core alone: switches, current mirror, and what capacitance the parts add."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import Engine, PartAlone, among, deck, integral, ohms, piecewise, run, volts

Array = NDArray[np.float64]
PROBE = 0.05  # V across a conducting switch
RUN, PAUSE = 10e-6, 5e-6  # s: flanks and rests of the wave that measures capacitance
CHARGE_STEPS = 500  # at least, for a charge; with 50 the same parts differ by 0.4 pF from run to run


def on_resistance(
    engine: Engine,
    switch: PartAlone,
    gate: str,
    drain: str,
    source: str,
    gate_voltage: float,
    temperature: float,
) -> float:
    """Resistance (Ohm) of a conducting switch at 50 mV, its gate at ``gate_voltage`` (V) above its source."""
    nodes = {gate: "gate", drain: "drain", source: "0"}
    elements = [
        switch.line("dut", among(nodes)),
        volts("gate", "gate", gate_voltage),
        volts("drain", "drain", PROBE),
    ]
    engine.load(deck(switch.support, elements, temperature), "switch alone")
    return PROBE / -engine.operating_point()["vdrain#branch"]


@dataclass(frozen=True)
class Mirror:
    """The transistors of a current mirror and the resistors that belong to them.

    ``lines``: their element lines, nodes as drawn; ``supply``: node -> V of the rails they hang on; ``input``
    and ``output``: the nodes where the programming current leaves and the mirrored one comes out.
    """

    lines: tuple[str, ...]
    support: tuple[str, ...]
    supply: Mapping[str, float]
    input: str
    output: str


def mirror_ratio(engine: Engine, mirror: Mirror, currents: Array, levels: Array, temperature: float) -> Array:
    """Mirrored current over programming current, shape (currents, levels), at output levels (V, evenly
    spaced)."""
    elements = [
        *mirror.lines,
        *(volts(f"rail{k}", node, value) for k, (node, value) in enumerate(sorted(mirror.supply.items()))),
        f"iprogram {mirror.input} 0 {float(currents[0])!r}",
        volts("level", mirror.output, levels[0]),
    ]
    engine.load(deck(mirror.support, elements, temperature), "mirror alone")
    step = levels[1] - levels[0]
    rows = []
    for current in currents:
        engine.alter("iprogram", current)
        rows.append(engine.dc_sweep("vlevel", levels[0], levels[-1], step)["vlevel#branch"] / current)
    return np.array(rows)


def added_capacitance(
    engine: Engine,
    support: Iterable[str],
    hang: Callable[[str], list[str]],
    low: float,
    high: float,
    temperature: float,
) -> float:
    """Capacitance (F) between ``low`` and ``high`` (V) of what hangs on a node, from the charge of a rise and
    a fall.

    ``hang(node)`` gives the element lines of the parts on that node. Law: C = (Q_up - Q_down) / (2 (V_hi -
    V_lo)); steady currents cancel.
    """
    points = [
        (0.0, low),
        (PAUSE, low),
        (PAUSE + RUN, high),
        (2 * PAUSE + RUN, high),
        (2 * PAUSE + 2 * RUN, low),
    ]
    stop = 2.5 * PAUSE + 2 * RUN
    elements = [*hang("node"), piecewise("drive", "node", points)]
    waves = run(engine, support, elements, temperature, stop, "capacitance of parts", CHARGE_STEPS)
    time, current = waves["time"], -waves["vdrive#branch"]
    middle = PAUSE + RUN + 0.5 * PAUSE
    down = integral(time, current, middle)
    up = integral(time, current, 0.5 * PAUSE) - down
    # both spans pass the same levels for the same time, so that steady currents add the same to each
    return (up - down) / (2 * (high - low))


__all__ = ["Mirror", "added_capacitance", "mirror_ratio", "ohms", "on_resistance", "volts"]
