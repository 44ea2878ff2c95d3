# SPDX-License-Identifier: GPL-3.0-or-later
"""What drawing programs write behind a part or into a model that is no value of it.

Order numbers, makers and ratings are left out with a note: some of them would cost the whole engine (a
maker's name in a model is an undefined parameter to it). A resistance in series with
a capacitor or source, which the engine has no parameter for, is drawn as a part of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from harness.netlist import words

_PAIR = r"(?<![\w.])({})\s*=\s*(\"[^\"]*\"|'[^']*'|\{{[^{{}}]*\}}|[^\s,(){{}}]+)"
_OF_PARTS = re.compile(
    _PAIR.format(
        "tol|tolerance|mfg|manufacturer|pn|partno|type|footprint|package|pwr|irms|ipk|vmax|rating|x_?pos|y_?pos"
    ),
    re.IGNORECASE,
)
_OF_CAPACITORS = re.compile(_PAIR.format("v"), re.IGNORECASE)
_OF_MODELS = re.compile(_PAIR.format("mfg|manufacturer|pn|type|vceo|icrating|iave|vpk"), re.IGNORECASE)
_TOLERANCE = re.compile(r"(?<![\w.])(?:dev|lot)(?:/\w+)*\s*=?\s*\d+\.?\d*(?:e[+-]?\d+)?\s*%?", re.IGNORECASE)
_BOTH_COEFFICIENTS = re.compile(r"(?<![\w.])tc\s*=\s*([^\s,]+)(?:\s*,\s*([^\s,]+))?", re.IGNORECASE)
_INNER = re.compile(r"(?<![\w.])(rser|lser|rpar|cpar)\s*=\s*(\{[^{}]*\}|\S+)", re.IGNORECASE)


def without_bookkeeping(text: str) -> tuple[str, list[str]]:
    """An element line without what says nothing about its behaviour, and the pairs left out."""
    letter = text[0].lower()
    if letter not in "rclvidqmj":
        return text, []
    dropped: list[str] = []

    def drop(match: re.Match[str]) -> str:
        dropped.append(match[0])
        return ""

    name = text.split(None, 1)[0]
    rest = _OF_PARTS.sub(drop, text[len(name) :])
    if letter == "c":
        rest = _OF_CAPACITORS.sub(drop, rest)
    return (f"{name} {' '.join(rest.split())}" if dropped else text), dropped


def plain_model(text: str) -> tuple[str, list[str]]:
    """A model line without makers, ratings and tolerances, and what was left out."""
    dropped: list[str] = []

    def drop(match: re.Match[str]) -> str:
        dropped.append(match[0].strip())
        return " "

    head = re.match(r"\.model\s+\S+\s+(?:ako:\S+\s+)?[^\s(]+", text, re.IGNORECASE)
    if head is None:
        return text, []
    body = _TOLERANCE.sub(drop, _OF_MODELS.sub(drop, text[head.end() :]))
    return (head[0] + body if dropped else text), dropped


def both_coefficients(text: str) -> str:
    """``tc=a,b`` as ``tc1=a tc2=b``."""

    def apart(match: re.Match[str]) -> str:
        return f"tc1={match[1]}" + (f" tc2={match[2]}" if match[2] else "")

    return _BOTH_COEFFICIENTS.sub(apart, text) if text[0].lower() in "rcl" else text


def with_inner_parts(text: str) -> list[str]:
    """A capacitor, inductor or source with what it names in series and beside it drawn as parts."""
    letter = text[0].lower()
    if letter not in "clvi" or not _INNER.search(text):
        return [text]
    given = {match[1].lower(): match[2] for match in _INNER.finditer(text)}
    given = {key: value for key, value in given.items() if not _is_zero(value)}
    found = words.split(_INNER.sub("", text))
    if len(found) < 3:
        return [text]  # whoever reads its nodes will say so
    name, one, other, *rest = found
    return [*_inner_parts(letter, name, one, other, rest, given)]


def _inner_parts(
    letter: str, name: str, one: str, other: str, rest: list[str], given: dict[str, str]
) -> Iterator[str]:
    far, near = (one, other) if letter == "v" else (other, one)  # a source stays tied to what it stands on
    steps = [key for key in ("rser", "lser") if key in given]
    joints = [f"{name}_{key}" for key in steps]
    inner = joints[0] if joints else far
    nodes = (inner, near) if letter == "v" else (near, inner)
    yield " ".join([name, *nodes, *rest])
    for key, start, end in zip(steps, joints, [*joints[1:], far], strict=False):
        yield f"{key[0].upper()}{name}_{key} {start} {end} {given[key]}"
    for beside in ("rpar", "cpar"):
        if beside in given:
            yield f"{beside[0].upper()}{name}_{beside} {one} {other} {given[beside]}"


def _is_zero(value: str) -> bool:
    match = re.match(rf"[+-]?{words.NUMBER}", value)
    return match is not None and float(match[0]) == 0.0
