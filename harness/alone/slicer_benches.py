# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for the comparator that slices the ramp."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.alone import comparator as comparators
from harness.alone import driven
from harness.alone.bench import PartAlone
from harness.alone.comparator import Feedback, Pins, Span, Surroundings, span_of
from harness.alone.conditions import Conditions, median, slope_knots, the_engine
from harness.alone.pin_bench import pin_bench
from harness.alone.subject import Bench, Refused, Value
from harness.characterise import SENSE
from harness.predict import output
from harness.predict.standing import FULL

Array = NDArray[np.float64]
_SINKING = ("slicer.fall_extra", "slicer.rise_extra")
_DRIVEN = ("slicer.fall_edge", "slicer.rise_edge")
RISE_STEPS = 500  # of a run with slow exponential rises, so that straight lines between its points will do


def slicer_benches(on: Conditions) -> Iterator[Bench | Refused]:
    """Figures at rest, output curves, and delays of the comparator that slices the ramp."""
    roles, drawn, grid, stage = on.board.roles, on.drawn, on.grid, on.stage
    names: tuple[str, ...] = ("slicer.bias_ramp", "slicer.bias_threshold", "slicer.offset")
    if not stage.driven:
        names = (*names, "slicer.leakage")
    found = on.comparator(roles.comparator, roles.threshold, drawn.pin)
    if found is None:
        yield Refused(
            "slicer", names, "its pins could not be told apart: no supply, or a node not on its line"
        )
        return
    part, pins = found
    level = median(on.threshold)
    feed, resistance = stage.open_voltage, stage.resistance
    if not np.isfinite([level, median(feed)]).all() or np.isnan(resistance).all():
        yield Refused("slicer", names, "its threshold or its pull-up is not known")
        return

    def where(temperature: float, supply: float) -> Surroundings:
        around = on.surroundings(level, feed, resistance, temperature, supply, pins)
        return replace(around, feedback=_feedback(on, supply))

    cells = on.cells(where)
    slicer = _Slicer(part, pins, where, on.high_below, span_of(pins, cells, feed))
    subject = {
        "part": part,
        "pins": pins,
        "cells": cells,
        "high_below": on.high_below,
        "driven": stage.driven,
        "span": slicer.span,
        "grid": grid.axes(),
    }
    yield from pin_bench(on, part, pins)
    yield _rest(on, slicer, subject)
    yield _driven_curves(on, slicer, subject) if stage.driven else _curve(on, slicer, subject)
    if on.ramp is not None:
        up = slope_knots(on.ramp.crossing(on.upward, True).slope)
        down = slope_knots(on.ramp.crossing(on.downward, False).slope)
        yield _delays(on, slicer, subject, up, down)


def _feedback(on: Conditions, supply: float) -> Feedback | None:
    """How the output has a say in the threshold, at a supply (V); None where it has none."""
    drawn, node, network = on.drawn, on.board.roles.threshold.lower(), on.stage.network
    source = drawn.node_with_output_at(node, drawn.all(0.0))
    share = median(drawn.node_with_output_at(node, drawn.all(1.0)) - source)
    held = median(drawn.resistance_with_output_held(node))
    if network is None or node not in network.nodes or not 1e-9 < share < 1 or not np.isfinite(held):
        return None
    capacitance = median(network.capacitance[:, network.nodes.index(node), :].sum(axis=1))
    at_zero = on.grid.at(source, supply)
    return Feedback(at_zero / (1.0 - share), held / (1.0 - share), held / share, max(capacitance, 0.0))


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
                engine, slicer.part, slicer.pins, slicer.where(t, s), slicer.high_below, on.stage.driven
            )
        )
        found = {
            "slicer.bias_ramp": np.stack([figures["bias_ramp_below"], figures["bias_ramp_above"]], axis=-1),
            "slicer.bias_threshold": figures["bias_level_near"],
            "slicer.offset": figures["offset"],
            "slicer.leakage": figures["leakage"],
            SENSE: figures["sense"],
        }
        return {value.name: found[value.name] for value in values}

    values: tuple[Value, ...] = (
        Value("slicer.bias_ramp", "A", origin, {**grid.axes(), "difference": np.array([-1.0, 1.0])}),
        Value("slicer.bias_threshold", "A", origin, grid.axes()),
        Value("slicer.offset", "V", f"{slicer.origin}, input sweep", grid.axes()),
        Value(SENSE, "", origin, grid.axes()),
    )
    if not on.stage.driven:  # an output that drives both ways never lets go
        values = (*values, Value("slicer.leakage", "A", origin, grid.axes()))
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


def _driven_curves(on: Conditions, slicer: _Slicer, subject: Mapping[str, Any]) -> Bench:
    grid, drawn, stage = on.grid, on.drawn, on.stage
    rails = {
        float(s): (grid.at(stage.reference, float(s)), grid.at(drawn.supply, float(s))) for s in grid.supplies
    }
    span = min(top - bottom for bottom, top in rails.values())

    def measure() -> dict[str, Array]:
        engine = the_engine()
        cells = grid.fill(
            lambda t, s: driven.curves(
                engine, slicer.part, slicer.pins, slicer.where(t, s), slicer.high_below, rails[s], span
            )
        )
        return {"slicer.sink": cells[..., 0, :], "slicer.source": cells[..., 1, :]}

    volts = np.concatenate(driven.knots(span))
    origin = f"{slicer.origin}, output curve"
    values = (
        Value("slicer.sink", "A", origin, {**grid.axes(), "voltage": volts}),
        Value("slicer.source", "A", origin, {**grid.axes(), "voltage": -volts[::-1]}),
    )
    return Bench("slicer output", values, {**subject, "rails": rails}, measure)


def _delays(
    on: Conditions, slicer: _Slicer, subject: Mapping[str, Any], up: Array, down: Array
) -> Bench | Refused:
    names = ("slicer.fall_delay", "slicer.rise_delay", *(_DRIVEN if on.stage.driven else _SINKING))
    if not len(up) or not len(down):
        return Refused("slicer delays", names, "the ramp never crosses the threshold")
    load = float(np.nan_to_num(median(on.stage.capacitance)))
    falls, rises = (up, down) if slicer.high_below else (down, up)
    if on.stage.driven:
        return _driven_delays(on, slicer, subject, falls, rises, load)
    grid, part, pins, span = on.grid, slicer.part, slicer.pins, slicer.span
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


def _driven_delays(
    on: Conditions, slicer: _Slicer, subject: Mapping[str, Any], falls: Array, rises: Array, load: float
) -> Bench:
    """Delays of an output that drives both ways, from the crossing to the start of its straight edge: half
    the edge before 50 %; leaving its overload is part of them."""
    grid, part, pins = on.grid, slicer.part, slicer.pins
    sense = 1.0 if slicer.high_below else -1.0

    def measure() -> dict[str, Array]:
        engine = the_engine()

        def cell(temperature: float, supply: float) -> list[float]:
            at = slicer.where(temperature, supply)
            offset = comparators.turning_point(engine, part, pins, at)
            found = [
                comparators.answers(
                    engine, part, pins, at, [(s, way) for s in slopes], load, offset, RISE_STEPS, driven.REST
                )
                for slopes, way in ((falls, sense), (rises, -sense))
            ]
            delays = [answer.delay - 0.5 * answer.edge / FULL for answers in found for answer in answers]
            return [*delays, *(answer.edge for answers in found for answer in answers)]

        cells = grid.fill(cell)
        ends = np.cumsum([len(falls), len(rises), len(falls)])
        return dict(
            zip(
                ("slicer.fall_delay", "slicer.rise_delay", "slicer.fall_edge", "slicer.rise_edge"),
                np.split(cells, ends, axis=-1),
                strict=True,
            )
        )

    origin = f"{slicer.origin}, ramps of the board's slopes"
    falling, rising = ({**grid.axes(), "slope": np.log10(slopes)} for slopes in (falls, rises))
    values = (
        Value("slicer.fall_delay", "s", origin, falling),
        Value("slicer.rise_delay", "s", origin, rising),
        Value("slicer.fall_edge", "s", f"{origin}, load as drawn", falling),
        Value("slicer.rise_edge", "s", f"{origin}, load as drawn", rising),
    )
    return Bench("slicer delays", values, {**subject, "falls": falls, "rises": rises, "load": load}, measure)


def _full_sink(
    curve: tuple[Array, Array], feed: float, resistance: float, load: float
) -> tuple[float, float]:
    """Time to 50 % and from 90 % to 10 % (s) of a fall whose sink conducts fully from the first instant."""
    voltage, resistor, capacitor = (np.array([value]) for value in (feed, resistance, load))
    sink = output.SinkCurve(curve[0], curve[1][None, :])
    low = output.low_level(voltage, resistor, sink)
    middle, edge, *_ = output.fall(voltage, resistor, capacitor, low, voltage, sink)
    return float(middle[0]), float(edge[0])
