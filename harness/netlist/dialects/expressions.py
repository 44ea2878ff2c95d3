# SPDX-License-Identifier: GPL-3.0-or-later
"""Expressions of the commercial notation as the engine and its step control read them.

The text is parsed against a fixed list and written anew; nothing else gets through. What the engine lacks or
means otherwise becomes plain algebra:

* ``IF(c, a, b)``, ``LIMIT(x, low, high)``, ``STP``, ``TABLE(x, x1, y1, ...)``, ``PWR``, ``PWRS``;
* ``&``, ``|``, ``~`` as logic, ``^`` between conditions as "either, not both", otherwise as a power;
* powers. The engine drops the sign of a negative base, so a whole exponent becomes a product or gets its sign
  back. A base below zero under an exponent that is not whole counts by its size. Where the slope at a base of
  zero could be infinite, 1e-30 is added to the base: the engine starts there and would give up.

A table is a sum of clipped ramps, exact at and between its points and flat beyond them, so that each of its
corners can be seen by the step control. ``LOG`` is the natural logarithm; ``TEMP`` is the temperature.
Meaning of the functions: common practice of such models, from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from harness.netlist import words
from harness.units import parse_spice

LONGEST = 20_000
DEEPEST = 80
FUNCTIONS = frozenset(
    words.split("if limit pwr pwrs stp table sdt arctan int buf inv round square hypot db sign")
)
"""Functions that only this notation has."""

_ATOM, _POWER, _SIGN, _PRODUCT, _SUM, _COMPARISON, _AND, _OR, _CHOICE = range(9, 0, -1)
_SAME = frozenset(
    words.split(
        "abs sqrt exp ln log10 sin cos tan sinh cosh tanh asin acos atan asinh acosh atanh sgn floor ceil ddt"
    )
)
_RENAMED = {"log": "ln", "arctan": "atan", "sign": "sgn"}
_TEMPLATES = {
    ("pwr", 2): "pow(abs({0})+1e-30,{1})",
    ("pwrs", 2): "(sgn({0})*pow(abs({0})+1e-30,{1}))",
    ("stp", 1): "(({0})>0?1:0)", ("u", 1): "(({0})>0?1:0)",
    ("uramp", 1): "max({0},0)",
    ("buf", 1): "(({0})>0.5?1:0)", ("inv", 1): "(({0})>0.5?0:1)",
    ("int", 1): "(sgn({0})*floor(abs({0})))",
    ("round", 1): "floor(({0})+0.5)",
    ("square", 1): "(({0})*({0}))",
    ("hypot", 2): "sqrt(({0})*({0})+({1})*({1}))",
    ("log10", 1): "(ln({0})/2.302585092994046)",  # this and the next three so that step control reads them
    ("db", 1): "(ln(abs({0}))*8.685889638065037)",
    ("sinh", 1): "(0.5*(exp({0})-exp(-({0}))))", ("cosh", 1): "(0.5*(exp({0})+exp(-({0}))))",
    ("tan", 1): "(sin({0})/cos({0}))",
}  # fmt: skip
_UNREADABLE = {
    "sdt": "an integral; draw a capacitor that a G source charges",
    "idt": "an integral; draw a capacitor that a G source charges",
    "idtmod": "an integral; draw a capacitor that a G source charges",
    "delay": "a pure delay; draw a line (T)", "absdelay": "a pure delay; draw a line (T)",
    "atan2": "an angle of two arguments; write atan(y/x)",
    **dict.fromkeys(("m", "p", "r", "img"), "part of a complex number, of which only small signals consist"),
    **dict.fromkeys(("rand", "random", "white", "mc", "flat"), "random; tolerances belong in the board file"),
}  # fmt: skip
_NAMES = {"temp": "temper", "true": "1", "false": "0"}
_TOKEN = re.compile(
    rf"\s*(?:(?P<number>{words.NUMBER}[^\W\d_]*)|(?P<name>[^\W\d][\w.#]*)"
    r"|(?P<sign>\*\*|<=|>=|==|!=|<>|&&|\|\||[-+*/^()?:,<>=!&|~{}\[\]'\"]))"
)
_LEVELS: tuple[tuple[int, dict[str, str]], ...] = (
    (_OR, {"||": "||", "|": "||"}),
    (_AND, {"&&": "&&", "&": "&&"}),
    (_COMPARISON, {sign: sign for sign in ("<", ">", "<=", ">=", "==", "!=")} | {"<>": "!=", "=": "=="}),
    (_SUM, {"+": "+", "-": "-"}),
    (_PRODUCT, {"*": "*", "/": "/"}),
)  # fmt: skip
_PRODUCTS_UP_TO, _LONGEST_FACTOR = 4, 60


@dataclass(frozen=True)
class _Term:
    """A piece of the new text: how tightly it holds together, its value where it is a literal number."""

    text: str
    level: int = _ATOM
    value: float | None = None

    def at(self, level: int) -> str:
        """The text, in brackets where it holds together less than ``level``."""
        return self.text if self.level >= level else f"({self.text})"


def native_expression(text: str) -> str:
    """The expression in the engine's own notation, without braces around it. Raises ValueError with a
    sentence."""
    new = _Parser(words.inner(text)).whole()
    if len(new) > LONGEST:
        raise ValueError(f"`{text[:60]}...` becomes longer than {LONGEST} characters")
    return new


def table_expression(argument: str, points: Sequence[str]) -> str:
    """A piecewise linear function of ``argument`` through ``points``, x and y in turn, in the engine's own
    notation: ``y1 + sum of slope * (min(max(x, xk), xk+1) - xk)``.

    Points may be expressions; where they are numbers, x has to rise or stand still (a step). Raises
    ValueError.
    """
    if len(points) < 2 or len(points) % 2:
        raise ValueError("a table wants pairs of x and y")
    xs, ys = points[::2], points[1::2]
    if len(xs) == 1:
        return f"({ys[0]})"
    pieces = [f"({ys[0]})"]
    for x, y, x_next, y_next in zip(xs, ys, xs[1:], ys[1:], strict=False):
        low, high = _number(x), _number(x_next)
        if low is not None and high is not None and high < low:
            raise ValueError(f"the points of a table go from left to right, but {x_next} comes behind {x}")
        rise = f"(({y_next})-({y}))"
        if low is not None and low == high:
            pieces.append(f"{rise}*(({argument})>({x})?1:0)")
        else:
            run = f"(({x_next})-({x}))"
            pieces.append(f"{rise}/{run}*(min(max({argument},{x}),{x_next})-({x}))")
    return f"({'+'.join(pieces)})"


def _number(text: str) -> float | None:
    try:
        return parse_spice(text.strip().strip("()"))
    except ValueError:
        return None


class _Parser:
    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens: list[tuple[str, str, int]] = []
        self.at = self.depth = 0
        place = 0
        while text[place:].strip():
            found = _TOKEN.match(text, place)
            if found is None:
                raise ValueError(f'`{text}`: "{text[place:].strip()[0]}" has no place in an expression')
            kind = str(found.lastgroup)
            self.tokens.append((kind, found[kind], found.start(kind)))
            place = found.end()

    def whole(self) -> str:
        term = self.choice()
        if self.at < len(self.tokens):
            raise ValueError(f'`{self.text}`: expected an operator before "{self.tokens[self.at][1]}"')
        return term.text

    def peek(self) -> str:
        return self.tokens[self.at][1] if self.at < len(self.tokens) else ""

    def is_sign(self) -> bool:
        return self.at < len(self.tokens) and self.tokens[self.at][0] == "sign"

    def take(self, wanted: str = "") -> tuple[str, str, int]:
        if self.at >= len(self.tokens):
            expected = f'expected "{wanted}"' if wanted else "expected something"
            raise ValueError(f"`{self.text}`: {expected} at the end")
        token = self.tokens[self.at]
        if wanted and token[1] != wanted:
            raise ValueError(f'`{self.text}`: expected "{wanted}", got "{token[1]}"')
        self.at += 1
        return token

    def deeper(self) -> None:
        """One level down. Raises ValueError where that is too deep."""
        self.depth += 1
        if self.depth > DEEPEST:
            raise ValueError(f"`{self.text[:60]}...` is nested more than {DEEPEST} deep")

    def choice(self) -> _Term:
        self.deeper()
        term = self.binary(0)
        if self.peek() == "?":
            self.take()
            yes = self.choice()
            self.take(":")
            term = _choose(term, yes, self.choice())
        self.depth -= 1
        return term

    def binary(self, place: int) -> _Term:
        if place == len(_LEVELS):
            return self.signed()
        level, signs = _LEVELS[place]
        term = self.binary(place + 1)
        while self.is_sign() and self.peek() in signs:
            sign = signs[self.take()[1]]
            other = self.binary(place + 1)
            term = _Term(f"{term.at(level)}{sign}{other.at(level + 1)}", level)
        return term

    def signed(self) -> _Term:
        if self.is_sign() and self.peek() in "+-!~":
            self.deeper()
            sign = self.take()[1]
            term = self.signed()
            self.depth -= 1
            if sign == "+":
                return term
            value = -term.value if sign == "-" and term.value is not None else None
            return _Term(f"{'-' if sign == '-' else '!'}{term.at(_SIGN)}", _SIGN, value)
        return self.power()

    def power(self) -> _Term:
        base = self.atom()
        while self.peek() in ("**", "^"):
            caret = self.take()[1] == "^"
            sign = self.take()[1] if self.is_sign() and self.peek() in "+-" else ""
            exponent = self.atom()
            if sign == "-":
                value = None if exponent.value is None else -exponent.value
                exponent = _Term(f"-{exponent.at(_SIGN)}", _SIGN, value)
            if self.peek() in ("**", "^"):
                raise ValueError(f"`{self.text}`: two powers in a row can be read in two ways, put brackets")
            if caret and _COMPARISON >= base.level >= _OR and _COMPARISON >= exponent.level >= _OR:
                base = _Term(f"({base.text})!=({exponent.text})", _COMPARISON)
            else:
                base = raised(base, exponent)
        return base

    def atom(self) -> _Term:
        kind, text, _ = self.take()
        if kind == "number":
            try:
                return _Term(text, _ATOM, parse_spice(text))
            except ValueError as error:
                raise ValueError(f"`{self.text}`: {error}") from None
        if kind == "name":
            if self.peek() != "(":
                return _Term(_NAMES.get(text.lower(), text))
            if text.lower() in ("v", "i"):
                return self.probe(text)
            return self.call(text.lower())
        closing = {"(": ")", "{": "}", "[": "]", "'": "'", '"': '"'}.get(text)
        if closing is None:
            raise ValueError(f'`{self.text}`: expected a number or a name, got "{text}"')
        inside = self.choice()
        self.take(closing)
        level = inside.level if _COMPARISON >= inside.level >= _OR else _ATOM
        return inside if level != _ATOM or inside.value is not None else _Term(f"({inside.text})", _ATOM)

    def probe(self, name: str) -> _Term:
        """``V(a,b)`` and ``I(V1)``: what stands in the brackets are names, whatever they look like."""
        begin = self.take("(")[2]
        end = self.text.find(")", begin)
        inside = words.split(self.text[begin + 1 : end]) if end > 0 else []
        most, wanted = (2, "node or two") if name.lower() == "v" else (1, "source")
        if not 1 <= len(inside) <= most:
            raise ValueError(f"`{self.text}`: {name}(...) wants the name of a {wanted}")
        while self.at < len(self.tokens) and self.tokens[self.at][2] <= end:
            self.at += 1
        return _Term(f"{name}({','.join(inside)})")

    def call(self, name: str) -> _Term:
        self.take("(")
        arguments = [self.choice()] if self.peek() != ")" else []
        while self.peek() == ",":
            self.take()
            arguments.append(self.choice())
        self.take(")")
        texts = [argument.text for argument in arguments]
        name = _RENAMED.get(name, name)
        if name in _UNREADABLE:
            raise ValueError(
                f"`{self.text}`: {name}() is {_UNREADABLE[name]}; no dialect of this program reads it"
            )
        template = _TEMPLATES.get((name, len(arguments)))
        if template is not None:
            return _Term(template.format(*texts))
        match name, len(arguments):
            case ("if", 3):
                return _Term(f"({_choose(*arguments).text})")
            case ("limit", 3):
                low, high = arguments[1:]
                if low.value is not None and high.value is not None and low.value > high.value:
                    low, high = high, low
                return _Term(f"min(max({texts[0]},{low.text}),{high.text})")
            case ("pow", 2):
                return raised(*arguments)
            case ("min" | "max", count) if count >= 2:
                text = texts[0]
                for other in texts[1:]:
                    text = f"{name}({text},{other})"
                return _Term(text)
            case ("table", count) if count >= 3 and count % 2:
                try:
                    return _Term(table_expression(texts[0], texts[1:]))
                except ValueError as error:
                    raise ValueError(f"`{self.text}`: {error}") from None
        if name in (*FUNCTIONS, *_SAME, "pow", "min", "max") and not (name in _SAME and len(arguments) == 1):
            raise ValueError(f"`{self.text}`: {name}() is not read with {len(arguments)} argument(s)")
        return _Term(f"{name}({','.join(texts)})")  # one of the engine's, or one that a .func line defines


def _choose(condition: _Term, yes: _Term, no: _Term) -> _Term:
    return _Term(f"({condition.text})?({yes.text}):({no.text})", _CHOICE)


def raised(base: _Term, exponent: _Term) -> _Term:
    """``base ** exponent`` with its sign, whatever the engine makes of negative bases."""
    power = exponent.value
    if base.value is not None and base.value > 0:
        return _Term(f"pow({base.text},{exponent.text})")
    if power is None:  # the sign of a whole power; for others the real part of the principal value
        size = f"pow(abs({base.text})+1e-30,{exponent.text})"
        return _Term(f"({size}*(({base.text})<0?cos({math.pi!r}*({exponent.text})):1))")
    if power != int(power):
        return _Term(f"pow(abs({base.text})+1e-30,{exponent.text})")
    count = abs(int(power))
    if count == 0:
        return _Term("1", _ATOM, 1.0)
    if count == 1 or (count <= _PRODUCTS_UP_TO and len(base.text) <= _LONGEST_FACTOR):
        text = "*".join([base.at(_ATOM)] * count)
    else:
        text = (
            f"pow(abs({base.text}),{count})"
            if count % 2 == 0
            else f"sgn({base.text})*pow(abs({base.text}),{count})"
        )
    return _Term(f"({text})") if power > 0 else _Term(f"(1/({text}))")
