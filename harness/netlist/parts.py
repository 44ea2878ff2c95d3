# SPDX-License-Identifier: GPL-3.0-or-later
"""What one element of a netlist is made of, and the words that its line is read from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.netlist import words
from harness.netlist.lines import Line


@dataclass(frozen=True)
class Part:
    """One element as drawn. ``name`` keeps the designer's spelling; letter, nodes and model are lower case.

    ``value_text`` is the resistance, capacitance, inductance, DC value, gain or expression as written (""
    where the part has none). ``function`` is a source's (kind, arguments), ``controls`` names sources or
    inductors it refers to.
    """

    name: str
    letter: str
    nodes: tuple[str, ...]
    value_text: str
    model: str
    parameters: Mapping[str, str]
    line: Line
    function: tuple[str, tuple[str, ...]] | None = None
    controls: tuple[str, ...] = ()

    def texts(self) -> list[str]:
        """Every text of the part that may hold a number or an expression."""
        arguments = list(self.function[1]) if self.function else []
        return [text for text in (self.value_text, *self.parameters.values(), *arguments) if text]


@dataclass(frozen=True)
class Visible:
    """Names that an element line can refer to: model -> type, subcircuit -> number of nodes."""

    models: Mapping[str, str]
    subcircuits: Mapping[str, int]


@dataclass
class Words:
    """The words of an element line, name and pairs taken off."""

    line: Line
    name: str
    plain: list[str]
    pairs: dict[str, str] = field(default_factory=dict)


def node(name: str) -> str:
    """A node as the engine sees it: lower case, ``gnd`` is ``0``."""
    lowered = name.lower()
    return "0" if lowered == "gnd" else lowered


def opened(word: str) -> list[str]:
    """``(a,b)`` around nodes is only decoration."""
    return words.split(word[1:-1]) if word.startswith("(") and word.endswith(")") else [word]


def take_nodes(found: Words, count: int, then: str) -> tuple[str, ...]:
    """The first ``count`` words as nodes; ``then`` says what else has to follow, "" where nothing has to.

    Raises ValueError with a sentence.
    """
    if len(found.plain) < count + (1 if then else 0):
        wanted = f"{count} nodes and {then}" if then else f"{count} nodes"
        got = " ".join(found.plain) or "nothing"
        raise ValueError(f'{found.name} wants {wanted}, got "{got}"')
    nodes = tuple(node(word) for word in found.plain[:count])
    for name in nodes:
        if any(character in name for character in "{}='()[]"):
            raise ValueError(f'{found.name} wants {count} nodes, but "{name}" is no name of a node')
    return nodes


def made(
    found: Words,
    nodes: tuple[str, ...],
    value: str = "",
    model: str = "",
    function: tuple[str, tuple[str, ...]] | None = None,
    controls: tuple[str, ...] = (),
) -> Part:
    """The part of a line whose words were understood; pairs that nobody took are its parameters."""
    letter = found.name[0].lower()
    pairs = dict(found.pairs)
    return Part(found.name, letter, nodes, value, model.lower(), pairs, found.line, function, controls)
