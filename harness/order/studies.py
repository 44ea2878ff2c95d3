# SPDX-License-Identifier: GPL-3.0-or-later
"""The studies that an order document draws on: asked for, run, and told; or named as not run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

import pandas as pd

from harness.board import Board
from harness.corners import typed
from harness.faults.answer import faults_of
from harness.order import fault_section
from harness.order.records import Section, StudyState, Table
from harness.quantities import is_stem, stem
from harness.ratings import BREACHED, NO_FIGURE, WITHIN
from harness.report import rounding, tables
from harness.report.page import SHAPES
from harness.run import Only, Progress
from harness.studies.answers import Answer, share_that_passes, worst_case
from harness.units import engineering

if TYPE_CHECKING:
    from harness.engine.workers import Workers

WORST, YIELD, FAULTS = "worst", "yield", "faults"
TITLES = {
    WORST: "Worst case over all tolerances",
    YIELD: "Share of boards that keep every limit and rating",
    FAULTS: "Single faults",
}
ASSUMED = "Assumed:"
NO_LIMIT = "not run: without limits there is nothing to hold it against"
LIGHT = 0.005  # share of the largest half effect below which a part moves no limited quantity


@dataclass(frozen=True)
class Asked:
    """What an order document is asked to draw on. ``studies``: names of :data:`TITLES`; the rest as the
    commands of the same names take it."""

    studies: tuple[str, ...] = ()
    only: Only = ()
    jobs: int | Workers | None = None
    accuracy: float | None = None
    draws: int = 200
    seed: int = 1
    ledger: Path | None = None
    within: float | None = None
    progress: Progress | None = field(default=None, compare=False)

    def command(self, board: Board, study: str, place: str = "") -> str:
        """What to type for a document with one more study. ``place``: the board file as it was named, which
        no document tells."""
        pairs = self.only.items() if isinstance(self.only, Mapping) else self.only
        only = "".join(
            f" --only {axis}={value if isinstance(value, str) else typed(board.axes[axis], value)}"
            for axis, value in pairs
        )
        names = [name for name in TITLES if name in (*self.studies, study) and can_be_run(board, name)]
        return f"ramp-harness order {quote(place or board.path.name)}{only} --with {','.join(names)}"


def can_be_run(board: Board, study: str) -> bool:
    """Whether there is anything for a study to hold the board against: all but faults need limits."""
    return bool(board.limits) or study == FAULTS


def run_studies(board: Board, asked: Asked) -> dict[str, Answer]:
    """Runs what is asked for, by name; of a board without limits only what does not hold it against them: the
    document names the others as not run. Raises what the studies raise."""
    answers: dict[str, Answer] = {}
    path, common = board.path, (asked.only, asked.jobs, asked.ledger, asked.progress, asked.within)
    wanted = [study for study in asked.studies if can_be_run(board, study)]
    if WORST in wanted:
        answers[WORST] = worst_case(path, *common)
    if YIELD in wanted:
        only, jobs, ledger, progress, within = common
        answers[YIELD] = share_that_passes(
            path, asked.draws, asked.seed, only=only, jobs=jobs, ledger=ledger, progress=progress,
            within=within,
        )  # fmt: skip
    if FAULTS in wanted:
        answers[FAULTS] = faults_of(path, *common)
    return answers


def study_states(board: Board, asked: Asked, answers: Mapping[str, Answer]) -> tuple[StudyState, ...]:
    """Every study, run or not."""
    states = []
    for name, title in TITLES.items():
        if name in answers:
            answer = answers[name]
            states.append(StudyState(name, title, True, _in_short(name, answer), "", answer.falls_short))
        else:
            command = asked.command(board, name) if can_be_run(board, name) else ""
            states.append(StudyState(name, title, False, "not run" if command else NO_LIMIT, command))
    return tuple(states)


def _in_short(name: str, answer: Answer) -> str:
    if name == FAULTS:
        return fault_section.in_short(answer)
    if name == WORST:
        table = answer.tables["worst.csv"]
        limits = table[table["quantity"].map(is_stem)]
        short = limits[~limits["verdict"].isin(("within", "no limit"))]
        breached = table[table["verdict"] == BREACHED]
        titles = dict.fromkeys(stem(str(quantity)).title for quantity in short["quantity"])
        if not titles and breached.empty:
            ratings = table.drop(limits.index)
            whole = len(ratings) and (ratings["verdict"] == WITHIN).all()
            kept = " and no rating is breached" if whole else ""
            return f"no limit falls short{kept} at the vertices that were simulated"
        short_words = [f"falls short: {', '.join(titles)}"] if titles else []
        breach_words = [f"rating breached: {', '.join(breached['quantity'])}"] if len(breached) else []
        return "; ".join(short_words + breach_words)
    run = answer.run
    share = run["share"]
    if not math.isfinite(share):
        return "not shown: no board could be decided"
    words = f"{100 * share:.1f} % of {run['draws']} drawn boards"
    least, most = run["interval"]
    if math.isfinite(least):
        words += f" ({100 * least:.1f} % to {100 * most:.1f} % at {100 * run['confidence']:g} % confidence)"
    if run["breached"]:
        words += f"; {run['breached']} of {run['draws']} breach an absolute maximum rating"
    return words


def sections(board: Board, corners: pd.DataFrame, answers: Mapping[str, Answer]) -> tuple[Section, ...]:
    """What each study that was run found, and the trimmers, where the board has some."""
    places = {str(row["corner"]): tables.place(board, row) for _, row in corners.iterrows()}
    found = []
    if WORST in answers:
        found.append(_worst(answers[WORST], places))
    if YIELD in answers:
        found.append(_yield(answers[YIELD]))
    if FAULTS in answers:
        found.append(fault_section.section(TITLES[FAULTS], answers[FAULTS]))
    if board.trims:
        found.append(_trimmers(board, answers.get(YIELD)))
    return tuple(found)


def _worst(answer: Answer, places: Mapping[str, str]) -> Section:
    run = answer.run
    rows = []
    for row in answer.tables["worst.csv"].to_dict("records"):
        if row["verdict"] == "no limit" or not is_stem(str(row["quantity"])):
            continue
        about = stem(str(row["quantity"]))
        value, bar, limit, margin = (float(row[key]) for key in ("value", "bar", "limit", "margin"))
        corner = str(row["corner"])
        rows.append(
            (
                f"{about.title}, at {row['end']} {rounding.figure(limit, about.unit)}",
                f"{SHAPES[row['verdict']]} {row['verdict']}",
                rounding.figure_with_bar(value, bar, about.unit),
                rounding.margin(margin, about.unit, bar) if math.isfinite(margin) else rounding.NO_FIGURE,
                f"{corner}: {places.get(corner, '')}",
                str(row["parts"]),
            )
        )
    head = (
        "Limit",
        "Verdict",
        "Worst figure ± bar",
        "Margin",
        "Axis corner",
        "Deviations there, heaviest first",
    )
    words = (
        f"{rounding.count(len(run['deviations']), 'deviation')} at"
        f" {rounding.count(int(run['corners']), 'axis corner')}; at most {run['simulations_at_most']}"
        f" simulations an axis corner, where all vertices would be {run['vertices']}.",
        run["ratings"],
        *(f"{SHAPES['outside']} {text}." for text in run["breaches"]),
    )
    table = Table(head, tuple(rows), (2, 3), (1.3, 0.95, 1.5, 0.95, 1.2, 1.8))
    return Section(TITLES[WORST], words, (("", table),), tuple(run["assumed"]))


def _yield(answer: Answer) -> Section:
    told = [line.strip() for line in answer.lines]
    end = told.index(ASSUMED) if ASSUMED in told else len(told)
    words = [f"{line}." if not line.endswith(".") else line for line in told[:end] if line]
    words = [line for line in words if not line.startswith(("Trimmer ", "over "))]
    return Section(TITLES[YIELD], tuple(words), (), tuple(told[end + 1 :]))


def _trimmers(board: Board, drawn: Answer | None) -> Section:
    rows = []
    draws = drawn.tables["draws.csv"] if drawn is not None else None
    for trim in board.trims.values():
        about = stem(trim.quantity)
        at = ", ".join(f"{axis} {tables.axis_value(board, axis, value)}" for axis, value in trim.at.items())
        rows.append(
            (
                f"{trim.name}: {trim.part}, {engineering(trim.least, trim.unit)} to"
                f" {engineering(trim.most, trim.unit)}",
                f"{about.title} {rounding.figure(trim.target, about.unit)} at {at}",
                *_setting(draws, trim.name, "cent" if trim.quantity == "frequency" else about.unit),
            )
        )
    head = ("Trimmer and travel", "Set to", "Reaches on", "Travel left", "Error that remains")
    words = (
        () if drawn is not None else ("Reach, travel left and the error that remains: not run (see yield).",)
    )
    return Section("Trimmers", words, (("", Table(head, tuple(rows), (), (1.5, 1.8, 1, 1.2, 1.5))),))


def _setting(draws: pd.DataFrame | None, name: str, unit: str) -> tuple[str, str, str]:
    if draws is None:
        return ("not run",) * 3
    reached, left = draws[f"{name}.reached"].astype(bool), draws[f"{name}.left"]
    over = [
        f"{column.rpartition('.over_')[2]} {rounding.figure(draws[column].abs().max(), unit)}"
        for column in draws.columns
        if column.startswith(f"{name}.over_") and draws[column].notna().any()
    ]
    error = draws[f"{name}.error"].abs().max()
    where = f"where it is set {rounding.figure(error, unit)}" if math.isfinite(error) else ""
    return (
        f"{int(reached.sum())} of {len(draws)} boards",
        f"{100 * left.min():.0f} % at least, {100 * left.median():.0f} % in the median",
        "; ".join(["up to " + part for part in (*over, where) if part]) or "not shown",
    )


def moved(answers: Mapping[str, Answer]) -> dict[str, bool] | None:
    """Of each deviation whether any limited quantity moves with it, or may, since some vertex has no figure
    of it; by the simulations of the worst case. None where it was not run."""
    if WORST not in answers:
        return None
    worst, blame = (answers[WORST].tables[name] for name in ("worst.csv", "blame.csv"))
    largest = blame.groupby("quantity")["half_effect"].transform("max")
    silent = worst.loc[worst["verdict"] == NO_FIGURE, "quantity"]
    heavy = (blame["half_effect"] > LIGHT * largest) | blame["quantity"].isin(silent)
    return {str(part): bool(rows.any()) for part, rows in heavy.groupby(blame["part"])}


def record(answers: Mapping[str, Answer]) -> dict[str, Any]:
    """What run.json says of the studies."""
    return {name: dict(answer.run) for name, answer in answers.items()}


def falls_short(answers: Mapping[str, Answer]) -> Sequence[str]:
    """Names of studies in which something falls short."""
    return [name for name, answer in answers.items() if answer.falls_short]
