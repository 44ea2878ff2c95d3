# SPDX-License-Identifier: GPL-3.0-or-later
"""What the studies say: words for the terminal, tables for files."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from harness import __version__
from harness.findings import BoardError, Finding
from harness.finished import open_ledger
from harness.quantities import stem
from harness.ratings import BREACHED
from harness.report.rounding import count as number_of
from harness.report.rounding import figure, figure_with_bar
from harness.report.tables import place as axis_values
from harness.report.terminal import in_ascii
from harness.run import Only, Progress
from harness.studies.rows import Study
from harness.studies.variation import Deviation
from harness.studies.worst import ENDS, Extreme, Worst, budget
from harness.studies.yields import CONFIDENCE, RATINGS, Yield, draws_needed, yield_of
from harness.units import engineering
from harness.verdict import limit_words

if TYPE_CHECKING:
    from harness.engine.workers import Workers

WORST_COLUMNS = [
    "quantity", "end", "value", "bar", "limit", "margin", "verdict", "corner", "state", "parts",
    "root_sum_square", "simulations", "assumed",
]  # fmt: skip
MOST_BLAMED = 3
TO_SET = 3  # simulations that setting one trimmer on one board takes, about
OTHER_FAILURES = {
    "state": "not one pulse a cycle, or inputs out of range",
    RATINGS: "an absolute maximum rating alone",
}
RATINGS_ASSUMED = (
    "ratings: at the vertices that were simulated; limits guide the search and not ratings, so this is no"
    " proof of the worst"
)
_COUNTED = " (counted below at each limit that they miss)"
WEIGHTLESS = 0.005  # share of the largest effect below which a deviation is not named


@dataclass(frozen=True)
class Answer:
    """``lines`` for the terminal, ``tables`` by file name, the content of run.json, and whether anything
    falls short."""

    lines: list[str]
    tables: Mapping[str, pd.DataFrame]
    run: Mapping[str, Any]
    falls_short: bool


def worst_case(
    path: Path,
    only: Only = (),
    jobs: int | Workers | None = None,
    ledger: Path | None = None,
    progress: Progress | None = None,
    within: float | None = None,
) -> Answer:
    """The worst case of every limit over all tolerances, at every axis corner. Raises BoardError where there
    is nothing to ask."""
    with open_ledger(path, ledger) as book:
        study = Study(path, book, only, jobs, progress=progress)
        _askable(study)
        study.foresee(_rows_at_most(study), within)
        search = Worst(study, list(study.varied.board.limits))
        search.run()
        return _worst_answer(study, search)


def share_that_passes(
    path: Path,
    draws: int,
    seed: int,
    distribution: str = "uniform",
    low_discrepancy: bool = False,
    only: Only = (),
    jobs: int | Workers | None = None,
    ledger: Path | None = None,
    progress: Progress | None = None,
    within: float | None = None,
) -> Answer:
    """The share of boards that keep every limit and rating. Raises BoardError where there is nothing to
    ask."""
    with open_ledger(path, ledger) as book:
        study = Study(path, book, only, jobs, progress=progress)
        _askable(study)
        study.foresee(draws * (len(study.corners) + TO_SET * len(study.varied.trims)), within)
        return _yield_answer(study, yield_of(study, draws, seed, distribution, low_discrepancy))


def _rows_at_most(study: Study) -> int:
    """Simulations that a worst case is thought to take at most: deviations alone are the same boards at every
    axis corner, so that their trimmers are set once."""
    corners, enough, alone = len(study.corners), budget(study.count), 1 + 2 * study.count
    return corners * enough + TO_SET * len(study.varied.trims) * (alone + corners * (enough - alone))


def _askable(study: Study) -> None:
    board, findings = study.varied.board, []
    if not board.limits:
        findings.append(
            Finding(board.path, "no [limits]: there is nothing that a board could miss", "limits")
        )
    if not study.count:
        message = 'nothing deviates: give tolerances in [intended], such as Rpull = "3.3k 1%", or a [spread]'
        findings.append(Finding(board.path, message, "intended"))
    if findings:
        raise BoardError(findings)


def _worst_answer(study: Study, search: Worst) -> Answer:
    board = study.varied.board
    extremes = search.extremes()
    blamed = {quantity: search.blame(quantity) for quantity in board.limits}
    rows: list[tuple[Any, ...]] = []
    for quantity, limit in board.limits.items():
        for end in ENDS:
            bound = getattr(limit, end)
            some = [each for each in extremes if each.quantity == quantity and each.end == end]
            one = _farthest(some, end)
            missing = [each for each in some if not math.isfinite(each.value)]
            words, margins = limit_words(
                np.array([one.value]),
                np.array([one.bar]),
                type(limit)(**{"least": None, "most": None, end: bound}),
            )
            verdict = "no limit" if bound is None else str(words[0])
            if bound is not None and missing:
                verdict, one = "no figure", missing[0]
            rows.append(
                (
                    quantity, end, one.value, one.bar, math.nan if bound is None else bound,
                    math.nan if bound is None else float(margins[0]), verdict, one.corner, one.state,
                    _named(study.varied.deviations, one.vertex, blamed[quantity]), _rss(some, end),
                    study.simulations, search.assumed(quantity),
                )
            )  # fmt: skip
    table = pd.DataFrame(rows, columns=WORST_COLUMNS)
    ratings = pd.DataFrame(list(_rating_rows(study, search)), columns=WORST_COLUMNS)
    every = pd.DataFrame(
        [
            (each.quantity, each.end, each.corner, each.value, each.bar, each.state, each.rss,
             _named(study.varied.deviations, each.vertex, blamed[each.quantity]))
            for each in extremes
        ],
        columns=["quantity", "end", "corner", "value", "bar", "state", "root_sum_square", "parts"],
    ).merge(study.corners, on="corner", how="left")  # fmt: skip
    every = every[[*every.columns[:3], *study.corners.columns[1:], *every.columns[3:8]]]
    blame = pd.DataFrame(
        [(q, part, size) for q in board.limits for part, size in blamed[q]],
        columns=["quantity", "part", "half_effect"],
    )
    stuck = sorted({place.name for place in search.places if _other_states(place.states)})
    short = bool(table["verdict"].isin(("outside", "too close to call", "no figure")).any()) or bool(stuck)
    short = short or search.watched.breached > 0
    lines = [
        f"{board.name}, revision {board.revision}: worst case over {number_of(study.count, 'deviation')} at"
        f" {number_of(len(study.corners), 'axis corner')}",
        f"{study.simulations} simulations ({study.reused} known from earlier runs"
        + (f", {search.trimming} to set trimmers" if search.trimming else "")
        + f"), at most {max(len(place.vertices) for place in search.places)} an axis corner, where all"
        f" vertices would be {2**study.count}.",
        "",
    ]
    for quantity in board.limits:
        lines += _worst_lines(table[table["quantity"] == quantity], blamed[quantity], quantity, study)
    if stuck:
        lines += ["", f"Vertices that do not pulse, at {len(stuck)} axis corners: {', '.join(stuck[:8])}"]
    breaches = _breach_words(ratings, search)
    lines += ["", search.watched.words("simulation"), *(f"  {text}" for text in breaches)]
    lines += ["", "Assumed:", *(f"  {text}" for text in _assumed(study, search))]
    if not ratings.empty:
        table = pd.concat([table, ratings], ignore_index=True)
    run = run_record(study) | {
        "deviations": [deviation.span for deviation in study.varied.deviations],
        "simulations_to_trim": search.trimming,
        "simulations_at_most": max(len(place.vertices) for place in search.places),
        "vertices": 2**study.count,
        "ratings": search.watched.words("simulation"),
        "breaches": breaches,
        "assumed": _assumed(study, search),
    }
    return Answer(lines, {"worst.csv": table, "worst_corners.csv": every, "blame.csv": blame}, run, short)


def corner_words(study: Study, corner: str) -> str:
    """An axis corner with its axis values: ``c003 (control 4 V, supply 15 V)``."""
    row = study.corners[study.corners["corner"] == corner]
    values = axis_values(study.varied.board, row.iloc[0]) if len(row) else ""
    return f"{corner} ({values})" if values else corner


def _other_states(states: Sequence[str]) -> bool:
    return any(state != "pulsing" for state in states)


def _farthest(extremes: Sequence[Extreme], end: str) -> Extreme:
    known = [each for each in extremes if math.isfinite(each.value)]
    if not known:
        return extremes[0]
    return min(known, key=lambda each: each.value if end == "least" else -each.value)


def _rss(extremes: Sequence[Extreme], end: str) -> float:
    known = [each.rss for each in extremes if math.isfinite(each.rss)]
    return (min(known) if end == "least" else max(known)) if known else math.nan


def _named(deviations: Sequence[Deviation], vertex: Sequence[int], blame: Sequence[tuple[str, float]]) -> str:
    """The deviations of a vertex that have weight in a quantity, the heaviest first."""
    signs = {each.name: (each, sign) for each, sign in zip(deviations, vertex, strict=True) if sign}
    heaviest = max((size for _, size in blame), default=0.0)
    named = [signs[name] for name, size in blame if name in signs and size > WEIGHTLESS * heaviest]
    return ", ".join(each.text(sign * each.most) for each, sign in named)


def _worst_lines(
    rows: pd.DataFrame, blame: Sequence[tuple[str, float]], quantity: str, study: Study
) -> list[str]:
    about = stem(quantity)
    lines = [about.title]
    for _, row in rows.iterrows():
        value = in_ascii(figure_with_bar(row["value"], row["bar"], about.unit))
        limit = (
            f"limit {engineering(row['limit'], about.unit)}: {row['verdict']}"
            if math.isfinite(row["limit"])
            else "no limit"
        )
        lines.append(
            f"  {row['end']:<6} {value:<24} {limit:<36} {corner_words(study, row['corner'])}: {row['parts']}"
        )
    heaviest = blame[0][1]
    blamed = [
        f"{part} {engineering(size, about.unit)}"
        for part, size in blame[:MOST_BLAMED]
        if size > WEIGHTLESS * heaviest
    ]
    if blamed:
        lines.append(f"  most to blame (half effect alone): {', '.join(blamed)}")
    return lines


def _rating_rows(study: Study, search: Worst) -> Iterator[tuple[Any, ...]]:
    """A row a rating, at the worst of all vertices that were simulated."""
    for bearing in search.watched.worst:
        corner, vertex = bearing.label or ("", (0,) * study.count)
        yield (
            bearing.rated.name, bearing.end, bearing.value, math.nan, bearing.bound, bearing.margin,
            bearing.verdict, corner, bearing.state,
            _named(study.varied.deviations, vertex, search.blame_of_rating(bearing)), math.nan,
            search.watched.total, RATINGS_ASSUMED,
        )  # fmt: skip


def _breach_words(rows: pd.DataFrame, search: Worst) -> list[str]:
    """A text for each rating that is breached, with its axis corner and deviations."""
    return [
        f"{bearing.rated.text(bearing.value)}: {BREACHED}, {corner_words(search.study, row['corner'])}:"
        f" {row['parts'] or 'as drawn'}"
        for bearing, row in zip(search.watched.worst, rows.to_dict("records"), strict=True)
        if row["verdict"] == BREACHED
    ]


def _assumed(study: Study, search: Worst | None) -> list[str]:
    board = study.varied.board
    texts = []
    if search is not None:
        texts += [search.assumed(quantity) for quantity in search.quantities]
        if study.rated:
            texts.append(RATINGS_ASSUMED)
        if search.over_budget:
            texts.append(
                f"at {search.over_budget} axis corners more than {budget(study.count)} simulations were"
                " needed, to try deviations in combination"
            )
    if study.varied.fixed:
        texts.append(f"parts without a tolerance are at their drawn values: {', '.join(study.varied.fixed)}")
    if not board.spread:
        texts.append("devices as their models have them: no [spread] states how far they deviate")
    trimmed = {trim.quantity for trim in board.trims.values()}
    if "frequency" in board.limits and "frequency" not in trimmed:
        texts.append(
            "no [trim] sets the frequency: the spread of an untrimmed pitch says nothing about a board that"
            " is tuned after it was built"
        )
    return [*texts, *study.ledger.remarks]


def run_record(study: Study) -> dict[str, Any]:
    board = study.varied.board
    return {
        "board": board.name,
        "revision": board.revision,
        "corners": len(study.corners),
        "simulations": study.simulations,
        "reused": study.reused,
        "engine_seconds": study.engine_seconds,
        "workers": study.workers.count,
        "versions": {"ramp-harness": __version__, "engine": study.engine},
        "hashes": {
            board.path.name: board.sha256,
            study.varied.netlist.path.name: study.varied.netlist.sha256,
        },
    }


def _trim_lines(study: Study, table: pd.DataFrame) -> list[str]:
    """How far each trimmer reaches, the travel that is left, and what it cannot set right."""
    lines = []
    for trim in study.varied.trims:
        unit = "cent" if trim.quantity == "frequency" else stem(trim.quantity).unit
        reached, left = table[f"{trim.name}.reached"], table[f"{trim.name}.left"]
        lines.append(
            f"Trimmer {trim.name} ({trim.part}) reaches"
            f" {engineering(trim.target, stem(trim.quantity).unit)} on {int(reached.sum())} of {len(table)}"
            " boards; travel left to the nearer end:"
            f" {100 * left.min():.0f} % at least, {100 * left.median():.0f} % in the median"
        )
        for name in table.columns:
            start = f"{trim.name}.over_"
            if name.startswith(start) and table[name].notna().any():
                most = figure(table[name].abs().max(), unit)
                lines.append(f"  over {name.removeprefix(start)} alone up to {most} from its target")
    return lines


def _yield_answer(study: Study, found: Yield) -> Answer:
    board, count = study.varied.board, len(found.draws)
    interval = (
        f" ({100 * found.least:.1f} % to {100 * found.most:.1f} % at {100 * CONFIDENCE:g} % confidence)"
        if math.isfinite(found.least)
        else " (low-discrepancy draws: no interval)"
    )
    lines = [
        f"{board.name}, revision {board.revision}: {number_of(count, 'board')} drawn, seed {found.seed},"
        f" each at {number_of(len(study.corners), 'axis corner')}",
        f"Deviations of {study.count}: {found.distribution}.",
        f"{found.passed} keep every {'limit and rating' if study.rated else 'limit'} everywhere,"
        f" {found.failed} do not{_COUNTED if found.short else ''}, {found.undecided} are too close to call.",
        f"Share that passes: {100 * found.share:.1f} %{interval}"
        if math.isfinite(found.share)
        else "Share that passes: not shown",
    ]
    lines += _trim_lines(study, found.trimming)
    for short in found.short:
        title = (
            stem(short.what).title
            if short.what in board.limits
            else OTHER_FAILURES.get(short.what, short.what)
        )
        where = f", most often at {corner_words(study, short.corner)}" if short.corner else ""
        lines.append(f"  {title}: {number_of(short.boards, 'board')}{where}")
    boards = f" Boards that breach one: {found.breached} of {count}." if found.breached else ""
    lines.append(found.watched.words("simulation") + boards)
    for bearing in found.watched.breaches:
        corner, drawn = bearing.label or ("", 0)
        lines.append(
            f"  {bearing.rated.text(bearing.value)}: {BREACHED} in {number_of(bearing.rows, 'simulation')},"
            f" the farthest on board {drawn} at {corner_words(study, corner)}"
        )
    if found.passed and found.failed:
        clear = found.blamed[found.blamed["apart"].abs() > found.blamed["by_chance"]].head(MOST_BLAMED)
        apart = ", ".join(f"{row['part']} {row['apart']:+.2f}" for _, row in clear.iterrows())
        lines.append(
            f"Boards that fail lie apart from those that pass, as a share of the tolerance, in: {apart}"
            if apart
            else "Boards that fail lie apart from those that pass in no deviation by more than chance has it."
        )
    lines += [
        f"To claim 99 % with {100 * CONFIDENCE:g} % confidence, {draws_needed(0.99)} independent draws"
        " without a failure would be needed.",
        "",
        "Assumed:",
        *(
            f"  {text}"
            for text in [f"deviations of parts independent, {found.distribution}", *_assumed(study, None)]
        ),
    ]
    run = run_record(study) | {
        "draws": count,
        "seed": found.seed,
        "distribution": found.distribution,
        "passed": found.passed,
        "failed": found.failed,
        "undecided": found.undecided,
        "breached": found.breached,
        "falls_short": {short.what: short.boards for short in found.short},
        "share": found.share,
        "interval": [found.least, found.most],
        "confidence": CONFIDENCE,
        "assumed": _assumed(study, None),
    }
    counts = ("draws", "seed", "passed", "failed", "undecided", "breached", "share")
    summary = pd.DataFrame(
        [
            {name: run[name] for name in counts}
            | {"least": found.least, "most": found.most, "distribution": found.distribution}
        ]
    )
    tables = {"yield.csv": summary, "draws.csv": found.draws, "blame.csv": found.blamed}
    return Answer(lines, tables, run, found.failed > 0 or found.undecided > 0)
