# SPDX-License-Identifier: GPL-3.0-or-later
"""The table ``[hand]``: formulas read, and their names, order, circles and units checked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from graphlib import CycleError, TopologicalSorter

from harness.dimensions import Dimension, dimension_of
from harness.findings import nearest
from harness.formula import CONSTANTS, FUNCTIONS, Formula, FormulaError
from harness.intent.naming import no_quantity
from harness.intent.objects import Axis, Intended
from harness.intent.tables import Table, described
from harness.intent.toml_source import Source, dotted
from harness.quantities import STEMS, is_stem, stem
from harness.units import Quantity, parse_unit

_NAME = re.compile(r"[A-Za-z_]\w*", re.ASCII)
_RESERVED = frozenset({"corner", "state", "reason"})
_NAMED = ("intended", "given", "axes", "hand")


def read_hand(root: Table) -> dict[str, Formula]:
    """``[hand]``: quantities, and helpers that they use."""
    table = root.table("hand", 'a table of formulas such as duty = "control / 8 V"')
    hand: dict[str, Formula] = {}
    for name in table.names():
        text = table.data[name]
        if isinstance(text, int | float) and not isinstance(text, bool):
            text = repr(text)
        if not isinstance(text, str):
            table.wrong(name, f"expected a formula in quotes, got {described(text)}")
            continue
        try:
            hand[name] = Formula(text)
        except FormulaError as error:
            table.wrong(name, str(error))
    return hand


def check_names(root: Table) -> None:
    """Names that formulas use: well formed, and each with one meaning (capitals make no difference)."""
    first: dict[str, str] = {}
    for section in _NAMED:
        for name in _names_of(root.source, section):
            path = (section, name)
            if not _NAME.fullmatch(name) and not (section == "intended" and "." in name):
                root.source.add(path, "a name begins with a letter and goes on with letters, digits and _")
            elif name.lower() in FUNCTIONS or name.lower() in CONSTANTS or name.lower() in _RESERVED:
                root.source.add(path, f'"{name}" has a meaning of its own already; choose another name')
            taken = first.setdefault(name.lower(), dotted(path))
            if taken != dotted(path):
                root.source.add(path, f"the name is taken by {taken} already (capitals make no difference)")


def _names_of(source: Source, section: str) -> list[str]:
    table = source.data.get(section)
    return list(table) if isinstance(table, dict) else []


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
    _check_used(source, hand)
    order = _order(source, hand)
    known: dict[str, Dimension] = {}
    for name, unit in _units(intended, given, axes):
        known[name.lower()] = dimension_of(unit)
    # A quantity counts in its own unit even where its formula is wrong: one mistake, one finding.
    known.update({name.lower(): dimension_of(stem(name).unit) for name in hand if is_stem(name)})
    units: dict[str, str] = {}
    for name in order:
        if not all(used.lower() in known for used in hand[name].names):
            continue
        try:
            dimension = hand[name].dimension(known)
        except FormulaError as error:
            source.add(("hand", name), f"{error}{_bare(source, hand[name], given)}")
            continue
        wanted = known.setdefault(name.lower(), dimension)
        if dimension != wanted:
            message = f"`{hand[name]}` comes out in {dimension}, but {name} is in {wanted}"
            source.add(("hand", name), f"{message}{_bare(source, hand[name], given)}")
        units[name] = stem(name).unit if is_stem(name) else _unit_text(dimension)
    return order, units


def _bare(source: Source, formula: Formula, given: Mapping[str, Quantity]) -> str:
    """A hint where the formula uses constants that are written with a prefix and without a unit."""
    texts = source.data.get("given", {})
    used = {name.lower() for name in formula.names}
    bare = [
        f'{name} = "{texts[name]}"'
        for name, quantity in given.items()
        if name.lower() in used and not quantity.unit and isinstance(texts[name], str)
        if texts[name].strip()[-1:].isalpha()
    ]
    return f'; {", ".join(bare)} in [given] has no unit, write it such as "3.3 kOhm"' if bare else ""


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


def _check_used(source: Source, hand: Mapping[str, Formula]) -> None:
    """Unknown names, currents of unknown rails, and helpers that nothing uses and that look like a misspelt
    quantity."""
    declared = [name for section in _NAMED for name in _names_of(source, section)]
    lowered = {name.lower() for name in declared}
    used: set[str] = set()
    for name, formula in hand.items():
        used |= {other.lower() for other in formula.names}
        for other in sorted(formula.names):
            if other.lower() not in lowered:
                source.add(("hand", name), _unknown(formula, other, declared))
    for name in hand:
        if is_stem(name):
            if sentence := no_quantity(source, name):
                source.add(("hand", name), sentence)
        elif name.lower() not in used and get_close_matches(name.lower(), STEMS, 1, 0.8):
            message = f'"{name}" is no quantity, and no other formula uses it{nearest(name, STEMS)}'
            source.add(("hand", name), message)


def _unknown(formula: Formula, name: str, declared: list[str]) -> str:
    message = (
        f'`{formula}`: "{name}" is no part of [intended], no constant of [given], no axis and no formula '
        f"of [hand]{nearest(name, declared)}"
    )
    try:
        parse_unit(name)
    except ValueError:
        return message
    return f'{message}; a unit follows its number: "1 {name}"'


def _order(source: Source, hand: Mapping[str, Formula]) -> tuple[str, ...]:
    """Formulas in an order where each comes after those it uses; a circle is a finding and is left out."""
    spelling = {name.lower(): name for name in hand}
    uses = {
        name: [spelling[used.lower()] for used in sorted(formula.names) if used.lower() in spelling]
        for name, formula in hand.items()
    }
    while True:
        try:
            return tuple(TopologicalSorter(uses).static_order())
        except CycleError as error:
            circle = [str(name) for name in reversed(error.args[1][1:])]
            first = min(circle, key=list(hand).index)
            start = circle.index(first)
            round_trip = [*circle[start:], *circle[:start], first]
            source.add(("hand", first), f"goes round in a circle: {' -> '.join(round_trip)}")
            uses = {
                name: [other for other in others if other not in circle]
                for name, others in uses.items()
                if name not in circle
            }
