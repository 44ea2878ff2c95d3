# SPDX-License-Identifier: GPL-3.0-or-later
"""The lines of a netlist as the rest of the program reads them, whatever notation their files are written in.

In every notation: bookkeeping is left out, series resistances become parts, polynomials and tables become
expressions. In the commercial one also: expressions are written anew, smooth switches become sources,
optional pins are filled in.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from harness.findings import Finding
from harness.netlist import words
from harness.netlist.dialects.exported import (
    both_coefficients,
    plain_model,
    with_inner_parts,
    without_bookkeeping,
)
from harness.netlist.dialects.expressions import native_expression
from harness.netlist.dialects.files import COMMERCIAL, HINT, Dialects
from harness.netlist.dialects.forms import smooth_switch, source_as_expression
from harness.netlist.lines import Line, Reading
from harness.netlist.refusals import refused
from harness.netlist.sources import TRANSFER

_TRANSFER = re.compile(r"(?<![\w.])(laplace|freq|chebyshev)(?![\w.])", re.IGNORECASE)
_DIGITAL = re.compile(r"[nouy]\S*\s", re.IGNORECASE)
_SMOOTH = re.compile(r"\.model\s+(\S+)\s+([vi])switch\b\s*(.*)$", re.IGNORECASE | re.DOTALL)
_GLOBAL_NODE = re.compile(r"(?<![\w.])\$g_(\w+)", re.IGNORECASE)
_EXPRESSION_IN_QUOTES = re.compile(r'=\s*"([^"]*)"')
_TEMPERATURES = {"t_abs": "temp", "t_rel_global": "dtemp", "t_measured": "tnom"}
_TEMPERATURE = re.compile(
    r"(?<![\w.])(t_abs|t_rel_global|t_measured|t_rel_local)\s*=\s*(\{[^{}]*\}|[^\s,(){}]+)", re.IGNORECASE
)
_MULTIPLIERS = {"res": "r", "cap": "c", "ind": "l", "r": "r", "c": "c", "l": "l"}
_MOST_LINES_OUT = 200_000


@dataclass
class _Place:
    """What is known inside one subcircuit: smooth switches, temperatures and factors of models by name."""

    smooth: dict[str, tuple[str, dict[str, str]]] = field(default_factory=dict)
    temperatures: dict[str, str] = field(default_factory=dict)
    multipliers: dict[str, str] = field(default_factory=dict)


def translate(reading: Reading, dialects: Dialects) -> None:
    """Rewrites ``reading.lines`` in the engine's own notation; what cannot be read becomes a finding, what is
    left out a note."""
    _Translator(reading, dialects).all()


class _Translator:
    def __init__(self, reading: Reading, dialects: Dialects) -> None:
        self.reading, self.dialects = reading, dialects
        self.out: list[Line] = []
        self.globals: dict[str, Line] = {}
        self.optional: dict[str, tuple[int, list[tuple[str, str]]]] = {}
        self.places: list[_Place] = []
        self.of_scope: dict[tuple[str, ...], _Place] = {}
        self.scope: tuple[str, ...] = ()

    def all(self) -> None:
        """Two passes: what models and headers say, then line by line."""
        lines = [self.prepared(line) for line in self.reading.lines]
        for line in self.scoped(lines):
            if self.commercial(line):
                self.learn(line)
        for line in self.scoped(lines):
            try:
                for text in self.lines_of(line):
                    self.out.append(Line(text, line.path, line.number))
            except ValueError as error:
                self.problem(line, str(error))
        if len(self.out) > _MOST_LINES_OUT:
            self.problem(self.out[0], "becomes too long when it is written out")
        known = [Line(f".global {node}", line.path, line.number) for node, line in self.globals.items()]
        self.reading.lines = [*known, *self.out]

    def scoped(self, lines: list[Line]) -> Iterator[Line]:
        """The lines, ``self.scope`` naming the subcircuits around each."""
        self.scope = ()
        for line in lines:
            if line.keyword == ".subckt":
                self.scope = (*self.scope, (line.rest.split() or [""])[0].lower())
            yield line
            if line.keyword == ".ends":
                self.scope = self.scope[:-1]

    def commercial(self, line: Line) -> bool:
        return self.dialects.of(line.path) == COMMERCIAL

    def problem(self, line: Line, message: str) -> None:
        self.reading.findings.append(Finding(line.path, message, "", line.number))

    def note(self, line: Line, message: str, key: str) -> None:
        self.reading.notes.append(Finding(line.path, message, key, line.number))

    def prepared(self, line: Line) -> Line:
        if not self.commercial(line):
            return line
        text = line.text
        for match in _GLOBAL_NODE.finditer(text):
            self.globals.setdefault(f"g_{match[1].lower()}", line)
        text = _GLOBAL_NODE.sub(lambda match: f"g_{match[1]}", text)
        if not text.startswith(".") or line.keyword in (".param", ".params", ".func"):
            text = _EXPRESSION_IN_QUOTES.sub(lambda match: f"={{{match[1]}}}", text)
        return Line(text, line.path, line.number)

    def here(self) -> _Place:
        return self.of_scope.setdefault(self.scope, _Place())

    def find(self, table: Callable[[_Place], dict[str, object]], name: str) -> object | None:
        """What the innermost subcircuit around knows of a model."""
        for depth in range(len(self.scope), -1, -1):
            place = self.of_scope.get(self.scope[:depth])
            if place is not None and name in table(place):
                return table(place)[name]
        return None

    def learn(self, line: Line) -> None:
        if line.keyword == ".subckt":
            pins, optional, _ = _header(line.rest)
            if optional:
                self.optional[pins[0].lower()] = (len(pins) - 1, optional)
        if line.keyword != ".model":
            return
        name = (line.rest.split() or [""])[0].lower()
        smooth = _SMOOTH.match(line.text)
        pairs = _pairs(line.text.partition("(")[2] or " ".join(line.rest.split()[2:]))
        if smooth and not {"vt", "vh", "it", "ih"} & set(pairs):
            self.here().smooth[name] = (smooth[2].lower(), pairs)
        found = [
            f"{_TEMPERATURES[match[1].lower()]}={match[2]}"
            for match in _TEMPERATURE.finditer(line.text)
            if match[1].lower() in ("t_abs", "t_rel_global")
        ]
        if found:
            self.here().temperatures[name] = found[-1]
        kind = re.match(r"\S+\s+(\w+)", line.rest)
        letter = _MULTIPLIERS.get(kind[1].lower(), "") if kind else ""
        if letter and letter in pairs:
            self.here().multipliers[name] = pairs[letter]

    def lines_of(self, line: Line) -> list[str]:
        """What stands for a line. Raises ValueError with a sentence."""
        commercial = self.commercial(line)
        text = line.text
        if text.startswith("."):
            return self.card(line, commercial)
        text, dropped = without_bookkeeping(text)
        if dropped:
            name = text.split(None, 1)[0]
            self.note(line, f"{', '.join(dropped)} left out; the engine has no use for it", name)
        text = both_coefficients(text)
        lines = self.elements(Line(text, line.path, line.number)) if commercial else [text]
        lines = [new for old in lines for new in source_as_expression(old) or [old]]
        lines = [new for old in lines for new in with_inner_parts(old)]
        if commercial:
            self.gate(lines)
        return lines

    def gate(self, lines: list[str]) -> None:
        """What is written anew passes the same gate as what was read."""
        for new in lines:
            sentence = refused(new)
            if sentence:
                raise ValueError(sentence)

    def card(self, line: Line, commercial: bool) -> list[str]:
        text = line.text
        if line.keyword == ".model":
            text, dropped = plain_model(text)
            if dropped:
                self.note(
                    line, f"{', '.join(dropped)} left out; the engine has no use for it", line.rest.split()[0]
                )
        if not commercial:
            if line.keyword == ".subckt" and re.search(r"(?<!\w)(optional|text):", text, re.IGNORECASE):
                raise ValueError(f"OPTIONAL: and TEXT: are not read here{HINT}")
            return [text]
        match line.keyword:
            case ".model":
                lines = self.model(line, text)
            case ".subckt":
                lines = [self.subcircuit(line)]
            case ".param" | ".params":
                pairs = words.assignments(line.rest)
                broken = not pairs or words.before_assignments(line.rest) or words.unbalanced(line.rest)
                lines = [text] if broken else [".param " + " ".join(_assigned(*pair) for pair in pairs)]
            case ".func":
                head, bracket, body = line.rest.partition(")")
                body = native_expression(body.strip().removeprefix("=").strip())
                lines = [f".func {head}{bracket} {{{body}}}"]
            case _:
                lines = [text]
        self.gate(lines)
        return lines

    def model(self, line: Line, text: str) -> list[str]:
        name = (line.rest.split() or [""])[0].lower()
        if name in self.here().smooth:
            return []
        text = re.sub(r"^(\.model\s+\S+\s+)vswitch\b", r"\1sw", text, flags=re.IGNORECASE)
        text = re.sub(r"^(\.model\s+\S+\s+)iswitch\b", r"\1csw", text, flags=re.IGNORECASE)
        text = re.sub(r"^(\.model\s+\S+\s+)cap\b", r"\1c", text, flags=re.IGNORECASE)
        text = re.sub(r"^(\.model\s+\S+\s+)ind\b", r"\1l", text, flags=re.IGNORECASE)
        for match in reversed(list(_TEMPERATURE.finditer(text))):
            kept = f"tnom={match[2]}" if match[1].lower() == "t_measured" else ""
            if match[1].lower() == "t_rel_local":
                raise ValueError("T_REL_LOCAL hangs on another model; give T_ABS or T_REL_GLOBAL")
            text = text[: match.start()] + kept + text[match.end() :]
        if name in self.here().multipliers:
            text = re.sub(r"(?<![\w.])[rcl]\s*=\s*(?:\{[^{}]*\}|[^\s,(){}]+)", "", text, flags=re.IGNORECASE)
        return [_groups(text)]

    def subcircuit(self, line: Line) -> str:
        pins, optional, parameters = _header(line.rest)
        named = [node for node, _ in optional]
        given = " ".join(_assigned(*pair) for pair in parameters)
        return f".subckt {' '.join([*pins, *named])}{f' params: {given}' if given else ''}"

    def elements(self, line: Line) -> list[str]:
        """An element line of the commercial notation."""
        text = line.text
        name = text.split(None, 1)[0]
        letter = name[0].lower()
        if _DIGITAL.match(text):
            raise ValueError(
                f"{name}: digital parts and their converters are read in no dialect; draw them with switches"
            )
        if letter in "eg" and _TRANSFER.search(text):
            raise ValueError(TRANSFER.format(name))
        if letter == "b":
            return [_behaviour(text)]
        if letter == "x":
            return [_groups(self.instance(text))]
        if letter == "q":
            text = re.sub(r"\[\s*([^\[\]\s]+)\s*\]", r" \1 ", text)
        if letter in "sw":
            text = re.sub(r"\s+(on|off)$", "", text, flags=re.IGNORECASE)
            model = words.split(text)[-1].lower()
            smooth = self.find(lambda place: dict(place.smooth), model)
            if isinstance(smooth, tuple):
                kind, pairs = smooth
                if (kind == "v") != (letter == "s"):
                    raise ValueError(
                        f"{name}: the model {model} is for a {'W' if kind == 'i' else 'S'} switch"
                    )
                given = {
                    key: f"{{{native_expression(value)}}}" if not words.is_number(value) else value
                    for key, value in pairs.items()
                }
                return [_behaviour(new) for new in smooth_switch(text, given)]
        if letter in "rcldqjm":
            text = self.of_model(text)
        if letter in "eg":
            text = _braced_value(text)
        return [_groups(text)]

    def of_model(self, text: str) -> str:
        """An element line with what its model says about temperature and value put in."""
        found = words.split(text)
        for place, word in enumerate(found[3:], 3):
            temperature = self.find(lambda known: dict(known.temperatures), word.lower())
            factor = self.find(lambda known: dict(known.multipliers), word.lower())
            if factor is not None and text[0].lower() in "rcl":
                value = next(
                    (at for at in range(3, len(found)) if at != place and words.is_value(found[at])), None
                )
                if value is not None:
                    found[value] = f"{{({words.inner(found[value])})*({words.inner(str(factor))})}}"
            if temperature is not None:
                found.append(str(temperature))
            if temperature is not None or factor is not None:
                break
        return " ".join(found)

    def instance(self, text: str) -> str:
        head = re.split(r"\s+(?:params|text)\s*:|\s+\w+\s*=", text, maxsplit=1, flags=re.IGNORECASE)[0]
        rest = re.sub(r"text\s*:.*$", "", text[len(head) :], flags=re.IGNORECASE)
        name, *nodes = words.split(head)
        known = self.optional.get(nodes[-1].lower()) if nodes else None
        if known is None:
            return head + rest
        required, optional = known
        missing = len(optional) - (len(nodes) - 1 - required)
        fill = (
            [default for _, default in optional[len(optional) - missing :]]
            if 0 <= missing <= len(optional)
            else []
        )
        return " ".join([name, *nodes[:-1], *fill, nodes[-1]]) + rest


def _header(rest: str) -> tuple[list[str], list[tuple[str, str]], list[tuple[str, str]]]:
    """Name and pins, optional pins with the nodes that they take where none is given, and parameters."""
    pieces = re.split(r"(?<!\w)(optional|params|text)\s*:", rest, flags=re.IGNORECASE)
    optional: list[tuple[str, str]] = []
    parameters = words.assignments(pieces[0])
    for kind, text in zip(pieces[1::2], pieces[2::2], strict=True):
        if kind.lower() == "optional":
            optional += words.assignments(text)
        elif kind.lower() == "params":
            parameters += words.assignments(text)
    return words.split(words.before_assignments(pieces[0])) or [""], optional, parameters


def _pairs(text: str) -> dict[str, str]:
    body = text.strip().removeprefix("(").removesuffix(")")
    return dict(pair for word in words.split(words.tidy(body)) if (pair := words.pair(word)))


def _assigned(name: str, value: str) -> str:
    if "(" in name or words.is_number(value) or not value:
        return f"{name}={{{native_expression(value)}}}" if "(" in name else f"{name}={value}"
    return f"{name}={{{native_expression(value)}}}"


def _groups(text: str) -> str:
    """The line with every expression in braces or quotes written anew."""
    found, place = "", 0
    while place < len(text):
        if text[place] == "{":
            end = _closing(text, place)
        elif text[place] == "'" and "'" in text[place + 1 :]:
            end = text.index("'", place + 1)
        else:
            found += text[place]
            place += 1
            continue
        found += f"{{{native_expression(text[place + 1 : end])}}}"
        place = end + 1
    return found


def _closing(text: str, start: int) -> int:
    depth = 0
    for place in range(start, len(text)):
        depth += (text[place] == "{") - (text[place] == "}")
        if depth == 0:
            return place
    raise ValueError(f'"{{" is not closed in `{text}`')


def _braced_value(text: str) -> str:
    """``VALUE = V(a)*2`` with the braces that it may lack."""
    match = re.search(r"(?<![\w.])value\s*=\s*(?!\s*[{'])(\S.*)$", text, re.IGNORECASE)
    return text if match is None else f"{text[: match.start()]}value={{{match[1].strip()}}}"


def _behaviour(text: str) -> str:
    """A B source with its expression written anew; it needs no braces."""
    match = re.match(r"(.*?(?<![\w.])[vi]\s*=)(?!=)\s*(.*)$", text, re.IGNORECASE | re.DOTALL)
    if match is None:
        return text
    body, *rest = re.split(r"\s+(?=(?:tc1|tc2|temp|dtemp)\s*=)", match[2], maxsplit=1, flags=re.IGNORECASE)
    return " ".join([match[1] + native_expression(body), *rest])
