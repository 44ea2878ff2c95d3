# SPDX-License-Identifier: GPL-3.0-or-later
"""Benches for the parts of an integrator core: its amplifier, its switch, and the trip comparator with what
is drawn around it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.alone import comparator as comparators
from harness.alone import integrator as alone
from harness.alone.bench import PartAlone, once, support_lines
from harness.alone.comparator import Pins, Surroundings
from harness.alone.conditions import Conditions, median, slope_knots, the_engine
from harness.alone.integrator import Amplifier, Trip
from harness.alone.subject import Bench, Refused, Value
from harness.netlist import FlatPart
from harness.pins import all_parts
from harness.predict.cores import integrator as cores
from harness.predict.cores.integrator import TripNetwork
from harness.predict.integrator_parts import Parts
from harness.predict.network import GROUND

Array = NDArray[np.float64]
SMALLEST, LARGEST = 20.0, 200.0  # Ohm: between these lies a switch whose resistance is not known yet


def benches(on: Conditions) -> Iterator[Bench | Refused]:
    """All benches of the core."""
    nodes, network = cores.parts(on.drawn), cores.trip_network(on.drawn)
    needed = dict.fromkeys(name for effect in cores.EFFECTS for name in effect.needs)
    if nodes is None or network is None:
        why = "the pins of amplifier, trip comparator and switch could not be told apart"
        yield Refused("integrator", tuple(needed), why)
        return
    end, start = cores.ideal_trips(on.drawn, nodes, network)
    if not np.isfinite(end).any() or not np.isfinite(start).any():
        yield Refused("integrator", tuple(needed), "the trip levels are not known")
        return
    setup = _Setup(on, nodes, network, end, start)
    yield _amplifier(setup)
    yield _at_rest(setup)
    yield _curve(setup)
    yield _delays(setup)


@dataclass(frozen=True)
class _Setup:
    """A board's core with its ideal trip levels ``end`` (of the sweep) and ``start``: V, shape (corners,)."""

    on: Conditions
    nodes: Parts
    network: TripNetwork
    end: Array
    start: Array

    @cached_property
    def comparator(self) -> PartAlone:
        return PartAlone.of(self.on.netlist, cores.core_of(self.on.drawn).comparator)

    @cached_property
    def switch(self) -> PartAlone:
        return PartAlone.of(self.on.netlist, cores.core_of(self.on.drawn).reset_switch)

    @cached_property
    def around(self) -> tuple[PartAlone, ...]:
        """Resistors, capacitors and diodes that the trip comparator's pins and the gate reach without passing
        a rail, the ramp or the virtual ground."""
        netlist, drawn = self.on.netlist, self.on.drawn
        parts = {name: each for name, each in netlist.flat.items() if not drawn.is_known(name)}
        fixed = self._fed | {self.nodes.ramp, self.nodes.minus, self.nodes.far}
        found: set[str] = set()
        waiting = [node for node in (*self._pins, self.nodes.gate) if node not in fixed]
        seen = set(waiting)
        while waiting:
            node = waiting.pop()
            for name, part in parts.items():
                if part.part.letter in "rcd" and node in part.nodes[:2]:
                    found.add(name)
                    new = [other for other in part.nodes[:2] if other not in fixed and other not in seen]
                    seen.update(new)
                    waiting += new
        return tuple(self._alone(parts[name]) for name in parts if name in found)

    def _alone(self, found: FlatPart) -> PartAlone:
        """A part with its nodes as the engine names them, its value a number."""
        part = replace(found.part, nodes=found.nodes)
        if part.letter not in "rc":
            return PartAlone(part, tuple(support_lines(self.on.netlist, [part])))
        return PartAlone(replace(part, value_text=repr(self.on.netlist.value(found.name))), ())

    @cached_property
    def _fed(self) -> set[str]:
        """Nodes that a source holds."""
        known, parts = self.on.drawn.is_known, all_parts(self.on.netlist)
        nodes = (ends for name, letter, ends in parts if letter == "v" and not known(name))
        return {node for ends in nodes for node in ends} | {GROUND}

    @cached_property
    def _pins(self) -> tuple[str, ...]:
        return tuple(node.lower() for node in self.comparator.part.nodes)

    @cached_property
    def rails(self) -> tuple[str, ...]:
        """What the comparator and the parts around it hang on, ground apart."""
        ends = [*(node for alone in self.around for node in alone.part.nodes[:2]), *self._pins]
        return tuple(sorted({node for node in ends if node in self._fed} - {GROUND, self.nodes.ramp}))

    def voltage(self, node: str, supply: float) -> float:
        """Of a node that a source holds, or of the virtual ground."""
        drawn = self.on.drawn
        return self.on.grid.at(drawn.node(self.nodes.plus if node == self.nodes.minus else node), supply)

    def levels(self, supply: float) -> tuple[float, float]:
        """End of the sweep and end of the reset, ideal (V)."""
        return self.on.grid.at(self.end, supply), self.on.grid.at(self.start, supply)

    def trip(self, temperature: float, supply: float) -> Trip:
        """The trip at one point of the grid."""
        drawn = self.on.drawn
        core = cores.core_of(drawn)
        resistance = median(drawn.value(core.reset_resistor)) if core.reset_resistor else 0.0
        support = [line for each in (self.comparator, self.switch, *self.around) for line in each.support]
        held = {node: self.voltage(node, supply) for node in self.rails}
        ground = self.voltage(self.nodes.minus, supply)
        return Trip(
            self.comparator, self.switch, self.around, tuple(once(support)), self.nodes, held,
            ground, resistance, temperature,
        )  # fmt: skip

    @cached_property
    def amplifier_part(self) -> PartAlone:
        return PartAlone.of(self.on.netlist, cores.core_of(self.on.drawn).amplifier)

    def amplifier(self, temperature: float, supply: float) -> Amplifier:
        """The amplifier at one point of the grid."""
        drawn, nodes, part = self.on.drawn, self.nodes, self.amplifier_part
        driven = {nodes.ramp, nodes.minus, nodes.plus, GROUND}
        rails = dict.fromkeys(node.lower() for node in part.part.nodes if node.lower() not in driven)
        held = {node: self.voltage(node, supply) for node in rails}
        feed, load = self.on.grid.at(drawn.node(nodes.ramp), supply), median(drawn.resistance(nodes.ramp))
        return Amplifier(part, nodes, self.voltage(nodes.plus, supply), held, feed, load, temperature)

    def at_rest(self, temperature: float, supply: float) -> dict[str, float]:
        """Figures at rest at one point of the grid."""
        grid, drawn, nodes, engine = self.on.grid, self.on.drawn, self.nodes, the_engine()
        held = {node: self.voltage(node, supply) for node in self._pins if node in self.rails}
        pins = Pins(nodes.sense, nodes.level, nodes.output, held)
        level = grid.at(drawn.node(nodes.level), supply)
        feed, seen = grid.at(self.network.feed["nothing"], supply), median(drawn.resistance(nodes.output))
        at = Surroundings(level, feed, seen, temperature)
        figures = comparators.rest_figures(engine, self.comparator, pins, at, False)
        rest = {
            "trip.bias_sense": figures["bias_ramp_near"],
            "trip.bias_level": figures["bias_level_near"],
            "trip.offset": figures["offset"],
        }
        here, levels = self.trip(temperature, supply), self.levels(supply)
        saturation, rest["reset.leakage"] = alone.sweeping_figures(engine, here, *levels)
        # as it turns the output is a little above its level at rest: that counts, being multiplied
        reference, network = self.voltage(nodes.reference, supply), self._network_at(supply)
        known = tuple(np.array([rest[f"trip.{name}"]]) for name in ("offset", "bias_sense", "bias_level"))
        guess = float(network.end_of_sweep(np.array([reference + saturation]), *known)[0])
        end = alone.turning_level(engine, here, guess, *levels)
        turning = float(network.output_at(np.array([end]), *known)[0]) - reference
        return rest | {"trip.saturation": turning if np.isfinite(turning) else saturation}

    def _network_at(self, supply: float) -> TripNetwork:
        return self.network.mapped(lambda row: np.array([self.on.grid.at(row, supply)]))

    def turning(self, temperature: float, supply: float) -> tuple[float, float]:
        """Levels of the ramp (V) where the comparator turns at rest: end of the sweep, end of the reset."""
        rest = {name: np.array([figure]) for name, figure in self.at_rest(temperature, supply).items()}
        network = self._network_at(supply)
        currents = rest["trip.bias_sense"], rest["trip.bias_level"]
        low = rest["trip.saturation"] + self.voltage(self.nodes.reference, supply)
        end = network.end_of_sweep(low, rest["trip.offset"], *currents)
        return float(end[0]), float(network.end_of_reset(rest["trip.offset"], *currents)[0])

    def subject(self) -> dict[str, object]:
        """All that decides what the trip does."""
        grid = self.on.grid
        trips = [self.trip(float(t), float(s)) for t in grid.temperatures for s in grid.supplies]
        levels = [self.levels(float(s)) for s in grid.supplies]
        rows = [self._network_at(float(s)) for s in grid.supplies]
        level = grid.by_supply(self.on.drawn.node(self.nodes.level))
        return {"trips": trips, "levels": levels, "network": rows, "level": level, "grid": grid.axes()}


def _amplifier(setup: _Setup) -> Bench:
    grid = setup.on.grid

    def measure() -> dict[str, Array]:
        engine = the_engine()

        def cell(temperature: float, supply: float) -> list[float]:
            here, (top, foot) = setup.amplifier(temperature, supply), setup.levels(supply)
            offset, bias = alone.amplifier_at_rest(engine, here, 0.5 * (top + foot))
            swing = alone.amplifier_swing(engine, here, top > foot)
            return [offset, bias, swing, alone.amplifier_slew(engine, here, top, foot)]

        figures = grid.fill(cell)
        return {value.name: figures[..., k] for k, value in enumerate(values)}

    model = f"model {setup.amplifier_part.part.model} alone"
    values = (
        Value("integrator.offset", "V", f"{model}, output in the middle of the ramp", grid.axes()),
        Value("integrator.bias", "A", f"{model}, at rest", grid.axes()),
        Value("integrator.swing", "V", f"{model}, overdriven", grid.axes()),
        Value("integrator.slew", "V/s", f"{model}, step as an inverter", grid.axes()),
    )
    cells = [setup.amplifier(float(t), float(s)) for t in grid.temperatures for s in grid.supplies]
    levels = [setup.levels(float(s)) for s in grid.supplies]
    return Bench("integrator", values, {"amplifiers": cells, "levels": levels, "grid": grid.axes()}, measure)


def _at_rest(setup: _Setup) -> Bench:
    axes, model = setup.on.grid.axes(), setup.comparator.part.model
    switch = setup.switch.part.model
    values = (
        Value("trip.bias_sense", "A", f"model {model} alone, at rest", axes),
        Value("trip.bias_level", "A", f"model {model} alone, at rest", axes),
        Value("trip.offset", "V", f"model {model} alone, input sweep", axes),
        Value("trip.saturation", "V", f"model {model} and the parts around it alone, as it turns", axes),
        Value("reset.leakage", "A", f"model {switch} alone, gate as during the sweep", axes),
    )
    return Bench("trip at rest", values, setup.subject(), lambda: setup.on.grid.fill_dict(setup.at_rest))


def _curve(setup: _Setup) -> Bench:
    grid = setup.on.grid

    def measure() -> dict[str, Array]:
        engine = the_engine()
        return {
            "reset.curve": grid.fill(
                lambda t, s: alone.switch_curve(engine, setup.trip(t, s), *setup.levels(s))
            )
        }

    origin = f"model {setup.switch.part.model} alone, gate as the trip drives it"
    value = Value("reset.curve", "A", origin, {**grid.axes(), "voltage": alone.CURVE})
    return Bench("reset switch", (value,), setup.subject(), measure)


def _delays(setup: _Setup) -> Bench | Refused:
    """Delays and gate charge, on ramps through the levels at which the comparator turns at rest."""
    drawn, grid = setup.on.drawn, setup.on.grid
    core = cores.core_of(drawn)
    names = (
        "trip.close_delay", "trip.open_delay", "reset.close_charge", "reset.open_charge",
        "integrator.kick_low", "integrator.kick_high",
    )  # fmt: skip
    rest, capacitance = drawn.node(setup.nodes.plus), drawn.value(core.capacitor)
    current = cores.current_into(drawn, setup.nodes.minus, rest)
    resistance = drawn.value(core.reset_resistor) if core.reset_resistor else drawn.all(0.0)
    falls = [
        ((setup.start - rest) / (resistance + ohms) + current) / capacitance for ohms in (SMALLEST, LARGEST)
    ]
    closing, opening = slope_knots(current / capacitance), slope_knots(np.concatenate(falls))
    if not len(closing) or not len(opening):
        return Refused("trip delays", names, "the slopes at the trip levels are not known")

    def measure() -> dict[str, Array]:
        engine = the_engine()

        def cell(temperature: float, supply: float) -> list[float]:
            here, levels = setup.trip(temperature, supply), setup.levels(supply)
            turning = setup.turning(temperature, supply)
            close = alone.turns(engine, here, list(closing), turning[0], True, *levels)
            opened = alone.turns(engine, here, list(opening), turning[1], False, *levels)
            charges = [float(np.median([turn.gate for turn in which])) for which in (close, opened)]
            at_foot, at_top = (opened[0], close[0]) if levels[0] > levels[1] else (close[0], opened[0])
            amplifier, farads = setup.amplifier(temperature, supply), median(capacitance)
            kicks = [
                alone.amplifier_kick(engine, amplifier, farads, at_foot)[0],
                alone.amplifier_kick(engine, amplifier, farads, at_top)[1],
            ]
            return [*(turn.delay for turn in (*close, *opened)), *charges, *kicks]

        cells = grid.fill(cell)
        first, second, rest_of = np.split(cells, [len(closing), len(closing) + len(opening)], axis=-1)
        single = tuple(rest_of[..., k] for k in range(4))
        return dict(zip(names, (first, second, *single), strict=True))

    model, switch = setup.comparator.part.model, setup.switch.part.model
    amplifier = setup.amplifier_part.part.model
    origin = f"model {model} with {switch} and the parts around it alone, ramps of the board's slopes"
    closes, opens = ({**grid.axes(), "slope": np.log10(slopes)} for slopes in (closing, opening))
    values = (
        Value(names[0], "s", origin, closes),
        Value(names[1], "s", origin, opens),
        Value(names[2], "C", f"{origin}, no voltage across the switch", grid.axes()),
        Value(names[3], "C", f"{origin}, no voltage across the switch", grid.axes()),
        Value(names[4], "V", f"model {amplifier} alone, that charge into its virtual ground", grid.axes()),
        Value(names[5], "V", f"model {amplifier} alone, that charge into its virtual ground", grid.axes()),
    )
    cells = [setup.amplifier(float(t), float(s)) for t in grid.temperatures for s in grid.supplies]
    subject = {**setup.subject(), "amplifiers": cells, "capacitance": median(capacitance)}
    return Bench("trip delays", values, {**subject, "closing": closing, "opening": opening}, measure)
