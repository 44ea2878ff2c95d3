# SPDX-License-Identifier: GPL-3.0-or-later
"""Element lines of sources: independent (V, I), controlled (E, F, G, H) and behavioural (B)."""

from __future__ import annotations

import re

from harness.netlist import words
from harness.netlist.parts import Part, Visible, Words, made, node, opened, take_nodes

_KINDS = ("pulse", "sin", "exp", "pwl", "sffm", "am", "trnoise", "trrandom")
_LEAST_ARGUMENTS = {"pwl": 4}  # all others: 2
TRANSFER = "{}: a transfer function of frequency is read in no dialect; draw its poles with R and C"
_PASTED = re.compile(r"\{[^{}]*\}|'[^']*'")
_TAIL = re.compile(r"\s+(?=(?:tc1|tc2|temp|dtemp)\s*=)", re.IGNORECASE)
_BEFORE_EXPRESSION = {
    "b": re.compile(r"[^=]*?(?<![\w.])[vi]\s*=(?!=)", re.IGNORECASE),
    "e": re.compile(r"[^=]*?(?<![\w.])(?:value|vol)\s*=(?!=)", re.IGNORECASE),
    "g": re.compile(r"[^=]*?(?<![\w.])(?:value|cur)\s*=(?!=)", re.IGNORECASE),
}
_FUNCTION = re.compile(rf"({'|'.join(_KINDS)})(?![\w.])\s*(\(.*\))?(.*)", re.IGNORECASE | re.DOTALL)


def source(found: Words, visible: Visible) -> Part:
    nodes = take_nodes(found, 2, "")
    rest = found.plain[2:]
    value, function = found.pairs.pop("dc", ""), None
    index = 0
    while index < len(rest):
        word = rest[index]
        match = _FUNCTION.fullmatch(word)
        if word.lower() == "dc" or (words.is_value(word) and not value):
            index += word.lower() == "dc"
            if index >= len(rest) or not words.is_value(rest[index]):
                raise ValueError(f'{found.name}: "DC" wants a value behind it')
            value = rest[index]
        elif word.lower() == "ac":
            while index + 1 < len(rest) and words.is_value(rest[index + 1]):
                index += 1
        elif match:
            inside = match[2][1:-1] if match[2] else ""
            arguments = words.split(
                inside.replace("(", " ").replace(")", " ") if match[1].lower() == "pwl" else inside
            )
            while not match[2] and index + 1 < len(rest) and words.is_value(rest[index + 1]):
                index += 1
                arguments.append(rest[index])
            function = (match[1].lower(), tuple(arguments))
        else:
            raise ValueError(
                f'{found.name}: do not know what to do with "{word}"; expected a value, DC, AC or one of '
                f"{', '.join(kind.upper() for kind in _KINDS)}" + (
                    f"; a parameter wants braces, {{{word}}}" if re.fullmatch(r"[^\W\d]\w*", word) else "")
            )  # fmt: skip
        index += 1
    least = _LEAST_ARGUMENTS.get(function[0], 2) if function else 0
    if function and len(function[1]) < least:
        raise ValueError(f"{found.name}: {function[0].upper()} wants at least {least} numbers")
    if function:
        bad = next((word for word in function[1] if not words.is_value(word)), None)
        if bad is not None:
            raise ValueError(f'{found.name}: "{bad}" is no number; a parameter wants braces')
    return made(found, nodes, value, function=function)


def transfer(found: Words, visible: Visible) -> Part:
    """E and G: a gain, a polynomial, a table or an expression."""
    letter = found.name[0].lower()
    nodes = take_nodes(found, 2, "")
    for key in ("value", "vol", "cur"):
        if key in found.pairs:
            return made(found, nodes, found.pairs.pop(key), function=("expression", ()))
    rest = found.plain[2:]
    kind = rest[0].lower() if rest else ""
    polynomial = re.match(r"poly(?:\((\d+)\))?$", kind)
    if kind in ("value", "vol", "cur") and len(rest) == 2:
        return made(found, nodes, rest[1], function=("expression", ()))
    if kind == "table" or kind.startswith("table"):
        return made(found, nodes, " ".join(rest[1:]), function=("table", ()))
    if polynomial:
        order = int(polynomial[1] or (rest[1] if len(rest) > 1 and rest[1].isdigit() else "1"))
        tail = rest[1:] if polynomial[1] else rest[2:]
        if len(tail) <= 2 * order:
            raise ValueError(
                f"{found.name}: POLY({order}) wants {2 * order} controlling nodes and coefficients"
            )
        controlled = tuple(node(word) for word in tail[: 2 * order])
        return made(found, nodes + controlled, "", function=("poly", tuple(tail[2 * order :])))
    if re.match(r"(laplace|freq|chebyshev)(?![\w.])", kind):
        raise ValueError(TRANSFER.format(found.name))
    if len(rest) < 3 or not words.is_value(rest[2]):
        what = "gain" if letter == "e" else "transconductance"
        raise ValueError(
            f'{found.name} wants four nodes and a {what}, or value={{...}}, got "{" ".join(found.plain)}"'
        )
    nodes = take_nodes(found, 4, "a gain")
    return made(found, nodes, rest[2])


def current_controlled(found: Words, visible: Visible) -> Part:
    nodes = take_nodes(found, 2, "a controlling source and a gain")
    rest = found.plain[2:]
    polynomial = re.match(r"poly\((\d+)\)$", rest[0].lower())
    if polynomial:
        order = int(polynomial[1])
        controls = tuple(word.lower() for word in rest[1 : 1 + order])
        return made(found, nodes, "", function=("poly", tuple(rest[1 + order :])), controls=controls)
    if len(rest) != 2 or not words.is_value(rest[1]):
        raise ValueError(
            f'{found.name} wants two nodes, a controlling source and a gain, got "{" ".join(found.plain)}"'
        )
    return made(found, nodes, rest[1], controls=(rest[0].lower(),))


def behaviour(found: Words, visible: Visible) -> Part:
    text = found.line.text[len(found.name) :].strip()
    match = re.match(r"(.*?)(?<![\w.])([vi])\s*=(?!=)\s*(.*)$", text, re.IGNORECASE | re.DOTALL)
    if match is None or not match[3].strip():
        raise ValueError(f"{found.name} wants two nodes and V=... or I=...")
    found.plain = [word for piece in words.split(match[1]) for word in opened(piece)]
    nodes = take_nodes(found, 2, "")
    expression = _TAIL.split(match[3], maxsplit=1)[0]
    return made(found, nodes, expression.strip(), function=("expression", (match[2].lower(),)))


def bracketed(text: str) -> str:
    """An element line with brackets around what braces or quotes hold together inside a longer expression.

    The engine drops those marks and leaves what they held as it stands: ``{a-b}*v(x)`` becomes ``a - b*v(x)``
    there (tried with engine 39). An expression that is one pair of braces as a whole keeps its form.
    """
    before = _BEFORE_EXPRESSION.get(text[:1].lower())
    head = before.match(text) if before else None
    if head is None:
        return text
    body, *tail = _TAIL.split(text[head.end() :], maxsplit=1)
    whole = body.strip()

    def held(group: re.Match[str]) -> str:
        plain = group[0] == whole or re.fullmatch(r"\s*\w*\s*", group[0][1:-1])
        return group[0] if plain else f"({group[0]})"

    return " ".join([head[0] + _PASTED.sub(held, body), *tail])
