# SPDX-License-Identifier: GPL-3.0-or-later
"""Which benches a board needs, and at which conditions: temperatures, supplies, slopes and levels of its
corners."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from harness.alone import comparator as comparators
from harness.alone import core as cores
from harness.alone.bench import Engine, PartAlone, among, element_line, support_lines
from harness.alone.comparator import Pins, Surroundings, Switch
from harness.alone.core import Mirror
from harness.characterise import Bench, Characteristics
from harness.corners import corner_table
from harness.predict import board_core, output
from harness.predict.drawn import Drawn
from harness.predict.effects import CHARGED, RESET, SOURCE_RESET
from harness.predict.lookup import Table
from harness.predict.ramp import Ramp
from harness.predict.refined import Composition

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist

Array = NDArray[np.float64]


def benches_of(board: Board, netlist: Netlist) -> list[Bench]:
    """The benches for the parts that the board file names. A part that is missing or not understood has a
    bench whose measurement raises ValueError with the reason."""
    return list(_Planner(board, netlist).benches())


def _engine() -> Engine:
    from harness.engine.session import session

    return session()


@dataclass(frozen=True)
class _Grid:
    """Temperatures (degC) and supplies (V), and the median of any drawn figure at a supply."""

    temperatures: Array
    supplies: Array
    supply: Array

    def at(self, figure: Array, supply: float) -> float:
        """The median of ``figure`` over the corners with that supply."""
        rows = np.abs(self.supply - supply) < 1e-9
        return float(np.nanmedian(np.where(rows, figure, np.nan)))

    def axes(self) -> dict[str, Array]:
        return {"temperature": self.temperatures, "supply": self.supplies}

    def fill(self, figure: Callable[[float, float], Any]) -> Array:
        """``figure(temperature, supply)`` over the grid, further dimensions last."""
        return np.array(
            [[figure(float(t), float(s)) for s in self.supplies] for t in self.temperatures], dtype=float
        )

    def fill_dict(self, figures: Callable[[float, float], Mapping[str, float]]) -> dict[str, Array]:
        """The same for several figures at once, by name."""
        rows = [[figures(float(t), float(s)) for s in self.supplies] for t in self.temperatures]
        return {
            name: np.array([[cell[name] for cell in row] for row in rows], dtype=float) for name in rows[0][0]
        }


class _Planner:
    def __init__(self, board: Board, netlist: Netlist) -> None:
        self.board, self.netlist = board, netlist
        self.drawn = drawn = Drawn(board, netlist, corner_table(board))
        composition = Composition(drawn, Characteristics())
        plain = composition.figures(frozenset())
        self.threshold = plain["threshold"]
        self.ramp: Ramp | None = board_core.ramp_of(
            drawn, Characteristics(), frozenset({RESET, SOURCE_RESET}), self.threshold, composition.high_below
        )
        self.high_below = composition.high_below
        supplies = np.unique(np.round(drawn.supply[np.isfinite(drawn.supply)], 9))
        self.grid = _Grid(np.unique(drawn.temperature), supplies, drawn.supply)

    def benches(self) -> Iterator[Bench]:
        yield from self._slicer()
        core = self.board.core
        if core is not None and core.kind == CHARGED:
            yield from self._trip()
            yield from self._switches()
            yield from self._mirror()
            yield from self._capacitance()

    # --- helpers

    def _refused(self, title: str, names: Sequence[str], why: str) -> Bench:
        def measure() -> dict[str, Table]:
            raise ValueError(why)

        return Bench(title, tuple(names), {"refused": why}, measure)

    def _comparator(
        self, name: str | None, level: str | None, output: str | None
    ) -> tuple[PartAlone, Pins] | None:
        """A comparator and its pins; None where its line lacks one of the nodes."""
        part = self.drawn.part(name)
        ramp = self.board.roles.ramp.lower()
        supply = self.drawn.supply_node
        if part is None or level is None or output is None or not len(self.grid.supplies):
            return None
        nodes = [node.lower() for node in part.nodes]
        signals = (ramp, level.lower(), output.lower())
        if any(node not in nodes for node in signals):
            return None
        others = dict.fromkeys(node for node in nodes if node not in signals and node != "0")
        held = {
            node: float(np.nan_to_num(np.nanmedian(self.drawn.node(node))))
            for node in others
            if node != supply
        }
        return PartAlone.of(self.netlist, part.name), Pins(*signals, held)

    def _where(
        self, level: float, feed: Array, resistance: Array, temperature: float, supply: float
    ) -> Surroundings:
        held = {self.drawn.supply_node: supply} if self.drawn.supply_node else {}
        return Surroundings(
            level, self.grid.at(feed, supply), float(np.nanmedian(resistance)), temperature, held
        )

    def _subject(self, part: PartAlone, **more: Any) -> dict[str, Any]:
        plain = {
            key: np.asarray(value).tolist() if isinstance(value, np.ndarray) else value
            for key, value in more.items()
        }
        return {
            "part": element_line(part.part, "dut", str.lower),
            "support": list(part.support),
            "temperatures": self.grid.temperatures.tolist(),
            "supplies": self.grid.supplies.tolist(),
            **plain,
        }

    # --- the slicing comparator

    def _slicer(self) -> Iterator[Bench]:
        roles, drawn, grid = self.board.roles, self.drawn, self.grid
        names = ("slicer.bias_ramp", "slicer.bias_threshold", "slicer.offset", "slicer.leakage")
        found = self._comparator(roles.comparator, roles.threshold, roles.output)
        if found is None:
            yield self._refused(
                "slicer", names, "its pins could not be told apart: no supply, or a node not on its line"
            )
            return
        part, pins = found
        model = part.part.model
        level = float(np.nanmedian(self.threshold))
        feed, resistance = drawn.node(roles.output), drawn.resistance(roles.output)
        common = {
            "level": level,
            "feed": feed,
            "resistance": resistance,
            "pins": [pins.ramp, pins.level, pins.output],
        }

        def where(temperature: float, supply: float) -> Surroundings:
            return self._where(level, feed, resistance, temperature, supply)

        def rest() -> dict[str, Table]:
            engine = _engine()
            figures = grid.fill_dict(
                lambda t, s: comparators.rest_figures(engine, part, pins, where(t, s), self.high_below)
            )
            origin = f"model {model} alone, at rest"
            both = np.stack([figures["bias_ramp_below"], figures["bias_ramp_above"]], axis=-1)
            difference = {**grid.axes(), "difference": np.array([-1.0, 1.0])}
            return {
                "slicer.bias_ramp": Table(difference, both, "A", origin),
                "slicer.bias_threshold": Table(grid.axes(), figures["bias_level_near"], "A", origin),
                "slicer.offset": Table(
                    grid.axes(), figures["offset"], "V", f"model {model} alone, input sweep"
                ),
                "slicer.leakage": Table(grid.axes(), figures["leakage"], "A", origin),
            }

        yield Bench("slicer at rest", names, self._subject(part, **common), rest)

        def curve() -> dict[str, Table]:
            engine = _engine()
            top = float(np.nanmax(feed)) * 1.05
            knots: list[Array] = []

            def currents(temperature: float, supply: float) -> Array:
                volts, amperes = comparators.output_curve(
                    engine, part, pins, where(temperature, supply), self.high_below, top
                )
                knots.append(volts)
                return amperes

            figures = grid.fill(currents)
            return {
                "slicer.sink": Table(
                    {**grid.axes(), "voltage": knots[0]}, figures, "A", f"model {model} alone, output curve"
                )
            }

        yield Bench("slicer output", ("slicer.sink",), self._subject(part, **common), curve)
        if self.ramp is not None:
            up = _slopes(self.ramp.crossing(self.threshold, True).slope)
            down = _slopes(self.ramp.crossing(self.threshold, False).slope)
            yield from self._slicer_delays(part, pins, up, down, where, common)

    def _slicer_delays(
        self,
        part: PartAlone,
        pins: Pins,
        up: Array,
        down: Array,
        where: Callable[[float, float], Surroundings],
        common: Mapping[str, Any],
    ) -> Iterator[Bench]:
        names = ("slicer.fall_delay", "slicer.rise_delay", "slicer.fall_extra", "slicer.output_capacitance")
        if not len(up) or not len(down):
            yield self._refused("slicer delays", names, "the ramp never crosses the threshold")
            return
        grid = self.grid
        load = float(np.nan_to_num(np.nanmedian(self.drawn.load_capacitance())))
        falls, rises = (up, down) if self.high_below else (down, up)
        sense = 1.0 if self.high_below else -1.0
        top = float(np.nanmax(common["feed"])) * 1.05

        def measure() -> dict[str, Table]:
            engine = _engine()

            def cell(temperature: float, supply: float) -> list[float]:
                """Falling edges under the load as drawn, less what a full-blown sink would take; rising ones
                without."""
                at = where(temperature, supply)
                offset = comparators.rest_figures(engine, part, pins, at, self.high_below)["offset"]
                down = comparators.answers(engine, part, pins, at, [(s, sense) for s in falls], load, offset)
                up = comparators.answers(engine, part, pins, at, [(s, -sense) for s in rises], 0.0, offset)
                curve = comparators.output_curve(engine, part, pins, at, self.high_below, top)
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

        yield Bench(
            "slicer delays", names, self._subject(part, **common, up=up, down=down, load=load), measure
        )

    # --- the core

    def _trip(self) -> Iterator[Bench]:
        core, drawn, grid = self.board.core, self.drawn, self.grid
        assert core is not None
        names = ("trip.bias_ramp", "trip.bias_trip", "trip.offset", "trip.close_delay", "trip.open_delay")
        gate = board_core.gate_node(drawn)
        found = self._comparator(core.comparator, core.trip, gate)
        if found is None:
            yield self._refused("trip", names, "the pins of the trip comparator could not be told apart")
            return
        part, pins = found
        model = part.part.model
        high, low = board_core.trip_high(drawn), board_core.trip_low(drawn)
        feed, resistance = drawn.node(gate), drawn.value(core.gate_pullup)
        common = {"high": high, "low": low, "feed": feed, "resistance": resistance}

        def where(level: Array, temperature: float, supply: float) -> Surroundings:
            return self._where(grid.at(level, supply), feed, resistance, temperature, supply)

        def rest() -> dict[str, Table]:
            engine = _engine()
            figures = grid.fill_dict(
                lambda t, s: comparators.rest_figures(engine, part, pins, where(high, t, s), False)
            )
            origin = f"model {model} alone, at rest"
            return {
                "trip.bias_ramp": Table(grid.axes(), figures["bias_ramp_below"], "A", origin),
                "trip.bias_trip": Table(grid.axes(), figures["bias_level_near"], "A", origin),
                "trip.offset": Table(
                    grid.axes(), figures["offset"], "V", f"model {model} alone, input sweep"
                ),
            }

        yield Bench("trip at rest", names[:3], self._subject(part, **common), rest)

        switches = [
            switch
            for switch in (
                self._switch(core.reset_switch, core.reset_resistor),
                self._switch(core.pulldown_switch, core.pulldown_resistor),
            )
            if switch is not None
        ]
        if not switches or self.ramp is None:
            yield self._refused("trip delays", names[3:], "no switch that the trip comparator drives")
            return
        current, capacitance = drawn.value(core.current), drawn.value(core.capacitor)
        closing = _slopes(current / capacitance)
        with np.errstate(divide="ignore", invalid="ignore"):
            opening = _slopes((low / drawn.value(core.reset_resistor) - current) / capacitance)
        if not len(closing) or not len(opening):
            yield self._refused("trip delays", names[3:], "the slopes at the trip levels are not known")
            return

        def measure() -> dict[str, Table]:
            engine = _engine()

            def one(rising: bool, slopes: Array, level: Array) -> Array:
                def figures(temperature: float, supply: float) -> list[float]:
                    at = where(level, temperature, supply)
                    offset = comparators.rest_figures(engine, part, pins, at, False)["offset"]
                    return comparators.switching_delays(
                        engine, part, pins, at, switches, slopes, rising, offset
                    )

                return grid.fill(figures)

            origin = f"model {model} with the switches it drives, alone, ramps of the board's slopes"
            return {
                "trip.close_delay": Table(
                    {**grid.axes(), "slope": np.log10(closing)}, one(True, closing, high), "s", origin
                ),
                "trip.open_delay": Table(
                    {**grid.axes(), "slope": np.log10(opening)}, one(False, opening, low), "s", origin
                ),
            }

        described = [
            {
                "line": element_line(s.part.part, "dut", str.lower),
                "support": list(s.part.support),
                "resistance": s.resistance,
            }
            for s in switches
        ]
        subject = self._subject(part, **common, closing=closing, opening=opening, switches=described)
        yield Bench("trip delays", names[3:], subject, measure)

    def _switch(self, name: str | None, resistor: str | None) -> Switch | None:
        part, gate = self.drawn.part(name), board_core.gate_node(self.drawn)
        ends = board_core.switch_ends(self.drawn, name)
        if part is None or gate is None or ends is None or gate not in [node.lower() for node in part.nodes]:
            return None
        drain, source = ends if ends[0] != "0" else ends[::-1]
        value = self.drawn.value(resistor)
        resistance = float(np.nanmedian(value)) if np.isfinite(value).any() else 0.0
        return Switch(PartAlone.of(self.netlist, part.name), gate, drain, source, resistance)

    def _switches(self) -> Iterator[Bench]:
        core, drawn, grid = self.board.core, self.drawn, self.grid
        assert core is not None
        gate_voltage = drawn.node(board_core.gate_node(drawn))
        for title, name in (("reset", core.reset_switch), ("pulldown", core.pulldown_switch)):
            names = (f"{title}.on_resistance",)
            switch = self._switch(name, None)
            if switch is None or not np.isfinite(gate_voltage).any():
                yield self._refused(f"{title} switch", names, "its gate is not the trip comparator's output")
                continue

            def measure(switch: Switch = switch, title: str = title) -> dict[str, Table]:
                engine = _engine()
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
                origin = f"model {switch.part.part.model} alone, at 50 mV"
                return {f"{title}.on_resistance": Table(grid.axes(), figures, "Ohm", origin)}

            yield Bench(f"{title} switch", names, self._subject(switch.part, gate=gate_voltage), measure)

    def _mirror_alone(self, supply: float) -> Mirror | None:
        """The mirror's transistors, the resistors between them, and the rails that these hang on."""
        core, drawn = self.board.core, self.drawn
        assert core is not None
        ramp = self.board.roles.ramp.lower()
        parts = [drawn.part(name) for name in core.mirror]
        program = drawn.part(core.current)
        if (
            not parts
            or any(part is None for part in parts)
            or program is None
            or program.letter.lower() != "i"
        ):
            return None
        transistors = [part for part in parts if part is not None]
        nodes = {node.lower() for part in transistors for node in part.nodes}
        rails = {node for node in nodes if np.isfinite(drawn.node(node)).all() and node not in (ramp, "0")}
        inside = nodes | rails | {drawn.supply_node or ""}
        for part in self.netlist.parts.values():
            ends = {node.lower() for node in part.nodes[:2]}
            if part.letter.lower() == "r" and ends & (nodes - rails) and ramp not in ends and ends <= inside:
                transistors.append(part)
                rails |= {node for node in ends if np.isfinite(drawn.node(node)).all()} - {"0"}
        driven = next((node.lower() for node in program.nodes if node.lower() in nodes - rails), None)
        if ramp not in nodes or driven is None or driven == ramp:
            return None
        lines = tuple(element_line(part, f"m{k}", str.lower) for k, part in enumerate(transistors))
        voltages = {node: self.grid.at(drawn.node(node), supply) for node in rails}
        return Mirror(lines, tuple(support_lines(self.netlist, transistors)), voltages, driven, ramp)

    def _mirror(self) -> Iterator[Bench]:
        core, drawn, grid = self.board.core, self.drawn, self.grid
        assert core is not None
        names = ("mirror.current",)
        if not core.mirror:
            return
        mirrors = {float(s): self._mirror_alone(float(s)) for s in grid.supplies}
        if not mirrors or any(mirror is None for mirror in mirrors.values()):
            yield self._refused("mirror", names, "the mirror's input and output could not be told apart")
            return
        program = drawn.value(core.current)
        currents: Array = np.unique(np.round(np.log10(program[np.isfinite(program)]), 12)).astype(float)
        low, high = board_core.trip_low(drawn), board_core.trip_high(drawn)
        levels = np.linspace(float(np.nanmin(low)), float(np.nanmax(high)), 5)

        def measure() -> dict[str, Table]:
            engine = _engine()

            def ratio(temperature: float, supply: float) -> Array:
                mirror = mirrors[supply]
                assert mirror is not None
                return cores.mirror_ratio(
                    engine, mirror, np.asarray(10.0**currents, dtype=float), levels, temperature
                )

            axes: dict[str, Array] = {**grid.axes(), "current": currents, "level": levels}
            model = drawn.part(core.mirror[0])
            origin = (
                f"{len(core.mirror)} transistors {model.model if model else ''} alone, output level swept"
            )
            return {"mirror.current": Table(axes, grid.fill(ratio), "", origin)}

        subject = {
            "mirrors": {
                str(s): [list(m.lines), list(m.support), dict(m.supply)] for s, m in mirrors.items() if m
            },
            "currents": currents.tolist(),
            "levels": levels.tolist(),
            "temperatures": grid.temperatures.tolist(),
        }
        yield Bench("mirror", names, subject, measure)

    def _capacitance(self) -> Iterator[Bench]:
        """What the parts on the ramp add to its capacitor: comparator inputs, switch, mirror output; at the
        middle supply."""
        core, drawn, grid = self.board.core, self.drawn, self.grid
        assert core is not None
        names = ("ramp.capacitance",)
        if not len(grid.supplies):
            yield self._refused("capacitance on the ramp", names, "the supply is not known")
            return
        supply = float(grid.supplies[len(grid.supplies) // 2])
        low, high = grid.at(board_core.trip_low(drawn), supply), grid.at(board_core.trip_high(drawn), supply)
        lines, support, words = self._on_the_ramp(supply)
        if not lines or not np.isfinite(low + high):
            yield self._refused("capacitance on the ramp", names, "no part on the ramp is understood")
            return

        def measure() -> dict[str, Table]:
            engine = _engine()
            figures = np.array(
                [
                    [cores.added_capacitance(engine, support, lambda node: lines, low, high, float(t))]
                    for t in grid.temperatures
                ]
            )
            axes = {"temperature": grid.temperatures, "supply": np.array([supply])}
            return {
                "ramp.capacitance": Table(axes, figures, "F", f"{', '.join(words)} on a driven node, alone")
            }

        subject = {"lines": lines, "support": support, "low": low, "high": high}
        subject["temperatures"] = grid.temperatures.tolist()
        yield Bench("capacitance on the ramp", names, subject, measure)

    def _on_the_ramp(self, supply: float) -> tuple[list[str], list[str], list[str]]:
        """Element lines of the parts on the ramp node, each with its own surroundings; models; their
        names."""
        core, drawn, grid = self.board.core, self.drawn, self.grid
        assert core is not None
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
            (self.board.roles.comparator, self.board.roles.threshold, self.board.roles.output),
            (core.comparator, core.trip, board_core.gate_node(drawn)),
        )
        for k, (name, level, driven) in enumerate(inputs):
            found = self._comparator(name, level, driven)
            if found is None:
                continue
            part, pins = found
            lines.append(part.line(f"dut{k}", tied(f"c{k}", {pins.ramp: "node"})))
            support += part.support
            words.append(part.part.name)
        switch = self._switch(core.reset_switch, core.reset_resistor)
        if switch is not None:
            inner = {switch.gate: "0", switch.source: "0", switch.drain: "drain"}
            lines.append(switch.part.line("dut2", among(inner)))
            lines.append(cores.ohms("drain", "node", "drain", max(switch.resistance, 1.0)))
            support += switch.part.support
            words.append(switch.part.part.name)
        mirror = self._mirror_alone(supply) if core.mirror else None
        program = drawn.value(core.current)
        if mirror is not None and np.isfinite(program).any():
            lines += [*mirror.lines, f"iprogram {mirror.input} 0 {float(np.nanmedian(program))!r}"]
            lines += [cores.volts(f"rail{k}", n, v) for k, (n, v) in enumerate(sorted(mirror.supply.items()))]
            lines.append(cores.volts("bridge", mirror.output, 0.0).replace(" 0 ", " node ", 1))
            support += mirror.support
            words.append("the mirror")
        lines += [cores.volts(f"h{k}", node, value) for k, (node, value) in enumerate(sorted(held.items()))]
        return lines, list(dict.fromkeys(support)), words


def _full_sink(
    curve: tuple[Array, Array], feed: float, resistance: float, load: float
) -> tuple[float, float]:
    """Time to 50 % and from 90 % to 10 % (s) of a fall whose sink conducts fully from the first instant."""
    voltage, resistor, capacitor = (np.array([value]) for value in (feed, resistance, load))
    sink = output.SinkCurve(curve[0], curve[1][None, :])
    low = output.low_level(voltage, resistor, sink)
    middle, edge, _ = output.fall(voltage, resistor, capacitor, low, voltage, sink)
    return float(middle[0]), float(edge[0])


def _slopes(figures: Array) -> Array:
    """Knots (V/s, rising) that span the magnitudes of some slopes, geometrically spaced."""
    known = np.abs(figures[np.isfinite(figures) & (figures != 0)])
    if not len(known):
        return np.zeros(0)
    low, high = 0.9 * float(known.min()), 1.1 * float(known.max())
    return np.geomspace(low, high, 4 if high > 2 * low else 2)
