# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a circuit switches, read from the netlist as the engine flattened it.

Each level of a switch and each comparison in a behavioural source becomes a *gap*: a function of the node
voltages whose change of sign switches something. Behavioural expressions are parsed against a fixed list of
operators and functions into small programs; text is never evaluated. What may switch but cannot be read is
listed, so that figures of such a netlist are not trusted blindly.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from harness.engine.programs import Program

Column = Callable[[str], int]

_SUFFIXES = {
    "t": 1e12, "g": 1e9, "meg": 1e6, "k": 1e3, "mil": 25.4e-6, "m": 1e-3, "u": 1e-6, "n": 1e-9,
    "p": 1e-12, "f": 1e-15,
}  # fmt: skip
_NUMBER = r"(\d+\.?\d*(?:e[+-]?\d+)?|\.\d+(?:e[+-]?\d+)?)(meg|mil|[tgkmunpf])?"
_TOKEN = re.compile(
    r"\s*(?:" + _NUMBER + r"[a-z]*|([a-z_][\w.#]*)|(\*\*|<=|>=|==|!=|<>|&&|\|\||[-+*/^()?:,<>=!&|~]))", re.I
)
_LEVELS = (("||", "|"), ("&&", "&"), ("<", ">", "<=", ">=", "==", "!=", "<>", "="), ("+", "-"), ("*", "/"))
_COMPARISON = 2
_TIMED = re.compile(r"^[vi].*\b(pulse|sin|pwl|exp|sffm|am|trrandom|trnoise)\b|^b.*\btime\b", re.I)

_ONE_ARGUMENT = {
    "abs": "magnitude", "sqrt": "root", "exp": "exponential", "ln": "logarithm", "log": "logarithm",
    "sin": "sine", "cos": "cosine", "tanh": "hyperbolic_tangent", "atan": "arc_tangent",
    "u": "unit_step", "u2": "clipped", "uramp": "rectified", "sgn": "sign",
}  # fmt: skip
_TWO_ARGUMENTS = {"min": "minimum", "max": "maximum", "pow": "power", "pwr": "signed_power"}
_OPERATORS = {
    "+": "add", "-": "subtract", "*": "multiply", "/": "divide",
    "<": "less", ">": "greater", "<=": "at_most", ">=": "at_least",
    "==": "equal", "=": "equal", "!=": "unequal", "<>": "unequal",
    "&&": "both", "&": "both", "||": "either", "|": "either",
}  # fmt: skip
_MOST_NESTED = 80  # brackets, signs and choices within each other


@dataclass(frozen=True)
class Gap:
    """A function of the watched columns whose change of sign switches something.

    ``direction`` +1 or -1: only a rising or falling change of sign switches; 0: both do.
    """

    value: Program
    direction: int
    text: str


@dataclass(frozen=True)
class Watch:
    """All gaps of a netlist, the lines that may switch but could not be read, and whether a source of time
    drives it.

    ``memory``: nodes at an explicit capacitor, which carry the state from cycle to cycle.
    """

    gaps: tuple[Gap, ...]
    unread: tuple[str, ...]
    timed: bool
    memory: frozenset[str]
    switching: bool


def suffixed(text: str) -> float:
    """A number of a flattened listing, ``4.7k`` or ``-1e-9``, as a float. Raises ValueError."""
    found = re.match(r"([-+]?)" + _NUMBER, text, re.I)
    if found is None:
        raise ValueError(f"no number in {text!r}")
    sign, number, suffix = found.groups()
    return float(sign + number) * _SUFFIXES.get((suffix or "").lower(), 1.0)


def level_gap(place: int, level: float, name: str, rising: bool = True) -> Gap:
    """The gap between the watched column at ``place`` and a fixed level, open to both sides. It rises through
    0 with the column, or against it."""
    column, fixed = Program.column(place), Program.constant(level)
    distance = Program.of("subtract", column, fixed) if rising else Program.of("subtract", fixed, column)
    return Gap(distance, 0, f"{name} = {level:g}")


def difference_gap(first: int, second: int, name: str) -> Gap:
    """The gap between two watched columns, open to both sides."""
    return Gap(Program.of("subtract", Program.column(first), Program.column(second)), 0, name)


def _node(name: str, column: Column) -> Program:
    return Program.constant(0.0) if name in ("0", "gnd") else Program.column(column(name))


class _Reader:
    """Parses one behavioural expression; ``gaps`` collects the functions whose sign changes switch it."""

    def __init__(self, text: str, column: Column) -> None:
        self.column = column
        self.gaps: list[Program] = []
        self.tokens: list[tuple[str | None, str | None, str | None, str | None]] = []
        self.at = self.nested = 0
        self.text = text = text.strip().strip("{}';\" ")
        self.spans: list[tuple[int, int]] = []
        place = 0
        while place < len(text):
            found = _TOKEN.match(text, place)
            if found is None:
                raise ValueError(f"cannot read {text[place : place + 20]!r}")
            number, suffix, name, symbol = found.groups()
            self.spans.append((found.start() + len(found[0]) - len(found[0].lstrip()), found.end()))
            self.tokens.append((number, suffix, name, symbol))
            place = found.end()
        self.value = self.choice()
        if self.at < len(self.tokens):
            raise ValueError("something is left over at the end of the expression")

    def peek(self) -> str | None:
        return self.tokens[self.at][3] if self.at < len(self.tokens) else None

    def take(self, wanted: str = "") -> tuple[str | None, str | None, str | None, str | None]:
        if self.at >= len(self.tokens):
            raise ValueError("the expression ends early")
        token = self.tokens[self.at]
        self.at += 1
        if wanted and token[3] != wanted:
            raise ValueError(f"expected {wanted!r}")
        return token

    def deeper(self) -> None:
        self.nested += 1
        if self.nested > _MOST_NESTED:
            raise ValueError("the expression is too deeply nested")

    def choice(self) -> Program:
        self.deeper()
        value = self.level(0)
        if self.peek() == "?":
            self.take()
            yes = self.choice()
            self.take(":")
            value = Program.of("choice", value, yes, self.choice())
        self.nested -= 1
        return value

    def level(self, depth: int) -> Program:
        if depth == len(_LEVELS):
            return self.sign()
        value = self.level(depth + 1)
        while self.peek() in _LEVELS[depth]:
            symbol = str(self.take()[3])
            other = self.level(depth + 1)
            if depth == _COMPARISON:
                self.gaps.append(Program.of("subtract", value, other))
            value = Program.of(_OPERATORS[symbol], value, other)
        return value

    def sign(self) -> Program:
        self.deeper()
        symbol = self.peek()
        if symbol in ("-", "+", "!", "~"):
            self.take()
            value = self.sign()
            if symbol != "+":
                value = Program.of("negative" if symbol == "-" else "opposite", value)
        else:
            value = self.atom()
            if self.peek() in ("^", "**"):
                self.take()
                value = Program.of("power", value, self.sign())
        self.nested -= 1
        return value

    def node(self) -> Program:
        """A node's name, whatever it looks like: ``3v3``, ``in+``, ``n-1``; it ends at a comma or bracket."""
        begin = self.spans[self.at][0] if self.at < len(self.spans) else len(self.text)
        end = next((place for place in range(begin, len(self.text)) if self.text[place] in ",)"), begin)
        if end == begin:
            raise ValueError("the name of a node is missing")
        while self.at < len(self.spans) and self.spans[self.at][0] < end:
            self.at += 1
        return _node(self.text[begin:end].strip().lower(), self.column)

    def probe(self, name: str) -> Program:
        """What follows ``v(`` or ``i(``."""
        if name == "i":
            source = str(self.take()[2]).lower()
            self.take(")")
            return Program.column(self.column(source + "#branch"))
        first = self.node()
        if self.peek() == ",":
            self.take()
            first = Program.of("subtract", first, self.node())
        self.take(")")
        return first

    def atom(self) -> Program:
        number, suffix, word, symbol = self.take()
        if number is not None:
            return Program.constant(float(number) * _SUFFIXES.get((suffix or "").lower(), 1.0))
        if symbol == "(":
            inner = self.choice()
            self.take(")")
            return inner
        name = (word or "").lower()
        if name == "time":
            return Program.column(self.column("time"))
        if name == "pi":
            return Program.constant(math.pi)
        if self.peek() != "(":
            raise ValueError(f"unknown name {name or symbol!r}")
        self.take("(")
        if name in ("v", "i"):
            return self.probe(name)
        arguments = [self.choice()]
        while self.peek() == ",":
            self.take()
            arguments.append(self.choice())
        self.take(")")
        return self.call(name, arguments)

    def call(self, name: str, arguments: list[Program]) -> Program:
        if name == "ternary_fcn" and len(arguments) == 3:
            return Program.of("choice", *arguments)
        if name in _ONE_ARGUMENT and len(arguments) == 1:
            if name in ("u", "sgn", "u2", "uramp", "abs"):
                self.gaps.append(arguments[0])
            if name == "u2":
                self.gaps.append(Program.of("subtract", arguments[0], Program.constant(1.0)))
            return Program.of(_ONE_ARGUMENT[name], *arguments)
        if name in _TWO_ARGUMENTS and len(arguments) == 2:
            if name in ("min", "max"):
                self.gaps.append(Program.of("subtract", *arguments))
            return Program.of(_TWO_ARGUMENTS[name], *arguments)
        raise ValueError(f"function {name!r} is not read")  # floor, ceil, ddt, pwl, ...


def _switch_gaps(words: list[str], models: dict[str, dict[str, float]], column: Column) -> list[Gap]:
    """The one or two levels of a switch; with a hysteresis above 0 each acts in one direction only."""
    if words[0].startswith("s"):
        control = Program.of("subtract", _node(words[3], column), _node(words[4], column))
        model = models[words[5]]
        name = f"v({words[3]},{words[4]})"
    else:
        control = _node(words[3] + "#branch", column)
        model = models[words[4]]
        name = f"i({words[3]})"
    level = model.get("vt", model.get("it", 0.0))
    width = model.get("vh", model.get("ih", 0.0))
    gaps = []
    for side in (1, -1) if width else (0,):
        at = level + side * abs(width)
        distance = Program.of("subtract", control, Program.constant(at))
        gaps.append(Gap(distance, side if width > 0 else 0, f"{name} = {at:g}"))
    return gaps


def watch(listing: Sequence[str], column: Column) -> Watch:
    """Reads a flattened listing (``listing expand``), one line a string.

    ``column(name)`` gives the place of a node, branch current or ``time`` in the watched vector, and makes
    one where there is none yet.
    """
    lines = [re.sub(r"^\s*\d+\s*:\s*", "", line).strip().lower() for line in listing]
    models: dict[str, dict[str, float]] = {}
    for line in lines:
        if found := re.match(r"\.model\s+(\S+)\s+(sw|csw)\b(.*)", line):
            pairs = re.findall(r"\b(vt|vh|it|ih)\s*=\s*([-+.\w]+)", found[3])
            models[found[1]] = {key: suffixed(number) for key, number in pairs}
    gaps: dict[str, Gap] = {}
    unread: list[str] = []
    for line in lines:
        kind, words = line[:1], line.split()
        try:
            if kind == "b":
                found = re.match(
                    r"\S+\s+\S+\s+\S+\s+[vi]\s*=(.*?)(\s(tc1|tc2|temp|dtemp|m|reciproc\w+)\s*=.*)?$", line
                )
                if found is None:
                    raise ValueError("no expression")
                for i, value in enumerate(_Reader(found[1], column).gaps):
                    gaps[f"{words[0]} {found[1].strip()} [{i}]"] = Gap(value.check(), 0, found[1].strip())
            elif kind in ("s", "w"):
                for gap in _switch_gaps(words, models, column):
                    gaps[f"{gap.text} {gap.direction}"] = gap
            elif kind == "a":
                raise ValueError("code models are not read")
        except (ValueError, KeyError, IndexError) as error:
            unread.append(f"{line[:80]}  [{error}]")
    memory = {
        node
        for line in lines
        if line[:1] == "c"
        for node in line.split()[1:3]
        if node != "0" and len(line.split()) > 3
    }
    return Watch(
        gaps=tuple(gaps.values()),
        unread=tuple(unread),
        timed=any(_TIMED.search(line) for line in lines),
        memory=frozenset(memory),
        switching=bool(gaps) or any(line[:1] in ("s", "w", "a") for line in lines) or bool(unread),
    )
