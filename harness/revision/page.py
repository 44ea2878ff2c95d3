# SPDX-License-Identifier: GPL-3.0-or-later
"""The page of a comparison: one file in the style of the report, drawn from the same records as the lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from markupsafe import Markup

from harness.quantities import stem
from harness.report import rounding
from harness.report.details import MOST_QUANTITIES, MOST_ROWS, Cell, sortable
from harness.report.page import MOST_UNSCROLLED, SHAPES, asset, environment, switches
from harness.revision import joined, shifts, standing, words
from harness.revision.comparison import Comparison
from harness.revision.pictures import shift_pictures

MARKS = SHAPES | {
    words.SAME: SHAPES["within"],
    words.CHANGED: SHAPES["explained"],
    words.WORSE: SHAPES["outside"],
    shifts.AS_PREDICTED: SHAPES["within"],
    shifts.NOT_PREDICTED: SHAPES["outside"],
    shifts.UNPREDICTED: SHAPES["too coarse"],
    shifts.UNMOVED: SHAPES["no limit"],
    shifts.LOST: SHAPES["no figure"],
    shifts.APPEARED: SHAPES["explained"],
    shifts.UNKNOWN_BAR: SHAPES["too coarse"],
    **{word: SHAPES["outside"] for word in (*standing.WORSE_LIMITS, *standing.WORSE_AGREEMENTS)},
    **{word: SHAPES["within"] for word in (standing.MET, standing.ENDED)},
    standing.NO_LIMIT: SHAPES["no limit"],
    joined.MISSING: SHAPES["outside"],
    joined.NEW: SHAPES["explained"],
}
"""The shape that goes with each word."""


@dataclass(frozen=True)
class CornerRow:
    """One corner: name, axis cells, state, the verdict to look at first, and five cells a quantity."""

    corner: str
    axes: tuple[Cell, ...]
    state: str
    worst: str
    figures: tuple[tuple[Cell, Cell, Cell, Cell, str], ...]


def render(comparison: Comparison) -> bytes:
    """The page as ASCII bytes."""
    told = words.quantity_words(comparison)
    names = [one.quantity for one in told]
    names += [name for name in dict.fromkeys(comparison.shifts["name"]) if name not in names]
    names = names[:MOST_QUANTITIES]
    rows = corner_rows(comparison, names)
    text = environment().get_template("compare.html.j2").render(
        css=Markup(asset("style.css") + switches(len(names))),
        script=Markup(asset("table.js")),
        shapes=MARKS,
        kind=words.kind_of(comparison),
        statement=words.statement(comparison),
        ending=words.exit_words(comparison),
        announced=words.ANNOUNCED,
        comparison=comparison,
        sides=_sides(comparison),
        told=told,
        unseen=words.unseen_words(comparison),
        unmoved=words.unmoved_words(comparison),
        limits=words.standing_words(comparison, comparison.limits),
        agreements=words.standing_words(comparison, comparison.agreements),
        moved_corners=words.corner_words(comparison)[:MOST_ROWS],
        pictures=shift_pictures(comparison, [one.quantity for one in told]),
        quantities=[(name, stem(name).title) for name in names],
        axes=comparison.joined.axes,
        rows=rows,
        total=len(comparison.joined.table),
        tall=len(rows) > MOST_UNSCROLLED,
    )  # fmt: skip
    return text.encode("ascii", "xmlcharrefreplace")


def _sides(comparison: Comparison) -> tuple[tuple[str, str, str, str, str], ...]:
    """(word, label, board and revision, engine, corners) of either side."""
    found = []
    for word, side in (("Before", comparison.before), ("After", comparison.after)):
        versions = dict(side.run.get("versions", {}))
        tool = f"ramp-harness {versions.get('ramp-harness', 'not stated')}"
        engine = f"{versions.get('engine', 'not stated')}, {tool}"
        found.append((word, side.label, side.title, engine, rounding.count(len(side.corners), "corner")))
    return tuple(found)


def corner_rows(comparison: Comparison, names: list[str]) -> list[CornerRow]:
    """Up to 500 corners, those that moved most or are worse first chosen, in the order of the table."""
    table = comparison.joined.table
    chosen = set(_chosen(comparison))
    cells: dict[tuple[int, str], tuple[Cell, Cell, Cell, Cell, str]] = {}
    for each in comparison.shifts.itertuples():
        if each.row in chosen and each.name in names:
            cells[int(each.row), str(each.name)] = _figures(each)
    worst = _worst(comparison)
    none = (Cell("\N{EN DASH}"),) * 4
    rows = []
    for row in sorted(chosen):
        each = table.iloc[row]
        states = dict.fromkeys(state for state in (each["state_before"], each["state_after"]) if state)
        rows.append(
            CornerRow(
                corner=str(each["corner"]),
                axes=tuple(
                    Cell(_axis_text(comparison, axis, float(each[axis])), sortable(each[axis]))
                    for axis in comparison.joined.axes
                ),
                state=" to ".join(states),
                worst=worst[row],
                figures=tuple(cells.get((row, name), (*none, "")) for name in names),
            )
        )
    return rows


def _axis_text(comparison: Comparison, axis: str, value: float) -> str:
    for side in (comparison.after, comparison.before):
        if axis in side.axes:
            return side.axes[axis].text(value)
    return f"{value:g}"


def _figures(each: object) -> tuple[Cell, Cell, Cell, Cell, str]:
    name, verdict = str(each.name), str(each.verdict)  # type: ignore[attr-defined]
    before, after, predicted, change, bar, tolerance = (
        float(getattr(each, part))
        for part in ("before", "after", "predicted_change", "simulated_change", "bar", "tolerance")
    )
    unit, step = stem(name).unit, bar if bar > 0 else tolerance / rounding.FINENESS
    return (
        Cell(rounding.figure(before, unit, step), sortable(before)),
        Cell(rounding.figure(after, unit, step), sortable(after)),
        Cell(words.change_words(name, predicted, before, np.nan, step), sortable(predicted)),
        Cell(words.change_words(name, change, before, bar, step), sortable(change)),
        verdict,
    )


def _chosen(comparison: Comparison) -> list[int]:
    """Rows of the joined table that the page shows."""
    severity = pd.Series(0.0, index=range(len(comparison.joined.table)))
    if len(comparison.shifts):
        share = shifts.shares(comparison.moved).clip(lower=0.0)
        largest = share.groupby(comparison.moved["row"]).max()
        severity = severity.add(largest, fill_value=0.0)
    for table in (comparison.limits, comparison.agreements):
        severity[table["row"].astype(int).unique()] += 1e6
    severity[(comparison.joined.table["verdict"] != "").to_numpy()] += 1e9
    return [int(row) for row in severity.sort_values(ascending=False, kind="stable").index[:MOST_ROWS]]


def _worst(comparison: Comparison) -> list[str]:
    """For each corner the verdict to look at first: of the corner, of limits, of agreements, of shifts."""
    worst: list[str] = [str(verdict) for verdict in comparison.joined.table["verdict"]]
    first_words = (
        (comparison.limits, (*standing.WORSE_LIMITS, standing.MET, standing.NO_LIMIT)),
        (comparison.agreements, (*standing.WORSE_AGREEMENTS, standing.ENDED)),
        (comparison.shifts, shifts.VERDICTS),
    )
    for table, order in first_words:
        for verdict in order:
            for row in table.loc[table["verdict"] == verdict, "row"].unique():
                worst[int(row)] = worst[int(row)] or verdict
    return worst
