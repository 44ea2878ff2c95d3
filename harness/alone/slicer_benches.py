# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for the comparator that slices the ramp."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.alone import comparator as comparators
from harness.alone.bench import PartAlone
from harness.alone.comparator import Pins, Surroundings
from harness.alone.conditions import Conditions, median, refused, slope_knots, the_engine
from harness.characterise import Bench
from harness.predict import output
from harness.predict.lookup import Table

Array = NDArray[np.float64]


def slicer_benches(on: Conditions) -> Iterator[Bench]:
    """Figures at rest, output curve, and delays of the comparator that slices the ramp."""
    roles, drawn, grid = on.board.roles, on.drawn, on.grid
    names = ("slicer.bias_ramp", "slicer.bias_threshold", "slicer.offset", "slicer.leakage")
    found = on.comparator(roles.comparator, roles.threshold, roles.output)
    if found is None:
        yield refused(
            "slicer", names, "its pins could not be told apart: no supply, or a node not on its line"
        )
        return
    part, pins = found
    model = part.part.model
    level = median(on.threshold)
    feed, resistance = drawn.node(roles.output), drawn.resistance(roles.output)
    if not np.isfinite([level, median(feed), median(resistance)]).all():
        yield refused("slicer", names, "its threshold or its pull-up is not known")
        return
    common = {
        "level": level,
        "feed": feed,
        "resistance": resistance,
        "pins": [pins.ramp, pins.level, pins.output],
    }

    def where(temperature: float, supply: float) -> Surroundings:
        return on.surroundings(level, feed, resistance, temperature, supply)

    def rest() -> dict[str, Table]:
        engine = the_engine()
        figures = grid.fill_dict(
            lambda t, s: comparators.rest_figures(engine, part, pins, where(t, s), on.high_below)
        )
        origin = f"model {model} alone, at rest"
        both = np.stack([figures["bias_ramp_below"], figures["bias_ramp_above"]], axis=-1)
        difference = {**grid.axes(), "difference": np.array([-1.0, 1.0])}
        return {
            "slicer.bias_ramp": Table(difference, both, "A", origin),
            "slicer.bias_threshold": Table(grid.axes(), figures["bias_level_near"], "A", origin),
            "slicer.offset": Table(grid.axes(), figures["offset"], "V", f"model {model} alone, input sweep"),
            "slicer.leakage": Table(grid.axes(), figures["leakage"], "A", origin),
        }

    yield Bench("slicer at rest", names, on.subject(part, **common), rest)

    def curve() -> dict[str, Table]:
        engine = the_engine()
        top = 1.05 * float(feed[np.isfinite(feed)].max())
        knots: list[Array] = []

        def currents(temperature: float, supply: float) -> Array:
            volts, amperes = comparators.output_curve(
                engine, part, pins, where(temperature, supply), on.high_below, top
            )
            knots.append(volts)
            return amperes

        figures = grid.fill(currents)
        return {
            "slicer.sink": Table(
                {**grid.axes(), "voltage": knots[0]}, figures, "A", f"model {model} alone, output curve"
            )
        }

    yield Bench("slicer output", ("slicer.sink",), on.subject(part, **common), curve)
    if on.ramp is not None:
        up = slope_knots(on.ramp.crossing(on.threshold, True).slope)
        down = slope_knots(on.ramp.crossing(on.threshold, False).slope)
        yield from _delays(on, part, pins, up, down, where, common)


def _delays(
    on: Conditions,
    part: PartAlone,
    pins: Pins,
    up: Array,
    down: Array,
    where: Callable[[float, float], Surroundings],
    common: Mapping[str, Any],
) -> Iterator[Bench]:
    names = ("slicer.fall_delay", "slicer.rise_delay", "slicer.fall_extra", "slicer.output_capacitance")
    if not len(up) or not len(down):
        yield refused("slicer delays", names, "the ramp never crosses the threshold")
        return
    grid = on.grid
    load = float(np.nan_to_num(median(on.drawn.load_capacitance())))
    falls, rises = (up, down) if on.high_below else (down, up)
    sense = 1.0 if on.high_below else -1.0
    top = 1.05 * float(common["feed"][np.isfinite(common["feed"])].max())

    def measure() -> dict[str, Table]:
        engine = the_engine()

        def cell(temperature: float, supply: float) -> list[float]:
            """Falling edges under the load as drawn, less what a full-blown sink would take; rising ones
            without."""
            at = where(temperature, supply)
            offset = comparators.turning_point(engine, part, pins, at)
            down = comparators.answers(engine, part, pins, at, [(s, sense) for s in falls], load, offset)
            up = comparators.answers(engine, part, pins, at, [(s, -sense) for s in rises], 0.0, offset)
            curve = comparators.output_curve(engine, part, pins, at, on.high_below, top)
            middle, edge = _full_sink(curve, at.feed, at.resistance, load)
            return [
                *(answer.delay - middle for answer in down),
                *(answer.delay for answer in up),
                *(answer.edge - edge for answer in down),
                up[-1].edge / (output.LN9 * at.resistance),
            ]

        cells = grid.fill(cell)
        first, second, third = np.split(cells[..., :-1], [len(falls), len(falls) + len(rises)], axis=-1)
        origin = f"model {part.part.model} alone, ramps of the board's slopes"
        falling, rising = ({**grid.axes(), "slope": np.log10(slopes)} for slopes in (falls, rises))
        return {
            "slicer.fall_delay": Table(falling, first, "s", origin),
            "slicer.rise_delay": Table(rising, second, "s", origin),
            "slicer.fall_extra": Table(falling, third, "s", f"{origin}, load as drawn"),
            "slicer.output_capacitance": Table(
                grid.axes(), cells[..., -1], "F", f"{origin}, rise without a load"
            ),
        }

    yield Bench("slicer delays", names, on.subject(part, **common, up=up, down=down, load=load), measure)


def _full_sink(
    curve: tuple[Array, Array], feed: float, resistance: float, load: float
) -> tuple[float, float]:
    """Time to 50 % and from 90 % to 10 % (s) of a fall whose sink conducts fully from the first instant."""
    voltage, resistor, capacitor = (np.array([value]) for value in (feed, resistance, load))
    sink = output.SinkCurve(curve[0], curve[1][None, :])
    low = output.low_level(voltage, resistor, sink)
    middle, edge, _ = output.fall(voltage, resistor, capacitor, low, voltage, sink)
    return float(middle[0]), float(edge[0])
