# SPDX-License-Identifier: GPL-3.0-or-later
"""Functions of node voltages as data: postfix programs for a small stack machine.

``OPERATIONS`` is all that such a program can do. A program runs as nested Python functions here, or in the
machine of ``steer.c``; both carry out the same double operations in the same order. Nothing raises: as in C,
a division by zero or an overflow gives an infinity, and what has no value is not a number.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from operator import itemgetter

Value = Callable[[Sequence[float]], float]
Step = tuple[str, float]

MOST_DEPTH = 64  # of the stack; steer.c has as many places
MOST_HEIGHT = 200  # of nested calls, well within what Python allows
_LEAST_LOGARITHM = 1e-300
_MOST_EXPONENT = 300.0


def _divide(a: float, b: float) -> float:
    if b:
        return a / b
    return math.nan if not a or math.isnan(a) else math.copysign(math.inf, a) * math.copysign(1.0, b)


def _power(a: float, b: float) -> float:
    try:
        return float(abs(a) ** b)
    except ArithmeticError:
        return math.inf


def _periodic(function: Callable[[float], float]) -> Callable[[float], float]:
    return lambda x: function(x) if math.isfinite(x) else math.nan


OPERATIONS: dict[str, tuple[int, Callable[..., float]]] = {
    "add": (2, lambda a, b: a + b),
    "subtract": (2, lambda a, b: a - b),
    "multiply": (2, lambda a, b: a * b),
    "divide": (2, _divide),
    "power": (2, _power),
    "signed_power": (2, lambda a, b: math.copysign(_power(a, b), a)),
    "negative": (1, lambda a: -a),
    "less": (2, lambda a, b: float(a < b)),
    "greater": (2, lambda a, b: float(a > b)),
    "at_most": (2, lambda a, b: float(a <= b)),
    "at_least": (2, lambda a, b: float(a >= b)),
    "equal": (2, lambda a, b: float(a == b)),
    "unequal": (2, lambda a, b: float(a != b)),
    "both": (2, lambda a, b: float(bool(a) and bool(b))),
    "either": (2, lambda a, b: float(bool(a) or bool(b))),
    "opposite": (1, lambda a: float(not a)),
    "choice": (3, lambda condition, yes, no: yes if condition else no),
    "minimum": (2, lambda a, b: b if b < a else a),
    "maximum": (2, lambda a, b: b if b > a else a),
    "magnitude": (1, abs),
    "root": (1, lambda a: math.sqrt(abs(a))),
    "exponential": (1, lambda a: math.exp(_MOST_EXPONENT if a > _MOST_EXPONENT else a)),
    "logarithm": (1, lambda a: math.log(abs(a) if a else _LEAST_LOGARITHM)),
    "sine": (1, _periodic(math.sin)),
    "cosine": (1, _periodic(math.cos)),
    "hyperbolic_tangent": (1, math.tanh),
    "arc_tangent": (1, math.atan),
    "unit_step": (1, lambda a: float(a > 0)),
    "clipped": (1, lambda a: 0.0 if a < 0 else 1.0 if a > 1 else a),
    "rectified": (1, lambda a: 0.0 if a < 0 else a),
    "sign": (1, lambda a: float((a > 0) - (a < 0))),
}
"""Number of arguments and Python function of each operation, beside ``column`` and ``constant``."""


@dataclass(frozen=True)
class Program:
    """A function of a row of numbers, as postfix steps.

    A step is ``("column", place in the row)``, ``("constant", number)`` or ``(name in OPERATIONS, 0.0)``.
    """

    steps: tuple[Step, ...]

    @classmethod
    def column(cls, place: int) -> Program:
        """The number at this place of the row."""
        return cls((("column", place),))

    @classmethod
    def constant(cls, number: float) -> Program:
        """The same number always."""
        return cls((("constant", float(number)),))

    @classmethod
    def of(cls, operation: str, *arguments: Program) -> Program:
        """An operation on other programs. Raises KeyError where it is not in ``OPERATIONS``."""
        count, _ = OPERATIONS[operation]
        if len(arguments) != count:
            raise ValueError(f"{operation} takes {count} arguments, not {len(arguments)}")
        steps = [step for argument in arguments for step in argument.steps]
        return cls((*steps, (operation, 0.0)))

    def check(self) -> Program:
        """This program. Raises ValueError where it is nested more deeply than the machine can hold."""
        if self._too_deep:
            raise ValueError("the expression is too deeply nested")
        return self

    @cached_property
    def _too_deep(self) -> bool:
        heights: list[int] = []
        deepest = 0
        for name, _ in self.steps:
            count = 0 if name in ("column", "constant") else OPERATIONS[name][0]
            height = 1 + max(heights[len(heights) - count :], default=0)
            del heights[len(heights) - count :]
            heights.append(height)
            deepest = max(deepest, len(heights))
            if deepest > MOST_DEPTH or height > MOST_HEIGHT:
                return True
        return False

    @cached_property
    def function(self) -> Value:
        """The program as nested Python functions."""
        stack: list[Value] = []
        for name, argument in self.steps:
            if name == "column":
                stack.append(itemgetter(int(argument)))
            elif name == "constant":
                stack.append(_always(argument))
            else:
                count, apply = OPERATIONS[name]
                parts = stack[len(stack) - count :]
                del stack[len(stack) - count :]
                stack.append(_applied(apply, *parts))
        (value,) = stack
        return value

    def __call__(self, row: Sequence[float]) -> float:
        """The value for a row of numbers: not a number or infinite where it has none."""
        return self.function(row)


def _always(number: float) -> Value:
    return lambda row: number


def _applied(apply: Callable[..., float], *parts: Value) -> Value:
    if len(parts) == 1:
        (only,) = parts
        return lambda row: apply(only(row))
    if len(parts) == 2:
        first, second = parts
        return lambda row: apply(first(row), second(row))
    one, two, three = parts
    return lambda row: apply(one(row), two(row), three(row))
