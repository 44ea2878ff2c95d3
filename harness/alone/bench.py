# SPDX-License-Identifier: GPL-3.0-or-later
"""A test bench for one part: the part as drawn, with its pins tied to what a test wants."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from harness.netlist.scopes import Values
from harness.netlist.words import parameter_words
from harness.pins import part_of

if TYPE_CHECKING:
    from harness.netlist import Netlist, Part

_WORD = re.compile(r"[a-z_]\w*")

Array = NDArray[np.float64]
Waves = Mapping[str, Array]

#: figures at rest, tighter than any board run needs: these circuits are small, and their figures are used
# everywhere
REST = "reltol=1e-5 abstol=1e-14 vntol=1e-7 itl4=100"
#: runs over time, the next where one fails; with reltol 1e-3 delays of the demo board move by up to 4 ns
RUNS = (
    "method=trap reltol=1e-4 trtol=1 abstol=1e-12 vntol=1e-6 chgtol=1e-14 itl4=100",
    "method=gear reltol=1e-3 trtol=1 abstol=1e-11 vntol=1e-6 chgtol=1e-13 itl4=100",
)


class Engine(Protocol):
    """What a test needs of the simulator's session."""

    def load(self, deck: Sequence[str], title: str = ...) -> None: ...

    def alter(self, device: str, value: float) -> None: ...

    def operating_point(self) -> dict[str, float]: ...

    def dc_sweep(self, source: str, start: float, stop: float, step: float) -> dict[str, Array]: ...

    def transient(
        self, step: float, stop: float, longest: float, initial: bool = ...
    ) -> dict[str, Array]: ...


@dataclass(frozen=True)
class PartAlone:
    """A part as drawn, ready to be put on benches: what its model needs, and its own line with other
    nodes."""

    part: Part
    support: tuple[str, ...]

    @classmethod
    def of(cls, netlist: Netlist, name: str) -> PartAlone:
        """The part ``name`` of a netlist, also one inside an instance, with the models, subcircuits and
        parameters that it needs. Inside an instance its value and parameters are numbers, for the instance's
        own parameters mean nothing outside of it. Raises KeyError."""
        part = part_of(netlist, name)
        if part is None:
            raise KeyError(name)
        scope = netlist.find(name).scope
        if scope.outer is not None:
            known, own = Values({}), part.parameters.items()
            parameters = {key: repr(known.evaluate(scope, text, part.line)) for key, text in own}
            text = (
                repr(netlist.value(name)) if part.value_text and part.letter in "rclvi" else part.value_text
            )
            part = replace(part, parameters=parameters, value_text=text)
        return cls(part, tuple(support_lines(netlist, [part])))

    def fingerprint(self) -> dict[str, object]:
        """Its line and what its model needs: neither the file nor the line it came from counts."""
        return {"line": element_line(self.part, "dut", str.lower), "support": list(self.support)}

    def line(self, name: str, nodes: Callable[[str], str]) -> str:
        """Its element line as ``name``, every node put through ``nodes``."""
        return element_line(self.part, name, nodes)


def among(nodes: Mapping[str, str]) -> Callable[[str], str]:
    """Nodes by a table; what is not in it is grounded."""
    return lambda node: nodes.get(node.lower(), "0")


def element_line(part: Part, name: str, nodes: Callable[[str], str]) -> str:
    """A part's line with another name and other nodes; value, model and parameters as drawn."""
    words = [part.letter + name, *(nodes(node) for node in part.nodes)]
    if part.letter.lower() == "x":
        words += [part.model, *(f"{key}={text}" for key, text in part.parameters.items())]
    else:
        if part.value_text and part.letter.lower() in "rclvi":
            words.append(part.value_text)
        if part.model:
            words.append(part.model)
        words += [f"{key}={text}" for key, text in part.parameters.items()]
    return " ".join(words)


def support_lines(netlist: Netlist, parts: Iterable[Part]) -> list[str]:
    """Parameters, subcircuits and models that some parts need, each once."""
    lines: list[str] = []
    waiting: list[str] = []
    for part in parts:
        waiting += parameter_words(element_line(part, "", str.lower))
        if part.model and part.letter.lower() == "x":
            lines += netlist.subcircuit_text(part.model).splitlines()
        elif part.model in netlist.models:
            lines.append(netlist.models[part.model].line.text)
            waiting += parameter_words(lines[-1])
    parameters: dict[str, str] = {}
    while waiting:
        name = waiting.pop()
        if name in netlist.parameters and name not in parameters:
            parameters[name] = f".param {name}={netlist.parameters[name]}"
            waiting += _WORD.findall(netlist.parameters[name].lower())
    known = [parameters[name] for name in netlist.parameters if name in parameters]
    return once([*known, *(line for line in lines if line.strip())])


def once(lines: Iterable[str]) -> list[str]:
    """Every statement once, its continuations with it, a subcircuit being one statement from its ``.subckt``
    to its ``.ends``: a line inside may be that of another subcircuit."""
    blocks: list[str] = []
    depth = 0
    for line in lines:
        keyword = line.lower().split(None, 1)[:1]
        if blocks and (depth or line.startswith("+")):
            blocks[-1] += f"\n{line}"
        else:
            blocks.append(line)
        depth += (keyword == [".subckt"]) - (keyword == [".ends"] and depth > 0)
    return [line for block in dict.fromkeys(blocks) for line in block.split("\n")]


def deck(
    support: Iterable[str], elements: Iterable[str], temperature: float, options: str = REST
) -> list[str]:
    """The lines of a bench at a temperature (degC)."""
    return [f".options {options} temp={float(temperature)!r} tnom=27", *once(support), *elements]


def run(
    engine: Engine,
    support: Iterable[str],
    elements: Sequence[str],
    temperature: float,
    stop: float,
    title: str,
    steps: int = 50,
) -> dict[str, Array]:
    """A run from the operating point to ``stop`` (s) in at least ``steps`` steps. Raises EngineError where no
    setting comes to the end."""
    from harness.engine.errors import EngineDead, EngineError

    lines = tuple(support)
    for options in RUNS:
        try:
            engine.load(deck(lines, elements, temperature, options), title)
            return engine.transient(stop / 1000, stop, stop / steps, initial=False)
        except EngineDead:
            raise
        except EngineError as error:
            failure = error
    raise failure


def volts(name: str, node: str, value: float) -> str:
    """A voltage source to ground, named ``v<name>``."""
    return f"v{name} {node} 0 {float(value)!r}"


def ohms(name: str, plus: str, minus: str, value: float) -> str:
    """A resistor named ``r<name>``."""
    return f"r{name} {plus} {minus} {float(value)!r}"


def piecewise(name: str, node: str, points: Sequence[tuple[float, float]]) -> str:
    """A voltage source to ground through points of (s, V)."""
    text = " ".join(f"{float(t)!r} {float(v)!r}" for t, v in points)
    return f"v{name} {node} 0 pwl({text})"


def first_crossing(time: Array, wave: Array, level: float, upwards: bool, after: float = 0.0) -> float:
    """First instant after ``after`` (s) at which a wave passes a level in a direction; NaN where it never
    does."""
    over = wave >= level if upwards else wave <= level
    places = np.flatnonzero(~over[:-1] & over[1:] & (time[1:] > after))
    if not len(places):
        return float("nan")
    k = int(places[0])
    share = (level - wave[k]) / (wave[k + 1] - wave[k])
    return float(time[k] + share * (time[k + 1] - time[k]))


def integral(time: Array, wave: Array, begin: float) -> float:
    """Trapezium integral of a wave from ``begin`` (s) to the end of the record."""
    inside = time > begin
    t = np.concatenate([[begin], time[inside]])
    w = np.concatenate([[np.interp(begin, time, wave)], wave[inside]])
    return float(np.sum(0.5 * (w[1:] + w[:-1]) * np.diff(t)))
