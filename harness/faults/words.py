# SPDX-License-Identifier: GPL-3.0-or-later
"""What a study of faults says on the terminal: the worst first, then what nobody would see."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from harness.corners import nominal_row
from harness.faults.fault import HARMLESS, NOT_SIMULATED, OVERSTRESSED, WRONG_SOUND, Outcome
from harness.faults.stress import SHORT_WORDS
from harness.report.rounding import count as number_of
from harness.units import engineering

if TYPE_CHECKING:
    from harness.faults.study import FaultStudy

MOST = 15  # rows of a section on the terminal
LONGEST = 150  # characters of a row

PLAYED = ("unpowered", "order", "start")
#: a fault, whether a bench shows it, and what it shows
Row = tuple[Outcome, str, tuple[str, ...]]


def lines(study: FaultStudy, rows: Sequence[Row], run: Mapping[str, Any]) -> list[str]:
    """The lines of an answer."""
    board = study.board
    counts: Mapping[str, int] = run["severities"]
    by = {severity: [row for row in rows if row[0].severity == severity] for severity in counts}
    unseen = [row for row in by[WRONG_SOUND] if row[1] == "no"]
    return [
        f"{board.name}, revision {board.revision}: {number_of(len(rows), 'fault')}, one at a time, at"
        f" {_where(study)}",
        f"{number_of(run['simulations'], 'simulation')} ({run['reused']} known from earlier runs). "
        + ", ".join(f"{number} {severity}" for severity, number in counts.items())
        + ".",
        *_section("A part is overstressed", by[OVERSTRESSED], _stressed),
        *_section("Not simulated", by[NOT_SIMULATED], lambda row: row[0].reason),
        *_section("Wrong sound, and a bench does not show it there", unseen, _shown),
        *_section("Wrong sound, as a bench shows", [r for r in by[WRONG_SOUND] if r[1] == "yes"], _shown),
        *_section("Harmless", by[HARMLESS], lambda row: _shown(row) or _quiet(row[0])),
        *_states(rows),
        "",
        "Assumed:",
        *(f"  {note}" for note in run["assumed"]),
    ]


def _where(study: FaultStudy) -> str:
    """The corners of a study in words."""
    if len(study.corners) != 1:
        return number_of(len(study.corners), "corner")
    row, nominal = study.corners.iloc[0], nominal_row(study.board)
    values = [f"{name} {axis.text(float(row[name]))}" for name, axis in study.board.axes.items()]
    at = ", ".join(values)
    usual = all(float(row[name]) == value for name, value in nominal.items())
    return f"the nominal corner{f' ({at})' if at else ''}" if usual else at


def _section(title: str, rows: Sequence[Row], words: Any) -> Iterator[str]:
    if not rows:
        return
    yield ""
    yield f"{title} ({len(rows)}):"
    width = min(38, max(len(row[0].fault.name) for row in rows[:MOST]))
    for row in rows[:MOST]:
        text = f"  {row[0].fault.name:<{width}}  {words(row)}"
        yield text if len(text) <= LONGEST else f"{text[: LONGEST - 3].rstrip()}..."
    if len(rows) > MOST:
        yield f"  and {len(rows) - MOST} more, all in faults.csv (--out DIR)"


def _stressed(row: Row) -> str:
    outcome, at_bench, seen = row
    worst = outcome.stresses[0]
    more = f" and {len(outcome.stresses) - 1} more" if len(outcome.stresses) > 1 else ""
    shown = f"; bench: {seen[0]}" if at_bench == "yes" else "; a bench does not show it"
    return f"{worst.part} {passed_words(worst.rating, worst.value, worst.limit, worst.unit)}{more}{shown}"


def passed_words(rating: str, value: float, limit: float, unit: str) -> str:
    """What is passed and by what: ``output current 175 mA, rating 50 mA``. Where a sheet promises a current
    and prints no rating, it is not called one."""
    bound = "its sheet is sure of" if rating == SHORT_WORDS else "rating"
    return f"{rating} {engineering(value, unit, 3)}, {bound} {engineering(limit, unit, 3)}"


def _shown(row: Row) -> str:
    return "; ".join(row[2][:2])


def _quiet(outcome: Outcome) -> str:
    """What is said of a fault that does nothing: what a sequence came to, else that no bench shows it."""
    return outcome.reason if outcome.fault.kind in PLAYED else "a bench does not show it"


def _states(rows: Sequence[Row]) -> Iterator[str]:
    """How many faults leave the output in which state."""
    counted = Counter(row[0].state for row in rows)
    yield ""
    yield "States of the output: " + ", ".join(f"{state} {count}" for state, count in counted.most_common())
