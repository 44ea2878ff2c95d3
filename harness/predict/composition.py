# SPDX-License-Identifier: GPL-3.0-or-later
"""Core, width network, stage and output composed, each real-part effect a switch.

No tables here: the benches of models alone need the composition in every worker, and nothing of pandas.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from harness.connections import comparator_misplaced
from harness.measure.ramp import RETURN_SHARE
from harness.predict import effects as named
from harness.predict import spectrum, stage
from harness.predict.core import Delay, no_delay
from harness.predict.cores import kind_of
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect
from harness.predict.ramp import Ramp
from harness.predict.standing import LEAST_SWING, OutputStage, Pulse, Standing
from harness.quantities import STEMS

if TYPE_CHECKING:
    from harness.characterise import Characteristics

Array = NDArray[np.float64]
Figures = dict[str, Array]
ROUNDS = 8  # of thresholds that follow from the cycle; each closes the gap by the feedback's share
RESIDUE = 1e-12  # of the largest voltage: what the arithmetic of double precision leaves of a zero, with room
#: what can be known where the comparator is not connected as its roles say: nothing that it makes, and
#: without feedback from its output what follows from the threshold
WITHOUT_STAGE = ("ramp_low", "ramp_high", "frequency", "output_resistance")
WITHOUT_FEEDBACK = ("threshold", "headroom", "floor_room")


def without_residues(figures: Figures) -> Figures:
    """The figures with 0 V where a difference of larger voltages left no more than the error of its
    arithmetic: less than :data:`RESIDUE` of the largest voltage at that corner."""
    volts = [name for name in figures if name in STEMS and STEMS[name].unit == "V"]
    largest = np.max([np.nan_to_num(np.abs(figures[name])) for name in volts], axis=0) if volts else 0.0
    return {
        name: np.where(np.abs(column) < RESIDUE * largest, 0.0, column) if name in volts else column
        for name, column in figures.items()
    }


class Composition:
    """Core, width network, stage and output of one board over its corners, with effects to switch on and
    off."""

    def __init__(self, drawn: Drawn, characteristics: Characteristics) -> None:
        self.drawn, self.known = drawn, characteristics
        roles = drawn.board.roles
        self.threshold_node = (roles.threshold or "").lower()
        self.output_node = (roles.output or "").lower()
        self.high_below = roles.ramp_input != "plus"
        self.stage = OutputStage(drawn, characteristics)
        self.misplaced = comparator_misplaced(drawn.board, drawn.netlist)

    # --- effects

    def usable(self) -> tuple[Effect, ...]:
        """The effects that have an origin on this board."""
        kind = kind_of(self.drawn)
        effects = (*named.ALWAYS, *(kind.effects if kind else ()))
        return tuple(effect for effect in effects if all(self.known.has(name) for name in effect.needs))

    def origin(self, effect: Effect) -> str:
        """Where the real-part values of an effect come from."""
        texts = [self.known.table(name).origin for name in effect.needs] or [effect.law]
        return "; ".join(dict.fromkeys(texts))

    # --- what the network alone says

    def solved(self) -> Figures:
        """Quantities for which the resistive network of the netlist gives an answer by itself."""
        drawn, output = self.drawn, self.stage
        figures = {
            "threshold": self.thresholds(frozenset())[0],
            "high_level": output.solved_high(),
            "output_resistance": output.solved_resistance(),
            "pullup_current": self._pullup_current(output.reference),
        }
        kind = kind_of(drawn)
        return without_residues(figures | dict(kind.solved(drawn)) if kind else figures)

    def declined(self) -> Iterator[tuple[str, str, str]]:
        """(quantity, "unknown", why) of those that the network cannot know for the sake of a part."""
        kind = kind_of(self.drawn)
        nodes = {"threshold": self.threshold_node, "high_level": self.output_node}
        nodes |= kind.nodes(self.drawn) if kind else {}
        for quantity, node in nodes.items():
            if why := self.drawn.declined(node):
                yield quantity, "unknown", why
        if wrong := self.misplaced:
            why = (
                f"{wrong.part} is not connected as its roles say: {wrong.intended} intended,"
                f" {wrong.drawn} drawn"
            )
            yield "duty and what else the comparator makes", "unknown", why

    # --- composition

    def ideal(self) -> Figures:
        """Every quantity without any effect."""
        return self.figures(frozenset())

    def refined(self) -> Figures:
        """Every quantity with all effects that have an origin."""
        return self.figures(frozenset(self.usable()))

    def figures(self, on: frozenset[Effect]) -> Figures:
        """Every quantity with the effects of ``on`` in force; of a comparator that is not connected as its
        roles say nothing that it makes."""
        figures = self._composed(on)
        if self.misplaced is None:
            return figures
        fed_back = np.isfinite(figures.get("threshold_return", self.drawn.unknown))
        lost = {name: fed_back & (name in WITHOUT_FEEDBACK) for name in (*WITHOUT_STAGE, *WITHOUT_FEEDBACK)}
        return {name: np.where(lost.get(name, True), np.nan, column) for name, column in figures.items()}

    def _composed(self, on: frozenset[Effect]) -> Figures:
        upward, downward = at_rest = self.thresholds(on)
        found = self._figures_with(on, upward, downward)
        if found is None:
            return without_residues(self._without_ramp(on, upward))
        for _ in range(ROUNDS):  # feedback from an output that droops: the thresholds follow from the cycle
            droop = self.stage.droop_at(self.threshold_node, found[1])
            if droop is None:
                break
            moves = droop if self.high_below else droop[::-1]
            upward, downward = (
                level + np.nan_to_num(move) for level, move in zip(at_rest, moves, strict=True)
            )
            found = self._figures_with(on, upward, downward) or found
        return without_residues(found[0])

    def _figures_with(
        self, on: frozenset[Effect], upward: Array, downward: Array
    ) -> tuple[Figures, Pulse] | None:
        """Every quantity with thresholds (V) that the ramp meets on its way up and down, and the pulse; None
        without a ramp."""
        drawn, roles = self.drawn, self.drawn.board.roles
        ramp = self._ramp(on, upward, downward)
        if ramp is None:
            return None
        sweeps_up = ramp.pieces[0].end >= ramp.pieces[0].start
        threshold = np.where(sweeps_up, upward, downward)
        back = np.where(sweeps_up, downward, upward)
        apart = np.abs(back - threshold) >= RETURN_SHARE * ramp.height
        slopes = tuple(
            np.abs(ramp.crossing(upward if up else downward, up).slope)
            for up in (not self.high_below, self.high_below)
        )
        standing = self.stage.standing(on, ramp.period, (slopes[0], slopes[1]))
        edges, delayed = named.EDGES in on, named.SLICER_DELAY in on
        offset = self._offset(on)
        duty = stage.duty(
            ramp,
            (upward + offset, downward + offset),
            self.high_below,
            self._delay("slicer.fall_delay", delayed),
            self._delay("slicer.rise_delay", delayed),
            standing.fall_middle if edges else 0.0,
            standing.rise_middle if edges else 0.0,
        )
        fall_time = standing.fall_time
        if named.TURN_ON in on:
            extra = self._delay("slicer.fall_extra", True)(slopes[1])
            fall_time = fall_time + np.where(np.isfinite(slopes[1]), extra, 0.0)
        class_, thresholds = roles.comparator_class, (upward, downward)
        pulse = self.stage.pulse(standing, duty, ramp.period, edges, named.DROOP in on)
        swing = pulse.high - pulse.low
        moves = np.abs(swing) >= LEAST_SWING
        pulsing = (duty > 0) & (duty < 1) & moves
        feed, pullup = drawn.node(drawn.other_node(roles.pullup, drawn.pin)), drawn.value(roles.pullup)
        figures = {
            **self._at_rest(on, standing),
            "threshold": threshold,
            "threshold_return": np.where(apart, back, np.nan),
            "low_level": pulse.low,
            "high_level": pulse.high,
            "sink_current": pulse.sink,
            "rise_time": standing.rise_time,
            "fall_time": fall_time,
            "ramp_low": ramp.low,
            "ramp_high": ramp.high,
            "frequency": 1.0 / ramp.period,
            "headroom": stage.headroom(thresholds, ramp.high, drawn.supply, drawn.temperature, class_),
            "floor_room": stage.floor_room(thresholds, ramp.low, self.stage.ground, class_),
            "duty": np.where(moves | np.isnan(swing), duty, np.nan),
            "mean_level": pulse.mean,
            "ac_rms": pulse.ac_rms,
            "level_vs_square": np.where(pulsing, spectrum.against_square(pulse.ac_rms, swing), np.nan),
            "pullup_current_mean": (feed - pulse.pin_mean) / pullup,
            "pullup_power": ((feed - pulse.pin_mean) ** 2 + pulse.pin_ac_rms**2) / pullup,
        }
        return figures, pulse

    def _ramp(self, on: frozenset[Effect], upward: Array, downward: Array) -> Ramp | None:
        """The ramp of the board's core. What the slicer draws from it depends on the threshold of its
        sweep."""
        kind = kind_of(self.drawn)
        ramp = kind.ramp(self.drawn, self.known, on, upward, self.high_below) if kind else None
        if ramp is None or kind is None or np.array_equal(upward, downward, equal_nan=True):
            return ramp
        if (ramp.pieces[0].end < ramp.pieces[0].start).any():
            return kind.ramp(self.drawn, self.known, on, downward, self.high_below)
        return ramp

    def _without_ramp(self, on: frozenset[Effect], threshold: Array) -> Figures:
        """What does not depend on the ramp."""
        unknown = (self.drawn.unknown, self.drawn.unknown)
        standing = self.stage.standing(on - {named.SLEW}, None, unknown)
        return {
            **self._at_rest(on, standing),
            "threshold": threshold,
            "rise_time": standing.rise_time,
            "fall_time": standing.fall_time,
        }

    def _at_rest(self, on: frozenset[Effect], standing: Standing) -> Figures:
        """Levels and currents of an output that has come to rest in either state."""
        low, high = self.stage.levels(standing)
        return {
            "low_level": low,
            "high_level": high,
            "sink_current": standing.sink,
            "pullup_current": self._pullup_current(standing.low),
            "output_resistance": self.stage.output_resistance(standing),
        }

    def _pullup_current(self, low: Array) -> Array:
        """Current in the pull-up while the output pin is at ``low`` (V)."""
        roles = self.drawn.board.roles
        feed = self.drawn.other_node(roles.pullup, self.drawn.pin)
        return (self.drawn.node_with_output_at(feed, low) - low) / self.drawn.value(roles.pullup)

    # --- threshold

    def thresholds(self, on: frozenset[Effect]) -> tuple[Array, Array]:
        """Thresholds (V) that a ramp meets on its way up and on its way down: the output still stands as it
        stood before."""
        before = (self.high_below, not self.high_below)
        up, down = (self._threshold_while(high, on) for high in before)
        return up, down

    def _threshold_while(self, high: bool, on: frozenset[Effect]) -> Array:
        """The threshold (V) while the output is in its high or low state."""
        drawn, node = self.drawn, self.threshold_node
        level = self.stage.pin_level(high, on)
        if level is None:
            volts, resistance = drawn.node(node), drawn.resistance(node)
        else:
            volts = drawn.node_with_output_at(node, level)
            volts = np.where(np.isfinite(level), volts, drawn.node(node))
            resistance = drawn.resistance_with_output_held(node)
        if named.THRESHOLD_BIAS in on:
            volts = volts + self._figure("slicer.bias_threshold") * resistance
        return volts

    def _offset(self, on: frozenset[Effect]) -> Array | float:
        return self._figure("slicer.offset") if named.OFFSET in on else 0.0

    def _figure(self, name: str) -> Array:
        return self.known.table(name).at(temperature=self.drawn.temperature, supply=self.drawn.supply)

    def _delay(self, name: str, wanted: bool) -> Delay:
        if not wanted:
            return no_delay
        table, drawn = self.known.table(name), self.drawn

        def delay(slope: Array) -> Array:
            with np.errstate(divide="ignore"):
                return table.at(temperature=drawn.temperature, supply=drawn.supply, slope=np.log10(slope))

        return delay
