# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for an exponential converter: its pair, and the offset of its amplifier."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from harness.alone import converter as alone
from harness.alone.bench import PartAlone
from harness.alone.comparator import Pins, Surroundings, turning_point
from harness.alone.conditions import Conditions, median, the_engine
from harness.alone.converter import Pair
from harness.alone.subject import Bench, Refused, Value
from harness.intent.cores import Converter
from harness.predict.converter import DrawnConverter
from harness.predict.network import GROUND

Array = NDArray[np.float64]
LEVELS = 3  # of the output collector


def pair_on(on: Conditions, keys: Converter) -> Pair | None:
    """The pair ready for a bench; None where its pins could not be told apart."""
    drawn = DrawnConverter(on.drawn, keys)
    if drawn.sense is None or drawn.output is None:
        return None
    bases = (keys.reference_base.lower(), keys.output_base.lower())
    return Pair(PartAlone.of(on.netlist, keys.pair), bases, (drawn.sense, drawn.output), drawn.sign)


def converter_benches(
    on: Conditions, keys: Converter, span: tuple[float, float]
) -> Iterator[Bench | Refused]:
    """All benches of a converter whose output collector moves between the levels of ``span`` (V)."""
    names = ("converter.gain", "converter.base_output", "converter.base_reference",
             "converter.collector")  # fmt: skip
    drawn, grid = DrawnConverter(on.drawn, keys), on.grid
    pair = pair_on(on, keys)
    reference, current = median(drawn.reference), drawn.current[np.isfinite(drawn.current)]
    base, held = median(on.drawn.node(keys.reference_base)), median(drawn.held)
    if pair is None or not len(current) or not np.isfinite([reference, base, held]).all() or reference <= 0:
        yield Refused("converter", names, "its pair's pins, its reference or its bases are not known")
        return
    low, high = np.log10([0.5 * current.min(), 2.0 * current.max()])
    decades = np.linspace(low, high, 1 + round((high - low) / np.log10(2.0)))
    levels = np.linspace(min(held, span[0]), max(held, span[1]), LEVELS)

    def measure() -> dict[str, Array]:
        engine = the_engine()
        rows = [
            [
                alone.currents(engine, pair, base, held, float(v), reference, 10.0**decades, float(t))
                for v in levels
            ]
            for t in grid.temperatures
        ]
        gain = np.array([[cell["gain"] for cell in row] for row in rows])
        middle = [row[LEVELS // 2] for row in rows]
        return {
            names[0]: np.moveaxis(gain, 1, 2),
            names[1]: np.array([cell["output"] for cell in middle]),
            names[2]: np.array([[cell["reference"][len(decades) // 2]] for cell in middle]),
            names[3]: np.array(
                [alone.collector_capacitance(engine, pair, base, *span, float(t)) for t in grid.temperatures]
            ),
        }

    axes = {"temperature": grid.temperatures, "current": decades}
    origin = f"model {pair.part.part.model} alone, base voltages swept"
    values = (
        Value(names[0], "", origin, {**axes, "level": levels}),
        Value(names[1], "A", origin, axes),
        Value(names[2], "A", origin, {**axes, "current": np.log10([reference])}),
        Value(
            names[3],
            "F",
            f"model {pair.part.part.model} alone, collector moved",
            {"temperature": grid.temperatures},
        ),
    )
    subject = {
        "pair": pair,
        "base": base,
        "held": held,
        "reference": reference,
        "levels": levels,
        "grid": axes,
    }
    yield Bench("converter pair", values, subject, measure)
    if keys.amplifier:
        yield _amplifier(on, keys, drawn)


def _amplifier(on: Conditions, keys: Converter, drawn: DrawnConverter) -> Bench | Refused:
    """By how much the reference collector lies above the level that the amplifier should hold it at."""
    name, grid = "converter.amplifier_offset", on.grid
    part = on.drawn.part(keys.amplifier)
    nodes = [node.lower() for node in part.nodes] if part else []
    if len(nodes) != 5 or drawn.sense not in nodes[:2] or part is None:
        return Refused("converter amplifier", (name,), "the reference collector is none of its inputs")
    level, held = median(drawn.held), nodes[1 - nodes.index(drawn.sense)]
    alone_ = PartAlone.of(on.netlist, part.name)
    rails = {
        float(s): {n: grid.at(on.drawn.node(n), float(s)) for n in nodes[2:4] if n != GROUND}
        for s in grid.supplies
    }

    def measure() -> dict[str, Array]:
        def cell(temperature: float, supply: float) -> float:
            pins = Pins(str(drawn.sense), held, nodes[4], rails[supply])
            around = Surroundings(level, 0.0, 1e6, temperature, rails[supply])
            return turning_point(the_engine(), alone_, pins, around)

        return {name: grid.fill(cell)}

    subject = {"part": alone_, "level": level, "rails": rails, "grid": grid.axes()}
    origin = f"model {part.model} alone, input sweep"
    return Bench("converter amplifier", (Value(name, "V", origin, grid.axes()),), subject, measure)
