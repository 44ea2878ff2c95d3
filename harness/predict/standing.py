# SPDX-License-Identifier: GPL-3.0-or-later
"""What the slicing stage's output does in its two states, whatever its kind, and how it goes between them.

A sinking output (open collector) holds its low state along a measured curve of current and lets go in the
high one; a driven output holds both. What the board shows at its output is what the linear network behind the
pin makes of that.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.coupling import floats
from harness.pins import drives_both_ways
from harness.predict import effects as named
from harness.predict import output
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.output_network import HOLDING, Cycle, Edge, OutputNetwork, Phase, PinState

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]
FULL = 0.8  # 10 % to 90 % as a share of a straight edge
LEAST_SWING = 1e-2  # V: an output that moves less does not pulse
_OF_THE_LEVELS = frozenset({named.SATURATION, named.HIGH_SHORTFALL, named.LEAKAGE})


@dataclass(frozen=True)
class Standing:
    """The output in both states. Pin levels ``low`` and ``high`` (V), ``sink`` (A, low state); edges at the
    board's output in s: from the start of each to 50 %, and 10 % to 90 %; ``fall_area`` and ``rise_area``:
    what the pin's own edges add to and take from the pulse, divided by its swing (s); ``square``: what both
    do to the square of the pulse beyond that.
    ``phases``: high and low state of the network, None where its parts are not all understood; ``slow``:
    which of their modes outlive a cycle."""

    low: Array
    high: Array
    sink: Array
    rise_middle: Array
    rise_time: Array
    fall_middle: Array
    fall_time: Array
    rise_area: Array
    fall_area: Array
    square: Array
    phases: tuple[Phase, Phase] | None
    slow: tuple[NDArray[np.bool_], NDArray[np.bool_]]
    low_state: PinState
    high_state: PinState


@dataclass(frozen=True)
class _States:
    low: Array
    high: Array
    low_state: PinState
    high_state: PinState
    phases: tuple[Phase, Phase] | None


@dataclass(frozen=True)
class Pulse:
    """Levels of the board's output, mean and AC r.m.s. level (V) of output and pin, and what the comparator's
    output takes in half-way through its low state (A)."""

    low: Array
    high: Array
    mean: Array
    ac_rms: Array
    pin_mean: Array
    pin_ac_rms: Array
    sink: Array
    cycle: Cycle | None


class OutputStage:
    """Comparator output and network of one board over its corners."""

    def __init__(self, drawn: Drawn, known: Characteristics) -> None:
        self.drawn, self.known = drawn, known
        self.driven = drives_both_ways(drawn.board.roles)
        self.node = (drawn.board.roles.output or "").lower()
        self.network = OutputNetwork.of(drawn, drawn.pin, self.node)
        self._known_states: dict[frozenset[Effect], _States] = {}

    # --- what the pin sees

    @cached_property
    def open_voltage(self) -> Array:
        """Voltage (V) of the pin with the comparator's output away; 0 V where nothing but capacitors is
        there. Not known where the pin is not, and a capacitor alone brings the pulse."""
        if self._lost:
            return self.drawn.unknown
        volts = self.drawn.node(self.drawn.pin)
        return np.where(self._alone, 0.0, volts)

    @cached_property
    def _lost(self) -> bool:
        """A capacitor alone brings the pulse, and what drives that is not known."""
        return self.drawn.pins is None and floats(self.drawn.netlist, self.node)

    @cached_property
    def resistance(self) -> Array:
        """Resistance (Ohm) of what hangs on the pin; infinite where a driven output has no load."""
        return np.where(self._alone, np.inf, self.drawn.resistance(self.drawn.pin))

    @cached_property
    def _alone(self) -> NDArray[np.bool_]:
        unknown = ~np.isfinite(self.drawn.resistance(self.drawn.pin))
        return unknown if self.driven and self.network is not None else np.zeros_like(unknown)

    @cached_property
    def capacitance(self) -> Array:
        """Capacitance (F) from the pin to what stands still."""
        return self.network.pin_capacitance() if self.network else self.drawn.all(0.0)

    @cached_property
    def reference(self) -> Array:
        """What the output pulls down to, V."""
        pins = self.drawn.pins
        return self.drawn.node(pins.reference) if pins else self.drawn.all(0.0)

    @cached_property
    def ground(self) -> Array:
        """Voltage of the comparator's negative supply pin."""
        pins = self.drawn.pins
        return self.drawn.node(pins.negative) if pins else self.drawn.all(0.0)

    # --- states

    def _figure(self, name: str) -> Array:
        return self.known.table(name).at(temperature=self.drawn.temperature, supply=self.drawn.supply)

    def _curve(self, name: str) -> output.SinkCurve:
        volts, amperes = self.known.table(name).along(
            "voltage", temperature=self.drawn.temperature, supply=self.drawn.supply
        )
        return output.SinkCurve(volts, amperes)

    @cached_property
    def sink_curve(self) -> output.SinkCurve:
        """Current into the output in its low state; of a driven output against volts above its reference."""
        return self._curve("slicer.sink")

    def _held(self, curve: output.SinkCurve, base: Array | float) -> tuple[Array, PinState]:
        """Level and state of an output that holds along a curve over voltages above ``base`` (V)."""
        level, own = output.meeting(self.open_voltage - base, self.resistance, curve)
        level = level + base
        current = (self.open_voltage - level) / self.resistance
        return level, PinState(level - current * own, own, self.drawn.all(0.0))

    def _ideal(self, level: Array) -> tuple[Array, PinState]:
        current = (self.open_voltage - level) / self.resistance
        source = level - np.nan_to_num(current) * HOLDING
        return level, PinState(source, self.drawn.all(HOLDING), self.drawn.all(0.0))

    def _low(self, on: frozenset[Effect]) -> tuple[Array, PinState]:
        if named.SATURATION not in on:
            return self._ideal(self.reference)
        return self._held(self.sink_curve, self.reference if self.driven else 0.0)

    def _high(self, on: frozenset[Effect]) -> tuple[Array, PinState]:
        drawn = self.drawn
        if not self.driven:
            leak = self._figure("slicer.leakage") if named.LEAKAGE in on else drawn.all(0.0)
            level = self.open_voltage - leak * self.resistance
            floats = np.where(np.isfinite(level), leak, np.nan)  # nothing pulls it up: no level
            return level, PinState(drawn.all(0.0), drawn.all(np.inf), floats)
        if named.HIGH_SHORTFALL not in on:
            return self._ideal(drawn.supply)
        return self._held(self._curve("slicer.source"), drawn.supply)

    def _states(self, on: frozenset[Effect]) -> _States:
        """Both states with their network, worked out once for each set of effects that has a say in them."""
        key = on & _OF_THE_LEVELS
        if key not in self._known_states:
            (low, low_state), (high, high_state) = self._low(key), self._high(key)
            phases = None
            if self.network is not None:
                phases = (self.network.phase(high_state), self.network.phase(low_state))
            self._known_states[key] = _States(low, high, low_state, high_state, phases)
        return self._known_states[key]

    def pin_level(self, high: bool, on: frozenset[Effect]) -> Array | None:
        """Level (V) at which the output holds its pin in a state; None where it lets go."""
        if high and not self.driven:
            return None
        states = self._states(on)
        return states.high if high else states.low

    # --- edges

    def standing(self, on: frozenset[Effect], period: Array | None, slopes: tuple[Array, Array]) -> Standing:
        """Both states and the edges with the effects of ``on``. ``period`` (s) tells which modes are slow;
        ``slopes``: magnitudes (V/s) of the ramp where the output rises and falls."""
        drawn, none = self.drawn, self.drawn.all(0.0)
        states = self._states(on)
        low, high, low_state, phases = states.low, states.high, states.low_state, states.phases
        sink = (self.open_voltage - low) / self.resistance
        rise_ramp = fall_ramp = fall_start = none
        fall_area, square, own_rise, direct = none, none, none, None
        if self.driven:
            if named.SLEW in on:
                rise_ramp, fall_ramp = (
                    self.own_edge(name, slope) / FULL
                    for name, slope in zip(("slicer.rise_edge", "slicer.fall_edge"), slopes, strict=True)
                )
                fall_area = 0.5 * fall_ramp
                square = -(fall_ramp + rise_ramp) / 6.0
        else:
            curve = self.sink_curve if named.SATURATION in on else None
            direct = output.fall(self.open_voltage, self.resistance, self.capacitance, low, high, curve)
            fall_ramp = direct[1] / FULL
            own = np.where(direct[2] > 0, low_state.resistance * self.capacitance, 0.0)  # is a mode already
            fall_start, fall_area = direct[0] - 0.5 * fall_ramp, direct[2] - own
            square = direct[3] - direct[2] + 0.5 * own
            own_rise = self._figure("slicer.rise_extra") if named.OWN_RISE in on else none
        if self.network is None or phases is None:
            unknown = drawn.unknown
            return Standing(
                low,
                high,
                sink,
                unknown,
                unknown,
                unknown,
                unknown,
                none,
                none,
                none,
                None,
                (none > 0, none > 0),
                low_state,
                states.high_state,
            )
        node, slow = self.network.output, (phases[0].slow(period), phases[1].slow(period))
        rise = Edge.between(phases[1], phases[0], node, slow[0], rise_ramp)
        if direct is not None and self.node == drawn.pin:  # the sink's curve says it all
            fall_middle, fall_time = direct[0], direct[1]
        else:
            fall = Edge.between(phases[0], phases[1], node, slow[1], fall_ramp)
            fall_middle, fall_time = fall_start + fall.time_to(0.5), fall.duration
        return Standing(
            low, high, sink, rise.time_to(0.5), rise.duration + own_rise, fall_middle, fall_time,
            0.5 * rise_ramp, fall_area, square, phases, slow, low_state,
            states.high_state,
        )  # fmt: skip

    def own_edge(self, name: str, slope: Array) -> Array:
        """An edge (s, 10 % to 90 %) of the output alone at a slope (V/s) of the ramp; the slowest known where
        the ramp never crosses."""
        with np.errstate(divide="ignore"):
            knots = np.log10(np.where(np.isfinite(slope) & (slope > 0), slope, np.inf))
        return self.known.table(name).at(
            temperature=self.drawn.temperature, supply=self.drawn.supply, slope=knots
        )

    # --- the pulse

    def pulse(self, standing: Standing, duty: Array, period: Array, edges: bool, droop: bool) -> Pulse:
        """The settled pulse of a duty factor at 50 % (1) and a period (s)."""
        if standing.phases is None or self.network is None:
            low, high = self.levels(standing)
            unknown = self.drawn.unknown
            return Pulse(low, high, unknown, unknown, unknown, unknown, standing.sink, None)
        flat = (duty <= 0) | (duty >= 1)
        shift = standing.rise_middle - standing.fall_middle if edges else 0.0
        late = np.where(flat, 0.0, float(edges))  # the pin's own edges, as steps that hold the same area
        shift = shift + late * (standing.fall_area - standing.rise_area)
        on = np.where(flat, duty * period, np.clip(duty * period + shift, 0.0, period))
        high_phase, low_phase = phases = standing.phases
        if not (edges and droop):
            plain = self.network.without(high_phase, period, edges, droop)
            phases = (plain.phase(standing.high_state), plain.phase(standing.low_state))
        cycle = Cycle.of(phases, on, period)
        figures = []
        for node in (self.network.output, self.network.pin):
            swing = Edge.between(low_phase, high_phase, node, standing.slow[0], 0.0 * period).swing
            low, high = cycle.level(1, node), cycle.level(0, node)
            total, squares = cycle.integrals(node, low)
            squares = squares + late * swing**2 * standing.square
            mean = total / period
            figures += [low, high, low + mean, np.sqrt(np.maximum(squares / period - mean**2, 0.0))]
        low, high, mean, ac_rms, pin_low, _, pin_mean, pin_ac_rms = figures
        state = standing.low_state
        sink = np.where(
            standing.slow[1].any(axis=1), (pin_low - state.source) / state.resistance, standing.sink
        )
        return Pulse(low, high, mean, ac_rms, pin_mean, pin_ac_rms, sink, cycle)

    def droop_at(self, node: str, pulse: Pulse) -> tuple[Array, Array] | None:
        """How far (V) a node of the network is from rest at the end of the high and of the low state; None
        where nothing droops there."""
        cycle = pulse.cycle
        if cycle is None or self.network is None or node not in self.network.nodes:
            return None
        if not (cycle.slow[0].any() or cycle.slow[1].any()):
            return None
        place = self.network.nodes.index(node)
        return cycle.droop(0, place), cycle.droop(1, place)

    def output_resistance(self, standing: Standing) -> Array:
        """Resistance (Ohm) of the output in its high state. None behind a coupling capacitor, where a load
        moves the levels by its droop as well, so that two loads do not measure it."""
        if standing.phases is None or self.network is None:
            return self.drawn.unknown
        slow = standing.slow[0]
        found = standing.phases[0].resistance(self.network.output, slow)
        return np.where(slow.any(axis=1), np.nan, found)

    def levels(self, standing: Standing) -> tuple[Array, Array]:
        """Levels (V) of the board's output at rest in its low and high state; NaN behind a capacitor."""
        if standing.phases is None or self.network is None:
            straight = (self.node == self.drawn.pin) & np.isfinite(self.open_voltage)
            return np.where(straight, standing.low, np.nan), np.where(straight, standing.high, np.nan)
        high, low = (phase.end[:, self.network.output] for phase in standing.phases)
        through = np.abs(high - low) > 1e-6 * np.abs(standing.high - standing.low)
        return np.where(through, low, np.nan), np.where(through, high, np.nan)

    # --- what the network alone says

    def solved_high(self) -> Array:
        """High level (V) of an output without losses; NaN behind a capacitor."""
        drawn = self.drawn
        if self._lost:
            return drawn.unknown
        passed = drawn.node_with_output_at(self.node, drawn.all(1.0)) - drawn.node_with_output_at(
            self.node, drawn.all(0.0)
        )
        level = drawn.node_with_output_at(self.node, drawn.supply) if self.driven else drawn.node(self.node)
        return np.where(np.abs(passed) > 1e-9, level, np.nan)

    def solved_resistance(self) -> Array:
        """Resistance (Ohm) seen at an output without losses in its high state."""
        drawn = self.drawn
        if self._lost:
            return drawn.unknown
        return drawn.resistance_with_output_held(self.node) if self.driven else drawn.resistance(self.node)
