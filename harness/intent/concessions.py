# SPDX-License-Identifier: GPL-3.0-or-later
"""The table ``[concession]``: deviations that were judged to be fine, each with a bound and a reason."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import combinations

from harness.findings import nearest
from harness.intent.naming import no_quantity
from harness.intent.objects import Axis, Concession, Intended, Tolerance
from harness.intent.tables import Table, described
from harness.intent.targets import Corners, read_apart, read_at
from harness.quantities import STEMS, stem

FEWEST_WORDS, FEWEST_LETTERS = 2, 10
_ENTRY = '{ most = ..., reason = "..." }'
_LIMITS = "a limit cannot be conceded; if it is too narrow, change it in [limits]"
_OF_LIMITS = frozenset({"limits", "limit", "least"})


def read_concessions(
    root: Table, axes: Mapping[str, Axis], corners: Corners, intended: Mapping[str, Intended]
) -> tuple[Concession, ...]:
    """``[concession]``: by quantity, one entry or a list of entries for different corners; by part of
    ``[intended]``, one entry."""
    table = root.table("concession", f"a table such as duty = {_ENTRY}")
    found: list[Concession] = []
    for name in table.names():
        if name.lower() in _OF_LIMITS:
            inner = table.data[name]
            table.source.add(
                (*table.path, name, *(list(inner)[:1] if isinstance(inner, dict) else ())), _LIMITS
            )
            continue
        part = next((known for known in intended if known.lower() == name.lower()), None)
        sentence = "" if part else no_quantity(table.source, name)
        if sentence:
            hint = nearest(name, [*STEMS, *intended]).partition(" (valid:")[0]
            table.wrong(name, f'"{name}" is neither a quantity nor a part of [intended]{hint}')
            continue
        if not part and not _has_hand(root, name):
            limited = f"; {_LIMITS}" if name in _names(root, "limits") else ""
            message = f"there is no hand figure of {name} in [hand] or [expected] that could be off{limited}"
            table.wrong(name, message)
            continue
        entries = list(_entries(table, name, bool(part)))
        read = [
            _of_part(entry, part) if part else _of_quantity(entry, name, axes, corners) for entry in entries
        ]
        _speak_apart([(entry, one) for entry, one in zip(entries, read, strict=True) if one], axes, corners)
        found += [one for one in read if one is not None]
    return tuple(found)


def _names(root: Table, table: str) -> list[str]:
    data = root.data.get(table)
    return list(data) if isinstance(data, dict) else []


def _has_hand(root: Table, quantity: str) -> bool:
    return quantity in _names(root, "hand") or quantity in _names(root, "expected")


def _entries(table: Table, name: str, single: bool) -> Iterator[Table]:
    written = table.data[name]
    if isinstance(written, dict):
        yield Table(table.source, (*table.path, name), written)
    elif single or not isinstance(written, list):
        table.wrong(name, f"expected {_ENTRY}, got {described(written)}")
    else:
        if not written:
            table.wrong(name, f"the list is empty; expected {_ENTRY}")
        for place, entry in enumerate(written):
            path = (*table.path, name, place)
            if isinstance(entry, dict):
                yield Table(table.source, path, entry)
            else:
                table.source.add(path, f"expected {_ENTRY}, got {described(entry)}")


def _of_part(table: Table, part: str) -> Concession | None:
    most = table.quantity("most", "", required=True)
    reason = _reason(table)
    if "at" in table:
        table.asked.add("at")
        table.wrong("at", f"{part} is drawn with one value at every corner; leave this key out")
    _finish(table)
    if most is not None and most.value <= 0.0:
        table.wrong("most", f"a bound is above 0, got {described(table.data['most'])}")
    elif most is not None and most.value >= 1.0:
        message = f"{described(table.data['most'])} is {most.value:.0%}"
        table.wrong("most", f'{message}; expected a share below 100 %, such as "10 %"')
    elif most is not None and reason:
        return Concession("part", part, Tolerance(most.value, "figure"), reason)
    return None


def _of_quantity(
    table: Table, quantity: str, axes: Mapping[str, Axis], corners: Corners
) -> Concession | None:
    bound = read_apart(table, "most", quantity) if "most" in table else None
    table.asked.add("most")
    if "most" not in table:
        unit = {"": "", "Hz": " in cents"}.get(stem(quantity).unit, f" in {stem(quantity).unit}")
        table.missing("most", f"how far hand and simulated may be apart{unit}")
    reason = _reason(table)
    at = read_at(table, axes, corners) if "at" in table else {}
    table.asked.add("at")
    _finish(table)
    if bound is not None and bound.value <= 0.0:
        table.wrong("most", f"a bound is above 0, got {described(table.data['most'])}")
        return None
    usual = _tolerance(table, quantity)
    if bound is not None and usual is not None and usual.scale == bound.scale and bound.value <= usual.value:
        message = f"{described(table.data['most'])} is no more than the tolerance of {quantity}"
        message += f" ({usual.words(stem(quantity).unit)}), within"
        table.wrong("most", f"{message} which figures agree anyway; a concession is wider, or not needed")
        return None
    if at and not _rows(at, axes, corners):
        where = ", ".join(f"{name} {axes[name].text(value)}" for name, value in at.items())
        table.wrong("at", f"the corner table has no corner at {where}")
        return None
    return (
        Concession("quantity", quantity, bound, reason, at) if bound and reason and at is not None else None
    )


def _tolerance(table: Table, quantity: str) -> Tolerance | None:
    """The tolerance in force; None where the one of the board file is wrong, which is said there."""
    written = table.source.data.get("tolerance")
    usual = Tolerance(stem(quantity).tolerance, stem(quantity).scale)
    if not isinstance(written, dict) or quantity not in written:
        return usual
    known = len(table.source.findings)
    read = read_apart(Table(table.source, ("tolerance",), written), quantity, quantity)
    del table.source.findings[known:]
    return read


def _reason(table: Table) -> str:
    text = table.text("reason", "why the deviation is fine, in a few words", required=True)
    if text is None:
        return ""
    text = " ".join(text.split())
    words = re.findall(r"[^\W_]+", text)
    if len(words) < FEWEST_WORDS or len("".join(words)) < FEWEST_LETTERS:
        message = (
            f'"{text}" is too short for a reason; write why the deviation is fine, for those who read the'
            f" report: at least {FEWEST_WORDS} words and {FEWEST_LETTERS} letters"
        )
        table.wrong("reason", message)
        return ""
    return text


def _finish(table: Table) -> None:
    for key in table.data:
        if key in _OF_LIMITS:
            table.asked.add(key)
            table.wrong(key, f"a concession has one bound, most, whichever way the figure is off; {_LIMITS}")
    table.finish()


def _rows(at: Mapping[str, float], axes: Mapping[str, Axis], corners: Corners) -> set[str]:
    """The corners that have these axis values."""
    places = {list(axes).index(name): value for name, value in at.items()}
    return {corner for row, corner in corners.items() if all(row[place] == places[place] for place in places)}


def _speak_apart(entries: list[tuple[Table, Concession]], axes: Mapping[str, Axis], corners: Corners) -> None:
    """No two concessions of one quantity may speak of one corner: which bound holds would be unclear."""
    for (_, first), (table, second) in combinations(entries, 2):
        shared = _rows(first.at, axes, corners) & _rows(second.at, axes, corners)
        if shared:
            message = f"corner {min(shared)} has an earlier concession of {second.name} already"
            table.source.add(table.path, f"{message}; give both an `at` that tells them apart")
