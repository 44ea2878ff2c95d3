# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for the comparator that slices the ramp."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.alone import comparator as comparators
from harness.alone.bench import PartAlone
from harness.alone.comparator import Pins, Span, Surroundings, span_of
from harness.alone.conditions import Conditions, median, slope_knots, the_engine
from harness.alone.subject import Bench, Refused, Value
from harness.characterise import SENSE
from harness.predict import output

Array = NDArray[np.float64]
RISE_STEPS = 500  # of a run with slow exponential rises, so that straight lines between its points will do


def slicer_benches(on: Conditions) -> Iterator[Bench | Refused]:
    """Figures at rest, output curve, and delays of the comparator that slices the ramp."""
    roles, drawn, grid = on.board.roles, on.drawn, on.grid
    names = ("slicer.bias_ramp", "slicer.bias_threshold", "slicer.offset", "slicer.leakage")
    found = on.comparator(roles.comparator, roles.threshold, roles.output)
    if found is None:
        yield Refused(
            "slicer", names, "its pins could not be told apart: no supply, or a node not on its line"
        )
        return
    part, pins = found
    level = median(on.threshold)
    feed, resistance = drawn.node(roles.output), drawn.resistance(roles.output)
    if not np.isfinite([level, median(feed), median(resistance)]).all():
        yield Refused("slicer", names, "its threshold or its pull-up is not known")
        return

    def where(temperature: float, supply: float) -> Surroundings:
        return on.surroundings(level, feed, resistance, temperature, supply)

    cells = on.cells(where)
    slicer = _Slicer(part, pins, where, on.high_below, span_of(pins, cells, feed))
    subject = {
        "part": part,
        "pins": pins,
        "cells": cells,
        "high_below": on.high_below,
        "span": slicer.span,
        "grid": grid.axes(),
    }
    yield _rest(on, slicer, subject)
    yield _curve(on, slicer, subject)
    if on.ramp is not None:
        up = slope_knots(on.ramp.crossing(on.threshold, True).slope)
        down = slope_knots(on.ramp.crossing(on.threshold, False).slope)
        yield _delays(on, slicer, subject, up, down)


@dataclass(frozen=True)
class _Slicer:
    """The comparator with its pins, what it works with, its sense, and the span of its output."""

    part: PartAlone
    pins: Pins
    where: Callable[[float, float], Surroundings]
    high_below: bool
    span: Span

    @property
    def origin(self) -> str:
        return f"model {self.part.part.model} alone"


def _rest(on: Conditions, slicer: _Slicer, subject: Mapping[str, Any]) -> Bench:
    grid, origin = on.grid, f"{slicer.origin}, at rest"

    def measure() -> dict[str, Array]:
        engine = the_engine()
        figures = grid.fill_dict(
            lambda t, s: comparators.rest_figures(
                engine, slicer.part, slicer.pins, slicer.where(t, s), slicer.high_below
            )
        )
        return {
            "slicer.bias_ramp": np.stack([figures["bias_ramp_below"], figures["bias_ramp_above"]], axis=-1),
            "slicer.bias_threshold": figures["bias_level_near"],
            "slicer.offset": figures["offset"],
            "slicer.leakage": figures["leakage"],
            SENSE: figures["sense"],
        }

    values = (
        Value("slicer.bias_ramp", "A", origin, {**grid.axes(), "difference": np.array([-1.0, 1.0])}),
        Value("slicer.bias_threshold", "A", origin, grid.axes()),
        Value("slicer.offset", "V", f"{slicer.origin}, input sweep", grid.axes()),
        Value("slicer.leakage", "A", origin, grid.axes()),
        Value(SENSE, "", origin, grid.axes()),
    )
    return Bench("slicer at rest", values, subject, measure)


def _curve(on: Conditions, slicer: _Slicer, subject: Mapping[str, Any]) -> Bench:
    grid = on.grid

    def measure() -> dict[str, Array]:
        engine = the_engine()
        currents = grid.fill(
            lambda t, s: comparators.output_curve(
                engine, slicer.part, slicer.pins, slicer.where(t, s), slicer.high_below, slicer.span
            )
        )
        return {"slicer.sink": currents}

    axes = {**grid.axes(), "voltage": slicer.span.voltages}
    values = (Value("slicer.sink", "A", f"{slicer.origin}, output curve", axes),)
    return Bench("slicer output", values, subject, measure)


def _delays(
    on: Conditions, slicer: _Slicer, subject: Mapping[str, Any], up: Array, down: Array
) -> Bench | Refused:
    names = ("slicer.fall_delay", "slicer.rise_delay", "slicer.fall_extra", "slicer.rise_extra")
    if not len(up) or not len(down):
        return Refused("slicer delays", names, "the ramp never crosses the threshold")
    grid, part, pins, span = on.grid, slicer.part, slicer.pins, slicer.span
    load = float(np.nan_to_num(median(on.drawn.load_capacitance())))
    falls, rises = (up, down) if slicer.high_below else (down, up)
    sense = 1.0 if slicer.high_below else -1.0

    def measure() -> dict[str, Array]:
        engine = the_engine()

        def cell(temperature: float, supply: float) -> list[float]:
            """Edges under the load as drawn: falling ones less what a full-blown sink would take, rising ones
            less what load and pull-up take."""
            at = slicer.where(temperature, supply)
            offset = comparators.turning_point(engine, part, pins, at)
            down = comparators.answers(engine, part, pins, at, [(s, sense) for s in falls], load, offset)
            cases = [(s, -sense) for s in rises]
            up = comparators.answers(engine, part, pins, at, cases, load, offset, RISE_STEPS)
            currents = comparators.output_curve(engine, part, pins, at, slicer.high_below, span)
            tau = at.resistance * load
            middle, edge = _full_sink((span.voltages, currents), at.feed, at.resistance, load)
            return [
                *(answer.delay - middle for answer in down),
                *(answer.delay - output.LN2 * tau for answer in up),
                *(answer.edge - edge for answer in down),
                up[-1].edge - output.LN9 * tau,
            ]

        cells = grid.fill(cell)
        first, second, third = np.split(cells[..., :-1], [len(falls), len(falls) + len(rises)], axis=-1)
        return dict(zip(names, (first, second, third, cells[..., -1]), strict=True))

    origin = f"{slicer.origin}, ramps of the board's slopes"
    falling, rising = ({**grid.axes(), "slope": np.log10(slopes)} for slopes in (falls, rises))
    values = (
        Value("slicer.fall_delay", "s", origin, falling),
        Value("slicer.rise_delay", "s", origin, rising),
        Value("slicer.fall_extra", "s", f"{origin}, load as drawn", falling),
        Value("slicer.rise_extra", "s", f"{origin}, load as drawn", grid.axes()),
    )
    return Bench("slicer delays", values, {**subject, "falls": falls, "rises": rises, "load": load}, measure)


def _full_sink(
    curve: tuple[Array, Array], feed: float, resistance: float, load: float
) -> tuple[float, float]:
    """Time to 50 % and from 90 % to 10 % (s) of a fall whose sink conducts fully from the first instant."""
    voltage, resistor, capacitor = (np.array([value]) for value in (feed, resistance, load))
    sink = output.SinkCurve(curve[0], curve[1][None, :])
    low = output.low_level(voltage, resistor, sink)
    middle, edge, _ = output.fall(voltage, resistor, capacitor, low, voltage, sink)
    return float(middle[0]), float(edge[0])
