# SPDX-License-Identifier: GPL-3.0-or-later
"""An op-amp integrator whose capacitor a switch empties; a trip comparator with an open collector drives the
switch's gate, and what is drawn around the comparator makes the two trip levels.

The trip levels are those of the drawn network, solved: the level of the ramp at which the comparator's two
inputs meet, once with its output pulled down (during the sweep), once with it let go (during the reset). So
any resistors from the output to either input are understood.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from harness.intent.cores import IntegratorCore
from harness.predict.core import Delay, no_delay
from harness.predict.cores.kind import CoreKind
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.integrator import Integrator, resistor_path
from harness.predict.integrator_parts import Parts, parts_of
from harness.predict.network import GROUND, Branch
from harness.predict.ramp import Ramp

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]

RESET = Effect("reset time", law="capacitor and reset resistor as drawn")
SWITCH = Effect("on-resistance of the reset switch", ("reset.curve",))
CLOSE_DELAY = Effect("reset begun late by the trip", ("trip.close_delay",))
OPEN_DELAY = Effect("reset ended late by the trip", ("trip.open_delay",))
GATE_CHARGE = Effect("gate charge of the reset switch", ("reset.close_charge", "reset.open_charge"))
LEAKAGE = Effect("leakage of the open reset switch", ("reset.leakage",))
OFFSET = Effect("input offset of the integrator", ("integrator.offset",))
BIAS = Effect("input bias current of the integrator", ("integrator.bias",))
SLEW = Effect("slew rate of the integrator", ("integrator.slew",))
SWING = Effect("output swing of the integrator", ("integrator.swing",))
KICK = Effect("gate kick on the ramp", ("integrator.kick_low", "integrator.kick_high"))
TRIP_BIAS = Effect("input bias currents of the trip comparator", ("trip.bias_sense", "trip.bias_level"))
TRIP_OFFSET = Effect("input offset of the trip comparator", ("trip.offset",))
TRIP_SATURATION = Effect("output saturation of the trip comparator", ("trip.saturation",))

EFFECTS = (
    RESET, SWITCH, CLOSE_DELAY, OPEN_DELAY, GATE_CHARGE, LEAKAGE, OFFSET, BIAS, SLEW, SWING, KICK, TRIP_BIAS,
    TRIP_OFFSET, TRIP_SATURATION,
)  # fmt: skip
_PROBE = 1e6  # Ohm: what is put at the virtual ground to see the current into it


@dataclass(frozen=True)
class TripNetwork:
    """How the voltage between the comparator's inputs (ramp's side minus level's side, V) follows from the
    ramp's level, its output's and currents into the inputs, with the output ``held`` and with it ``free``.

    Keys: ``nothing`` (V), ``ramp`` and ``output`` (V a V), ``sense`` and ``level`` (V an A). ``feed``: the
    free output's voltage, ``nothing`` and ``ramp``.
    """

    held: Mapping[str, Array]
    free: Mapping[str, Array]
    feed: Mapping[str, Array]

    def mapped(self, change: Callable[[Array], Array]) -> TripNetwork:
        """The same with every figure put through ``change``."""
        rows = (self.held, self.free, self.feed)
        return TripNetwork(*({name: change(figure) for name, figure in row.items()} for row in rows))

    def end_of_sweep(self, low: Array, offset: Array, sense: Array, level: Array) -> Array:
        """The ramp's level (V) at which the inputs meet while the output is at ``low`` (V), with the offset
        (V, ramp's side above) and the bias currents out of the inputs (A)."""
        row = self.held
        others = row["nothing"] + row["output"] * low + row["sense"] * sense + row["level"] * level
        return (offset - others) / row["ramp"]

    def output_at(self, end: Array, offset: Array, sense: Array, level: Array) -> Array:
        """The output (V) that makes the inputs meet while the ramp is at ``end`` (V): the inverse of
        :meth:`end_of_sweep`. NaN where the output does not reach the inputs."""
        row = self.held
        others = row["nothing"] + row["sense"] * sense + row["level"] * level + row["ramp"] * end
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(row["output"] == 0, np.nan, (offset - others) / row["output"])

    def end_of_reset(self, offset: Array, sense: Array, level: Array) -> Array:
        """The same while the output is let go."""
        row = self.free
        return (offset - row["nothing"] - row["sense"] * sense - row["level"] * level) / row["ramp"]


_networks: WeakKeyDictionary[Drawn, TripNetwork | None] = WeakKeyDictionary()


def core_of(drawn: Drawn) -> IntegratorCore:
    """The board's core. Raises TypeError where it is of another kind."""
    core = drawn.board.core
    if not isinstance(core, IntegratorCore):
        raise TypeError(f"{core!r} is no integrator")
    return core


def parts(drawn: Drawn) -> Parts | None:
    """Which node of the core is what; None where it cannot be told."""
    return parts_of(drawn.netlist, drawn.board.roles.ramp, core_of(drawn))


def trip_network(drawn: Drawn) -> TripNetwork | None:
    """The network around the trip comparator, solved once for a table of corners."""
    if drawn not in _networks:
        found = parts(drawn)
        _networks[drawn] = None if found is None else _solved_network(drawn, found)
    return _networks[drawn]


def _solved_network(drawn: Drawn, nodes: Parts) -> TripNetwork:
    def at(ramp: float, output: float | None, sense: float = 0.0, level: float = 0.0) -> tuple[Array, Array]:
        extra = [Branch("V", "held ramp", nodes.ramp, GROUND, ramp)]
        if output is not None:
            extra.append(Branch("V", "held output", nodes.output, GROUND, output))
        extra += [
            Branch("I", f"current into {node}", GROUND, node, amperes)
            for node, amperes in ((nodes.sense, sense), (nodes.level, level))
            if amperes
        ]
        solved = drawn.network.solve(drawn.values, extra)
        volts = [
            np.broadcast_to(solved.get(node, drawn.unknown), (drawn.count,))
            for node in (nodes.sense, nodes.level, nodes.output)
        ]
        return volts[0] - volts[1], volts[2]

    rows: list[dict[str, Array]] = []
    for output in (0.0, None):
        nothing, feed = at(0.0, output)
        with_ramp, fed = at(1.0, output)
        row = {"nothing": nothing, "ramp": with_ramp - nothing}
        row["sense"] = (at(0.0, output, sense=1e-6)[0] - nothing) / 1e-6
        row["level"] = (at(0.0, output, level=1e-6)[0] - nothing) / 1e-6
        if output is not None:
            row["output"] = at(0.0, 1.0)[0] - nothing
        rows.append(row)
    return TripNetwork(rows[0], rows[1], {"nothing": feed, "ramp": fed - feed})


def current_into(drawn: Drawn, node: str, held: Array) -> Array:
    """Current (A) that the drawn network drives into a node held at a voltage (V), by Norton's theorem."""
    extra = [Branch("R", "probe", node, GROUND, _PROBE)]
    volts = drawn.network.solve(drawn.values, extra).get(node, drawn.unknown)
    seen = drawn.network.resistance_seen(node, drawn.values, extra)
    return np.asarray(volts / seen - held * (1.0 / seen - 1.0 / _PROBE))


def ideal_trips(drawn: Drawn, nodes: Parts, network: TripNetwork) -> tuple[Array, Array]:
    """(end of the sweep, end of the reset) in V, with an ideal comparator."""
    nothing = drawn.all(0.0)
    low = drawn.node(nodes.reference)
    return (
        network.end_of_sweep(low, nothing, nothing, nothing),
        network.end_of_reset(nothing, nothing, nothing),
    )


def path_of(drawn: Drawn, known: Characteristics, with_switch: bool) -> tuple[Array, Array]:
    """Curve of switch and resistor across the capacitor: volts and amperes, shape (corners, knots)."""
    core = core_of(drawn)
    resistance = drawn.value(core.reset_resistor) if core.reset_resistor else drawn.all(0.0)
    if not with_switch:
        return resistor_path(resistance, drawn.value(core.capacitor))
    volts, amperes = known.table("reset.curve").along(
        "voltage", temperature=drawn.temperature, supply=drawn.supply
    )
    return volts + resistance[:, None] * amperes, amperes


def _ramp(
    drawn: Drawn, known: Characteristics, on: frozenset[Effect], threshold: Array, high_below: bool
) -> Ramp | None:
    nodes, network = parts(drawn), trip_network(drawn)
    if nodes is None or network is None:
        return None
    conditions = {"temperature": drawn.temperature, "supply": drawn.supply}

    def figure(name: str, effect: Effect, without: float = 0.0) -> Array:
        return known.table(name).at(**conditions) if effect in on else drawn.all(without)

    def delay(name: str, effect: Effect) -> Delay:
        if effect not in on:
            return no_delay
        table = known.table(name)
        return lambda slope: table.at(**conditions, slope=np.log10(slope))

    rest = drawn.node(nodes.plus) + figure("integrator.offset", OFFSET)
    current = current_into(drawn, nodes.minus, rest)
    current = current + figure("integrator.bias", BIAS) + figure("reset.leakage", LEAKAGE)
    currents = figure("trip.bias_sense", TRIP_BIAS), figure("trip.bias_level", TRIP_BIAS)
    offset = figure("trip.offset", TRIP_OFFSET)
    low = drawn.node(nodes.reference) + figure("trip.saturation", TRIP_SATURATION)
    end, start = network.end_of_sweep(low, offset, *currents), network.end_of_reset(offset, *currents)
    if SWING in on:
        limit = figure("integrator.swing", SWING)
        end = np.where(np.sign(-current) * (limit - end) > 0, end, np.nan)
    volts, amperes = path_of(drawn, known, SWITCH in on)
    cycle = Integrator(
        drawn.value(core_of(drawn).capacitor),
        current,
        rest,
        end,
        start,
        volts,
        amperes,
        delay("trip.close_delay", CLOSE_DELAY),
        delay("trip.open_delay", OPEN_DELAY),
        figure("reset.close_charge", GATE_CHARGE),
        figure("reset.open_charge", GATE_CHARGE),
        figure("integrator.slew", SLEW, np.inf),
    ).ramp(instant_reset=RESET not in on)
    under, over = figure("integrator.kick_low", KICK), figure("integrator.kick_high", KICK)
    return replace(cycle, under=under, over=over)


def _solved(drawn: Drawn) -> dict[str, Array]:
    nodes, network = parts(drawn), trip_network(drawn)
    if nodes is None or network is None:
        return {}
    end, start = ideal_trips(drawn, nodes, network)
    return {"ramp_low": np.minimum(end, start), "ramp_high": np.maximum(end, start)}


def _nodes(drawn: Drawn) -> dict[str, str]:
    return {"ramp_high": core_of(drawn).trip}


KIND = CoreKind(IntegratorCore.kind, _ramp, EFFECTS, frozenset({RESET}), _solved, _nodes)
