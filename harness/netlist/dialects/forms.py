# SPDX-License-Identifier: GPL-3.0-or-later
"""Controlled sources written as polynomials and tables, and switches that go over smoothly, as sources with
an expression.

The engine would make code models of the first two, which many installations lack and whose corners no step
control sees. A polynomial in n controls x1, x2 ... has its coefficients in the order 1, x1 ... xn, x1x1,
x1x2 ... xnxn, x1x1x1 and so on; with one control and one coefficient that one belongs to x1. Source: the
manual of Berkeley SPICE 2G.6, section on linear and nonlinear dependent sources (from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from itertools import combinations_with_replacement

from harness.netlist import words
from harness.netlist.dialects.expressions import table_expression

_HIGHEST = 12
_LONGEST_ARGUMENT = 24
_KIND = re.compile(r"(?<![\w.])(?P<kind>poly\s*\(\s*(?P<order>\d+)\s*\)|table(?![\w.]))", re.IGNORECASE)


def bare(text: str) -> str:
    """A value as a factor of an expression: in brackets, without braces."""
    inside = words.inner(text)
    return inside if words.is_number(inside) else f"({inside})"


def polynomial(controls: Sequence[str], coefficients: Sequence[str]) -> str:
    """The polynomial as an expression. Raises ValueError where there are no coefficients, or too many."""
    if not coefficients:
        raise ValueError("a polynomial wants coefficients")
    given = ["0", *coefficients] if len(controls) == 1 and len(coefficients) == 1 else list(coefficients)
    terms: list[str] = []
    for degree in range(_HIGHEST + 1):
        for factors in combinations_with_replacement(controls, degree):
            if not given:
                return "+".join(terms) or "0"
            coefficient = given.pop(0)
            if words.is_number(coefficient) and float(re.match(rf"[+-]?{words.NUMBER}", coefficient)[0]) == 0:  # type: ignore[index]
                continue
            terms.append("*".join([bare(coefficient), *factors]))
    if given:
        raise ValueError(f"a polynomial of more than degree {_HIGHEST} is not read")
    return "+".join(terms) or "0"


def source_as_expression(text: str) -> list[str] | None:
    """The lines that stand for a controlled source written as ``POLY`` or ``TABLE``; None for any other line.

    Raises ValueError with a sentence.
    """
    letter = text[0].lower()
    if letter not in "efgh":
        return None
    found = _KIND.search(text)
    if found is None or "{" in text[: found.start()]:
        return None
    name, *rest = words.split(text[: found.start()])
    nodes = words.split(" ".join(rest).replace("(", " ").replace(")", " "))
    if len(nodes) != 2:
        raise ValueError(f"{name} wants two nodes before {found['kind']}")
    tail = text[found.end() :].strip()
    if found["order"]:
        return [_of(name, nodes, _polynomial_of(letter, int(found["order"]), tail))]
    if letter not in "eg":
        raise ValueError(f"{name}: TABLE belongs to E and G sources")
    argument, points = _table_of(name, tail)
    helpers: list[str] = []
    if len(points) > 4 and len(argument) > _LONGEST_ARGUMENT:  # written once, not at each corner
        helpers = [f"B{name}_argument {name}_argument 0 V={argument}"]
        argument = f"V({name}_argument)"
    try:
        return [*helpers, _of(name, nodes, table_expression(argument, points))]
    except ValueError as error:
        raise ValueError(f"{name}: {error}") from None


def _of(name: str, nodes: Sequence[str], expression: str) -> str:
    match name[0].lower():
        case "f":
            return f"B{name} {' '.join(nodes)} I={expression}"
        case "h":
            return f"B{name} {' '.join(nodes)} V={expression}"
    return f"{name} {' '.join(nodes)} value={{{expression}}}"


def _polynomial_of(letter: str, order: int, tail: str) -> str:
    if letter in "fh":
        given = words.split(tail)
        controls = [f"I({source})" for source in given[:order]]
        coefficients = given[order:]
    else:
        given = [word for piece in words.split(tail) for word in _opened(piece)]
        controls = [
            f"V({one},{other})"
            for one, other in zip(given[: 2 * order : 2], given[1 : 2 * order : 2], strict=False)
        ]
        coefficients = given[2 * order :]
    if len(controls) != order:
        raise ValueError(f"POLY({order}) wants {order} control(s)")
    return polynomial(controls, coefficients)


def _opened(piece: str) -> list[str]:
    return words.split(piece[1:-1]) if piece.startswith("(") and piece.endswith(")") else [piece]


def _table_of(name: str, tail: str) -> tuple[str, list[str]]:
    """The argument of a table and its points, x and y in turn."""
    tail = tail.removeprefix("=").strip()
    match = re.match(r"\{([^{}]*(?:\{[^{}]*\}[^{}]*)*)\}|'([^']*)'", tail)
    if match is None:
        raise ValueError(
            f"{name}: TABLE wants an expression in braces and points, TABLE {{V(a)}} = (0,0) (1,5)"
        )
    points = words.split(_opened_all(tail[match.end() :].strip().removeprefix("=")))
    return f"({(match[1] or match[2] or '').strip()})", [bare(point) for point in points]


def _opened_all(text: str) -> str:
    """The text with brackets outside braces replaced by blanks."""
    depth, opened = 0, ""
    for character in text:
        depth += (character == "{") - (character == "}")
        opened += " " if depth == 0 and character in "()" else character
    return opened


def smooth_switch(text: str, parameters: Mapping[str, str]) -> list[str]:
    """A switch whose conductance goes over smoothly between two levels, as a current source and a node that
    holds x.

    ``parameters``: ``ron``, ``roff`` (Ohm) and ``von``, ``voff`` (V, or ``ion``, ``ioff`` in A) as written.
    With x from -1/2 at the off level to 1/2 at the on level, clipped there,
    ``ln R = (ln Ron + ln Roff)/2 + ln(Ron/Roff) * (3x/2 - 2x^3)``: R is Roff and Ron at the
    ends, without slope.
    Law of such switches in the commercial notation: common practice, from memory. Raises ValueError.
    """
    name, *given = words.split(text)
    by_voltage = name[0].lower() == "s"
    given = [word for piece in given for word in _opened(piece)]
    if len(given) < (5 if by_voltage else 4):
        wanted = "four nodes" if by_voltage else "two nodes, a controlling source"
        raise ValueError(f"{name} wants {wanted} and a model")
    control = f"V({given[2]},{given[3]})" if by_voltage else f"I({given[2]})"
    letter = "v" if by_voltage else "i"
    on, off = (
        bare(parameters.get(f"{letter}on", "1" if by_voltage else "1m")),
        bare(parameters.get(f"{letter}off", "0")),
    )
    r_on, r_off = bare(parameters.get("ron", "1")), bare(parameters.get("roff", "1meg"))
    if on == off:
        raise ValueError(f"{name}: its on and off levels are the same; a model of type SW has one level")
    place, x = f"{name}_place", f"V({name}_place)"
    logarithm = f"0.5*ln({r_on}*{r_off})+ln({r_on}/{r_off})*{x}*(1.5-2*{x}*{x})"
    return [
        f"B{place} {place} 0 V=min(max(({control}-0.5*({on}+{off}))/({on}-{off}),-0.5),0.5)",
        f"B{name} {given[0]} {given[1]} I=V({given[0]},{given[1]})*exp(-({logarithm}))",
    ]


def smooth_resistance(x: float, r_on: float, r_off: float) -> float:
    """The resistance (Ohm) of :func:`smooth_switch` at x, from -1/2 to 1/2."""
    x = min(max(x, -0.5), 0.5)
    return math.exp(0.5 * math.log(r_on * r_off) + math.log(r_on / r_off) * x * (1.5 - 2.0 * x * x))
