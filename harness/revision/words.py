# SPDX-License-Identifier: GPL-3.0-or-later
"""A comparison in words: the statement, then parts, quantities, limits, corners; terminal and page read the
same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from harness.quantities import stem
from harness.report import rounding
from harness.report.tables import counted
from harness.report.terminal import in_ascii
from harness.revision import joined, shifts, standing
from harness.revision.comparison import Comparison
from harness.revision.parts import RENAMED

MOST_LINES = 12
"""Parts, keys or corners told one by one on the terminal; compare.csv holds all."""

NO_CHANGE = "none"
"""In place of a change that is not known."""

MOST_NAMES = 3
"""Quantities that the statement names; the rows below name all."""

ANNOUNCED = (
    "A change of a part is announced where the revision has another name and [intended] of the board file"
    " changed along, or a concession of the part. What [intended] cannot hold (connections, models,"
    " parameters) the name of the revision announces by itself."
)
"""What makes a change an announced one."""

WORSE, CHANGED, SAME = "worse", "changed", "nothing changed"


@dataclass(frozen=True)
class QuantityWords:
    """What one quantity did: its largest shift, and how many corners have which verdict."""

    quantity: str
    title: str
    verdict: str
    counts: str
    corner: str
    place: str
    before: str
    after: str
    predicted: str
    simulated: str


@dataclass(frozen=True)
class StandingWords:
    """One limit or agreement whose standing changed, at the first of its corners."""

    title: str
    verdict: str
    words: str
    corners: str


def kind_of(comparison: Comparison) -> str:
    """``worse``, ``changed`` or ``nothing changed``."""
    return SAME if comparison.nothing_changed else WORSE if comparison.worse else CHANGED


def statement(comparison: Comparison) -> str:
    """The one sentence: nothing changed, or how much of what did."""
    corners = rounding.count(int(comparison.joined.both.sum()), "corner")
    if comparison.nothing_changed:
        figures = rounding.count(len(comparison.shifts), "figure")
        return f"Nothing changed: the same parts, and none of {figures} in {corners} moved measurably."
    return "; ".join(_clauses(comparison, corners)) + "."


def _clauses(comparison: Comparison, corners: str) -> Iterator[str]:
    parts = [part for part in comparison.parts if part.stands_alone]
    silent = sum(not part.announced for part in parts)
    if parts:
        how = (
            "unannounced"
            if silent == len(parts)
            else f"{silent} of them unannounced"
            if silent
            else "announced"
        )
        yield f"{rounding.count(len(parts), 'part')} changed, {how}"
    else:
        yield "No part changed"
    if renamed := sum(part.how == RENAMED for part in comparison.parts):
        yield f"{rounding.count(renamed, 'part')} renamed"
    if comparison.facts:
        yield f"{rounding.count(len(comparison.facts), 'key')} of the board file changed"
    number = int(comparison.moved["row"].nunique())
    if not comparison.joined.both.any():
        yield "no corner is in both, so no figures could be compared"
    else:
        yield f"figures moved in {number} of {corners}" if number else f"no figure moved in {corners}"
    for table, words in (
        (comparison.limits, (*standing.WORSE_LIMITS, standing.MET, standing.NO_LIMIT)),
        (comparison.agreements, (*standing.WORSE_AGREEMENTS, standing.ENDED)),
    ):
        for word in words:
            rows = table[table["verdict"] == word]
            if len(rows):
                names = rounding.listed([title_of(name) for name in dict.fromkeys(rows["name"])], MOST_NAMES)
                yield f"{word}: {names} ({rounding.count(rows['row'].nunique(), 'corner')})"
    for verdict in (joined.MISSING, joined.NEW, joined.NOT_SIMULATED, joined.WORSE_STATE, joined.OTHER_STATE):
        if count := comparison.corners_that(verdict):
            yield f"{rounding.count(count, 'corner')} {verdict}"


def title_of(name: str) -> str:
    """The title of a quantity; absolute maximum ratings have one of their own."""
    return "Absolute maximum ratings" if name == standing.RATINGS else stem(name).title


def quantity_words(comparison: Comparison) -> tuple[QuantityWords, ...]:
    """One record a quantity that moved or was predicted to. Those that the board file has a limit or formula
    for come before the others, among them the largest shift in tolerances first."""
    rows = []
    asked = {
        key.partition(".")[2]
        for side in (comparison.before, comparison.after)
        for key in (side.kept.facts if side.kept else ())
        if key.startswith(("limits.", "hand."))
    }
    table = comparison.shifts.assign(share=shifts.shares(comparison.shifts))
    told = comparison.shifts.index.isin([*comparison.moved.index, *comparison.unseen.index])
    for name in dict.fromkeys(table.loc[told, "name"]):
        mine = table[table["name"] == name]
        top = mine.loc[mine.loc[told[mine.index], "share"].idxmax()]
        numbers = [(word, int((mine["verdict"] == word).sum())) for word in shifts.VERDICTS]
        worst = next(word for word, number in numbers if number)
        place = (name not in asked, -float(top["share"]))
        rows.append((place, _quantity(comparison, str(name), top, worst, numbers)))
    return tuple(record for _, record in sorted(rows, key=lambda row: row[0]))


def _quantity(
    comparison: Comparison, name: str, top: pd.Series, worst: str, numbers: list[tuple[str, int]]
) -> QuantityWords:
    row, tolerance, bar = int(top["row"]), float(top["tolerance"]), float(top["bar"])
    unit, before = stem(name).unit, float(top["before"])
    step = bar if bar > 0 else tolerance / rounding.FINENESS
    return QuantityWords(
        quantity=name,
        title=stem(name).title,
        verdict=worst,
        counts=counted([(word, number) for word, number in numbers if number]),
        corner=str(comparison.joined.table["corner"].iloc[row]),
        place=comparison.joined.places[row],
        before=rounding.figure(before, unit, step),
        after=rounding.figure(float(top["after"]), unit, step),
        predicted=change_words(name, float(top["predicted_change"]), before, np.nan, step),
        simulated=change_words(name, float(top["simulated_change"]), before, bar, step),
    )


def change_words(name: str, change: float, before: float, bar: float, step: float) -> str:
    """A signed change with its bar, where it has one; the frequency also in cents."""
    if not np.isfinite(change):
        return NO_CHANGE if np.isnan(bar) else rounding.NO_FIGURE
    unit = stem(name).unit
    words = (
        rounding.figure_with_bar(change, bar, unit)
        if np.isfinite(bar)
        else rounding.figure(change, unit, step)
    )
    words = f"+{words}" if change > 0 and not words.startswith("0 ") else words
    if name == "frequency" and before > 0 and before + change > 0:
        cents = rounding.cents(before + change, before)
        words += f" ({rounding.figure(cents, 'cent', 0.01, signed=True)})"
    return words


def unmoved_words(comparison: Comparison) -> str:
    """Quantities with no measurable change anywhere."""
    told = {*comparison.moved["name"], *comparison.unseen["name"]}
    names = [stem(name).title for name in dict.fromkeys(comparison.shifts["name"]) if name not in told]
    return f"No measurable change: {', '.join(names)}." if names else ""


def standing_words(comparison: Comparison, table: pd.DataFrame) -> tuple[StandingWords, ...]:
    """One record a quantity and verdict of limits or agreements."""
    found = []
    for (name, verdict), rows in table.groupby(["name", "verdict"], sort=False):
        first = rows.iloc[0]
        names = comparison.joined.table["corner"].iloc[rows["row"]].astype(str).tolist()
        what = f"{first['before'] or 'no such corner'} before, {first['after']} after"
        where = f"all {len(names)} corners" if len(names) == len(comparison.joined.table) > 1 else ""
        found.append(StandingWords(title_of(str(name)), str(verdict), what, where or rounding.listed(names)))
    return tuple(found)


def corner_words(comparison: Comparison) -> tuple[tuple[str, str, str], ...]:
    """(corner, place, what became of it) of every corner that came, went, or is in another state."""
    found = []
    for row, each in enumerate(comparison.joined.table.itertuples()):
        if each.verdict:
            states = " to ".join(
                state for state in dict.fromkeys((each.state_before, each.state_after)) if state
            )
            found.append((str(each.corner), comparison.joined.places[row], f"{each.verdict} ({states})"))
    return tuple(found)


def unseen_words(comparison: Comparison) -> str:
    """Where a predicted change does not show."""
    if not len(comparison.unseen):
        return ""
    names = ", ".join(stem(name).title for name in dict.fromkeys(comparison.unseen["name"]))
    return f"A predicted change does not show: {names} ({rounding.count(len(comparison.unseen), 'figure')})."


def exit_words(comparison: Comparison) -> str:
    """What the exit code says."""
    if comparison.worse:
        return f"Ends 1: {'; '.join(comparison.worse)}."
    return "Ends 0: nothing is worse, no corner is missing and no part changed unannounced."


def lines(comparison: Comparison) -> list[str]:
    """The whole answer for a terminal, in ASCII."""
    found = [statement(comparison)]
    found += [f"  before: {comparison.before.label} ({comparison.before.title})"]
    found += [f"  after:  {comparison.after.label} ({comparison.after.title})"]
    found += [f"  {sentence}" for sentence in (*comparison.lacking, *comparison.remarks)]
    found += _some("Parts:", [part.words for part in comparison.parts])
    if any(part.how != RENAMED and not part.announced for part in comparison.parts):
        found.append(f"  {ANNOUNCED}")
    found += _some("Board file:", [fact.words for fact in comparison.facts])
    told = quantity_words(comparison)
    if told:
        found.append("Largest shift of each quantity, predicted and simulated:")
    for one in told:
        both = (("predicted", one.predicted), ("simulated", one.simulated))
        known = [f"{word} {change}" for word, change in both if change != NO_CHANGE]
        shift = [", ".join(known)] if known else []
        found.append(
            f"  {one.title}: {one.before} to {one.after} in {one.corner} ({one.place});"
            f" {'; '.join([*shift, one.counts])}"
        )
    found += [words for words in (unseen_words(comparison),) if words]
    if told and (words := unmoved_words(comparison)):
        found.append(words)
    for title, table in (("Limits:", comparison.limits), ("Hand against simulated:", comparison.agreements)):
        told_words = standing_words(comparison, table)
        found += _some(
            title, [f"{one.title}: {one.verdict} in {one.corners} ({one.words})" for one in told_words]
        )
    places = [f"{name} ({place}): {what}" for name, place, what in corner_words(comparison)]
    found += _some("Corners:", places)
    return [in_ascii(line) for line in [*found, exit_words(comparison)]]


def _some(title: str, entries: list[str]) -> list[str]:
    if not entries:
        return []
    more = [f"  and {len(entries) - MOST_LINES} more in compare.csv"] if len(entries) > MOST_LINES else []
    return [title, *(f"  {entry}" for entry in entries[:MOST_LINES]), *more]
