# SPDX-License-Identifier: GPL-3.0-or-later
"""From sheets to rows: published figure, limit, what the model does, and whether that is within.

A row is ``within`` where no printed limit is broken and the typical figure, where one is printed, is met
within a factor (1.5 unless the sheet gives another; the factor is ours). It is ``outside`` where a limit is
broken, ``off typical`` where only the factor is, ``no figure`` where the bench found none, and
``not measured`` where the sheet says why it has no bench: the reason then stands under ``measured``.
"""

from __future__ import annotations

import inspect
import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import astuple, dataclass, fields
from importlib import import_module
from typing import TYPE_CHECKING

from harness.alone.bench import Engine
from harness.engine.errors import EngineDead, EngineError
from harness.findings import Finding, InputError, nearest
from harness.parts.subject import Subject
from harness.sheets import Figure, Sheet, models, read_sheet
from harness.units import engineering

if TYPE_CHECKING:
    import pandas as pd

FAMILIES = ("comparators", "opamps", "discretes", "switches")
WITHIN, OUTSIDE, OFF_TYPICAL = "within", "outside", "off typical"
NO_FIGURE, NOT_MEASURED, OUT_OF_RANGE = "no figure", "not measured", "out of range"
TRIED = "what the class is for; tried by this program"  # the source of a row without a printed figure
BAD = (OUTSIDE, OFF_TYPICAL, NO_FIGURE, OUT_OF_RANGE)

#: a bench: the model and the arguments of the sheet in, a figure in SI units out; NaN where there is none
BenchFunction = Callable[..., float]


@dataclass(frozen=True)
class Row:
    """One line of ``parts.csv``."""

    model: str
    quantity: str
    condition: str
    published: str
    limit: str
    measured: str
    source: str
    verdict: str


COLUMNS = tuple(field.name for field in fields(Row))


def benches_of(sheet: Sheet) -> dict[str, BenchFunction]:
    """The benches of a sheet's family by name. Raises ValueError where the sheet names no family."""
    if sheet.benches not in FAMILIES:
        families = ", ".join(FAMILIES)
        raise ValueError(f"{sheet.model}.toml: device: benches: {sheet.benches!r} is none of {families}")
    table: dict[str, BenchFunction] = import_module(f"harness.parts.{sheet.benches}").BENCHES
    return table


def measure(subject: Subject, figure: Figure, benches: dict[str, BenchFunction]) -> float:
    """What the model does where the sheet states ``figure``; of several conditions the worst.

    NaN where any of them gives no figure, or a ratio to nothing. Raises ValueError where the sheet asks for a
    bench or an argument that there is not, EngineError as the engine does.
    """
    if figure.bench not in benches:
        raise ValueError(f"{figure.name}: no bench is called {figure.bench!r} (known: {', '.join(benches)})")
    bench = benches[figure.bench]
    wrong = set(figure.at) - set(inspect.signature(bench).parameters)
    if wrong:
        raise ValueError(f"{figure.name}: the bench {figure.bench} takes no {', '.join(sorted(wrong))}")
    settings = [
        dict(zip(figure.at, values, strict=True)) for values in itertools.product(*figure.at.values())
    ]
    try:
        return _worst(figure, [bench(subject, **setting) for setting in settings])
    except ZeroDivisionError:  # a ratio to a current that does not flow, in a model without it
        return math.nan


def _worst(figure: Figure, found: Sequence[float]) -> float:
    """The value that lies nearest to breaking a limit, or farthest from the typical figure."""
    if any(math.isnan(value) for value in found):
        return math.nan
    if not math.isnan(figure.typical) and figure.typical and figure.judged == "typical":
        return max(found, key=lambda value: (not figure.allows(value), _apart(value, figure.typical)))
    broken = [value for value in found if not figure.allows(value)]
    if broken:
        return broken[0]
    return max(found) if math.isnan(figure.least) else min(found)


def _apart(value: float, typical: float) -> float:
    ratio = value / typical
    return abs(math.log(ratio)) if ratio > 0 else math.inf


def verdict(figure: Figure, value: float) -> str:
    """The word for a measured value."""
    if math.isnan(value):
        return NO_FIGURE
    if not figure.allows(value):
        return OUTSIDE
    return WITHIN if figure.is_near_typical(value) else OFF_TYPICAL


def judged(sheet: Sheet, subject: Subject, foreign: bool = False) -> Iterator[tuple[Figure, str, str]]:
    """Each figure of the sheet, what was measured or why nothing was, and the verdict. Raises EngineDead,
    ValueError.

    ``foreign``: somebody else's model, which has none of the parameters that ours have.
    """
    benches = benches_of(sheet)
    for figure in sheet.figures.values():
        reason = figure.not_measured
        if foreign and "parameters" in figure.at:
            reason = "asks for a parameter of the package's own model"
        if reason:
            yield figure, reason, NOT_MEASURED
            continue
        if not figure.bench:
            raise ValueError(f"{sheet.model}.toml: {figure.name}: names neither bench nor not_measured")
        try:
            value = measure(subject, figure, benches)
        except EngineDead:
            raise
        except EngineError as error:
            yield figure, f"no result: {error}", NO_FIGURE
            continue
        yield figure, engineering(value + 0.0, figure.unit), verdict(figure, value)  # no minus before a 0


def rows_of(sheet: Sheet, subject: Subject, foreign: bool = False) -> Iterator[Row]:
    """One row a figure of the sheet, measured one after the other. Raises as `judged` does."""
    for figure, measured, word in judged(sheet, subject, foreign):
        kind = f" ({figure.kind})" if figure.kind != "published" else ""
        yield Row(
            subject.name, figure.name, figure.condition, typical_text(figure), limit_text(figure), measured,
            f"{figure.source}: {figure.place}{kind}", word,
        )  # fmt: skip


def typical_text(figure: Figure) -> str:
    """The typical figure, nothing where none is printed, and the words of a row that has no number at all."""
    silent = all(math.isnan(bound) for bound in (figure.least, figure.typical, figure.most))
    if silent:
        return figure.words
    return "" if math.isnan(figure.typical) else engineering(figure.typical, figure.unit)


def limit_text(figure: Figure) -> str:
    """``6 mA or more``, ``400 mV or less``, ``1 V to 2.5 V``, or nothing."""
    least, most = (engineering(bound, figure.unit) for bound in (figure.least, figure.most))
    if math.isnan(figure.least):
        return "" if math.isnan(figure.most) else f"{most} or less"
    return f"{least} or more" if math.isnan(figure.most) else f"{least} to {most}"


def parts_table(engine: Engine, names: Sequence[str] = ()) -> pd.DataFrame:
    """The rows of every model of the package, or of those named. Raises as `rows_of` does, and InputError
    for a name that has no sheet."""
    import pandas as pd

    known = models()
    unknown = [
        Finding(None, f'there is no model "{name}"{nearest(name, known)}')
        for name in names
        if name not in known
    ]
    if unknown:
        raise InputError(unknown)
    rows = [
        row
        for name in names or known
        for sheet in (read_sheet(name),)
        for row in rows_of(sheet, Subject.of(sheet, engine))
    ]
    return pd.DataFrame([astuple(row) for row in rows], columns=list(COLUMNS))
