# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for the parts of a charged-capacitor core: trip comparator, switches, mirror, and what they add to
the ramp."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from harness.alone import comparator as comparators
from harness.alone import core as cores
from harness.alone.bench import PartAlone, among, element_line, once, support_lines
from harness.alone.comparator import Surroundings, Switch
from harness.alone.conditions import Conditions, knots, median, slope_knots, the_engine
from harness.alone.core import Mirror
from harness.alone.cores.converter import converter_benches, pair_on
from harness.alone.subject import Bench, Refused, Value
from harness.predict.cores import charged

Array = NDArray[np.float64]
_OWN_RESISTANCE = np.array(
    [[1.0], [100.0]]
)  # Ohm: of a switch without a resistor, a guess for spans of slopes


def benches(on: Conditions) -> Iterator[Bench | Refused]:
    """All benches of the core."""
    yield from _trip(on)
    yield from _switches(on)
    yield from _mirror(on)
    keys = charged.core_of(on.drawn).converter
    if keys:
        ends = np.concatenate([charged.trip_low(on.drawn), charged.trip_high(on.drawn)])
        yield from converter_benches(on, keys, (float(np.nanmin(ends)), float(np.nanmax(ends))))
    yield from _capacitance(on)


def _switch(on: Conditions, name: str | None, resistor: str | None) -> Switch | None:
    """A switch that the trip comparator drives, with the resistor at its drain; None where it is not one."""
    part, gate = on.drawn.part(name), charged.gate_node(on.drawn)
    ends = charged.switch_ends(on.drawn, name)
    if part is None or gate is None or ends is None or gate not in [node.lower() for node in part.nodes]:
        return None
    drain, source = ends if ends[0] != "0" else ends[::-1]
    resistance = float(np.nan_to_num(median(on.drawn.value(resistor))))
    return Switch(PartAlone.of(on.netlist, part.name), gate, drain, source, resistance)


def _trip(on: Conditions) -> Iterator[Bench | Refused]:
    drawn, grid = on.drawn, on.grid
    core = charged.core_of(drawn)
    names = ("trip.bias_ramp", "trip.bias_trip", "trip.offset", "trip.close_delay", "trip.open_delay")
    gate = charged.gate_node(drawn)
    found = on.comparator(core.comparator, core.trip, gate)
    if found is None:
        yield Refused("trip", names, "the pins of the trip comparator could not be told apart")
        return
    part, pins = found
    model = part.part.model
    high, low = charged.trip_high(drawn), charged.trip_low(drawn)
    feed, resistance = drawn.node(gate), drawn.value(core.gate_pullup)

    def where(level: Array, temperature: float, supply: float) -> Surroundings:
        return on.surroundings(grid.at(level, supply), feed, resistance, temperature, supply)

    def rest() -> dict[str, Array]:
        engine = the_engine()
        figures = grid.fill_dict(
            lambda t, s: comparators.rest_figures(engine, part, pins, where(high, t, s), False)
        )
        return {
            "trip.bias_ramp": figures["bias_ramp_below"],
            "trip.bias_trip": figures["bias_level_near"],
            "trip.offset": figures["offset"],
        }

    values = (
        Value("trip.bias_ramp", "A", f"model {model} alone, at rest", grid.axes()),
        Value("trip.bias_trip", "A", f"model {model} alone, at rest", grid.axes()),
        Value("trip.offset", "V", f"model {model} alone, input sweep", grid.axes()),
    )
    at_high = on.cells(lambda t, s: where(high, t, s))
    subject = {"part": part, "pins": pins, "high": at_high, "grid": grid.axes()}
    yield Bench("trip at rest", values, subject, rest)

    switches = [
        switch
        for switch in (
            _switch(on, core.reset_switch, core.reset_resistor),
            _switch(on, core.pulldown_switch, core.pulldown_resistor),
        )
        if switch is not None
    ]
    if not switches or on.ramp is None:
        yield Refused("trip delays", names[3:], "no switch that the trip comparator drives")
        return
    current, capacitance = charged.sweep_current(drawn), drawn.value(core.capacitor)
    closing = slope_knots(current / capacitance)
    emptying = drawn.value(core.reset_resistor) if core.reset_resistor else _OWN_RESISTANCE
    with np.errstate(divide="ignore", invalid="ignore"):
        opening = slope_knots((low / emptying - current) / capacitance)
    if not len(closing) or not len(opening):
        yield Refused("trip delays", names[3:], "the slopes at the trip levels are not known")
        return

    def measure() -> dict[str, Array]:
        engine = the_engine()

        def one(rising: bool, slopes: Array, level: Array) -> Array:
            def figures(temperature: float, supply: float) -> list[float]:
                at = where(level, temperature, supply)
                offset = comparators.turning_point(engine, part, pins, at)
                return comparators.switching_delays(engine, part, pins, at, switches, slopes, rising, offset)

            return grid.fill(figures)

        return {"trip.close_delay": one(True, closing, high), "trip.open_delay": one(False, opening, low)}

    origin = f"model {model} with the switches it drives, alone, ramps of the board's slopes"
    closes, opens = ({**grid.axes(), "slope": np.log10(slopes)} for slopes in (closing, opening))
    delays = Value(names[3], "s", origin, closes), Value(names[4], "s", origin, opens)
    at_low = on.cells(lambda t, s: where(low, t, s))
    more = {"low": at_low, "switches": switches, "closing": closing, "opening": opening}
    yield Bench("trip delays", delays, {**subject, **more}, measure)


def _switches(on: Conditions) -> Iterator[Bench | Refused]:
    drawn, grid = on.drawn, on.grid
    core = charged.core_of(drawn)
    gate_voltage = drawn.node(charged.gate_node(drawn))
    for title, name in (("reset", core.reset_switch), ("pulldown", core.pulldown_switch)):
        names = (f"{title}.on_resistance",)
        switch = _switch(on, name, None)
        if switch is None or not np.isfinite(gate_voltage).any():
            yield Refused(f"{title} switch", names, "its gate is not the trip comparator's output")
            continue

        def measure(switch: Switch = switch, name: str = names[0]) -> dict[str, Array]:
            engine = the_engine()
            figures = grid.fill(
                lambda t, s: cores.on_resistance(
                    engine,
                    switch.part,
                    switch.gate,
                    switch.drain,
                    switch.source,
                    grid.at(gate_voltage, s),
                    t,
                )
            )
            return {name: figures}

        origin = f"model {switch.part.part.model} alone, at 50 mV"
        subject = {"switch": switch, "gate": grid.by_supply(gate_voltage), "grid": grid.axes()}
        yield Bench(f"{title} switch", (Value(names[0], "Ohm", origin, grid.axes()),), subject, measure)


def _mirror_alone(on: Conditions, supply: float) -> Mirror | None:
    """The mirror's transistors, the resistors between them, and the rails that these hang on."""
    drawn = on.drawn
    core = charged.core_of(drawn)
    ramp = on.board.roles.ramp.lower()
    parts = [drawn.part(name) for name in core.mirror]
    program = drawn.part(core.current)
    if not parts or any(part is None for part in parts) or program is None or program.letter.lower() != "i":
        return None
    transistors = [part for part in parts if part is not None]
    nodes = {node.lower() for part in transistors for node in part.nodes}
    rails = {node for node in nodes if np.isfinite(drawn.node(node)).all() and node not in (ramp, "0")}
    inside = nodes | rails | {drawn.supply_node or ""}
    for part in on.netlist.parts.values():
        ends = {node.lower() for node in part.nodes[:2]}
        if part.letter.lower() == "r" and ends & (nodes - rails) and ramp not in ends and ends <= inside:
            transistors.append(part)
            rails |= {node for node in ends if np.isfinite(drawn.node(node)).all()} - {"0"}
    driven = next((node.lower() for node in program.nodes if node.lower() in nodes - rails), None)
    if ramp not in nodes or driven is None or driven == ramp:
        return None
    lines = tuple(element_line(part, f"m{k}", str.lower) for k, part in enumerate(transistors))
    voltages = {node: on.grid.at(drawn.node(node), supply) for node in rails}
    return Mirror(lines, tuple(support_lines(on.netlist, transistors)), voltages, driven, ramp)


def _mirror(on: Conditions) -> Iterator[Bench | Refused]:
    drawn, grid = on.drawn, on.grid
    core = charged.core_of(drawn)
    names = ("mirror.current",)
    if not core.mirror:
        return
    mirrors = {float(s): _mirror_alone(on, float(s)) for s in grid.supplies}
    if not mirrors or any(mirror is None for mirror in mirrors.values()):
        yield Refused("mirror", names, "the mirror's input and output could not be told apart")
        return
    program = charged.sweep_current(drawn)
    currents = knots(np.log10(program[program > 0]))
    ends = np.concatenate([charged.trip_low(drawn), charged.trip_high(drawn)])
    ends = ends[np.isfinite(ends)]
    if not len(currents) or not len(ends) or ends.min() == ends.max():
        yield Refused("mirror", names, "the pitch current or the trip levels are not known")
        return
    levels = np.linspace(ends.min(), ends.max(), 5)

    def measure() -> dict[str, Array]:
        engine = the_engine()

        def ratio(temperature: float, supply: float) -> Array:
            mirror = mirrors[supply]
            assert mirror is not None
            return cores.mirror_ratio(
                engine, mirror, np.asarray(10.0**currents, dtype=float), levels, temperature
            )

        return {names[0]: grid.fill(ratio)}

    axes: dict[str, Array] = {**grid.axes(), "current": currents, "level": levels}
    model = drawn.part(core.mirror[0])
    origin = f"{len(core.mirror)} transistors {model.model if model else ''} alone, output level swept"
    subject = {"mirrors": mirrors, "grid": axes}
    yield Bench("mirror", (Value(names[0], "", origin, axes),), subject, measure)


def _capacitance(on: Conditions) -> Iterator[Bench | Refused]:
    """What the parts on the ramp add to its capacitor: comparator inputs, switch, mirror output; at the
    middle supply."""
    drawn, grid = on.drawn, on.grid
    names = ("ramp.capacitance",)
    if not len(grid.supplies):
        yield Refused("capacitance on the ramp", names, "the supply is not known")
        return
    supply = float(grid.supplies[len(grid.supplies) // 2])
    low, high = grid.at(charged.trip_low(drawn), supply), grid.at(charged.trip_high(drawn), supply)
    lines, support, words = _on_the_ramp(on, supply)
    if not lines or not np.isfinite(low + high):
        yield Refused("capacitance on the ramp", names, "no part on the ramp is understood")
        return

    def measure() -> dict[str, Array]:
        engine = the_engine()
        figures = [
            [cores.added_capacitance(engine, support, lambda node: lines, low, high, float(t))]
            for t in grid.temperatures
        ]
        return {names[0]: np.array(figures)}

    axes = {"temperature": grid.temperatures, "supply": np.array([supply])}
    origin = f"{', '.join(words)} on a driven node, alone"
    subject = {"lines": lines, "support": support, "low": low, "high": high, "grid": axes}
    yield Bench("capacitance on the ramp", (Value(names[0], "F", origin, axes),), subject, measure)


def _on_the_ramp(on: Conditions, supply: float) -> tuple[list[str], list[str], list[str]]:
    """Element lines of the parts on the ramp node, each with its own surroundings; models; their
    names."""
    drawn, grid = on.drawn, on.grid
    core = charged.core_of(drawn)
    lines: list[str] = []
    support: list[str] = []
    words: list[str] = []
    held: dict[str, float] = {}

    def tied(tag: str, inner: Mapping[str, str]) -> Callable[[str], str]:
        """Nodes of a part: some by name, the others held at the voltage that the drawing gives them."""

        def tie(node: str) -> str:
            if node == "0" or node in inner:
                return inner.get(node, "0")
            voltage = grid.at(drawn.node(node), supply)
            if np.isfinite(voltage):
                held[f"{tag}_{node}"] = voltage
            return f"{tag}_{node}"

        return tie

    inputs = (
        (on.board.roles.comparator, on.board.roles.threshold, on.board.roles.output),
        (core.comparator, core.trip, charged.gate_node(drawn)),
    )
    for k, (name, level, driven) in enumerate(inputs):
        found = on.comparator(name, level, driven)
        if found is None:
            continue
        part, pins = found
        lines.append(part.line(f"dut{k}", tied(f"c{k}", {pins.ramp: "node"})))
        support += part.support
        words.append(part.part.name)
    switch = _switch(on, core.reset_switch, core.reset_resistor)
    if switch is not None:
        inner = {switch.gate: "0", switch.source: "0", switch.drain: "drain"}
        lines.append(switch.part.line("dut2", among(inner)))
        lines.append(cores.ohms("drain", "node", "drain", max(switch.resistance, 1.0)))
        support += switch.part.support
        words.append(switch.part.part.name)
    pair = pair_on(on, core.converter) if core.converter else None
    if pair is not None and core.converter:
        base = median(drawn.node(core.converter.reference_base))
        lines += [pair.line().replace(" c1 ", " node ")]
        lines += [cores.volts(node, node, base) for node in ("b0", "b1", "c0", "e")]
        support += pair.part.support
        words.append(pair.part.part.name)
    mirror = _mirror_alone(on, supply) if core.mirror else None
    program = charged.sweep_current(drawn)
    if mirror is not None and np.isfinite(median(program)):
        lines += [*mirror.lines, f"iprogram {mirror.input} 0 {median(program)!r}"]
        lines += [cores.volts(f"rail{k}", n, v) for k, (n, v) in enumerate(sorted(mirror.supply.items()))]
        lines.append(cores.volts("bridge", mirror.output, 0.0).replace(" 0 ", " node ", 1))
        support += mirror.support
        words.append("the mirror")
    lines += [cores.volts(f"h{k}", node, value) for k, (node, value) in enumerate(sorted(held.items()))]
    return lines, once(support), words
