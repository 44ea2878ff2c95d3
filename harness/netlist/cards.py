# SPDX-License-Identifier: GPL-3.0-or-later
"""Logical lines into a tree of circuits: the top level, its subcircuits, their parameters, models and
parts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from harness.findings import Finding, nearest
from harness.netlist import words
from harness.netlist.dialects.files import HINT
from harness.netlist.elements import CODE_MODELS, MODEL_TYPES, parse_part
from harness.netlist.lines import Line, Reading
from harness.netlist.parts import Part, Visible, node
from harness.netlist.sources import bracketed

LONGEST_LINE = 20_000
DEEPEST_NESTING = 20
_ANALYSES = frozenset(
    words.split(
        ".tran .ac .dc .op .noise .tf .pz .sens .disto .pss .sp .print .plot .probe .meas .measure .save "
        ".four .fft .step .temp .width .csparam .backanno .protect .unprotect .alter .view .wcase .mc"
    )
)
_ELSEWHERE = frozenset({".protect", ".unprotect", ".backanno"})
_NODE = re.compile(r"[^\s(){}\[\]=,;'`|<>&]+")
_VOLTAGE = re.compile(rf"v\(\s*({_NODE.pattern})\s*\)", re.IGNORECASE)
_BLANK_IN_VOLTAGE = re.compile(r"(?<![\w.])v\s+\(", re.IGNORECASE)
_DOLLAR_IN_NAME = re.compile(r"(?<=[\w/-])\$(?=\w)")  # N$12: drawing programs number nameless nodes so
_CONDITIONS = frozenset({".if", ".elseif", ".else", ".endif"})
_TYPES = frozenset(kind for kinds in MODEL_TYPES.values() for kind in kinds) | CODE_MODELS
_KNOWN_CARDS = words.split(
    ".param .model .subckt .ends .include .lib .ic .nodeset .global .func .options .end"
)


@dataclass(frozen=True)
class Parameter:
    """A named value of a netlist: its text as written and where."""

    name: str
    text: str
    line: Line

    @property
    def engine_text(self) -> str:
        """The value as every engine reads it: a number, or an expression in braces."""
        return words.for_engines(self.text)


@dataclass(frozen=True)
class Condition:
    """One voltage of an ``.ic`` or ``.nodeset`` line: the node in lower case and the value as written."""

    node: str
    text: str
    line: Line


@dataclass(frozen=True)
class Model:
    """A ``.model`` line: its type and its parameters as written."""

    name: str
    kind: str
    parameters: dict[str, str]
    line: Line


@dataclass(frozen=True)
class Function:
    """A ``.func`` line: names of its arguments and its body."""

    name: str
    arguments: tuple[str, ...]
    body: str
    line: Line


@dataclass
class Circuit:
    """The top level or one subcircuit. ``defaults`` are the parameters of its header, ``lines`` what the
    engine takes.

    ``lines`` holds the header, the body with nested subcircuits, and ``.ends``.
    """

    name: str
    line: Line | None
    outer: Circuit | None = None
    nodes: tuple[str, ...] = ()
    defaults: dict[str, str] = field(default_factory=dict)
    parameters: dict[str, Parameter] = field(default_factory=dict)
    models: dict[str, Model] = field(default_factory=dict)
    functions: dict[str, Function] = field(default_factory=dict)
    subcircuits: dict[str, Circuit] = field(default_factory=dict)
    parts: dict[str, Part] = field(default_factory=dict)
    conditions: list[Condition] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    elements: list[Line] = field(default_factory=list)

    def outwards(self) -> Iterator[Circuit]:
        """This circuit and those that it is written in, the top level last."""
        circuit: Circuit | None = self
        while circuit is not None:
            yield circuit
            circuit = circuit.outer

    def all_circuits(self) -> Iterator[Circuit]:
        """This circuit and every subcircuit written in it."""
        yield self
        for inner in self.subcircuits.values():
            yield from inner.all_circuits()

    def find_subcircuit(self, name: str) -> Circuit | None:
        """The subcircuit that an instance here means."""
        return next((c.subcircuits[name] for c in self.outwards() if name in c.subcircuits), None)

    def find_model(self, name: str) -> Model | None:
        """The model that a part here means."""
        return next((c.models[name] for c in self.outwards() if name in c.models), None)

    def find_function(self, name: str) -> Function | None:
        """The ``.func`` that an expression here means."""
        return next((c.functions[name] for c in self.outwards() if name in c.functions), None)

    def visible(self) -> Visible:
        """Names of models and subcircuits in sight."""
        models: dict[str, str] = {}
        subcircuits: dict[str, int] = {}
        for circuit in reversed(list(self.outwards())):
            models.update({name: model.kind for name, model in circuit.models.items()})
            subcircuits.update({name: len(inner.nodes) for name, inner in circuit.subcircuits.items()})
        return Visible(models, subcircuits)


@dataclass
class Cards:
    """The tree and what else the lines say."""

    top: Circuit
    options: dict[str, str]
    global_nodes: frozenset[str]
    notes: list[Finding]
    findings: list[Finding]


def read_cards(reading: Reading) -> Cards:
    """Sort the lines of a netlist. Problems land in ``findings``, skipped lines in ``notes``; nothing is
    raised."""
    builder = _Builder()
    for line in reading.lines:
        builder.take(line)
    builder.close()
    for circuit in builder.top.all_circuits():
        builder.read_elements(circuit)
    return Cards(builder.top, builder.options, frozenset(builder.globals), builder.notes, builder.findings)


class _Builder:
    def __init__(self) -> None:
        self.top = Circuit("", None)
        self.here = self.top
        self.options: dict[str, str] = {}
        self.globals: set[str] = set()
        self.notes: list[Finding] = []
        self.findings: list[Finding] = []

    def problem(self, line: Line, message: str, key: str = "") -> None:
        self.findings.append(Finding(line.path, message, key, line.number))

    def note(self, line: Line, message: str, key: str = "") -> None:
        self.notes.append(Finding(line.path, message, key, line.number))

    def take(self, line: Line) -> None:
        if len(line.text) > LONGEST_LINE:
            self.problem(line, f"is longer than {LONGEST_LINE} characters, continuations included")
            return
        plain = _DOLLAR_IN_NAME.sub("", line.text)
        odd = next((mark for mark in '"\\$' if mark in plain), "")
        if odd and line.keyword not in _ANALYSES:
            hint = ' (a comment wants a blank behind the "$")' if odd == "$" else ""
            self.problem(line, f"{odd} has no place here{hint}")
            return
        if not line.text.startswith("."):
            self.here.elements.append(line)
            self.here.lines.append(replace(line, text=bracketed(line.text)))
            return
        handler = _CARDS.get(line.keyword)
        if handler is not None:
            handler(self, line)
        elif line.keyword == ".title":
            self.note(line, "skipped; the title is the first line of a netlist", line.keyword)
        elif line.keyword in _ANALYSES:
            if line.keyword in _ELSEWHERE:
                self.note(line, "skipped; it speaks to the drawing program, not to the circuit", line.keyword)
            else:
                self.note(line, "skipped; analyses, output and sweeps are this program's own", line.keyword)
        elif line.keyword in _CONDITIONS:
            self.problem(
                line,
                "conditional lines are not read; write a conditional value, {switch ? a : b}",
                line.keyword,
            )
        else:
            hint = nearest(line.keyword, _KNOWN_CARDS)
            self.problem(line, f"is not known here, so it is not sent to the engine{hint}", line.keyword)

    def close(self) -> None:
        while self.here is not self.top:
            assert self.here.line is not None
            self.problem(self.here.line, "is not closed; add .ends", self.here.name)
            assert self.here.outer is not None
            self.here = self.here.outer

    def subcircuit(self, line: Line) -> None:
        header = [
            word
            for word in words.split(words.before_assignments(line.rest))
            if word.lower() not in ("params:", "params")
        ]
        if len(list(self.here.outwards())) > DEEPEST_NESTING:
            self.problem(line, f"subcircuits are written inside each other more than {DEEPEST_NESTING} deep")
            return
        inner = Circuit(
            header[0].lower() if header else "", line, self.here, tuple(node(word) for word in header[1:])
        )
        if not header:
            self.problem(line, "a subcircuit wants a name and its pins")
        if len(set(inner.nodes)) < len(inner.nodes):
            self.problem(line, "a pin stands twice in its header", inner.name)
        if "0" in inner.nodes:
            self.problem(line, "node 0 is the same everywhere and cannot be a pin", inner.name)
        for name, text in words.assignments(line.rest):
            if name in inner.defaults:
                self.problem(line, f'parameter "{name}" stands twice in its header', inner.name)
            inner.defaults[name] = text
        known = self.here.subcircuits.get(inner.name)
        if known is not None and known.line is not None:
            place = f"{known.line.path.name}:{known.line.number}"
            self.problem(line, f"a subcircuit of this name stands at {place} already", inner.name)
        self.here.subcircuits[inner.name] = inner
        inner.lines.append(line)
        self.here = inner

    def end_subcircuit(self, line: Line) -> None:
        if self.here is self.top or self.here.outer is None:
            self.problem(line, ".ends without a .subckt before it")
            return
        name = line.rest.strip().lower()
        if name and name != self.here.name:
            self.problem(
                line, f'.ends {name} closes the subcircuit "{self.here.name}"; the names should match'
            )
        inner, self.here = self.here, self.here.outer
        inner.lines.append(line)
        self.here.lines += inner.lines

    def parameter(self, line: Line) -> None:
        pairs = words.assignments(line.rest)
        open_bracket = words.unbalanced(line.rest)
        if not pairs or words.before_assignments(line.rest) or open_bracket:
            why = (
                f'"{open_bracket}" is not closed, or closes nothing'
                if open_bracket
                else "expected name=value"
            )
            self.problem(line, f'cannot read "{line.rest}": {why}', ".param")
            return
        for name, text in pairs:
            if "(" in name:
                self.function_of(line, name, text)
                continue
            bare = words.inner(text)
            if not bare or any(mark in bare for mark in "{}'") or "." in name:
                self.problem(
                    line, f'cannot read "{name}={text}"; expected name=value, an expression in braces', name
                )
                continue
            earlier = self.here.parameters.get(name)
            if earlier is not None:
                self.note(
                    line,
                    f"is set at {earlier.line.path.name}:{earlier.line.number} too; the last one counts",
                    name,
                )
            if name in self.here.defaults:
                self.problem(line, f"is a parameter of the header of {self.here.name} already", name)
            parameter = self.here.parameters[name] = Parameter(name, text, line)
            self.here.lines.append(Line(f".param {name}={parameter.engine_text}", line.path, line.number))

    def function_of(self, line: Line, head: str, body: str) -> None:
        match = re.fullmatch(r"([^\W\d]\w*)\s*\(([^()]*)\)", head.strip())
        bare = words.inner(body)
        if match is None or not bare or any(mark in bare for mark in "{}'"):
            self.problem(
                line, f'cannot read "{line.text}"; expected .func name(a, b) {{expression}}', ".func"
            )
            return
        name = match[1].lower()
        self.here.functions[name] = Function(
            name, tuple(word.lower() for word in words.split(match[2])), bare, line
        )
        self.here.lines.append(Line(f".func {name}({match[2]}) {{{bare}}}", line.path, line.number))

    def function(self, line: Line) -> None:
        head, bracket, body = line.rest.partition(")")
        self.function_of(line, head + bracket, body.strip().removeprefix("=").strip())

    def model(self, line: Line) -> None:
        match = re.match(r"(\S+)\s+(?:ako:\S+\s+)?([^\s(]+)\s*(.*)$", line.rest, re.IGNORECASE | re.DOTALL)
        if match is None or words.unbalanced(line.rest):
            self.problem(
                line, f'cannot read "{line.text}"; expected .model name type(parameter=value ...)', ".model"
            )
            return
        name, kind, body = match[1].lower(), match[2].lower(), match[3].strip()
        if kind not in _TYPES:
            hint = HINT if kind in ("vswitch", "iswitch", "res", "cap", "ind") else nearest(kind, _TYPES)
            self.problem(line, f'is of the type "{match[2]}", which is not taken here{hint}', match[1])
        if body.startswith("(") and body.endswith(")"):
            body = body[1:-1]
        earlier = self.here.models.get(name)
        if earlier is not None:
            self.problem(
                line,
                f"a model of this name stands at {earlier.line.path.name}:{earlier.line.number} already",
                match[1],
            )
        parameters = dict(pair for word in words.split(words.tidy(body)) if (pair := words.pair(word)))
        self.here.models[name] = Model(name, kind, parameters, line)
        self.here.lines.append(line)

    def option(self, line: Line) -> None:
        for word in words.split(words.tidy(line.rest)):
            name, _, value = word.partition("=")
            self.options[name.lower()] = value
        self.note(
            line,
            "not passed on; the settings of a run are this program's own and stand in its report",
            line.keyword,
        )

    def condition(self, line: Line) -> None:
        plain = _BLANK_IN_VOLTAGE.sub("v(", line.rest)
        pairs = words.assignments(plain)
        found = [
            Condition(match[1].lower(), text, line)
            for name, text in pairs
            if (match := _VOLTAGE.fullmatch(name)) and words.is_plain_value(text)
        ]
        if not pairs or len(found) < len(pairs) or words.before_assignments(plain):
            self.problem(line, f'cannot read "{line.rest}"; expected v(node)=value', line.keyword)
            return
        self.here.conditions += found
        settings = " ".join(f"v({each.node})={words.for_engines(each.text)}" for each in found)
        self.here.lines.append(Line(f"{line.keyword} {settings}", line.path, line.number))

    def global_node(self, line: Line) -> None:
        names = words.split(line.rest)
        if not names or not all(_NODE.fullmatch(name) for name in names):
            self.problem(line, f'cannot read "{line.rest}"; expected names of nodes', line.keyword)
            return
        self.globals.update(node(name) for name in names)
        self.here.lines.append(Line(f".global {' '.join(names)}", line.path, line.number))

    def read_elements(self, circuit: Circuit) -> None:
        visible = circuit.visible()
        for line in circuit.elements:
            try:
                part = parse_part(line, visible)
            except ValueError as error:
                self.problem(line, str(error))
                continue
            key = part.name.lower()
            twin = circuit.parts.get(key)
            if twin is not None:
                place = f"{twin.line.path.name}:{twin.line.number}"
                self.problem(line, f"stands at {place} already; every part wants its own name", part.name)
                continue
            circuit.parts[key] = part


_CARDS = {
    ".subckt": _Builder.subcircuit,
    ".ends": _Builder.end_subcircuit,
    ".param": _Builder.parameter,
    ".params": _Builder.parameter,
    ".func": _Builder.function,
    ".model": _Builder.model,
    ".option": _Builder.option,
    ".options": _Builder.option,
    ".opt": _Builder.option,
    ".ic": _Builder.condition,
    ".nodeset": _Builder.condition,
    ".global": _Builder.global_node,
}
