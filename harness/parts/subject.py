# SPDX-License-Identifier: GPL-3.0-or-later
"""A device model on a bench: its lines, the order of its pins, and the engine that it is measured in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.alone.bench import REST, RUNS, Array, Engine, deck, piecewise
from harness.engine.errors import EngineDead, EngineError
from harness.sheets import Sheet

#: first letter of an element by the kind of its model
LETTERS = {
    "subcircuit": "x",
    "nmos": "m",
    "pmos": "m",
    "vdmos": "m",
    "npn": "q",
    "pnp": "q",
    "njf": "j",
    "pjf": "j",
    "d": "d",
}
#: what the element line of a model of the package needs: the small MOSFET is written for w = l = 1
SIZES = {"nmos": "w=1 l=1", "pmos": "w=1 l=1"}
ROOM = 25.0  # degC
#: runs over time of a bench, finer than those of board figures: delays are the figures here
FINE = "method=trap reltol=1e-4 trtol=0.1 abstol=1e-12 vntol=1e-7 itl4=100"
DEFAULTS = "reltol=1e-3 abstol=1e-12 vntol=1e-6 itl1=500"
RISE = 10e-6  # s, of a rise by 1 V that capacitances are measured in


def rising(name: str, node: str, around: float) -> str:
    """A voltage source to ground, named ``v<name>``, that rises by 1 V around a level (V) within `RISE`."""
    low, high = around - 0.5, around + 0.5
    return piecewise(name, node, [(0.0, low), (0.1 * RISE, low), (1.1 * RISE, high)])


@dataclass(frozen=True)
class Subject:
    """A model ``name`` of a ``kind`` with its ``lines``; ``pins``: names in the order of its element line.

    ``parameters``: what is written behind the model's name, such as ``bias=0``. ``polarity``: of a sheet.
    """

    engine: Engine
    name: str
    kind: str
    lines: tuple[str, ...]
    pins: tuple[str, ...]
    parameters: str = ""
    polarity: str = ""

    @classmethod
    def of(cls, sheet: Sheet, engine: Engine) -> Subject:
        """The package's own model of a sheet, read anew from its file."""
        lines, size = tuple(sheet.model_lines()), SIZES.get(sheet.kind, "")
        return cls(engine, sheet.model, sheet.kind, lines, sheet.pins, size, sheet.polarity)

    def with_parameters(self, parameters: str) -> Subject:
        """The same model with other parameters behind its name."""
        return replace(self, parameters=parameters)

    def in_order(self, pins: tuple[str, ...]) -> Subject:
        """The same model with its pins taken to be in another order."""
        return replace(self, pins=pins)

    def element(self, nodes: Mapping[str, str], name: str = "dut") -> str:
        """Its element line: ``nodes`` by pin name. Raises KeyError for a pin that has no node."""
        words = [LETTERS[self.kind] + name, *(nodes[pin] for pin in self.pins), self.name]
        return " ".join([*words, self.parameters]).strip()

    def load(
        self, nodes: Mapping[str, str], around: Sequence[str], temperature: float = ROOM, options: str = ""
    ) -> None:
        """Puts the model with what stands ``around`` it into the engine. Raises EngineError."""
        settings = (options,) if options else ()
        self.engine.load(
            deck(self.lines, [self.element(nodes), *around], temperature, *settings), f"{self.name} alone"
        )

    def at_rest(
        self, nodes: Mapping[str, str], around: Sequence[str], temperature: float = ROOM
    ) -> dict[str, float]:
        """Voltages (V) and source currents (A) at the operating point.

        Where the engine finds none on the tight options, which hard limits in a macromodel do not like, its
        own default tolerances are tried, good to a thousandth. Raises EngineError where these fail too.
        """
        self.load(nodes, around, temperature)
        try:
            return self.engine.operating_point()
        except EngineDead:
            raise
        except EngineError:
            self.load(nodes, around, temperature, DEFAULTS)
            return self.engine.operating_point()

    def sweep(
        self,
        nodes: Mapping[str, str],
        around: Sequence[str],
        source: str,
        span: tuple[float, float, float],
        temperature: float = ROOM,
    ) -> dict[str, Array]:
        """Operating points over a source, ``span``: start, stop, step. Raises EngineError."""
        self.load(nodes, around, temperature)
        return self.engine.dc_sweep(source, *span)

    def currents_in_a_rise(
        self, nodes: Mapping[str, str], around: Sequence[str], temperature: float = ROOM
    ) -> dict[str, float]:
        """Source currents (A) over the slope (V/s) of a source of ``around`` that is `rising`: capacitances
        (F) in the middle of its rise. Raises EngineError."""
        self.load(nodes, around, temperature, f"{REST} method=trap")
        wave = self.engine.transient(RISE / 100, 1.2 * RISE, RISE / 100, initial=False)
        middle = int(np.searchsorted(wave["time"], 0.6 * RISE))
        return {name: float(wave[name][middle]) * RISE for name in wave if name.endswith("#branch")}

    def over_time(
        self,
        nodes: Mapping[str, str],
        around: Sequence[str],
        stop: float,
        longest: float,
        temperature: float = ROOM,
    ) -> dict[str, Array]:
        """A run from the operating point to ``stop`` (s) in steps up to ``longest`` (s), on the finest
        options that come to the end. Raises EngineError where none does."""
        for options in (FINE, *RUNS):
            try:
                self.load(nodes, around, temperature, options)
                return self.engine.transient(longest, stop, longest, initial=False)
            except EngineDead:
                raise
            except EngineError as error:
                failure = error
        raise failure
