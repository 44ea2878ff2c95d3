# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading algebra into a small syntax tree: numbers, names, operators and a short list of functions, nothing
else.

Nothing is ever handed to the interpreter. The tree can only hold the five kinds of node below, so a formula
cannot do anything but arithmetic. Length, nesting and the number of nodes are capped.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from harness.findings import nearest

LONGEST = 2000
DEEPEST = 60
MOST_TOKENS = 400


class FormulaError(ValueError):
    """A formula that cannot be read or that makes no sense; the message names the formula and the place."""


@dataclass(frozen=True)
class Number:
    """A literal: its value in SI units, its unit text, and where it stands in the formula."""

    value: float
    unit: str
    span: tuple[int, int]


@dataclass(frozen=True)
class Name:
    """A part, an axis, a constant or another formula."""

    name: str
    span: tuple[int, int]


@dataclass(frozen=True)
class Negation:
    """A sign or a logical not (``!``)."""

    operator: str
    operand: Node
    span: tuple[int, int]


@dataclass(frozen=True)
class Operation:
    """Two operands: ``+ - * / **``, or a comparison."""

    operator: str
    left: Node
    right: Node
    span: tuple[int, int]


@dataclass(frozen=True)
class Call:
    """A function of the short list with its arguments."""

    function: str
    arguments: tuple[Node, ...]
    span: tuple[int, int]


Node = Number | Name | Negation | Operation | Call


def names_in(node: Node) -> Iterator[Name]:
    """Every name of a tree, from left to right."""
    match node:
        case Name():
            yield node
        case Negation(operand=operand):
            yield from names_in(operand)
        case Operation(left=left, right=right):
            yield from names_in(left)
            yield from names_in(right)
        case Call(arguments=arguments):
            for argument in arguments:
                yield from names_in(argument)
        case Number():
            pass


@dataclass(frozen=True)
class Grammar:
    """What one notation allows.

    ``number`` turns the text of a literal into (value, unit) and raises ValueError. ``functions`` gives the
    least and the greatest number of arguments. ``levels`` lists binary operators from the loosest to the
    tightest, powers left out. ``conditional`` allows ``a ? b : c`` and ``!``. ``conditions_in`` names the
    function whose first argument is a comparison.
    """

    number: Callable[[str], tuple[float, str]]
    literal: re.Pattern[str]
    functions: dict[str, tuple[int, int]]
    levels: tuple[frozenset[str], ...]
    powers: tuple[str, ...] = ("**",)
    conditional: bool = False
    conditions_in: str = ""


_TOKEN = re.compile(
    r"(?P<name>[^\W\d]\w*)|(?P<operator>\*\*|<=|>=|==|!=|&&|\|\||[-+*/^(),<>?:!])|(?P<other>\S)"
)
COMPARISONS = frozenset({"<", "<=", ">", ">=", "==", "!="})
_SPACE = re.compile(r"\s*")


def parse(text: str, grammar: Grammar) -> Node:
    """The syntax tree of ``text``. Raises FormulaError for everything that is not plain algebra."""
    if len(text) > LONGEST:
        raise FormulaError(f"a formula of {len(text)} characters is too long; at most {LONGEST} are read")
    parser = _Parser(text, grammar)
    if len(parser.tokens) > MOST_TOKENS:
        raise FormulaError(
            f"a formula of more than {MOST_TOKENS} numbers, names and signs is not read; split it"
        )
    return parser.whole()


class _Parser:
    def __init__(self, text: str, grammar: Grammar) -> None:
        self.text = text
        self.grammar = grammar
        self.tokens = self._scan()
        self.index = 0
        self.depth = 0

    def _fail(self, message: str, column: int) -> FormulaError:
        return FormulaError(f"cannot read `{self.text}` at column {column + 1}: {message}")

    def _scan(self) -> list[tuple[str, str, int, int]]:
        tokens: list[tuple[str, str, int, int]] = []
        place = 0
        while True:
            space = _SPACE.match(self.text, place)
            place = space.end() if space else place
            if place == len(self.text):
                tokens.append(("end", "", place, place))
                return tokens
            literal = self.grammar.literal.match(self.text, place)
            if literal:
                tokens.append(("number", literal[0], *literal.span()))
                place = literal.end()
                continue
            found = _TOKEN.match(self.text, place)
            if found is None or found.lastgroup == "other":
                raise self._fail(f'"{self.text[place]}" has no place in a formula', place)
            tokens.append((str(found.lastgroup), found[0], *found.span()))
            place = found.end()

    def whole(self) -> Node:
        node = self._expression()
        kind, token, start, _ = self.tokens[self.index]
        if kind != "end":
            expected = "an operator" if kind in ("name", "number") or token == "(" else "the end"
            raise self._fail(f'expected {expected} before "{token}"', start)
        return node

    def _take(self, *operators: str) -> str:
        kind, token, _, _ = self.tokens[self.index]
        if kind == "operator" and token in operators:
            self.index += 1
            return token
        return ""

    def _deeper(self) -> None:
        self.depth += 1
        if self.depth > DEEPEST:
            raise FormulaError(f"a formula nested deeper than {DEEPEST} levels is not read")

    def _span(self, first: int) -> tuple[int, int]:
        return self.tokens[first][2], self.tokens[self.index - 1][3]

    def _expression(self) -> Node:
        self._deeper()
        first = self.index
        node = self._level(0)
        if self.grammar.conditional and self._take("?"):
            chosen = self._expression()
            if not self._take(":"):
                raise self._fail('expected ":"', self.tokens[self.index][2])
            node = Call("where", (node, chosen, self._expression()), self._span(first))
        self.depth -= 1
        return node

    def _level(self, level: int) -> Node:
        if level == len(self.grammar.levels):
            return self._signed()
        first = self.index
        node = self._level(level + 1)
        while operator := self._take(*self.grammar.levels[level]):
            node = Operation(operator, node, self._level(level + 1), self._span(first))
        return node

    def _signed(self) -> Node:
        self._deeper()
        first = self.index
        operator = self._take("-", "+", "!") if self.grammar.conditional else self._take("-", "+")
        node: Node
        if operator:
            operand = self._signed()
            node = operand if operator == "+" else Negation(operator, operand, self._span(first))
        else:
            node = self._power()
        self.depth -= 1
        return node

    def _power(self) -> Node:
        first = self.index
        node = self._atom()
        if self._take(*self.grammar.powers):
            node = Operation("**", node, self._exponent(), self._span(first))
            if self._take(*self.grammar.powers):
                raise self._fail(
                    "two powers in a row can be read in two ways, put brackets", self.tokens[first][2]
                )
        return node

    def _exponent(self) -> Node:
        first = self.index
        if self._take("-"):
            return Negation("-", self._atom(), self._span(first))
        return self._atom()

    def _atom(self) -> Node:
        kind, token, start, end = self.tokens[self.index]
        first = self.index
        self.index += 1
        if kind == "number":
            return self._literal(token, start, end)
        if kind == "name":
            return self._call(token, first) if self._take("(") else self._plain_name(token, start, end)
        if token == "(":
            node = self._expression()
            if not self._take(")"):
                raise self._fail('expected ")"', self.tokens[self.index][2])
            return node
        got = f'"{token}"' if token else "the end"
        hint = "; a power is written **" if token == "^" else ""
        raise self._fail(f"expected a number or a name, got {got}{hint}", start)

    def _literal(self, token: str, start: int, end: int) -> Number:
        try:
            value, unit = self.grammar.number(token)
        except ValueError as error:
            raise self._fail(str(error), start) from None
        return Number(value, unit, (start, end))

    def _plain_name(self, token: str, start: int, end: int) -> Name:
        if token.lower() in self.grammar.functions:
            raise self._fail(f'"{token}" is a function and wants its arguments in brackets', start)
        return Name(token, (start, end))

    def _call(self, function: str, first: int) -> Call:
        name = function.lower()
        start = self.tokens[first][2]
        if name not in self.grammar.functions:
            hint = nearest(function, self.grammar.functions)
            raise self._fail(f'"{function}" is no function{hint}; a product needs a "*"', start)
        arguments = [self._argument(name, 0)]
        while self._take(","):
            arguments.append(self._argument(name, len(arguments)))
        if not self._take(")"):
            raise self._fail('expected ")" or ","', self.tokens[self.index][2])
        least, most = self.grammar.functions[name]
        if not least <= len(arguments) <= most:
            number = (
                f"{least}"
                if least == most
                else f"{least} to {most}"
                if most < DEEPEST
                else f"at least {least}"
            )
            plural = "" if number in ("1", "at least 1") else "s"
            raise self._fail(f'"{function}" wants {number} argument{plural}, got {len(arguments)}', start)
        return Call(name, tuple(arguments), self._span(first))

    def _argument(self, function: str, position: int) -> Node:
        begin = self.index
        node = self._expression()
        if function != self.grammar.conditions_in or position != 0:
            return node
        first = self.tokens[self.index][2]
        operator = self._take(*COMPARISONS)
        if not operator:
            raise self._fail(
                f'the first argument of "{function}" is a comparison such as a < b; expected one', first
            )
        return Operation(operator, node, self._expression(), self._span(begin))
