# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables below the first screen as plain rows of text: corners, one corner in full, effects, parts,
settings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from harness import quantities
from harness.conceded import counts
from harness.report import rounding, tables
from harness.results import RunResult

MOST_ROWS = 500
"""Corners written into the page; corners.csv holds all."""

LEAST_EFFECT = 0.02
"""Effects below this share of a tolerance in every corner are left to effects.csv."""

MOST_QUANTITIES = 12
"""Quantities that the corner table can be switched to."""

VOLATILE = frozenset(
    {
        "engine_seconds",
        "model_engine_seconds",
        "callback_seconds",
        "wall_seconds",
        "workers",
        "reused",
        "model_values_reused",
        "simulated",
    }
)
"""What may differ between two runs of the same input; it stands in run.json and not in the page."""


@dataclass(frozen=True)
class Cell:
    """What the eye reads and what sorting uses (empty: sort by the text)."""

    text: str
    value: str = ""


@dataclass(frozen=True)
class CornerRow:
    """One corner: its axes, its state, and four cells a quantity (hand, refined, simulated, verdicts)."""

    corner: str
    axes: tuple[Cell, ...]
    state: str
    worst: str
    figures: tuple[tuple[Cell, Cell, Cell, str, str], ...]


@dataclass(frozen=True)
class CornerTable:
    """The corner table of the page. ``quantities``: (stem, title, unit) in the order of
    ``CornerRow.figures``."""

    axes: tuple[str, ...]
    quantities: tuple[tuple[str, str], ...]
    rows: tuple[CornerRow, ...]
    total: int


@dataclass(frozen=True)
class FullRow:
    """One quantity of one corner with everything known about it."""

    title: str
    hand: str
    solved: str
    refined: str
    simulated: str
    difference: str
    tolerance: str
    agreement: str
    concession: str
    limit: str
    margin: str


@dataclass(frozen=True)
class EffectRow:
    """One effect on one quantity over all corners."""

    title: str
    effect: str
    corners: int
    largest: str
    corner: str
    tolerances: str
    origin: str


def table_quantities(result: RunResult) -> list[str]:
    """The quantities worth a place in the corner table: limited or predicted by hand first, duty before
    all."""
    present = tables.asked_or_measured(result)
    compared = set(tables.compared(result.corners))
    wanted = [name for name in present if name in compared or name in result.board.limits]
    wanted += [name for name in present if name not in wanted]
    return wanted[:MOST_QUANTITIES]


def severity(result: RunResult) -> pd.Series:
    """A number a corner, the worst smallest: state, then limits, then agreement."""
    corners = result.corners
    rank = pd.Series(9, index=corners.index)
    for quantity in tables.present(corners):
        limits = tables.column(corners, quantity, "limit", "no limit").astype(str)
        words = tables.column(corners, quantity, "agreement", "no figure").astype(str)
        ranks = limits.map({"outside": 0, "no figure": 2, "too close to call": 3}).fillna(9)
        rank = np.minimum(rank, ranks)
        ranks = words.map({"disagrees": 4, "too coarse": 5, "explained": 6}).fillna(9)
        rank = np.minimum(rank, ranks.where(counts(corners, quantity), 7))
    bad = corners["state"].astype(str).isin(["not simulated", "out of range", "no ramp", "chatter"])
    return rank.where(~bad, np.minimum(rank, 1)).astype(int)


WORST = {
    0: "outside", 2: "no figure", 3: "too close to call", 4: "disagrees",
    5: "too coarse", 6: "explained", 7: "conceded", 9: "clear",
}  # fmt: skip


def corner_table(result: RunResult) -> CornerTable:
    """Up to 500 corners, those that fall short first where there are more, shown in the order of the
    table."""
    corners, board = result.corners, result.board
    rank = severity(result)
    names = table_quantities(result)
    agreements = pd.DataFrame({name: tables.agreement_words(corners, name) for name in names})
    if len(corners) > MOST_ROWS:
        chosen = rank.sort_values(kind="stable").index[:MOST_ROWS]
        corners = corners.loc[corners.index.isin(chosen)]
    steps = {name: tables.step(result.corners, name) for name in names}
    axes = [name for name in board.axes if name in corners]
    rows = []
    for label, row in zip(corners.index, corners.to_dict("records"), strict=True):
        rows.append(
            CornerRow(
                corner=str(row["corner"]),
                axes=tuple(
                    Cell(tables.axis_value(board, name, row[name]), sortable(row[name])) for name in axes
                ),
                state=str(row["state"]),
                worst=str(row["state"]) if rank.loc[label] == 1 else WORST[int(rank.loc[label])],
                figures=tuple(
                    _figures(row, name, steps[name], str(agreements.at[label, name])) for name in names
                ),
            )
        )
    titles = tuple((name, quantities.stem(name).title) for name in names)
    return CornerTable(tuple(axes), titles, tuple(rows), len(result.corners))


def _figures(
    row: dict[str, object], quantity: str, step: float, agreement: str
) -> tuple[Cell, Cell, Cell, str, str]:
    unit = quantities.stem(quantity).unit
    hand, refined, simulated, bar = (
        _float(row.get(f"{quantity}.{part}")) for part in ("hand", "refined", "simulated", "bar")
    )
    return (
        Cell(_or_dash(hand, unit, step), sortable(hand)),
        Cell(_or_dash(refined, unit, step), sortable(refined)),
        Cell(rounding.figure_with_bar(simulated, bar, unit), sortable(simulated)),
        agreement,
        str(row.get(f"{quantity}.limit", "no limit")),
    )


def _float(value: object) -> float:
    return float(value) if isinstance(value, (int, float, np.floating, np.integer)) else float("nan")


def _or_dash(value: float, unit: str, step: float) -> str:
    return rounding.figure(value, unit, step) if np.isfinite(value) else "\N{EN DASH}"


def sortable(value: object) -> str:
    """A value as the page sorts it; empty where there is none."""
    if isinstance(value, str):
        return value
    number = _float(value)
    return f"{number:.9g}" if np.isfinite(number) else ""


def full_corner(result: RunResult, row: pd.Series) -> tuple[FullRow, ...]:
    """Every quantity of one corner that was asked for or simulated anywhere."""
    rows = []
    for quantity in tables.asked_or_measured(result):
        stem = quantities.stem(quantity)
        tolerance = float(row.get(f"{quantity}.tolerance", np.nan))
        step = tolerance / rounding.FINENESS
        part = {
            name: float(row.get(f"{quantity}.{name}", np.nan))
            for name in ("hand", "solved", "refined", "margin")
        }
        simulated, bar = tables.simulated_and_bar(row, quantity)
        apart = simulated - part["hand"]
        rows.append(
            FullRow(
                title=stem.title,
                hand=_or_dash(part["hand"], stem.unit, step),
                solved=_or_dash(part["solved"], stem.unit, step),
                refined=_or_dash(part["refined"], stem.unit, step),
                simulated=rounding.figure_with_bar(simulated, bar, stem.unit),
                difference=rounding.amount(apart, stem.unit, tolerance, bar)
                if np.isfinite(apart)
                else "\N{EN DASH}",
                tolerance=_or_dash(tolerance, stem.unit, tolerance / 10.0),
                agreement=str(tables.agreements(row.to_frame().T, quantity).iloc[0]),
                concession=tables.CONCESSION_WORDS.get(str(row.get(f"{quantity}.concession", "")), ""),
                limit=str(row.get(f"{quantity}.limit", "no limit")),
                margin=rounding.margin(part["margin"], stem.unit, bar)
                if np.isfinite(part["margin"])
                else "\N{EN DASH}",
            )
        )
    return tuple(rows)


def effect_rows(result: RunResult, most: int = 6) -> tuple[EffectRow, ...]:
    """For each quantity its largest effects over all corners, by their greatest amount in tolerances.

    Corners are counted where the effect reaches the least share that is listed.
    """
    if result.effects.empty:
        return ()
    corners = result.corners.set_index(result.corners["corner"].astype(str))
    rows: list[EffectRow] = []
    for quantity in tables.compared(result.corners):
        mine = result.effects[result.effects["quantity"] == quantity]
        if mine.empty:
            continue
        stem = quantities.stem(quantity)
        tolerance = (
            tables.numbers(corners, quantity, "tolerance").reindex(mine["corner"].astype(str)).to_numpy()
        )
        mine = mine.assign(share=mine["amount"].abs().to_numpy() / tolerance, tolerance=tolerance)
        mine = mine[np.isfinite(mine["share"]) & (mine["share"] >= LEAST_EFFECT)]
        found = []
        for effect, group in mine.groupby("effect", sort=True):
            top = group.loc[group["share"].idxmax()]
            found.append((float(top["share"]), str(effect), len(group), top))
        for share, effect, number, top in sorted(found, key=lambda entry: (-entry[0], entry[1]))[:most]:
            rows.append(
                EffectRow(
                    title=stem.title,
                    effect=effect,
                    corners=number,
                    largest=rounding.amount(float(top["amount"]), stem.unit, float(top["tolerance"])),
                    corner=str(top["corner"]),
                    tolerances=rounding.figure(share, "", 0.01 if share < 10.0 else 0.1),
                    origin=str(top["origin"]),
                )
            )
    return tuple(rows)


def part_rows(check: pd.DataFrame) -> tuple[tuple[str, str, str, str, str], ...]:
    """(part, intended, drawn, verdict, concession) as text, those that differ first."""
    rows = [
        (
            str(row["part"]),
            tables.value_text(row["intended"]),
            tables.value_text(row["drawn"]),
            str(row["verdict"]),
            tables.CONCESSION_WORDS.get(str(row.get("concession", "")), ""),
        )
        for row in check.to_dict("records")
    ]
    order = {"differs": 0, "not drawn": 1, "not intended": 2, "same": 3}
    return tuple(sorted(rows, key=lambda row: order.get(row[3], 4)))


def settings_rows(result: RunResult) -> tuple[tuple[str, str], ...]:
    """What run.json says about settings, versions and hashes, without what the clock decides, and without
    the concessions, which stand in full on the first screen."""
    kept = {key: value for key, value in result.run.items() if key not in (*VOLATILE, "concessions")}
    return tuple((key.replace("_", " "), text) for key, text in tables.flat(kept).items())
