# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for the parts of a falling core: trip comparator with what it works, switch, follower, converter,
and what they add to the capacitor."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from harness.alone import core as cores
from harness.alone import snapped as alone
from harness.alone.bench import PartAlone, volts
from harness.alone.comparator import Pins, Surroundings, rest_figures
from harness.alone.conditions import Conditions, median, slope_knots, the_engine
from harness.alone.cores.converter import converter_benches, pair_on
from harness.alone.snapped import FollowerAlone, SwitchPlace, TripPlace, TripStage
from harness.alone.subject import Bench, Refused, Value
from harness.pins import all_parts
from harness.predict.cores import snapped
from harness.predict.network import GROUND

Array = NDArray[np.float64]
LEVELS = 6  # of the switch's resistance between trip level and reference
DWELLS, MANY = 3, 7  # times between closing and letting go; where nothing holds the switch closed after that


def benches(on: Conditions) -> Iterator[Bench | Refused]:
    """All benches of the core."""
    core = snapped.core_of(on.drawn)
    stage = _stage(on)
    if stage is None:
        names = ("trip.close_delay", "trip.hold_delay", "snap.on_resistance")
        yield Refused("trip", names, "comparator, switch and what joins them could not be told apart")
    else:
        yield from _trip(on, stage)
        yield from _switch(on, stage)
    if core.follower:
        yield from _follower(on)
    if core.converter:
        yield from converter_benches(on, core.converter, _span(on))
    if stage is not None:
        yield from _capacitance(on, stage)


def _held(on: Conditions, nodes: Iterator[str] | list[str], supply: float) -> dict[str, float]:
    """Voltages of the rails among some nodes, at one supply."""
    drawn = on.drawn
    found = {}
    for node in nodes:
        voltage = on.grid.at(drawn.node(node), supply)
        if node != GROUND and np.isfinite(voltage):
            found[node] = supply if node == drawn.supply_node else voltage
    return found


def _stage(on: Conditions) -> TripStage | None:
    """The trip comparator with its switch; None where the drawing does not tell them apart."""
    drawn = on.drawn
    core = snapped.core_of(drawn)
    pins, ends = snapped.pins_of(drawn, core.comparator), snapped.switch_ends(drawn)
    gate, control = snapped.gate_node(drawn), snapped.control_node(drawn)
    comparator, switch = drawn.part(core.comparator), drawn.part(core.switch)
    trip = core.trip.lower()
    inputs = {pins.get("plus"), pins.get("minus")}
    if None in (ends, gate, control, comparator, switch) or trip not in inputs or len(inputs) != 2:
        return None
    assert ends and gate and control and comparator and switch
    ramp = str(next(iter(inputs - {trip})))
    parts = dict(
        (name, (letter, {*ends})) for name, letter, ends in all_parts(on.netlist) if not drawn.is_known(name)
    )
    rails = {node for letter, ends in parts.values() if letter == "v" for node in ends}
    between = {gate, control, GROUND, core.reference.lower()} | rails
    chain = [
        PartAlone.of(on.netlist, name)
        for name, (letter, ends) in parts.items()
        if letter in "rcdq" and ends <= between and ends & {gate, control}
    ]
    if gate != control and not chain:
        return None
    first, last = (PartAlone.of(on.netlist, name) for name in (core.comparator, core.switch))
    return TripStage(first, last, tuple(chain), ramp, trip, gate, control, *ends)


def _span(on: Conditions) -> tuple[float, float]:
    """From the lowest trip level to the highest reference (V)."""
    drawn = on.drawn
    trip = snapped.trip_at(drawn, snapped.rails(drawn)[0])
    return float(np.nanmin(trip)), float(np.nanmax(snapped.reference_level(drawn)))


def _place(on: Conditions, stage: TripStage, temperature: float, supply: float) -> TripPlace:
    """What the trip stage works with at one point of the grid."""
    drawn, grid = on.drawn, on.grid
    core = snapped.core_of(drawn)
    low, high = snapped.rails(drawn)
    zero, one = (snapped.trip_at(drawn, drawn.all(volt)) for volt in (0.0, 1.0))
    nodes = [
        node.lower() for part in (stage.comparator, stage.switch, *stage.chain) for node in part.part.nodes
    ]
    named = {stage.ramp, stage.trip, stage.gate, stage.control, stage.upper, stage.lower}
    capacitors = [
        name
        for name, letter, ends in all_parts(on.netlist)
        if letter == "c" and set(ends) == {stage.trip, GROUND} and not drawn.is_known(name)
    ]
    resistance = drawn.value(core.reset_resistor) if core.reset_resistor else drawn.all(0.0)
    return TripPlace(
        temperature,
        _held(on, [node for node in dict.fromkeys(nodes) if node not in named], supply),
        grid.at(zero, supply),
        grid.at(one - zero, supply),
        grid.at(snapped.trip_resistance(drawn), supply),
        float(sum(median(drawn.value(name)) for name in capacitors)),
        grid.at(snapped.reference_level(drawn), supply),
        grid.at(resistance, supply),
        grid.at(snapped.trip_at(drawn, low), supply),
        grid.at(snapped.trip_at(drawn, high), supply),
    )


def _trip(on: Conditions, stage: TripStage) -> Iterator[Bench | Refused]:
    drawn, grid = on.drawn, on.grid
    core = snapped.core_of(drawn)
    model = stage.comparator.part.model
    places = [_place(on, stage, float(t), float(s)) for t in grid.temperatures for s in grid.supplies]
    if not places or not all(np.isfinite([p.trip, p.release, p.reference]).all() for p in places):
        yield Refused("trip", ("trip.close_delay", "trip.hold_delay"), "its levels are not known")
        return

    def rest(where: TripPlace) -> dict[str, float]:
        """Bias and offset with the level held, so that hysteresis has no say."""
        pins = Pins(stage.ramp, stage.trip, stage.gate, where.held)
        load = where.resistance / where.feedback if where.feedback > 0 else 1e6
        around = Surroundings(where.trip, where.trip, load, where.temperature, where.held)
        found = rest_figures(the_engine(), stage.comparator, pins, around, True)
        return {"trip.bias_ramp": found["bias_ramp_above"], "trip.bias_trip": found["bias_level_near"],
                "trip.offset": found["offset"]}  # fmt: skip

    def at_rest() -> dict[str, Array]:
        def cell(temperature: float, supply: float) -> dict[str, float]:
            where = _place(on, stage, temperature, supply)
            levels = alone.output_levels(the_engine(), stage, where)
            return rest(where) | {f"trip.{name}": level for name, level in levels.items()}

        return grid.fill_dict(cell)

    names = {"trip.bias_ramp": "A", "trip.bias_trip": "A", "trip.offset": "V", "trip.low_level": "V",
             "trip.high_level": "V"}  # fmt: skip
    origin = f"model {model} alone, at rest"
    subject = {"stage": stage, "places": places, "grid": grid.axes()}
    values = tuple(Value(name, unit, origin, grid.axes()) for name, unit in names.items())
    yield Bench("trip at rest", values, subject, at_rest)

    current, capacitance = snapped.ideal_current(drawn), drawn.value(core.capacitor)
    slopes = slope_knots(current / capacitance)
    if not len(slopes):
        yield Refused("trip delays", ("trip.close_delay", "trip.hold_delay"), "the slopes are not known")
        return
    slopes = np.geomspace(slopes[0], slopes[-1], max(2, round(float(np.log2(slopes[-1] / slopes[0])))))
    load = median(capacitance)
    hold = median(snapped.hold_time(drawn))
    if hold > 0:
        dwells = np.geomspace(0.3e-6 + 0.05 * hold, 6e-6 + 2.0 * hold, DWELLS)
    else:
        dwells = np.geomspace(0.1e-6, 6e-6, MANY)
    series = median(snapped.series(drawn)[0])

    def delays() -> dict[str, Array]:
        def cell(temperature: float, supply: float) -> list[float]:
            engine, where = the_engine(), _place(on, stage, temperature, supply)
            offset = rest(where)["trip.offset"]
            offset = offset if np.isfinite(offset) else 0.0
            closing, spread = alone.close_delays(engine, stage, where, slopes, offset)
            opened = alone.opening(engine, stage, where, dwells, offset, load, series)
            return [*closing, *opened.delays, *opened.short, spread, opened.injected]

        cells = grid.fill(cell)
        first, second = len(slopes), len(slopes) + len(dwells)
        return {
            "trip.close_delay": cells[..., :first],
            "trip.hold_delay": cells[..., first:second],
            "snap.short": cells[..., second:-2],
            "snap.spread": cells[..., -2],
            "snap.injected": cells[..., -1],
        }

    origin = f"model {model} with the switch it works, alone, ramps of the board's slopes"
    values = (
        Value("trip.close_delay", "s", origin, {**grid.axes(), "slope": np.log10(slopes)}),
        Value("trip.hold_delay", "s", origin, {**grid.axes(), "dwell": np.log10(dwells)}),
        Value("snap.short", "V", f"{origin}, capacitor as drawn", {**grid.axes(), "dwell": np.log10(dwells)}),
        Value("snap.spread", "s", origin, grid.axes()),
        Value("snap.injected", "V", f"model {stage.switch.part.model} on the capacitor as drawn, alone",
              grid.axes()),
    )  # fmt: skip
    more = {"slopes": slopes, "dwells": dwells, "load": load, "series": series}
    yield Bench("trip delays", values, {**subject, **more}, delays)


def _switch(on: Conditions, stage: TripStage) -> Iterator[Bench]:
    drawn, grid = on.drawn, on.grid
    low, high = _span(on)
    levels, ends = np.linspace(low - 0.1, high - alone.PROBE, LEVELS), np.array([low, high])
    rails = snapped.rails(drawn)

    def where(temperature: float, supply: float, closed: bool) -> SwitchPlace:
        nodes = [node.lower() for node in stage.switch.part.nodes]
        others = [node for node in nodes if node not in (stage.control, stage.upper, stage.lower)]
        reference = grid.at(snapped.reference_level(drawn), supply)
        control = grid.at(rails[1] if closed else rails[0], supply)
        return SwitchPlace(control, _held(on, others, supply), reference, temperature)

    def measure() -> dict[str, Array]:
        def conducting(temperature: float, supply: float) -> Array:
            at = where(temperature, supply, True)
            currents = alone.switch_currents(the_engine(), stage, at, [float(v) for v in levels])
            return np.asarray((at.reference - levels) / np.array(currents))

        def leaking(temperature: float, supply: float) -> list[float]:
            at = where(temperature, supply, False)
            return alone.switch_currents(the_engine(), stage, at, [float(v) for v in ends])

        return {"snap.on_resistance": grid.fill(conducting), "snap.leakage": grid.fill(leaking)}

    model = stage.switch.part.model
    cells = [where(float(t), float(s), closed) for t in grid.temperatures for s in grid.supplies
             for closed in (True, False)]  # fmt: skip
    values = (
        Value("snap.on_resistance", "Ohm", f"model {model} alone, closed", {**grid.axes(), "level": levels}),
        Value("snap.leakage", "A", f"model {model} alone, open", {**grid.axes(), "level": ends}),
    )
    yield Bench("snap switch", values, {"stage": stage, "cells": cells, "levels": levels}, measure)


def _follower_alone(on: Conditions) -> FollowerAlone | None:
    name = snapped.core_of(on.drawn).follower
    pins = snapped.pins_of(on.drawn, name)
    if not name or not {"plus", "output"} <= set(pins) or pins.get("minus") != pins["output"]:
        return None
    return FollowerAlone(PartAlone.of(on.netlist, name), pins["plus"], pins["output"])


def _follower(on: Conditions) -> Iterator[Bench | Refused]:
    drawn, grid = on.drawn, on.grid
    core = snapped.core_of(drawn)
    names = ("follower.offset", "follower.bias", "follower.lag", "follower.slew")
    follower = _follower_alone(on)
    steepest = np.nanmax(snapped.ideal_current(drawn) / drawn.value(core.capacitor))
    if follower is None or not np.isfinite(steepest):
        yield Refused("follower", names, "its output is not tied to its inverting input")
        return
    low, high = _span(on)
    levels = np.linspace(low, high, 3)
    slope = max(float(steepest), 1e4)
    nodes = [node.lower() for node in follower.part.part.nodes]
    nodes = [node for node in nodes if node not in (follower.plus, follower.output)]
    rails = {float(s): _held(on, nodes, float(s)) for s in grid.supplies}

    def measure() -> dict[str, Array]:
        def cell(temperature: float, supply: float) -> list[float]:
            offsets, bias, lag, slew = alone.follower_figures(
                the_engine(), follower, rails[supply], [float(v) for v in levels], slope, temperature
            )
            return [*offsets, bias, lag, slew]

        cells = grid.fill(cell)
        return {names[0]: cells[..., :3], names[1]: cells[..., 3], names[2]: cells[..., 4],
                names[3]: cells[..., 5]}  # fmt: skip

    origin = f"model {follower.part.part.model} as a follower, alone"
    values = (
        Value(names[0], "V", f"{origin}, at rest", {**grid.axes(), "level": levels}),
        Value(names[1], "A", f"{origin}, at rest", grid.axes()),
        Value(names[2], "s", f"{origin}, on a ramp of the board's slope", grid.axes()),
        Value(names[3], "V/s", f"{origin}, on a step of the ramp's height", grid.axes()),
    )
    subject = {"follower": follower, "rails": rails, "levels": levels, "slope": slope, "grid": grid.axes()}
    yield Bench("follower", values, subject, measure)


def _capacitance(on: Conditions, stage: TripStage) -> Iterator[Bench]:
    """What the parts on the capacitor add to it: follower, open switch, converter; at the middle supply."""
    drawn, grid = on.drawn, on.grid
    core = snapped.core_of(drawn)
    supply = float(grid.supplies[len(grid.supplies) // 2])
    low, high = _span(on)
    held: dict[str, float] = {}

    def tied(tag: str, inner: dict[str, str], part: PartAlone) -> str:
        nodes = [node.lower() for node in part.part.nodes if node.lower() not in inner and node != GROUND]
        held.update({f"{tag}_{node}": v for node, v in _held(on, nodes, supply).items()})
        return part.line(
            tag, lambda node: inner.get(node.lower(), "0" if node == GROUND else f"{tag}_{node.lower()}")
        )

    lines = [tied("snap", {stage.lower: "node", stage.upper: "upper", stage.control: "open"}, stage.switch)]
    lines.append(volts("upper", "upper", grid.at(snapped.reference_level(drawn), supply)))
    lines.append(volts("open", "open", grid.at(snapped.rails(drawn)[0], supply)))
    support, words = [*stage.switch.support], [stage.switch.part.name]
    follower = _follower_alone(on)
    if follower is not None:
        lines.append(tied("follow", {follower.plus: "node", follower.output: "followed"}, follower.part))
        support += follower.part.support
        words.append(follower.part.part.name)
    else:
        inputs = (stage.ramp, stage.trip, stage.gate)
        nodes = {inputs[0]: "node", inputs[1]: "level", inputs[2]: "driven"}
        lines += [
            tied("trip", nodes, stage.comparator),
            volts("level", "level", low),
            "rdriven driven 0 1meg",
        ]
        support += stage.comparator.support
        words.append(stage.comparator.part.name)
        slicer = on.comparator(on.board.roles.comparator, on.board.roles.threshold, drawn.pin)
        if slicer is not None:
            part, pins = slicer
            lines += [
                tied("slice", {pins.ramp: "node", pins.output: "sliced"}, part),
                "rsliced sliced 0 1meg",
            ]
            support += part.support
            words.append(part.part.name)
    pair = pair_on(on, core.converter) if core.converter else None
    if pair is not None:
        base = median(drawn.node(core.converter.reference_base)) if core.converter else 0.0
        lines += [
            pair.line().replace(" c1 ", " node "),
            *(volts(n, n, base) for n in ("b0", "b1", "c0", "e")),
        ]
        support += pair.part.support
        words.append(pair.part.part.name)
    lines += [volts(f"h{k}", node, value) for k, (node, value) in enumerate(sorted(held.items()))]

    def measure() -> dict[str, Array]:
        halves = ((low, 0.5 * (low + high)), (0.5 * (low + high), high))
        figures = [
            [
                [
                    cores.added_capacitance(the_engine(), support, lambda node: lines, *half, float(t))
                    for half in halves
                ]
            ]
            for t in grid.temperatures
        ]
        return {"ramp.capacitance": np.array(figures)}

    quarters = low + (high - low) * np.array([0.25, 0.75])
    axes = {"temperature": grid.temperatures, "supply": np.array([supply]), "level": quarters}
    origin = f"{', '.join(words)} on a driven node, alone"
    subject = {"lines": lines, "support": support, "low": low, "high": high, "grid": axes}
    yield Bench("capacitance on the ramp", (Value("ramp.capacitance", "F", origin, axes),), subject, measure)
