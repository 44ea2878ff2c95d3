# SPDX-License-Identifier: GPL-3.0-or-later
"""A run and its studies as the records of an order document. Words and rounding are those of the report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from harness import quantities
from harness.board import Board
from harness.netlist import Netlist
from harness.order import studies, texts
from harness.order.chains import chains_of
from harness.order.fault_section import comes_up
from harness.order.figures import figures_of
from harness.order.identity import identity_of
from harness.order.parts import (
    MARKS,
    SHORT,
    TIGHTER,
    device_rows,
    part_rows,
    tolerance_notes,
    tolerance_words,
)
from harness.order.records import Contents, HandRow, LimitRow, PartRow, Said, StudyState, Table
from harness.order.studies import Asked
from harness.order.tolerances import Tolerances
from harness.report import rounding, tables
from harness.report.complete import completed
from harness.report.details import full_corner
from harness.report.page import SHAPES
from harness.report.statement import left_out_words
from harness.report.story import Story, tell
from harness.results import RunResult
from harness.studies.answers import Answer

DASH = "\N{EN DASH}"


def contents_of(
    result: RunResult, netlist: Netlist, found: Tolerances, asked: Asked, answers: Mapping[str, Answer]
) -> Contents:
    """The document of a run. ``found``: which tolerances are needed; ``answers``: the studies that were run,
    by name."""
    result = completed(result)
    board, story = result.board, tell(result)
    nominal = tables.nominal_row(board, result.corners)
    states = studies.study_states(board, asked, answers)
    sources = tuple(dict.fromkeys(row.source for row in story.ratings.rows))
    hand = tuple(_hand_rows(result, story, nominal))
    parts = part_rows(board, result.check, found, studies.moved(answers))
    supplies = comes_up(answers.get(studies.FAULTS))
    return Contents(
        identity=identity_of(result, _left_out(story)),
        statement=Said(
            mark=SHAPES[story.statement.kind],
            words=story.statement.words,
            reasons=story.statement.further,
            tolerances=_tolerances(found, states),
            beside=tuple(text for text in (story.intent, story.states) if text),
            holds=texts.HOLDS,
        ),
        studies=states,
        limits=tuple(
            LimitRow(
                quantity=one.quantity, title=one.title, limit=one.limit, mark=SHAPES[one.verdict],
                verdict=one.verdict, counts=one.counts, figure=one.figure or DASH, margin=one.margin or DASH,
                corner=one.corner or DASH, place=one.place, cure=one.cure,
            )
            for one in story.limits
        ),
        slips=tuple(slip.words for slip in story.slips),
        unintended=story.intent,
        hand=hand,
        hand_corner=_corner_words(result, nominal),
        helpers=tuple(
            (name, formula, numbers)
            for name, (formula, numbers) in result.formulas.items()
            if not quantities.is_stem(name)
        ),
        expected=Table(
            ("Quantity", "At", "Expected", "Simulated ± bar", "Verdict"),
            tuple(
                (one.title, f"{one.corner}: {one.place}" if one.corner else one.place, one.expected,
                 one.simulated, f"{SHAPES[one.verdict]} {one.verdict}")
                for one in story.expected
            ),
            (2, 3),
        ),
        far=tuple(one.words for one in story.far),
        chains=chains_of(result),
        figures=figures_of(result),
        parts=parts,
        part_notes=tolerance_notes(board, found),
        devices=device_rows(board, netlist),
        sections=studies.sections(board, result.corners, answers),
        ratings_words=f"{story.ratings.words} {texts.while_coming_up(supplies)}",
        ratings=Table(
            ("Part", "Rating", "Verdict", "Worst", "Allowed", "Corner", "Source"),
            tuple(
                (one.part, one.rating, f"{SHAPES['outside' if one.verdict == 'breached' else one.verdict]}"
                 f" {one.verdict}", one.value, one.allowed, one.corner, str(sources.index(one.source) + 1))
                for one in story.ratings.rows
            ),
            (3, 4),
        ),
        rating_sources=sources,
        concessions=Table(
            ("Conceded", "Up to", "What this run shows", "Reason"),
            tuple(
                (one.subject, one.bound.removeprefix("up to "), one.found, one.reason)
                for one in story.concessions
            ),
        ),
        conceded_words="" if story.concessions else "The board file concedes nothing.",
        not_shown=story.not_shown,
        not_covered=texts.not_covered(supplies),
        cautions=texts.CAUTIONS,
        open_points=tuple(_open_points(board, story, states, _not_enough(parts), hand)),
        assumed=tuple(str(text) for text in result.run["assumed"]),
        notes=tuple(str(finding) for finding in result.notes),
        words=texts.WORDS,
    )  # fmt: skip


def _left_out(story: Story) -> str:
    number = story.statement.left_out
    if not number:
        return ""
    words = left_out_words(number).removeprefix("; ")
    return f"This document speaks of a part of the board's corners: {words}."


def _tolerances(found: Tolerances, states: Sequence[StudyState]) -> str:
    """What the first page says of parts off their drawn values: as simulated, where that was asked for."""
    simulated = next(state for state in states if state.name == studies.WORST)
    if simulated.run:
        return f"With all stated tolerances at their worst, simulated: {simulated.words}."
    return tolerance_words(found)


def _corner_words(result: RunResult, row: pd.Series | None) -> str:
    return "" if row is None else f"{row['corner']} ({tables.place(result.board, row)})"


def _hand_rows(result: RunResult, story: Story, nominal: pd.Series | None) -> Iterator[HandRow]:
    """The quantities with a formula in the order of the board file."""
    if nominal is None:
        return
    full = {row.title: row for row in full_corner(result, nominal)}
    parted = {one.quantity: one for one in story.partings}
    for name, (formula, numbers) in result.formulas.items():
        if not quantities.is_stem(name):
            continue
        title = quantities.stem(name).title
        row, over_all = full.get(title), parted.get(name)
        limit = result.board.limits.get(name)
        verdict = over_all.verdict if over_all else "no figure"
        yield HandRow(
            name=name,
            title=title,
            formula=formula,
            numbers=numbers if numbers != formula else "",
            hand=row.hand if row else DASH,
            refined=row.refined if row else DASH,
            simulated=row.simulated if row else rounding.NO_FIGURE,
            limit="" if limit is None else tables.limit_words(limit, quantities.stem(name).unit),
            mark=SHAPES[verdict],
            verdict=verdict,
            counts=over_all.counts if over_all else "no corner with a figure",
            most=over_all.largest if over_all else "",
            where=over_all.corner if over_all and over_all.largest != rounding.BELOW else "",
        )


def _not_enough(rows: Sequence[PartRow]) -> tuple[str, ...]:
    """Parts whose stated tolerance is not enough."""
    return tuple(row.part for row in rows if row.needed_mark in (MARKS[TIGHTER], MARKS[SHORT]))


def _open_points(
    board: Board, story: Story, states: Sequence[StudyState], short: Sequence[str], hand: Sequence[HandRow]
) -> Iterator[str]:
    """What whoever signs has to look at and initial, one by one."""
    for slip in story.slips:
        yield f"Not drawn as intended: {slip.words}."
    if not board.intended or not board.confirmed:
        yield story.intent
    for limit in story.limits:
        if limit.verdict != "within":
            yield f"Limit on {limit.title} ({limit.limit}): {limit.counts}."
    if not story.limits:
        yield "The board file sets no limits: nothing is shown about them."
    for breach in story.ratings.breaches:
        yield f"Rating breached: {breach.words}."
    for row in hand:
        if row.verdict in ("disagrees", "too coarse"):
            yield f"Hand and simulated, {row.title}: {row.counts}."
    for expected in story.expected:
        if expected.verdict not in ("agrees", "explained"):
            yield f"{expected.words}."
    for concession in story.concessions:
        yield f"Conceded: {concession.subject}, {concession.bound} ({concession.reason})."
    if short:
        names = rounding.listed(list(short), 12)
        yield f"Stated tolerances that are not enough with all others at their worst: {names}."
    for state in states:
        if not state.run:
            yield f"{state.title}: not run."
        elif state.short:
            yield f"{state.title}: {state.words}."
    if story.statement.left_out:
        yield _left_out(story)
    for text in story.lint:
        yield f"Looked odd: {text}"
