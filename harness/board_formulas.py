# SPDX-License-Identifier: GPL-3.0-or-later
"""Checks of the hand formulas of a board file: names, order, circles, units."""

from __future__ import annotations

from collections.abc import Mapping

from harness.dimensions import Dimension, dimension_of
from harness.findings import nearest
from harness.formula import Formula, FormulaError
from harness.intent import Axis, Intended
from harness.quantities import STEMS, is_stem, stem
from harness.toml_source import Source
from harness.units import Quantity, parse_unit


def check_formulas(
    source: Source,
    intended: Mapping[str, Intended],
    given: Mapping[str, Quantity],
    axes: Mapping[str, Axis],
    hand: Mapping[str, Formula],
) -> tuple[tuple[str, ...], dict[str, str]]:
    """The order in which formulas can be worked out, and the unit of each; findings go to ``source``.

    A formula that uses one with a mistake is left out in silence, so that one mistake gives one finding.
    """
    _check_names(source, hand)
    order = _order(source, hand)
    known: dict[str, Dimension] = {}
    for name, unit in _units(intended, given, axes):
        known[name.lower()] = dimension_of(unit)
    units: dict[str, str] = {}
    for name in order:
        if not all(used.lower() in known for used in hand[name].names):
            continue
        try:
            dimension = hand[name].dimension(known)
        except FormulaError as error:
            source.add(("hand", name), str(error))
            continue
        known[name.lower()] = dimension
        units[name] = _unit_text(dimension)
        if is_stem(name) and dimension != dimension_of(stem(name).unit):
            wanted = dimension_of(stem(name).unit)
            source.add(("hand", name), f"`{hand[name]}` comes out in {dimension}, but {name} is in {wanted}")
        elif is_stem(name):
            units[name] = stem(name).unit
    return order, units


def _units(
    intended: Mapping[str, Intended], given: Mapping[str, Quantity], axes: Mapping[str, Axis]
) -> list[tuple[str, str]]:
    return (
        [(name, part.unit) for name, part in intended.items()]
        + [(name, quantity.unit) for name, quantity in given.items()]
        + [(name, axis.unit) for name, axis in axes.items()]
    )


def _unit_text(dimension: Dimension) -> str:
    text = str(dimension)
    return "" if text == "no unit" else text


def _check_names(source: Source, hand: Mapping[str, Formula]) -> None:
    """Unknown names, and helpers that nothing uses (most likely a misspelt quantity)."""
    declared: list[str] = []
    for section in ("intended", "given", "axes", "hand"):
        table = source.data.get(section)
        declared += list(table) if isinstance(table, dict) else []
    lowered = {name.lower() for name in declared}
    used: set[str] = set()
    for name, formula in hand.items():
        used |= {other.lower() for other in formula.names}
        for other in sorted(formula.names):
            if other.lower() not in lowered:
                source.add(("hand", name), _unknown(formula, other, declared))
    for name in hand:
        if not is_stem(name) and name.lower() not in used:
            message = f'"{name}" is no quantity, and no other formula uses it{nearest(name, STEMS)}'
            source.add(("hand", name), message)


def _unknown(formula: Formula, name: str, declared: list[str]) -> str:
    message = (
        f'`{formula}`: "{name}" is no part of [intended], no constant of [given], no axis and no formula of [hand]'
        f"{nearest(name, declared)}"
    )
    try:
        parse_unit(name)
    except ValueError:
        return message
    return f'{message}; a unit follows its number: "1 {name}"'


def _order(source: Source, hand: Mapping[str, Formula]) -> tuple[str, ...]:
    """Formulas in an order in which each comes after those it uses; a circle is one finding and is left out."""
    spelling = {name.lower(): name for name in hand}
    uses = {
        name: [spelling[used.lower()] for used in sorted(formula.names) if used.lower() in spelling]
        for name, formula in hand.items()
    }
    order: list[str] = []
    settled: set[str] = set()
    for start in hand:
        trail: list[str] = []
        stack = [(start, iter(uses[start]))] if start not in settled else []
        trail += [start] if stack else []
        while stack:
            name, remaining = stack[-1]
            following = next((other for other in remaining if other not in settled), None)
            if following is None:
                stack.pop()
                trail.pop()
                settled.add(name)
                order.append(name)
            elif following in trail:
                circle = [*trail[trail.index(following) :], following]
                source.add(("hand", following), f"goes round in a circle: {' -> '.join(circle)}")
                settled.add(following)
            else:
                stack.append((following, iter(uses[following])))
                trail.append(following)
    return tuple(name for name in order if not _uses_circle(name, uses))


def _uses_circle(name: str, uses: Mapping[str, list[str]]) -> bool:
    """True where a formula needs itself."""
    reached: set[str] = set()
    open_ = list(uses[name])
    while open_:
        other = open_.pop()
        if other not in reached:
            reached.add(other)
            open_ += uses[other]
    return name in reached
