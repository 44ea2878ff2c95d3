# SPDX-License-Identifier: GPL-3.0-or-later
"""Checks from outside: printed figures, where they stand, and what this package makes of them.

They lie as data in ``shared/checks/*.toml``. A printed figure is good to half a unit of its last digit, and
no wider tolerance can be set without the word ``about`` that the source itself has to use. Where a printed
figure is wrong, the entry says so (``slip``), and the check then wants the true answer *and* a difference to
the printed one.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args

import pandas as pd

from harness.formula import Formula
from harness.resources import shared_folder
from harness.sheets import models, read_sheet
from harness.units import engineering, parse_si
from harness.worked_examples import METHODS, namespace_of

Kind = Literal["published", "recomputed", "common practice", "from memory"]
Verdict = Literal["agrees", "found", "off"]
COLUMNS = ("check", "source", "place", "kind", "printed", "got", "verdict")
_DIGITS = re.compile(r"[+-]?\d*\.?(\d*)(?:[eE]([+-]?\d+))?")
_SLACK = 1 + 1e-9


@dataclass(frozen=True)
class Printed:
    """A figure as it stands in print: ``value`` in SI units, and the span in which a true answer rounds to
    it.

    ``least`` and ``most``: half a unit of the last digit to either side; for a figure that was cut off
    instead of rounded, one unit outwards.
    """

    text: str
    value: float
    unit: str
    least: float
    most: float

    @classmethod
    def read(cls, text: str, cut: bool = False, about: str = "") -> Printed:
        """``"2.69968 V"``, ``"872.7 Hz"``, ``"0.123"``; ``about``: a share such as ``"5 %"``. Raises
        ValueError.
        """
        quantity = parse_si(text)
        digits = _DIGITS.match(text.strip())
        number = digits.group() if digits else ""
        if not any(letter.isdigit() for letter in number):
            raise ValueError(f'"{text}" shows no digits')
        written = 10.0 ** (int(digits[2] or 0) - len(digits[1])) if digits else 1.0
        unit_text = text.strip()[len(number) :]
        last = written * parse_si("1" + unit_text).value
        below = above = last / 2
        if cut:
            below, above = (0.0, last) if quantity.value >= 0 else (last, 0.0)
        if about:
            below = above = abs(quantity.value) * parse_si(about).value
        return cls(text, quantity.value, quantity.unit, quantity.value - below, quantity.value + above)

    def holds(self, got: float) -> bool:
        """True where ``got`` rounds to the printed digits; a hair is given for the arithmetic of this
        machine.
        """
        middle, half = (self.least + self.most) / 2, (self.most - self.least) / 2
        return abs(got - middle) <= half * _SLACK + 1e-12 * abs(middle)


@dataclass(frozen=True)
class Check:
    """One printed figure. ``what``: formula over the given values and over what ``method`` finds with them.

    ``answer``: the figure recomputed to more digits, where there is one. ``slip``: why the printed figure is
    wrong.
    """

    name: str
    source: str
    place: str
    kind: Kind
    method: str
    what: Formula
    printed: Printed
    answer: Printed | None = None
    slip: str = ""
    entry: Mapping[str, Any] = field(default_factory=dict, repr=False)
    changes: Mapping[str, str] = field(default_factory=dict)

    def got(self) -> float:
        """The figure as this package computes it, in SI units."""
        given = namespace_of({**self.entry.get("given", {}), **self.changes})
        found = METHODS[self.method](self.entry, given)
        return float(self.what.evaluate({**given, **found}))

    def verdict(self, got: float) -> Verdict:
        """``agrees``, ``found`` (the printed figure is a slip and ``got`` the true one) or ``off``."""
        if not math.isfinite(got) or (self.answer is not None and not self.answer.holds(got)):
            return "off"
        if self.slip:
            return "off" if self.printed.holds(got) else "found"
        return "agrees" if self.printed.holds(got) else "off"


def load_checks(folder: Path | None = None) -> tuple[Check, ...]:
    """Every outside check, in the order of the files. Raises ValueError naming file and entry."""
    files = sorted((folder or shared_folder() / "checks").glob("*.toml"))
    return tuple(check for file in files for check in _read(file))


def _read(file: Path) -> Iterator[Check]:
    with file.open("rb") as stream:
        entries = tomllib.load(stream)["check"]
    for entry in entries:
        try:
            yield from _checks_of(entry)
        except (KeyError, ValueError) as error:
            raise ValueError(
                f"{file.name}: {entry.get('name', 'an entry without a name')}: {error}"
            ) from error


def _checks_of(entry: Mapping[str, Any]) -> Iterator[Check]:
    if entry["kind"] not in get_args(Kind):
        raise ValueError(f'"{entry["kind"]}" is no kind (valid: {", ".join(get_args(Kind))})')
    if entry["method"] not in METHODS:
        raise ValueError(f'"{entry["method"]}" is no method (valid: {", ".join(METHODS)})')
    for figure in entry["figures"]:
        slip = figure.get("slip", "")
        if slip and "answer" not in figure:
            raise ValueError("a slip wants the true figure beside it, as `answer`")
        yield Check(
            name=f"{entry['name']}: {figure.get('of', figure['what'])}",
            source=entry["source"],
            place=entry["place"],
            kind=entry["kind"],
            method=entry["method"],
            what=Formula(figure["what"]),
            printed=Printed.read(figure["printed"], figure.get("cut", False), figure.get("about", "")),
            answer=Printed.read(figure["answer"]) if "answer" in figure else None,
            slip=slip,
            entry=entry,
            changes=figure.get("with", {}),
        )


def sources_table(checks: tuple[Check, ...] | None = None) -> pd.DataFrame:
    """One row a printed figure, columns check, source, place, kind, printed, got, verdict; by default of
    every check and of every figure of a device that a model of the package is measured against.

    Everything is computed anew, on the engine too where a check runs a circuit.
    """
    rows: list[tuple[str, ...]] = []
    for check in load_checks() if checks is None else checks:
        got = check.got()
        shown = engineering(got, check.printed.unit, digits=6)
        rows.append(
            (check.name, check.source, check.place, check.kind, check.printed.text, shown, check.verdict(got))
        )
    if checks is None:
        rows += _device_rows()
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _device_rows() -> Iterator[tuple[str, ...]]:
    """The measured figures of every device sheet: what is printed beside what the model does."""
    from harness.engine.session import session
    from harness.parts import Subject
    from harness.parts.rows import NOT_MEASURED, WITHIN, judged, limit_text, typical_text

    for model in models():
        sheet = read_sheet(model)
        for figure, got, word in judged(sheet, Subject.of(sheet, session())):
            if word == NOT_MEASURED:
                continue
            printed = "; ".join(text for text in (typical_text(figure), limit_text(figure)) if text)
            name = ", ".join(text for text in (f"{model}: {figure.name}", figure.condition) if text)
            agrees = "agrees" if word == WITHIN else "off"
            yield name, figure.source, figure.place, figure.kind, printed, got, agrees
