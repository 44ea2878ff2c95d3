# SPDX-License-Identifier: GPL-3.0-or-later
"""Formulas of a board file and parameter expressions of a netlist: evaluated by walking their tree, units
checked.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property, lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from harness.dimensions import CELSIUS, KELVIN, NONE, Dimension, dimension_of
from harness.expressions import (
    COMPARISONS,
    Call,
    FormulaError,
    Grammar,
    Name,
    Negation,
    Node,
    Number,
    Operation,
    names_in,
    parse,
)
from harness.findings import nearest
from harness.predict.width_networks import two_slope_taper
from harness.units import engineering, parse_si, parse_spice

__all__ = ["CONSTANTS", "FUNCTIONS", "Formula", "FormulaError", "evaluate_spice"]

_T = TypeVar("_T")
Values = NDArray[np.float64] | float
CONSTANTS: Mapping[str, float] = {"pi": math.pi}
_MANY = 99
_LARGEST_EXPONENT = 12
_ICE_POINT = 273.15  # K at 0 degC, by definition of the degree Celsius
_OWN_ZERO = f"degC counts from a zero of its own: add {_ICE_POINT} K or take a difference"


def _parallel(*resistances: Any) -> Any:
    """Resistances side by side: 1/(1/a + 1/b + ...)."""
    return 1.0 / sum(1.0 / resistance for resistance in resistances)


def _fold(function: Callable[[Any, Any], Any]) -> Callable[..., Any]:
    def folded(*values: Any) -> Any:
        result = values[0]
        for value in values[1:]:
            result = function(result, value)
        return result

    return folded


def _clip(value: Any, least: Any, most: Any) -> Any:
    return np.minimum(np.maximum(value, least), most)


_NUMERIC: dict[str, Callable[..., Any]] = {
    "min": _fold(np.minimum),
    "max": _fold(np.maximum),
    "abs": np.abs,
    "sqrt": np.sqrt,
    "exp": np.exp,
    "ln": np.log,
    "log10": np.log10,
    "clip": _clip,
    "parallel": _parallel,
    "taper": two_slope_taper,
    "where": np.where,
}
FUNCTIONS: Mapping[str, tuple[int, int]] = {
    "min": (2, _MANY), "max": (2, _MANY), "abs": (1, 1), "sqrt": (1, 1), "exp": (1, 1), "ln": (1, 1),
    "log10": (1, 1), "clip": (3, 3), "parallel": (2, _MANY), "where": (3, 3),
    "taper": (2, 2),
}  # fmt: skip
_SUMS = frozenset({"+", "-"})
_PRODUCTS = frozenset({"*", "/"})


def _board_number(text: str) -> tuple[float, str]:
    try:
        quantity = parse_si(text)
    except ValueError as error:
        parted = re.fullmatch(r"(\S+?)\s+(\w+)", text)
        hint = f'; between "{parted[1]}" and "{parted[2]}" a "*" may be missing' if parted else ""
        raise ValueError(f"{error}{hint}") from None
    return quantity.value, quantity.unit


_LITERAL = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_BOARD = Grammar(
    number=_board_number,
    literal=re.compile(rf"{_LITERAL}(?:\s*(?:[^\W\d]\w*|\u00b0C|%))?"),
    functions=dict(FUNCTIONS),
    levels=(_SUMS, _PRODUCTS),
    conditions_in="where",
)


def _divide(left: Any, right: Any) -> Any:
    return np.where(np.equal(right, 0.0), np.nan, np.divide(left, right))


_BINARY: dict[str, Callable[..., Any]] = {
    "+": np.add, "-": np.subtract, "*": np.multiply, "/": _divide, "**": np.float_power,
    "<": np.less, "<=": np.less_equal, ">": np.greater, ">=": np.greater_equal,
    "==": np.equal, "!=": np.not_equal, "&&": np.logical_and, "||": np.logical_or,
}  # fmt: skip


_Term = tuple[Node, Dimension]


def _is_zero(term: Node) -> bool:
    """A literal 0, which has every dimension."""
    return isinstance(term, Number) and term.value == 0.0 and term.unit == ""


def _walk(node: Node, namespace: Mapping[str, Any], functions: Mapping[str, Callable[..., Any]]) -> Any:
    match node:
        case Number(value=value):
            return np.float64(value)
        case Name(name=name):
            return namespace[name.lower()]
        case Negation(operator=operator, operand=operand):
            value = _walk(operand, namespace, functions)
            return np.logical_not(value) if operator == "!" else np.negative(value)
        case Operation(operator=operator, left=left, right=right):
            combine = functions.get(operator, _BINARY[operator])
            return combine(_walk(left, namespace, functions), _walk(right, namespace, functions))
        case Call(function=function, arguments=arguments):
            return functions[function](*(_walk(argument, namespace, functions) for argument in arguments))


@dataclass(frozen=True)
class Formula:
    """Plain algebra over names: ``(control/Rcv + Vrail/Rbias) * parallel(Rcv, Rbias, Rtop)``.

    Numbers may carry units (``0.15 V``, ``3.3k``, ``4K7``); names are case-blind, as parts of a netlist are.
    Functions: ``min max abs sqrt exp ln log10 clip parallel taper`` and ``where(a < b, x, y)``; the constant
    ``pi``. Raises FormulaError for anything else, when made.
    """

    text: str
    tree: Node = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tree", parse(self.text, _BOARD))

    def __str__(self) -> str:
        return self.text

    @cached_property
    def names(self) -> frozenset[str]:
        """The names that need a value, as written; constants left out."""
        return frozenset(name.name for name in names_in(self.tree) if name.name.lower() not in CONSTANTS)

    def _lowered(self, namespace: Mapping[str, _T]) -> dict[str, _T]:
        lowered = {name.lower(): value for name, value in namespace.items()}
        for name in sorted(self.names):
            if name.lower() not in lowered:
                raise FormulaError(f'`{self.text}`: no value for "{name}"{nearest(name, namespace)}')
        return lowered

    def evaluate(self, namespace: Mapping[str, Values]) -> Values:
        """The figure in SI units: an array where any name is an array (shapes broadcast), otherwise a float.

        A division by zero, a root or logarithm of a negative number and an overflow give nan, without a
        warning. Raises FormulaError for a name without a value.
        """
        known = {**CONSTANTS, **self._lowered(namespace)}
        used = {name.name.lower() for name in names_in(self.tree)}
        arrays = {name: np.asarray(known[name], dtype=np.float64) for name in used}
        with np.errstate(all="ignore"):
            result = np.asarray(_walk(self.tree, arrays, _NUMERIC), dtype=np.float64)
        shape = np.broadcast_shapes(*(value.shape for value in arrays.values()))
        finite = np.where(np.isfinite(result), result, np.nan)
        return float(finite) if shape == () else np.broadcast_to(finite, shape).copy()

    def dimension(self, namespace: Mapping[str, Dimension]) -> Dimension:
        """The dimension of the figure. Raises FormulaError naming the formula, the term and both units.

        A plain number may only be added to plain numbers; a literal 0 may be added to anything. A difference
        of two figures in degC is in K; adding ``273.15 K`` to one gives K, adding any other K gives degC.
        """
        known = {**dict.fromkeys(CONSTANTS, NONE), **self._lowered(namespace)}
        return self._dimension(self.tree, known)

    def _part(self, node: Node) -> str:
        return self.text[node.span[0] : node.span[1]]

    def _dimension(self, node: Node, known: Mapping[str, Dimension]) -> Dimension:
        match node:
            case Number(unit=unit):
                return dimension_of(unit)
            case Name(name=name):
                return known[name.lower()]
            case Negation(operand=Number(unit=unit)):
                return dimension_of(unit)
            case Negation(operand=operand):
                return self._span(operand, known)
            case Operation(operator="*", left=left, right=right):
                return self._span(left, known) * self._span(right, known)
            case Operation(operator="/", left=left, right=right):
                return self._span(left, known) / self._span(right, known)
            case Operation(operator="**", left=left, right=right):
                return self._power_dimension(node, left, right, known)
            case Operation(operator=operator, left=left, right=right):
                verb = {"+": "adds", "-": "subtracts"}.get(operator, "compares")
                one, other = self._dimension(left, known), self._dimension(right, known)
                if verb != "compares" and (one.celsius or other.celsius):
                    return self._temperature(node, verb, (left, one), (right, other))
                return self._same(node, verb, ((left, one), (right, other)))
            case Call(function="where", arguments=(condition, *chosen)):
                self._dimension(condition, known)
                terms = tuple((term, self._dimension(term, known)) for term in chosen)
                return self._same(node, '"where" chooses between', terms)
            case Call(function=function, arguments=arguments) if function in ("exp", "ln", "log10", "taper"):
                for argument in arguments:
                    found = self._dimension(argument, known)
                    if found != NONE:
                        term = self._part(argument)
                        raise FormulaError(
                            f'`{self.text}`: "{function}" wants a plain number, but `{term}` is in {found}'
                        )
                return NONE
            case Call(function="sqrt", arguments=(argument,)):
                return self._span(argument, known) ** Fraction(1, 2)
            case Call(function=function, arguments=arguments):
                dimension = self._span if function in ("abs", "parallel") else self._dimension
                terms = tuple((term, dimension(term, known)) for term in arguments)
                return self._same(node, f'"{function}" compares', terms)

    def _span(self, node: Node, known: Mapping[str, Dimension]) -> Dimension:
        """The dimension of a term that is multiplied, negated or raised, which only a span can be."""
        found = self._dimension(node, known)
        if found.celsius:
            raise FormulaError(f"`{self.text}`: `{self._part(node)}` is in degC; {_OWN_ZERO}")
        return found

    def _temperature(self, node: Node, verb: str, left: _Term, right: _Term) -> Dimension:
        """The dimension of a sum or difference with a term in degC."""
        (one, first), (other, second) = left, right
        if first.celsius and second.celsius and verb == "subtracts":
            return KELVIN
        span, size = (other, second) if first.celsius else (one, first)
        if (size == KELVIN or _is_zero(span)) and (first.celsius or verb == "adds"):
            to_kelvin = isinstance(span, Number) and span.value == _ICE_POINT and verb == "adds"
            return KELVIN if to_kelvin else CELSIUS
        raise FormulaError(self._clash(node, verb, left, right))

    def _same(self, node: Node, verb: str, terms: tuple[_Term, ...]) -> Dimension:
        first: _Term | None = None
        for term, found in terms:
            if _is_zero(term):
                continue
            if first is None:
                first = (term, found)
            elif found != first[1]:
                raise FormulaError(self._clash(node, verb, first, (term, found)))
        return first[1] if first else NONE

    def _clash(self, node: Node, verb: str, first: _Term, second: _Term) -> str:
        one, other = self._part(first[0]), self._part(second[0])
        found = {first[1], second[1]}
        hint = f"; {_OWN_ZERO}" if CELSIUS in found and found <= {CELSIUS, KELVIN, NONE} else ""
        where = "" if self._part(node) == self.text else f", in `{self._part(node)}`"
        if verb == "adds":
            first, second, one, other = second, first, other, one
            joined = f"adds {first[1]} to {second[1]} (`{one}` to `{other}`)"
        elif verb == "subtracts":
            joined = f"subtracts {second[1]} from {first[1]} (`{other}` from `{one}`)"
        else:
            joined = f"{verb} {first[1]} with {second[1]} (`{one}`, `{other}`)"
        return f"`{self.text}`: {joined}{where}{hint}"

    def _power_dimension(
        self, node: Node, base: Node, exponent: Node, known: Mapping[str, Dimension]
    ) -> Dimension:
        of_exponent = self._dimension(exponent, known)
        if of_exponent != NONE:
            raise FormulaError(
                f"`{self.text}`: the exponent `{self._part(exponent)}` is in {of_exponent}; "
                "it has to be a plain number"
            )
        of_base = self._span(base, known)
        if of_base == NONE:
            return NONE
        if any(True for _ in names_in(exponent)):
            raise FormulaError(
                f"`{self.text}`: `{self._part(base)}` is in {of_base}, so its exponent has to be a number, "
                f"not `{self._part(exponent)}`"
            )
        value = float(np.asarray(_walk(exponent, {}, _NUMERIC)))
        if not abs(value) <= _LARGEST_EXPONENT:
            raise FormulaError(
                f"`{self._part(node)}`: the exponent of a unit may be at most {_LARGEST_EXPONENT}"
            )
        return of_base ** Fraction(value).limit_denominator(_LARGEST_EXPONENT)

    def with_numbers(self, namespace: Mapping[str, float], units: Mapping[str, str] | None = None) -> str:
        """The formula's text with figures in the place of names: ``(4 V/100 kOhm + ...) * parallel(...)``.

        ``units`` gives the unit of a name; without one the bare number stands. Raises FormulaError for a name
        without a value.
        """
        known = self._lowered(namespace)
        unit_of = {name.lower(): unit for name, unit in (units or {}).items()}
        text = self.text
        for name in sorted(names_in(self.tree), key=lambda found: found.span, reverse=True):
            lowered = name.name.lower()
            if lowered in CONSTANTS:
                continue
            figure = engineering(float(known[lowered]), unit_of.get(lowered, ""))
            powered = "**" in (text[name.span[1] :].lstrip()[:2], text[: name.span[0]].rstrip()[-2:])
            divided = text[: name.span[0]].rstrip().endswith("/") and " " in figure
            figure = f"({figure})" if figure.startswith("-") or powered or divided else figure
            text = text[: name.span[0]] + figure + text[name.span[1] :]
        return text


def _spice_power(base: Any, exponent: Any) -> Any:
    """``base ** exponent``; nan for a negative base, of which engines take the absolute value in silence."""
    return np.where(np.less(base, 0.0), np.nan, np.float_power(base, exponent))


_SPICE_FUNCTIONS: dict[str, Callable[..., Any]] = {
    "min": _fold(np.minimum), "max": _fold(np.maximum), "abs": np.abs, "sqrt": np.sqrt, "exp": np.exp,
    "ln": np.log, "log": np.log, "log10": np.log10, "pow": np.float_power, "sqr": np.square, "sgn": np.sign,
    "int": np.trunc, "nint": np.rint, "floor": np.floor, "ceil": np.ceil,
    "sin": np.sin, "cos": np.cos, "tan": np.tan, "atan": np.arctan, "where": np.where, "**": _spice_power,
}  # fmt: skip


def _spice_number(text: str) -> tuple[float, str]:
    if text.lower().lstrip("0123456789.+-").startswith("mil"):
        raise ValueError(
            f'"{text}" is 25.4e-6 as a value but 1e-3 inside an expression; write the number out'
        )
    return parse_spice(text), ""


_SPICE = Grammar(
    number=_spice_number,
    literal=re.compile(rf"{_LITERAL}\w*"),
    functions={
        name: (2, 2) if name in ("min", "max", "pow") else (1, 1)
        for name in _SPICE_FUNCTIONS
        if name not in ("where", "**")
    },
    levels=(
        frozenset({"||"}),
        frozenset({"&&"}),
        frozenset({"==", "!="}),
        COMPARISONS - {"==", "!="},
        _SUMS,
        _PRODUCTS,
    ),
    powers=("**", "^"),
    conditional=True,
)


def evaluate_spice(text: str, namespace: Mapping[str, float]) -> float:
    """The figure of a netlist expression, ``{2*rtop + 1k}``, braces or quotes around it allowed.

    Suffixes are those of a netlist (``1M`` is 1e-3), ``log`` is the natural logarithm, as the engine reads
    it. Names are case-blind. Raises FormulaError for what cannot be read, an unknown name, and a result that
    is no number.
    """
    stripped = text.strip()
    if len(stripped) >= 2 and (stripped[0], stripped[-1]) in (("{", "}"), ("'", "'")):
        stripped = stripped[1:-1]
    tree = _spice_tree(stripped)
    known = {name.lower(): np.float64(value) for name, value in namespace.items()}
    for name in names_in(tree):
        if name.name.lower() not in known:
            raise FormulaError(
                f'`{text}`: there is no parameter "{name.name}"{nearest(name.name, namespace)}'
            )
    with np.errstate(all="ignore"):
        result = float(np.asarray(_walk(tree, known, _SPICE_FUNCTIONS), dtype=np.float64))
    if not math.isfinite(result):
        raise FormulaError(f"`{text}` gives no finite number")
    return result


@lru_cache(maxsize=4096)
def _spice_tree(text: str) -> Node:
    """Read once: a netlist's few expressions are evaluated under thousands of settings."""
    return parse(text, _SPICE)
