# SPDX-License-Identifier: GPL-3.0-or-later
"""At which conditions a board's parts are measured: temperatures, supplies, slopes and levels of its
corners."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from harness.alone.bench import Engine, PartAlone
from harness.alone.comparator import Pins, Surroundings
from harness.characterise import Characteristics
from harness.corners import corner_columns
from harness.pins import named_pins
from harness.predict.composition import Composition
from harness.predict.cores import kind_of
from harness.predict.drawn import Drawn
from harness.predict.ramp import Ramp

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist

Array = NDArray[np.float64]
MOST_KNOTS = 5  # temperatures, supplies, currents: more are spanned by as many


def the_engine() -> Engine:
    """The session of this process. Raises EngineMissing."""
    from harness.engine.session import session

    return session()


def median(figures: Array) -> float:
    """The median of what is known, NaN where nothing is."""
    known = figures[np.isfinite(figures)]
    return float(np.median(known)) if len(known) else float("nan")


def knots(figures: Array) -> Array:
    """Distinct values, or few that span them evenly."""
    distinct = np.unique(np.round(figures[np.isfinite(figures)], 9)).astype(float)
    return distinct if len(distinct) <= MOST_KNOTS else np.linspace(distinct[0], distinct[-1], MOST_KNOTS)


@dataclass(frozen=True)
class Grid:
    """Temperatures (degC) and supplies (V) to measure at, and the supply of every corner.

    A comparator whose supply is not known is measured at one supply, called 0 V, that no pin sees.
    """

    temperatures: Array
    supplies: Array
    supply: Array

    def at(self, figure: Array, supply: float) -> float:
        """The median of ``figure`` over the corners nearest to that supply."""
        distance = np.abs(self.supply - supply)
        return median(figure[distance <= distance.min() + 1e-9])

    def by_supply(self, figure: Array) -> list[float]:
        """That median for every supply."""
        return [self.at(figure, float(supply)) for supply in self.supplies]

    def axes(self) -> dict[str, Array]:
        """The axes of a table over this grid."""
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


class Conditions:
    """A board's drawing, its ideal threshold and ramp with the drawn reset, and the grid to measure on."""

    def __init__(self, board: Board, netlist: Netlist) -> None:
        self.board, self.netlist = board, netlist
        self.drawn = drawn = Drawn(board, netlist, corner_columns(board))
        composition = Composition(drawn, Characteristics())
        self.high_below = composition.high_below
        self.stage = composition.stage
        #: thresholds on the ramp's way up and down, and that of its sweep
        self.upward, self.downward = composition.thresholds(frozenset())
        self.threshold = composition.figures(frozenset())["threshold"]
        kind = kind_of(drawn)
        self.ramp: Ramp | None = (
            kind.ramp(drawn, Characteristics(), kind.reset, self.threshold, self.high_below) if kind else None
        )
        supply = drawn.supply if np.isfinite(drawn.supply).any() else drawn.all(0.0)
        self.grid = Grid(knots(drawn.temperature), knots(supply), supply)

    def comparator(
        self, name: str | None, level: str | None, output: str | None
    ) -> tuple[PartAlone, Pins] | None:
        """A comparator and its pins; None where its line lacks one of the nodes."""
        part = self.drawn.part(name)
        supply = self.drawn.supply_node
        if part is None or level is None or output is None:
            return None
        nodes = [node.lower() for node in part.nodes]
        signals = (self.board.roles.ramp.lower(), level.lower(), output.lower())
        if any(node not in nodes for node in signals):
            return None
        others = dict.fromkeys(node for node in nodes if node not in signals and node != "0")
        held = {
            node: float(np.nan_to_num(median(self.drawn.node(node)))) for node in others if node != supply
        }
        emitter = named_pins(self.netlist, part).get("emitter")
        if self.drawn.pins is not None and part.name == self.board.roles.comparator:
            emitter = self.drawn.pins.reference if self.board.roles.emitter else emitter
        return PartAlone.of(self.netlist, part.name), Pins(*signals, held, emitter)

    def surroundings(
        self,
        level: float,
        feed: Array,
        resistance: Array,
        temperature: float,
        supply: float,
        pins: Pins | None = None,
    ) -> Surroundings:
        """What a comparator works with at one point of the grid; its ``pins`` held as at that supply."""
        held = {self.drawn.supply_node: supply} if self.drawn.supply_node else {}
        for node, usual in (pins.held if pins else {}).items():
            volts = self.grid.at(self.drawn.node(node), supply)
            if np.isfinite(volts) and volts != usual:
                held[node] = volts
        load = median(resistance)
        if np.isposinf(resistance).all():
            return Surroundings(level, 0.0, float("inf"), temperature, held)
        return Surroundings(level, self.grid.at(feed, supply), load, temperature, held)

    def cells(self, where: Callable[[float, float], Surroundings]) -> list[Surroundings]:
        """What a comparator works with at every point of the grid."""
        return [where(float(t), float(s)) for t in self.grid.temperatures for s in self.grid.supplies]


def slope_knots(figures: Array) -> Array:
    """Knots (V/s, rising) that span the magnitudes of some slopes, geometrically spaced."""
    known = np.abs(figures[np.isfinite(figures) & (figures != 0)])
    if not len(known):
        return np.zeros(0)
    low, high = 0.9 * float(known.min()), 1.1 * float(known.max())
    return np.geomspace(low, high, 4 if high > 2 * low else 2)
