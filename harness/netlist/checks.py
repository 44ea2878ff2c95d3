# SPDX-License-Identifier: GPL-3.0-or-later
"""What has to hold between the lines of a netlist: names that exist, values that can be evaluated, zero
resistors.

Several of these the engine accepts in silence: a parameter that a subcircuit does not have, a node in
``V(...)`` or ``.ic`` that nothing is connected to. Others cost the whole engine: an undefined parameter, an
unknown function.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping

from harness.findings import Finding, NetlistError, nearest
from harness.netlist import words
from harness.netlist.cards import Cards, Circuit
from harness.netlist.dialects.expressions import FUNCTIONS
from harness.netlist.dialects.files import HINT
from harness.netlist.elements import VALUE_NAMES
from harness.netlist.lines import Line
from harness.netlist.parts import Part, node
from harness.netlist.scopes import FlatPart, Scope, Values, names_of

ENGINE_FUNCTIONS = frozenset(
    words.split(
        "abs acos acosh asin asinh atan atanh ceil cos cosh ddt exp floor ln log log10 max min nint pow pwl "
        "pwr sgn sin sinh sqrt tan tanh ternary_fcn u u2 uramp"
    )
)
ENGINE_NAMES = frozenset({"time", "temper", "hertz", "pi", "e"})
RESERVED_NAMES = frozenset(  # tried with engine 39: `{floor}` costs the whole netlist, `{temper}` is 27
    words.split(
        "last time temper hertz e gauss agauss unif aunif limit sqr sqrt min max abs int nint sgn acos acosh "
        "arctan asin asinh atan atanh ceil cos cosh exp floor ln log log10 pow pwl pwr sin sinh tan tanh "
        "ternary_fcn"
    )
)
_OF_INSTANCES = frozenset({"m"})


def is_behavioural(part: Part) -> bool:
    """Whether a value depends on voltages, currents or time, so that it is no number."""
    return bool(
        re.search(
            r"(?<![\w.])([vi]\s*\(|time(?!\w)|temper(?!\w)|hertz(?!\w))", part.value_text, re.IGNORECASE
        )
    )


def check(cards: Cards, scopes: list[Scope], parts: Mapping[str, FlatPart], values: Values) -> list[Finding]:
    """Every finding about names and values, each place once, in order of appearance."""
    found: list[Finding] = []
    for circuit in cards.top.all_circuits():
        for part in circuit.parts.values():
            found += _numbers(part)
    for scope in scopes:
        nodes = nodes_of(scope.circuit, cards)
        found += _parameters(scope, values)
        found += _models(scope, values)
        found += _conditions(scope, nodes, values)
        for part in scope.circuit.parts.values():
            found += _instance(scope, part) if part.letter == "x" else ()
            found += () if any(_numbers(part)) else _values(scope, part, values)
            found += _expression(scope, part, nodes)
            found += _controls(scope, part)
    return list(dict.fromkeys(found))


def nodes_of(circuit: Circuit, cards: Cards) -> frozenset[str]:
    """Nodes that the parts of one circuit are connected to, pins and global nodes included."""
    connected = {name for part in circuit.parts.values() for name in part.nodes}
    return frozenset(connected | set(circuit.nodes) | cards.global_nodes | {"0"})


def _finding(line: Line, message: str, key: str = "") -> Finding:
    return Finding(line.path, message, key, line.number)


def _numbers(part: Part) -> Iterator[Finding]:
    for text in part.texts():
        sentence = words.doubtful_number(text)
        if sentence:
            yield _finding(part.line, sentence, part.name)


def _attempt(scope: Scope, text: str, line: Line, values: Values) -> tuple[float | None, tuple[Finding, ...]]:
    try:
        return values.evaluate(scope, text, line), ()
    except NetlistError as error:
        return None, error.findings


def _parameters(scope: Scope, values: Values) -> Iterator[Finding]:
    circuit = scope.circuit
    texts = [(parameter.text, parameter.line) for parameter in circuit.parameters.values()]
    if circuit.line is not None:
        texts += [(text, circuit.line) for text in circuit.defaults.values()]
    for text, line in texts:
        sentence = words.doubtful_number(text)
        if sentence:
            yield _finding(line, sentence)
    lines = {name: parameter.line for name, parameter in circuit.parameters.items()}
    for name in sorted(names_of(scope)):
        place = lines.get(name, circuit.line)
        assert place is not None
        if name in RESERVED_NAMES:
            yield _finding(place, "the engine has a meaning of its own for this name; choose another", name)
        try:
            value = values.parameter(scope, name, place, name)
            if name == "pi" and not math.isclose(value, math.pi, rel_tol=1e-3):
                yield _finding(
                    place, "is 3.14159... wherever the engine evaluates it; choose another name", name
                )
        except NetlistError as error:
            yield from error.findings


def _models(scope: Scope, values: Values) -> Iterator[Finding]:
    for model in scope.circuit.models.values():
        for text in model.parameters.values():
            sentence = words.doubtful_number(text)
            if sentence:
                yield _finding(model.line, sentence, model.name)
            elif words.is_expression(text) or text.isidentifier():  # an engine looks a bare word up, too
                yield from _attempt(scope, text, model.line, values)[1]


def _values(scope: Scope, part: Part, values: Values) -> Iterator[Finding]:
    if part.letter == "x":
        assert scope.circuit is not None
        for text in part.parameters.values():
            yield from _attempt(scope, text, part.line, values)[1]
        return
    if part.letter in "beg" and part.function is not None:
        return
    texts = [text for text in part.texts() if words.is_value(text)]
    if is_behavioural(part):
        texts = [text for text in texts if text != part.value_text]
    for text in texts:
        value, found = _attempt(scope, text, part.line, values)
        yield from found
        if part.letter == "r" and text == part.value_text and value == 0.0:
            message = "is 0 Ohm, which engines replace by a figure of their own; join the nodes instead"
            yield _finding(part.line, message, part.name)
    if part.letter in VALUE_NAMES and part.value_text and not words.is_value(part.value_text):
        yield _finding(part.line, f'"{part.value_text}" is no value; an expression wants braces', part.name)


def _instance(scope: Scope, part: Part) -> Iterator[Finding]:
    inner = scope.circuit.find_subcircuit(part.model)
    if inner is None:
        return
    clashing = [place for place in scope.outwards() if part.model in names_of(place)]
    if clashing:
        message = (
            f'"{part.model}" is the name of a subcircuit and of a parameter, and the engine would put the '
            "parameter in its place; give one of them another name"
        )
        yield _finding(part.line, message, part.name)
    own = set(inner.defaults) | set(inner.parameters)
    for name, text in part.parameters.items():
        if name not in inner.defaults and name not in _OF_INSTANCES:
            hint = nearest(name, inner.defaults) or " (it has none)"
            yield _finding(part.line, f'{inner.name} has no parameter "{name}"{hint}', part.name)
        clash = sorted((set(words.names_used(words.inner(text))) & own) - {name})
        if clash:
            message = (
                f'`{name}={text}`: "{clash[0]}" is a name inside {inner.name} too, and the engine would take '
                "that one; give the outer parameter another name"
            )
            yield _finding(part.line, message, part.name)


def _expression(scope: Scope, part: Part, nodes: frozenset[str]) -> Iterator[Finding]:
    """Names in the expressions of behavioural parts."""
    text = part.value_text
    free = part.letter == "b" or (part.letter in "eg" and part.function is not None)
    if not text or not (free or is_behavioural(part)):
        return
    plain = re.sub(r"[{}']", " ", text)
    known = {name for place in scope.outwards() for name in names_of(place)}
    for name in words.names_used(plain):
        if name not in known and name not in ENGINE_NAMES:
            yield _finding(
                part.line, f'`{text}`: there is no parameter "{name}"{nearest(name, known)}', part.name
            )
    for name in words.functions_used(plain):
        if name not in ENGINE_FUNCTIONS and scope.circuit.find_function(name) is None:
            hint = nearest(name, ENGINE_FUNCTIONS) if name not in FUNCTIONS else ""
            hint = {"if": "; write condition ? a : b"}.get(name, hint) + (HINT if name in FUNCTIONS else "")
            yield _finding(part.line, f'`{text}`: the engine has no function "{name}"{hint}', part.name)
    for name in words.nodes_used(text):
        if "." not in name and node(name) not in nodes:
            yield _finding(
                part.line,
                f'V({name}): no part is connected to a node "{name}"{nearest(name, nodes)}',
                part.name,
            )
    sources = {key for key, other in scope.circuit.parts.items() if other.letter in "vehb"}
    for match in re.finditer(r"(?<![\w.])i\s*\(\s*([^(),\s]+)\s*\)", text, re.IGNORECASE):
        if "." not in match[1] and match[1].lower() not in sources:
            message = f'I({match[1]}): there is no voltage source "{match[1]}"{nearest(match[1], sources)}'
            yield _finding(part.line, message, part.name)


def _controls(scope: Scope, part: Part) -> Iterator[Finding]:
    letters = {"k": "l", "f": "v", "h": "v", "w": "v"}.get(part.letter)
    if letters is None:
        return
    fitting = {key: other.name for key, other in scope.circuit.parts.items() if other.letter == letters}
    kind = "inductor" if letters == "l" else "voltage source"
    for name in part.controls:
        if name not in fitting:
            yield _finding(
                part.line,
                f'there is no {kind} "{name}" beside it{nearest(name, fitting.values())}',
                part.name,
            )


def _conditions(scope: Scope, nodes: frozenset[str], values: Values) -> Iterator[Finding]:
    for condition in scope.circuit.conditions:
        line, name = condition.line, node(condition.node)
        if "." not in name and name not in nodes:
            yield _finding(
                line, f'no part is connected to a node "{name}"{nearest(name, nodes)}', line.keyword
            )
        sentence = words.doubtful_number(condition.text)
        if sentence:
            yield _finding(line, sentence, line.keyword)
        else:
            yield from _attempt(scope, condition.text, line, values)[1]
