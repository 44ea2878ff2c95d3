# SPDX-License-Identifier: GPL-3.0-or-later
"""Every instance of every subcircuit with its parameters: values as the engine evaluates them, parts one by
one.

What the engine does with parameters, found by trying (engine 39): the last ``.param`` of a name counts; a
name is looked up in the subcircuit, then in the circuit that calls it, and so on outwards; the default of a
header parameter sees the values given in the call; a value given in the call is put in before its own
subcircuit's names are known, in order, so a name that both sides use is ambiguous there and refused in
:mod:`harness.netlist.checks`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from harness.findings import Finding, NetlistError, nearest
from harness.formula import FormulaError, evaluate_spice
from harness.netlist import words
from harness.netlist.cards import Cards, Circuit, Parameter
from harness.netlist.lines import Line
from harness.netlist.parts import Part
from harness.units import parse_spice

DEEPEST = 30
MOST_PARTS = 50_000
DEEPEST_FUNCTION = 50


@dataclass(frozen=True)
class Scope:
    """One instance of a circuit. ``path`` is "" at the top level and ``xslice`` or ``x1.x2`` inside."""

    path: str
    circuit: Circuit
    outer: Scope | None = None
    instance: Part | None = None
    nodes: Mapping[str, str] = field(default_factory=dict)

    def name(self, part: str) -> str:
        """The name of a part or node of this scope as seen from the top level."""
        return f"{self.path}.{part}" if self.path else part

    def outwards(self) -> Iterator[Scope]:
        """This scope and those that call it, the top level last."""
        scope: Scope | None = self
        while scope is not None:
            yield scope
            scope = scope.outer


@dataclass(frozen=True)
class FlatPart:
    """A part of one instance, with its nodes as the engine names them (``x1.q``)."""

    name: str
    part: Part
    nodes: tuple[str, ...]
    scope: Scope


def scopes_of(cards: Cards) -> list[Scope]:
    """The top level and every instance below it. Raises NetlistError for a circuit that contains itself."""
    found: list[Scope] = []
    waiting = [Scope("", cards.top)]
    total = 0
    while waiting:
        scope = waiting.pop()
        found.append(scope)
        total += len(scope.circuit.parts)
        if total > MOST_PARTS:
            line = scope.instance.line if scope.instance else None
            raise NetlistError([_at(line, f"more than {MOST_PARTS} parts in all, subcircuits written out")])
        for key, part in reversed(scope.circuit.parts.items()):
            if part.letter != "x":
                continue
            inner = scope.circuit.find_subcircuit(part.model)
            if inner is None:
                continue
            above = list(scope.outwards())
            if len(above) > DEEPEST or any(outer.circuit is inner for outer in above):
                raise NetlistError(
                    [_at(part.line, f"the subcircuit {inner.name} contains itself", part.name)]
                )
            nodes = dict(zip(inner.nodes, flat_nodes(scope, part.nodes, cards), strict=False))
            waiting.append(Scope(scope.name(key), inner, scope, part, nodes))
    return found


def flat_nodes(scope: Scope, nodes: tuple[str, ...], cards: Cards) -> tuple[str, ...]:
    """Nodes of a part of ``scope`` as the engine names them from the top level."""
    return tuple(
        name if name == "0" or name in cards.global_nodes else scope.nodes.get(name, scope.name(name))
        for name in nodes
    )


def placed_parts(scopes: Sequence[Scope], cards: Cards) -> dict[str, FlatPart]:
    """Every part and every instance by its full name."""
    return {
        scope.name(key): FlatPart(scope.name(key), part, flat_nodes(scope, part.nodes, cards), scope)
        for scope in scopes
        for key, part in scope.circuit.parts.items()
    }


def flat_parts(scopes: Sequence[Scope], cards: Cards) -> dict[str, FlatPart]:
    """Every part by its full name, instances left out."""
    return {name: found for name, found in placed_parts(scopes, cards).items() if found.part.letter != "x"}


def engine_name(scope: Scope, name: str) -> str:
    """The engine's name of a part: ``r.xslice.rload``.

    Where a subcircuit is written inside another one, the engine expands it there first and puts the letter in
    front once more when the outer one is expanded: ``r.x1.r.x2.r1``.
    """
    if scope.outer is None:
        return name
    letter = name[0]
    calls = [step for step in reversed(list(scope.outwards())) if step.instance is not None]
    steps = [
        (step.instance.name.lower(), _depth(step.circuit)) for step in calls if step.instance is not None
    ]
    while steps:
        deepest = max(range(len(steps)), key=lambda place: (steps[place][1], -place))
        segment, _ = steps.pop(deepest)
        if deepest == len(steps):
            name = f"{letter}.{segment}.{name}"
        else:
            steps[deepest] = (f"{segment}.{steps[deepest][0]}", steps[deepest][1])
    return name


def _depth(circuit: Circuit) -> int:
    return sum(1 for _ in circuit.outwards())


def _at(line: Line | None, message: str, key: str = "") -> Finding:
    return Finding(line.path if line else None, message, key, line.number if line else None)


def problem_at(line: Line, message: str, key: str = "") -> NetlistError:
    """An error about one line."""
    return NetlistError([_at(line, message, key)])


class Read(Mapping[str, float]):
    """Settings that remember in ``read`` which of them were asked for; who goes through them asks for all."""

    def __init__(self, settings: Mapping[str, float]) -> None:
        self._settings = settings
        self.read: set[str] = set()

    def __getitem__(self, name: str) -> float:
        value = self._settings[name]
        self.read.add(name)
        return value

    def __iter__(self) -> Iterator[str]:
        self.read.update(self._settings)
        return iter(self._settings)

    def __len__(self) -> int:
        return len(self._settings)


class Values:
    """Parameters and part values of a netlist under given settings, each evaluated once.

    ``settings``: parameter and part names in lower case -> SI values that stand in for what is drawn.
    """

    def __init__(self, settings: Mapping[str, float]) -> None:
        self.settings = settings
        self._known: dict[tuple[str, str], float] = {}
        self._open: list[tuple[str, str]] = []

    def parameter(self, scope: Scope, name: str, line: Line, used_in: str) -> float:
        """The value of a name as seen from ``scope``. Raises NetlistError where it has none."""
        for place in scope.outwards():
            own = self._own(place, name)
            if own is None:
                continue
            key = (place.path, name)
            if key not in self._known:
                self._known[key] = self._evaluate_once(key, own[0], own[1], own[2])
            return self._known[key]
        known = {known for place in scope.outwards() for known in names_of(place)}
        raise problem_at(line, f'`{used_in}`: there is no parameter "{name}"{nearest(name, known)}')

    def _own(self, scope: Scope, name: str) -> tuple[Scope, str, Line] | None:
        """Where a name of ``scope`` itself gets its value: scope of evaluation, text, line."""
        circuit = scope.circuit
        if scope.outer is None and name in self.settings and name in circuit.parameters:
            return scope, repr(float(self.settings[name])), circuit.parameters[name].line
        parameter: Parameter | None = circuit.parameters.get(name)
        if parameter is not None:
            return scope, parameter.text, parameter.line
        if scope.instance is not None and scope.outer is not None and name in circuit.defaults:
            if name in scope.instance.parameters:
                return scope.outer, scope.instance.parameters[name], scope.instance.line
            assert circuit.line is not None
            return scope, circuit.defaults[name], circuit.line
        return None

    def _evaluate_once(self, key: tuple[str, str], scope: Scope, text: str, line: Line) -> float:
        if key in self._open:
            circle = " -> ".join(name for _, name in [*self._open[self._open.index(key) :], key])
            raise problem_at(line, f"the parameters go round in a circle: {circle}", key[1])
        if len(self._open) > 100:
            raise problem_at(line, "parameters hang on each other more than 100 deep", key[1])
        self._open.append(key)
        try:
            return self.evaluate(scope, text, line)
        finally:
            self._open.pop()

    def evaluate(self, scope: Scope, text: str, line: Line) -> float:
        """The figure of a number or expression as seen from ``scope``. Raises NetlistError naming file and
        line."""
        bare = words.inner(text)
        try:
            if words.is_number(bare):
                return parse_spice(bare)
            expanded = expand_functions(bare, scope.circuit)
            names = set(words.names_used(expanded))
            namespace = {name: self.parameter(scope, name, line, bare) for name in sorted(names)}
            return evaluate_spice(expanded, namespace)
        except FormulaError as error:
            raise problem_at(line, str(error)) from None
        except NetlistError:
            raise
        except ValueError as error:
            raise problem_at(line, str(error)) from None

    def multiplier(self, scope: Scope) -> float:
        """How many of this instance stand side by side (``m=``), those that call it counted in."""
        factor = 1.0
        for place in scope.outwards():
            if place.instance is not None and place.outer is not None and "m" in place.instance.parameters:
                factor *= self.evaluate(place.outer, place.instance.parameters["m"], place.instance.line)
        return factor


def names_of(scope: Scope) -> set[str]:
    """Names of parameters that ``scope`` itself defines."""
    return set(scope.circuit.parameters) | set(scope.circuit.defaults)


def expand_functions(expression: str, circuit: Circuit, depth: int = 0) -> str:
    """The expression with every ``.func`` call written out. Raises ValueError where that does not end or
    fit."""
    for match in re.finditer(r"(?<![\w.])([^\W\d]\w*)\s*\(", expression):
        function = circuit.find_function(match[1].lower())
        if function is None:
            continue
        if depth >= DEEPEST_FUNCTION or len(expression) > 2000:
            raise ValueError(f"`{function.name}` calls itself or is nested too deeply")
        end = _closing(expression, match.end() - 1)
        arguments = words.split(expression[match.end() : end], ",")
        if len(arguments) != len(function.arguments):
            raise ValueError(
                f"`{function.name}` wants {len(function.arguments)} argument(s), got {len(arguments)}"
            )
        given = {name: f"({text.strip()})" for name, text in zip(function.arguments, arguments, strict=True)}
        body = words.replace_names(function.body, given)
        return expand_functions(
            f"{expression[: match.start()]}({body}){expression[end + 1 :]}", circuit, depth + 1
        )
    return expression


def _closing(text: str, start: int) -> int:
    depth = 0
    for place in range(start, len(text)):
        depth += (text[place] == "(") - (text[place] == ")")
        if depth == 0:
            return place
    raise ValueError(f'"(" is not closed in `{text}`')
