# SPDX-License-Identifier: GPL-3.0-or-later
"""The self-test of somebody else's model: pins, where it works, and every figure of its class.

What it was not shown to do it is ``out of range`` for: nothing that a board does there can be taken from it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import astuple, replace
from pathlib import Path
from typing import TYPE_CHECKING

from harness.alone.bench import Engine
from harness.findings import Finding, InputError
from harness.parts.foreign import Candidate, read_candidate, sheets_of
from harness.parts.pin_orders import RAILS, beyond, find_order, orders, works
from harness.parts.rows import COLUMNS, NOT_MEASURED, OUT_OF_RANGE, OUTSIDE, TRIED, WITHIN, Row, rows_of
from harness.parts.subject import ROOM, Subject
from harness.sheets import Sheet

if TYPE_CHECKING:
    import pandas as pd

_TEMPERATURES = (0.0, 70.0)  # degC, the commercial range: common practice, no source


def self_test(engine: Engine, path: Path, class_: str, name: str = "") -> pd.DataFrame:
    """The rows of a model file taken as a class. Raises InputError for a file, class or name that cannot be
    used, EngineDead."""
    import pandas as pd

    class_ = class_.lower()
    sheets = sheets_of(class_)
    candidate = read_candidate(path, name)
    rows = _rows(engine, candidate, class_, sheets)
    return pd.DataFrame([astuple(row) for row in rows], columns=list(COLUMNS))


def _rows(engine: Engine, candidate: Candidate, class_: str, sheets: tuple[Sheet, ...]) -> Iterator[Row]:
    tried = [(sheet, _subject(engine, candidate, sheet)) for sheet in sheets]
    fitting = [(sheet, part) for sheet, part in tried if part is not None]
    if not fitting:
        raise InputError([Finding(candidate.path, _misfit(candidate, sheets))])
    for sheet, part in fitting:
        order = find_order(part, class_) if candidate.pins else _as_written(part, class_)
        if order is not None:
            yield _pins_row(candidate, part, order)
            part = replace(part, pins=order)
            yield from _where_it_works(part, class_)
            yield from _beyond(part, class_)
            yield from rows_of(sheet, part, foreign=True)
            return
    yield _lost_row(candidate, fitting[0][1], class_)
    for sheet, part in fitting[:1]:
        for figure in sheet.figures.values():
            yield Row(
                part.name, figure.name, figure.condition, "", "", "pins unknown", figure.source, NOT_MEASURED
            )  # fmt: skip


def _as_written(part: Subject, class_: str) -> tuple[str, ...] | None:
    """The pins of a ``.model``, whose order is the engine's, where it works."""
    return part.pins if works(part, class_) else None


def _subject(engine: Engine, candidate: Candidate, sheet: Sheet) -> Subject | None:
    """The model as the sheet's class, or None where type or number of pins do not fit."""
    pins = tuple(pin for pin in sheet.pins if pin != "bulk")
    if candidate.pins:
        if len(candidate.pins) not in (len(pins), len(sheet.pins)):
            return None
        pins = pins if len(candidate.pins) == len(pins) else sheet.pins
        polarity = sheet.polarity
        return Subject(engine, candidate.name, candidate.kind, candidate.lines, pins, polarity=polarity)
    if candidate.kind == "vdmos" and sheet.kind == "nmos":
        return Subject(engine, candidate.name, "vdmos", candidate.lines, pins, polarity=sheet.kind)
    if candidate.kind != sheet.kind:
        return None
    return Subject(engine, candidate.name, candidate.kind, candidate.lines, sheet.pins, polarity=sheet.kind)


def _misfit(candidate: Candidate, sheets: tuple[Sheet, ...]) -> str:
    wanted = " or ".join(f"{sheet.kind} ({' '.join(sheet.pins)})" for sheet in sheets)
    if candidate.pins:
        found = f"has {len(candidate.pins)} pins ({' '.join(candidate.pins)})"
    else:
        found = f'is a .model of type "{candidate.kind}"'
    cure = "choose another class with --as, or wrap the model in a subcircuit that has these pins"
    return f'"{candidate.name}" {found}; this class wants {wanted}: {cure}'


def _pins_row(candidate: Candidate, part: Subject, order: tuple[str, ...]) -> Row:
    found, word = "as its class has them", WITHIN
    if order != part.pins:
        found, word = f"pins seem to be: {' '.join(order)}", OUTSIDE
    return Row(part.name, "pins", _read_as(candidate), " ".join(part.pins), "", found, TRIED, word)


def _lost_row(candidate: Candidate, part: Subject, class_: str) -> Row:
    count = sum(1 for _ in orders(part.pins)) if part.kind == "subcircuit" else 1
    found = f"works as a {class_} in none of {count} orders of its pins"
    return Row(
        part.name, "pins", _read_as(candidate), " ".join(part.pins), "", found, TRIED, OUT_OF_RANGE
    )  # fmt: skip


def _read_as(candidate: Candidate) -> str:
    named = f", its pins {' '.join(candidate.pins)}" if candidate.pins else ""
    return f"{candidate.dialect} notation{named}"


def _where_it_works(part: Subject, class_: str) -> Iterator[Row]:
    """A row for each supply and temperature at which it has to do what its class is for."""
    home = RAILS.get(class_)
    settings = [(home, temperature) for temperature in _TEMPERATURES]
    if home is not None:
        settings += [(replace(home, supply=top, negative=low), ROOM) for top, low in home.others]
    for rails, temperature in settings:
        right = works(part, class_, rails, temperature)
        on = "" if rails is None else f"supply {rails.supply:g} V, negative {rails.negative:g} V, "
        yield Row(
            part.name, "works", f"{on}{temperature:g} degC", "as its class does", "",
            "does" if right else "does not", TRIED, WITHIN if right else OUT_OF_RANGE,
        )  # fmt: skip


def _beyond(part: Subject, class_: str) -> Iterator[Row]:
    """Whether the model shows that its class loses its inputs beyond the common-mode range, or hides it."""
    rails = beyond(class_)
    if rails is None:
        return
    level = rails.negative + rails.middle * (rails.supply - rails.negative)
    hides = works(part, class_, rails)
    found = "still right: hides the limit" if hides else "no longer right"
    where = f"inputs at {level:g} V, supply {rails.supply:g} V, negative {rails.negative:g} V"
    word = OUT_OF_RANGE if hides else WITHIN
    yield Row(
        part.name, "beyond common mode", where, "no level is to be trusted", "", found, TRIED, word
    )  # fmt: skip
