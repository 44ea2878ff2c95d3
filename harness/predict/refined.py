# SPDX-License-Identifier: GPL-3.0-or-later
"""The refined prediction: core, width network, stage and output composed, each real-part effect removable.

Every effect is a switch of one composition. ``ideal`` has all of them off, ``refined`` all that have an
origin on; the amount of an effect is refined minus refined without it, and what these amounts leave open is
the interaction.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from harness.predict import effects as named
from harness.predict import output, spectrum, stage
from harness.predict.core import Delay, no_delay
from harness.predict.cores import kind_of
from harness.predict.drawn import Drawn
from harness.predict.effects import Effect

if TYPE_CHECKING:
    from harness.board import Board
    from harness.characterise import Characteristics
    from harness.netlist import Netlist

Array = NDArray[np.float64]
Figures = dict[str, Array]
INTERACTION = "interaction of the named effects"
EFFECT_COLUMNS = ["corner", "quantity", "effect", "amount", "origin"]


@dataclass(frozen=True)
class Prediction:
    """What the drawing predicts, with the index and the order of rows of the corner table.

    ``solved``: what the resistive network alone says; ``ideal``: closed forms on drawn values with ideal
    parts; ``refined``: the same with every effect that has an origin. A column a quantity, SI units, NaN
    where nothing can be known. ``effects``: corner, quantity, effect, amount, origin; the amounts of a
    quantity add up to refined minus ideal. ``origins``: (name, value text, origin) of the real-part values
    used; ``reused``: how many of these were measured by an earlier run.
    """

    solved: pd.DataFrame
    ideal: pd.DataFrame
    refined: pd.DataFrame
    effects: pd.DataFrame
    origins: tuple[tuple[str, str, str], ...]
    reused: int = 0


def predict(
    board: Board, netlist: Netlist, corners: pd.DataFrame, characteristics: Characteristics
) -> Prediction:
    """All predictions for the corners of a table. Never raises for what a board leaves out: that has no
    figure."""
    composition = Composition(Drawn(board, netlist, corners), characteristics)
    usable = composition.usable()
    ideal, refined = composition.figures(frozenset()), composition.figures(frozenset(usable))
    effects = _effects(corners, composition, usable, ideal, refined)

    def table(figures: Mapping[str, Array]) -> pd.DataFrame:
        known = {name: column for name, column in figures.items() if np.isfinite(column).any()}
        return pd.DataFrame(known, index=corners.index)

    return Prediction(
        table(composition.solved()),
        table(ideal),
        table(refined),
        effects,
        (*composition.declined(), *characteristics.summary()),
        characteristics.reused,
    )


def _effects(
    corners: pd.DataFrame,
    composition: Composition,
    usable: tuple[Effect, ...],
    ideal: Figures,
    refined: Figures,
) -> pd.DataFrame:
    """Amounts by removal from the full refined form, and the interaction that closes each sum."""
    everything = frozenset(usable)
    without = {effect: composition.figures(everything - {effect}) for effect in usable}
    rows: list[pd.DataFrame] = []
    for quantity, full in refined.items():
        gap = full - ideal[quantity]
        if not np.isfinite(gap).any():
            continue
        rest = gap.copy()
        for effect in usable:
            amount = np.where(np.isfinite(gap), full - without[effect][quantity], np.nan)
            amount = np.where(np.abs(amount) < 1e-12 * np.abs(full), 0.0, amount)
            if np.isfinite(amount).any() and (amount[np.isfinite(amount)] != 0).any():
                rest = rest - np.nan_to_num(amount)
                rows.append(_rows(corners, quantity, effect.name, amount, composition.origin(effect)))
        rest = np.where(np.abs(rest) < 1e-12 * np.abs(full), 0.0, rest)
        rows.append(
            _rows(corners, quantity, INTERACTION, rest, "difference of the refined and the ideal form")
        )
    filled = [block for block in rows if len(block)]
    if not filled:
        return pd.DataFrame(columns=EFFECT_COLUMNS)
    table = pd.concat(filled)
    table = table.sort_index(kind="stable").reset_index(drop=True)
    return table[EFFECT_COLUMNS]


def _rows(corners: pd.DataFrame, quantity: str, effect: str, amount: Array, origin: str) -> pd.DataFrame:
    keep = np.isfinite(amount) & (amount != 0)
    positions = np.flatnonzero(keep)
    return pd.DataFrame(
        {
            "corner": corners["corner"].to_numpy()[keep],
            "quantity": quantity,
            "effect": effect,
            "amount": amount[keep],
            "origin": origin,
        },
        index=positions,
    )


_OF_THE_OUTPUT = frozenset({named.SATURATION, named.LEAKAGE, named.OWN_RISE})


@dataclass(frozen=True)
class _Output:
    """Levels (V), sink current (A), time constant of the rise, and edges (s; see :func:`output.fall`)."""

    low: Array
    high: Array
    sink: Array
    time_constant: Array
    rise_time: Array
    fall_time: Array
    fall_middle: Array
    fall_area: Array


class Composition:
    """Core, width network, stage and output of one board over its corners, with effects to switch on and
    off."""

    def __init__(self, drawn: Drawn, characteristics: Characteristics) -> None:
        self.drawn, self.known = drawn, characteristics
        roles = drawn.board.roles
        self.threshold_node = (roles.threshold or "").lower()
        self.output_node = (roles.output or "").lower()
        self.high_below = roles.ramp_input != "plus"
        self._outputs: dict[frozenset[Effect], _Output] = {}

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
        drawn, roles = self.drawn, self.drawn.board.roles
        zero = drawn.all(0.0)
        figures = {
            "threshold": self._threshold_before(zero),
            "high_level": drawn.node(roles.output),
            "pullup_current": self._pullup_current(zero),
        }
        kind = kind_of(drawn)
        return figures | dict(kind.solved(drawn)) if kind else figures

    def declined(self) -> Iterator[tuple[str, str, str]]:
        """(quantity, "unknown", why) of those that the network cannot know for the sake of a part."""
        kind = kind_of(self.drawn)
        nodes = {"threshold": self.threshold_node, "high_level": self.output_node}
        nodes |= kind.nodes(self.drawn) if kind else {}
        for quantity, node in nodes.items():
            if why := self.drawn.declined(node):
                yield quantity, "unknown", why

    # --- composition

    def figures(self, on: frozenset[Effect]) -> Figures:
        """Every quantity with the effects of ``on`` in force."""
        drawn, roles = self.drawn, self.drawn.board.roles
        standing = self._output(on & _OF_THE_OUTPUT)
        low, swing = standing.low, standing.high - standing.low
        threshold = self._threshold_before(low)
        if named.THRESHOLD_BIAS in on:
            threshold = threshold + self._figure("slicer.bias_threshold") * drawn.resistance(roles.threshold)
        result: Figures = {
            "threshold": threshold,
            "low_level": low,
            "high_level": standing.high,
            "sink_current": standing.sink,
            "pullup_current": self._pullup_current(low),
            "rise_time": standing.rise_time,
            "fall_time": standing.fall_time,
        }
        kind = kind_of(drawn)
        ramp = kind.ramp(drawn, self.known, on, threshold, self.high_below) if kind else None
        if ramp is None:
            return result
        result |= {"ramp_low": ramp.low, "ramp_high": ramp.high, "frequency": 1.0 / ramp.period}
        if named.TURN_ON in on:
            slope = np.abs(ramp.crossing(threshold, self.high_below).slope)
            extra = self._delay("slicer.fall_extra", True)(slope)
            result["fall_time"] = standing.fall_time + np.where(np.isfinite(slope), extra, 0.0)
        class_ = roles.comparator_class
        result["headroom"] = stage.headroom(threshold, ramp.high, drawn.supply, drawn.temperature, class_)
        result["floor_room"] = stage.floor_room(threshold, ramp.low, self._ground, class_)
        edges = 1.0 if named.EDGES in on else 0.0
        rise = edges * standing.time_constant
        result["duty"] = duty = stage.duty(
            ramp,
            threshold + self._offset(on),
            self.high_below,
            self._delay("slicer.fall_delay", named.SLICER_DELAY in on),
            self._delay("slicer.rise_delay", named.SLICER_DELAY in on),
            edges * standing.fall_middle,
            output.LN2 * rise,
        )
        pulse = output.PulseShape(
            low, swing, duty, ramp.period, rise, edges * standing.fall_middle, edges * standing.fall_area
        )
        mean, ac_rms = pulse.mean(), pulse.ac_rms()
        pulsing = (duty > 0) & (duty < 1)
        feed = drawn.node(drawn.other_node(roles.pullup, self.output_node))
        pullup = drawn.value(roles.pullup)
        return result | {
            "mean_level": mean,
            "ac_rms": ac_rms,
            "level_vs_square": np.where(pulsing, spectrum.against_square(ac_rms, swing), np.nan),
            "pullup_current_mean": (feed - mean) / pullup,
            "pullup_power": ((feed - mean) ** 2 + ac_rms**2) / pullup,
        }

    # --- output

    def _output(self, on: frozenset[Effect]) -> _Output:
        """Levels and edges of the output; worked out once for each set of its own effects."""
        if on not in self._outputs:
            self._outputs[on] = self._output_with(on)
        return self._outputs[on]

    def _output_with(self, on: frozenset[Effect]) -> _Output:
        drawn, node = self.drawn, self.drawn.board.roles.output
        voltage, resistance, capacitance = drawn.node(node), drawn.resistance(node), drawn.load_capacitance()
        high = voltage - (self._figure("slicer.leakage") * resistance if named.LEAKAGE in on else 0.0)
        curve = self._sink_curve if named.SATURATION in on else None
        low = self._ground if curve is None else output.low_level(voltage, resistance, curve)
        own_rise = self._figure("slicer.rise_extra") if named.OWN_RISE in on else 0.0
        middle, fall_time, area = output.fall(voltage, resistance, capacitance, low, high, curve)
        return _Output(
            low,
            high,
            (voltage - low) / resistance,
            resistance * capacitance,
            output.rise_time(resistance, capacitance) + own_rise,
            fall_time,
            middle,
            area,
        )

    @cached_property
    def _sink_curve(self) -> output.SinkCurve:
        volts, amperes = self.known.table("slicer.sink").along(
            "voltage", temperature=self.drawn.temperature, supply=self.drawn.supply
        )
        return output.SinkCurve(volts, amperes)

    def _pullup_current(self, low: Array) -> Array:
        """Current in the pull-up while the output is at ``low`` (V)."""
        roles = self.drawn.board.roles
        feed = self.drawn.other_node(roles.pullup, self.output_node)
        return (self.drawn.node_with_output_at(feed, low) - low) / self.drawn.value(roles.pullup)

    # --- threshold

    def _threshold_before(self, low: Array) -> Array:
        """Threshold at the crossing that ends the sweep: the output still stands as it stood along the
        sweep."""
        if self.high_below:
            return self.drawn.node(self.threshold_node)
        return self.drawn.node_with_output_at(self.threshold_node, low)

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

    @cached_property
    def _ground(self) -> Array:
        """Voltage of the comparator's lower supply pin: the lowest of its pins that is none of the known
        ones."""
        part = self.drawn.part(self.drawn.board.roles.comparator)
        roles = self.drawn.board.roles
        known = {
            str(n).lower() for n in (roles.ramp, roles.threshold, roles.output, self.drawn.supply_node) if n
        }
        others = [self.drawn.node(node) for node in part.nodes if node.lower() not in known] if part else []
        return np.minimum.reduce(others) if others else self.drawn.all(0.0)
