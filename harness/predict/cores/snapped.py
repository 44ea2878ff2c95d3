# SPDX-License-Identifier: GPL-3.0-or-later
"""A capacitor snapped up to a reference through a switch and swept down by a current, fixed or from an
exponential converter; where the board draws a follower, the ramp is what that gives out."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from harness.intent.cores import SnappedCore
from harness.pins import PIN_WORDS
from harness.predict import converter
from harness.predict.converter import DrawnConverter
from harness.predict.core import Delay, no_delay
from harness.predict.cores import charged
from harness.predict.cores.kind import CoreKind
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.network import GROUND, Branch
from harness.predict.ramp import Ramp
from harness.predict.snapped import Follower, LevelTable, SnappedCapacitor, constant
from harness.predict.stage import ideal_duty

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]
LN2 = float(np.log(2.0))

RESET = Effect("reset time", law="what holds the switch closed, and reset resistor, as drawn")
ON_RESISTANCE = Effect("switch on-resistance", ("snap.on_resistance",))
CHARGE = Effect("charge injection of the switch", ("snap.injected",))
GRADUAL = Effect("switch that closes gradually", ("snap.spread",))
SHORT = Effect("capacitor short of the reference as the switch opens", ("snap.short",))
LEAKAGE = Effect("leakage of the switch", ("snap.leakage",))
TRIP_LEVELS = Effect("output levels of the trip comparator", ("trip.low_level", "trip.high_level"))
CLOSE_DELAY = charged.CLOSE_DELAY
OPEN_DELAY = Effect("reset ended late by comparator delay", ("trip.hold_delay",))
TRIP_BIAS, TRIP_OFFSET = charged.TRIP_BIAS, charged.TRIP_OFFSET
FOLLOWER_BIAS = Effect("input bias current into the ramp capacitor", ("follower.bias",))
FOLLOWER_OFFSET = Effect("input offset of the follower", ("follower.offset",))
FOLLOWER_LAG = Effect("bandwidth and slew rate of the follower", ("follower.lag", "follower.slew"))
RAMP_BIAS, RAMP_CAPACITANCE = charged.RAMP_BIAS, charged.RAMP_CAPACITANCE

EFFECTS = (
    RESET, ON_RESISTANCE, CLOSE_DELAY, OPEN_DELAY, TRIP_BIAS, TRIP_OFFSET, TRIP_LEVELS, CHARGE, GRADUAL,
    SHORT, LEAKAGE, FOLLOWER_OFFSET, FOLLOWER_LAG, FOLLOWER_BIAS, RAMP_BIAS, RAMP_CAPACITANCE,
    *converter.EFFECTS,
)  # fmt: skip


def core_of(drawn: Drawn) -> SnappedCore:
    """The board's core. Raises TypeError where it is of another kind."""
    core = drawn.board.core
    if not isinstance(core, SnappedCore):
        raise TypeError(f"{core!r} is no snapped capacitor")
    return core


def pins_of(drawn: Drawn, name: str | None) -> dict[str, str]:
    """Nodes of a comparator or an amplifier by what its subcircuit calls its pins: plus, minus, output,
    supply, negative; those that are told by their names."""
    part = drawn.part(name)
    model = drawn.netlist.cards.top.find_subcircuit(part.model) if part and part.letter == "x" else None
    if part is None or model is None or len(model.nodes) != len(part.nodes):
        return {}
    inner = {node.lower(): outer.lower() for node, outer in zip(model.nodes, part.nodes, strict=True)}
    return {pin: outer for pin, words in PIN_WORDS.items() for node, outer in inner.items() if node in words}


def switch_ends(drawn: Drawn) -> tuple[str, str] | None:
    """The switch's end at the reference (or at the reset resistor that leads there), and the other one."""
    core, part = core_of(drawn), drawn.part(core_of(drawn).switch)
    if part is None:
        return None
    nodes = [node.lower() for node in part.nodes[:3]]
    upper = [core.reference.lower(), drawn.other_node(core.reset_resistor, core.reference.lower())]
    storing = {sweep_node(drawn), *_ends(drawn, core.series_resistor)}
    first = next((node for node in nodes if node in upper), None)
    last = next((node for node in nodes if node in storing and node != GROUND), None)
    return None if first is None or last is None else (first, last)


def control_node(drawn: Drawn) -> str | None:
    """The node that works the switch: its first pin that is neither of its ends nor a rail."""
    part, ends = drawn.part(core_of(drawn).switch), switch_ends(drawn)
    if part is None or ends is None:
        return None
    others = [node.lower() for node in part.nodes if node.lower() not in (*ends, GROUND, drawn.supply_node)]
    return others[0] if others else None


def _ends(drawn: Drawn, name: str | None) -> tuple[str, ...]:
    part = drawn.part(name)
    return tuple(node.lower() for node in part.nodes[:2]) if part else ()


def sweep_node(drawn: Drawn) -> str:
    """The node that the current sweeps: the follower's input, or the ramp itself."""
    core = core_of(drawn)
    return pins_of(drawn, core.follower).get("plus", "") if core.follower else drawn.board.roles.ramp.lower()


def gate_node(drawn: Drawn) -> str | None:
    """The trip comparator's output."""
    return pins_of(drawn, core_of(drawn).comparator).get("output")


def rails(drawn: Drawn) -> tuple[Array, Array]:
    """Ideal levels (V) of the trip comparator's output: its lower supply pin, and its upper one or what its
    pull-up leads to."""
    pins = pins_of(drawn, core_of(drawn).comparator)
    pullup = core_of(drawn).gate_pullup
    upper = drawn.other_node(pullup, pins.get("output", "")) if pullup else pins.get("supply")
    return drawn.node(pins.get("emitter", pins.get("negative"))), drawn.node(upper)


def trip_at(drawn: Drawn, gate: Array) -> Array:
    """Trip level (V) while the trip comparator's output stands at ``gate`` (V)."""
    at_zero, at_one = (_with_gate(drawn, volts) for volts in (0.0, 1.0))
    return at_zero + (at_one - at_zero) * gate


@lru_cache(maxsize=16)
def _with_gate(drawn: Drawn, volts: float) -> Array:
    gate, trip = gate_node(drawn), core_of(drawn).trip.lower()
    if gate is None:
        return drawn.unknown
    found = drawn.network.solve(drawn.values, [Branch("V", "held gate", gate, GROUND, volts)]).get(trip)
    return drawn.unknown if found is None else np.broadcast_to(found, (drawn.count,))


@lru_cache(maxsize=8)
def trip_resistance(drawn: Drawn) -> Array:
    """Resistance (Ohm) at the trip node while the comparator holds its output."""
    gate = gate_node(drawn)
    extra = [Branch("V", "held gate", gate, GROUND, 0.0)] if gate else []
    return np.broadcast_to(
        drawn.network.resistance_seen(core_of(drawn).trip, drawn.values, extra), (drawn.count,)
    )


def reference_level(drawn: Drawn) -> Array:
    """The level (V) that the capacitor is snapped to."""
    return drawn.node(core_of(drawn).reference)


def ideal_current(drawn: Drawn) -> Array:
    """The sweep current (A) by the law alone."""
    core = core_of(drawn)
    return DrawnConverter(drawn, core.converter).current if core.converter else _fixed(drawn)


def _fixed(drawn: Drawn) -> Array:
    """The current of a source."""
    return np.abs(drawn.value(core_of(drawn).current))


def hold_time(drawn: Drawn) -> Array:
    """How long the switch is held closed (s), ideally: until the hold capacitor has lost half its voltage,
    R C ln 2, where a CMOS switch turns (common practice, no source). 0 without."""
    core = core_of(drawn)
    if not core.hold_resistor or not core.hold_capacitor:
        return drawn.all(0.0)
    return LN2 * drawn.value(core.hold_resistor) * drawn.value(core.hold_capacitor)


class _Figures:
    """Real-part values at every corner."""

    def __init__(self, drawn: Drawn, known: Characteristics) -> None:
        self.drawn, self.known = drawn, known
        self.conditions = {"temperature": drawn.temperature, "supply": drawn.supply}

    def one(self, name: str, **more: Array) -> Array:
        return self.known.table(name).at(**self.conditions, **more)

    def against_level(self, name: str) -> LevelTable:
        levels, figures = self.known.table(name).along("level", **self.conditions)
        return LevelTable(levels, figures)

    def delay(self, name: str, axis: str) -> Callable[[Array], Array]:
        table = self.known.table(name)

        def at(variable: Array) -> Array:
            with np.errstate(divide="ignore", invalid="ignore"):
                return table.at(**self.conditions, **{axis: np.log10(np.maximum(variable, 1e-30))})

        return at


#: cycles worked out for a drawing, by what decides them; the real-part values are kept along, so that their
#: identity stays theirs
_CYCLES: WeakKeyDictionary[Drawn, dict[tuple[object, ...], tuple[Characteristics, Ramp]]] = (
    WeakKeyDictionary()
)


def _ramp(
    drawn: Drawn, known: Characteristics, on: frozenset[Effect], threshold: Array, high_below: bool
) -> Ramp:
    """The cycle; effects of the slicing stage do not change it, so it is worked out once without them."""
    cycles, own = _CYCLES.setdefault(drawn, {}), on & frozenset(EFFECTS)
    shared = core_of(drawn).follower is None and RAMP_BIAS in own
    key = (id(known), own, np.asarray(threshold).tobytes() if shared else b"")
    if key not in cycles:
        cycles[key] = (known, _cycle(drawn, known, own, threshold))
    return cycles[key][1]


def _cycle(drawn: Drawn, known: Characteristics, on: frozenset[Effect], threshold: Array) -> Ramp:
    core, real = core_of(drawn), _Figures(drawn, known)
    low, high = rails(drawn)
    if TRIP_LEVELS in on:
        low, high = real.one("trip.low_level"), real.one("trip.high_level")
    trip, release = trip_at(drawn, low), trip_at(drawn, high)
    if TRIP_BIAS in on:
        shift = real.one("trip.bias_trip") * trip_resistance(drawn)
        trip, release = trip + shift, release + shift
    if TRIP_OFFSET in on:
        trip, release = trip + real.one("trip.offset"), release + real.one("trip.offset")

    top = reference_level(drawn)
    at_trip, at_top = _currents(drawn, real, on, trip, top, threshold)
    capacitance = drawn.value(core.capacitor)
    if RAMP_CAPACITANCE in on:  # it depends on the level: as currents that sweep a capacitance that does not
        below, above = (capacitance + added for added in _added(real, trip, top))
        capacitance = 0.5 * (below + above)
        at_trip, at_top = at_trip * capacitance / below, at_top * capacitance / above
    droop = (at_top - at_trip) / (top - trip)
    resistance = drawn.value(core.reset_resistor) if core.reset_resistor else drawn.all(0.0)
    switch = constant(resistance)
    if ON_RESISTANCE in on:
        alone = real.against_level("snap.on_resistance")
        switch = LevelTable(alone.levels, alone.figures + resistance[:, None])
    inner, outer = series(drawn)
    held = hold_time(drawn)
    close: Delay = real.delay("trip.close_delay", "slope") if CLOSE_DELAY in on else no_delay
    open_ = real.delay("trip.hold_delay", "dwell") if OPEN_DELAY in on else lambda dwell: held + 0.0 * dwell
    return SnappedCapacitor(
        capacitance,
        at_trip - droop * trip,
        droop,
        top,
        switch,
        trip,
        release,
        _follower(drawn, real, on),
        inner,
        outer,
        real.one("snap.injected") if CHARGE in on else drawn.all(0.0),
        close,
        open_,
        real.delay("snap.short", "dwell") if {SHORT, ON_RESISTANCE} <= on else None,
        real.one("snap.spread") if GRADUAL in on else drawn.all(0.0),
    ).ramp(instant_reset=RESET not in on)


def _currents(
    drawn: Drawn, real: _Figures, on: frozenset[Effect], trip: Array, top: Array, threshold: Array
) -> tuple[Array, Array]:
    """What takes the capacitor down (A) at the trip level and at the reference."""
    core = core_of(drawn)
    if core.converter:
        found = DrawnConverter(drawn, core.converter).currents(
            real.known, on, (trip, top), drawn.value(core.capacitor)
        )
    else:
        found = [_fixed(drawn), _fixed(drawn)]
    at_trip, at_top = found
    if LEAKAGE in on:
        leaking = real.against_level("snap.leakage")
        at_trip, at_top = at_trip - leaking.at(trip), at_top - leaking.at(top)
    if core.follower:
        bias = real.one("follower.bias") if FOLLOWER_BIAS in on else 0.0
    elif RAMP_BIAS in on:
        below = ideal_duty(threshold, trip, top, True)
        under, over = (real.one("slicer.bias_ramp", difference=drawn.all(sign)) for sign in (-1.0, 1.0))
        bias = below * under + (1.0 - below) * over + real.one("trip.bias_ramp")
    else:
        bias = 0.0
    return at_trip - bias, at_top - bias


def _added(real: _Figures, trip: Array, top: Array) -> tuple[Array, Array]:
    """What the parts add to the capacitor (F) at trip level and top, on a line through its knots."""
    table = real.against_level("ramp.capacitance")
    (low, high), (first, last) = table.levels, (table.figures[:, 0], table.figures[:, -1])
    rise = (last - first) / (high - low)
    return first + rise * (trip - low), first + rise * (top - low)


def series(drawn: Drawn) -> tuple[Array, Array]:
    """The series resistor (Ohm), where the switch empties through it and where it does not."""
    core, ends = core_of(drawn), switch_ends(drawn)
    if not core.series_resistor:
        return drawn.all(0.0), drawn.all(0.0)
    value = drawn.value(core.series_resistor)
    through = ends is not None and ends[1] == sweep_node(drawn)
    return (value, drawn.all(0.0)) if through else (drawn.all(0.0), value)


def _follower(drawn: Drawn, real: _Figures, on: frozenset[Effect]) -> Follower:
    offset, lag, slew = constant(drawn.all(0.0)), drawn.all(0.0), drawn.all(np.inf)
    if core_of(drawn).follower and FOLLOWER_OFFSET in on:
        offset = real.against_level("follower.offset")
    if core_of(drawn).follower and FOLLOWER_LAG in on:
        lag, slew = real.one("follower.lag"), real.one("follower.slew")
    return Follower(offset, lag, slew)


def _solved(drawn: Drawn) -> dict[str, Array]:
    return {"ramp_low": trip_at(drawn, rails(drawn)[0])}


def _nodes(drawn: Drawn) -> dict[str, str]:
    return {"ramp_high": core_of(drawn).reference}


KIND = CoreKind(SnappedCore.kind, _ramp, EFFECTS, frozenset({RESET}), _solved, _nodes)
