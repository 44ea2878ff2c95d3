# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run has to tell first, as plain records made from its tables: no markup, no decisions of its own.

Page and terminal both write from these records, so they cannot tell different stories. Verdicts come from the
tables; here they are counted, the worst is found, and it is put into words.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd

from harness import quantities
from harness.chain import FORMULA, REMAINDER, SLIP
from harness.conceded import FAR, OFF, WITHIN, counts, parts_off
from harness.intent.objects import UNCONFIRMED
from harness.report import rounding, tables
from harness.report.complete import completed
from harness.report.concessions import ConcessionStory, concession_stories, number_words
from harness.report.drawn import drawing_words
from harness.report.left_open import not_shown
from harness.report.limits import LimitStory, limit_stories
from harness.report.ratings import RatingStory, rating_story
from harness.report.statement import Statement, state_of_affairs
from harness.results import RunResult

UNNAMED = frozenset({SLIP, FORMULA, REMAINDER})
"""Rows of the effect chain that are no effect of a real part."""


@dataclass(frozen=True)
class Slip:
    """A part whose intended and drawn values differ, or that only one of the two knows."""

    part: str
    words: str


@dataclass(frozen=True)
class Parting:
    """How hand and simulated compare in one quantity over all corners.

    ``effect``, ``drawing``: the largest step there, and what a drawing that differs has to do with the gap.
    """

    quantity: str
    title: str
    verdict: str
    agrees: int
    explained: int
    disagrees: int
    too_coarse: int
    no_hand_figure: int
    no_figure: int
    conceded: int
    largest: str
    corner: str
    place: str
    effect: str
    drawing: str = ""

    @property
    def parts(self) -> bool:
        """Somewhere hand and simulated are apart, or cannot be compared for want of accuracy."""
        return self.disagrees + self.explained + self.too_coarse > 0

    @property
    def agreement(self) -> str:
        """Of a quantity that agrees wherever it has figures: how far apart at most, where figures lack."""
        missing = tables.counted([(word, number) for word, number in self.numbers[-2:] if number])
        return f"{self.title} ({'; '.join(part for part in (self.largest, missing) if part)})"

    @property
    def numbers(self) -> tuple[tuple[str, int], ...]:
        """Every word of agreement with its number of corners, those to look at first."""
        numbers = (
            self.disagrees,
            self.too_coarse,
            self.explained,
            self.agrees,
            self.no_hand_figure,
            self.no_figure,
        )
        return tuple(zip(tables.AGREEMENT_WORDS, numbers, strict=True))

    @property
    def counts(self) -> str:
        """``disagrees in 2 corners, agrees in 7``; how many of them are conceded."""
        words = tables.counted([(word, number) for word, number in self.numbers if number])
        return f"{words}; conceded in {self.conceded}" if self.conceded else words


@dataclass(frozen=True)
class FarFigure:
    """Explained, yet off by more than three tolerances: how often and how far at worst."""

    quantity: str
    words: str


@dataclass(frozen=True)
class ExpectedStory:
    """A literal hand figure beside what was simulated at its corner."""

    title: str
    corner: str
    place: str
    expected: str
    simulated: str
    verdict: str
    conceded: bool = False

    @property
    def words(self) -> str:
        """The record as one sentence without a full stop."""
        where = f"at {self.place}" if self.corner else f"at a corner that is {self.place}"
        found = "" if self.simulated == rounding.NO_FIGURE else f"simulated {self.simulated}, "
        conceded = ", conceded" if self.conceded else ""
        return f"{self.title}, expected {self.expected} {where}: {found}{self.verdict}{conceded}"


@dataclass(frozen=True)
class Story:
    """The first screen."""

    title: str
    board: str
    facts: tuple[tuple[str, str], ...]
    statement: Statement
    slips: tuple[Slip, ...]
    intent: str
    limits: tuple[LimitStory, ...]
    partings: tuple[Parting, ...]
    far: tuple[FarFigure, ...]
    states: str
    lint: tuple[str, ...]
    not_shown: tuple[str, ...]
    expected: tuple[ExpectedStory, ...]
    ratings: RatingStory
    concessions: tuple[ConcessionStory, ...] = ()


def tell(result: RunResult) -> Story:
    """The whole first screen of ``result``."""
    result = completed(result)
    board = result.board
    slips = part_slips(result.check)
    limits = limit_stories(result)
    concessions = concession_stories(result)
    return Story(
        title=board.title or board.name,
        board=f"{board.name}, revision {board.revision}",
        facts=facts(result),
        statement=state_of_affairs(result, number_words(concessions)),
        slips=slips,
        intent=intent_words(result, slips),
        limits=limits,
        partings=partings(result),
        far=far_figures(result),
        states=state_words(result.corners),
        lint=tuple(str(finding) for finding in result.lint),
        not_shown=not_shown(result),
        expected=expected_stories(result),
        ratings=rating_story(result),
        concessions=concessions,
    )


def facts(result: RunResult) -> tuple[tuple[str, str], ...]:
    """What was verified: board, netlist and its hash, engine, corners."""
    board, run = result.board, result.run
    hashes = tables.flat(run.get("hashes", {}))
    netlist = board.netlist.name
    digest = hashes.get("netlist") or hashes.get(netlist) or ""
    versions = tables.flat(run.get("versions", {}))
    engine = next(
        (text for key, text in versions.items() if "ngspice" in key or key == "engine"), "not stated"
    )
    axes = ", ".join(f"{name} {result.corners[name].nunique()}" for name in board.axes)
    number = f"{len(result.corners)} (values of {axes})" if axes else str(len(result.corners))
    left_out = tables.left_out(result)
    return (
        ("Netlist", f"{netlist}, sha256 {digest[:12]}" if digest else netlist),
        ("Engine", engine if engine.lower().startswith("ngspice") else f"ngspice {engine}"),
        ("Corners", f"{number}; {left_out} left out" if left_out else number),
    )


def part_slips(check: pd.DataFrame) -> tuple[Slip, ...]:
    """Parts that intent and drawing do not share, those with two different values first; none that is
    conceded."""
    slips: list[tuple[int, Slip]] = []
    for row in parts_off(check).to_dict("records"):
        part, verdict = str(row["part"]), str(row["verdict"])
        intended, drawn = (tables.value_text(row[key]) for key in ("intended", "drawn"))
        if verdict == "differs":
            slips.append((0, Slip(part, f"{part}: {intended} intended, {drawn} drawn")))
        else:
            slips.append((1, Slip(part, f"{part}: {intended} intended, not drawn")))
    return tuple(slip for _, slip in sorted(slips, key=lambda pair: pair[0]))


def intent_words(result: RunResult, slips: tuple[Slip, ...]) -> str:
    """What the comparison of intended and drawn parts can and cannot notice."""
    if not result.board.intended:
        return "The board file has no intended values: a wrong part value cannot be noticed."
    verdicts = result.check["verdict"].astype(str) if len(result.check) else pd.Series(dtype=str)
    same = int((verdicts == "same").sum())
    alone = (
        result.check.loc[verdicts == "not intended", "part"].astype(str).tolist() if len(result.check) else []
    )
    words = f"{rounding.count(same, 'part')} drawn as intended."
    if slips:
        words = f"{rounding.count(len(slips), 'part')} not drawn as intended, {same} as intended."
    if conceded := int((result.check["verdict"].isin(OFF) & ~counts(result.check)).sum()):
        words += f" {rounding.count(conceded, 'part')} drawn otherwise within a concession."
    if alone:
        words += (
            f" {rounding.count(len(alone), 'drawn value')} without an intended one, where a wrong value"
            f" cannot be noticed: {rounding.listed(alone)}."
        )
    if not result.board.confirmed:
        words += f" But {UNCONFIRMED}."
    return words


def partings(result: RunResult) -> tuple[Parting, ...]:
    """One record a quantity that has a hand figure, those that part most first."""
    records = []
    for quantity in tables.compared(result.corners):
        numbers = Counter(tables.agreements(result.corners, quantity))
        share = tables.judged_off(result.corners, quantity, "simulated").abs()
        largest = corner = place = effect = drawing = ""
        if share.notna().any():
            row = result.corners.loc[share.idxmax()]
            corner, place = str(row["corner"]), tables.place(result.board, row)
            largest = difference_words(row, quantity)
            effect = effect_words(result, quantity, corner)
            drawing = drawing_words(result, quantity, corner)
        records.append(
            Parting(
                quantity=quantity,
                title=quantities.stem(quantity).title,
                verdict=next((word for word in tables.AGREEMENT_WORDS if numbers[word]), "no figure"),
                agrees=numbers["agrees"],
                explained=numbers["explained"],
                disagrees=numbers["disagrees"],
                too_coarse=numbers["too coarse"],
                no_hand_figure=numbers["no hand figure"],
                no_figure=numbers["no figure"],
                conceded=tables.number_of(result.corners, quantity, "concession", WITHIN),
                largest=largest,
                corner=corner,
                place=place,
                effect=effect,
                drawing=drawing,
            )
        )
    order = tables.AGREEMENT_WORDS
    return tuple(sorted(records, key=lambda record: order.index(record.verdict)))


def difference_words(row: pd.Series, quantity: str) -> str:
    """Simulated minus hand in one corner; for the frequency in cents."""
    simulated, bar = tables.simulated_and_bar(row, quantity)
    return amount_words(row, quantity, simulated - float(row[f"{quantity}.hand"]), bar)


def amount_words(row: pd.Series, quantity: str, amount: float, bar: float = np.nan) -> str:
    """An amount on top of the hand figure in the quantity's own unit; for the frequency in cents.

    ``bar``: of the figure that the amount was taken from, in the quantity's unit; NaN for one without.
    """
    if abs(amount) < bar:
        return rounding.BELOW
    tolerance = float(row.get(f"{quantity}.tolerance", np.nan))
    if quantity == "frequency":
        hand = float(row["frequency.hand"])
        return rounding.amount(
            rounding.cents(hand + amount, hand), "cent", rounding.cents(hand + tolerance, hand)
        )
    return rounding.amount(amount, quantities.stem(quantity).unit, tolerance)


def effect_words(result: RunResult, quantity: str, corner: str) -> str:
    """The largest effect in one corner, or the honest word that the remainder is larger than any named
    one."""
    chain = tables.chain(result.effects, quantity, corner)
    if chain.empty:
        return ""
    sizes = chain["amount"].abs()
    named = ~chain["effect"].isin(UNNAMED)
    if sizes.max() == 0.0:
        return ""
    top = chain.loc[sizes.idxmax()]
    row = result.corners.loc[(result.corners["corner"] == corner).idxmax()]
    text = f"{top['effect']}, {amount_words(row, quantity, float(top['amount']))}"
    if not named.loc[sizes.idxmax()] and named.any():
        largest = chain.loc[sizes[named].idxmax()]
        amount = amount_words(row, quantity, float(largest["amount"]))
        text += f" (largest named effect: {largest['effect']}, {amount})"
    return text


def far_figures(result: RunResult) -> tuple[FarFigure, ...]:
    """Explained figures beyond three tolerances and not conceded, one sentence a quantity."""
    found = []
    for quantity in tables.compared(result.corners):
        share = tables.tolerances_off(result.corners, quantity, "simulated").abs()
        explained = tables.column(result.corners, quantity, "agreement", "") == "explained"
        far = share[explained & counts(result.corners, quantity) & (share > FAR)]
        if far.empty:
            continue
        row = result.corners.loc[far.idxmax()]
        corner = str(row["corner"])
        unit, step = quantities.stem(quantity).unit, tables.step(result.corners, quantity)
        simulated = rounding.figure_with_bar(*tables.simulated_and_bar(row, quantity), unit)
        effect = effect_words(result, quantity, corner)
        found.append(
            FarFigure(
                quantity,
                f"{quantities.stem(quantity).title}: explained, yet more than {FAR:.0f} tolerances off in"
                f" {rounding.count(len(far), 'corner')}; most in {corner}"
                f" ({tables.place(result.board, row)}),"
                f" {rounding.figure(float(far.max()), '', 0.1)} tolerances: hand"
                f" {rounding.figure(float(row[f'{quantity}.hand']), unit, step)}, simulated {simulated}"
                + (f"; {effect}." if effect else "."),
            )
        )
    return tuple(found)


def state_words(corners: pd.DataFrame) -> str:
    """``Output: pulsing in 62 corners, stuck high in 1.``: every state that occurs with its number of
    corners, in the order of the list of states."""
    found = corners["state"].astype(str).value_counts()
    numbers = [(state, int(found[state])) for state in quantities.STATES if state in found]
    return f"Output: {tables.counted(numbers)}." if numbers else ""


def expected_stories(result: RunResult) -> tuple[ExpectedStory, ...]:
    """Literal figures of the board file, each beside the figure of its corner."""
    stories = []
    by_corner = result.corners.set_index(result.corners["corner"].astype(str))
    for row in result.expected.to_dict("records"):
        quantity, corner = str(row["quantity"]), str(row["corner"])
        unit = quantities.stem(quantity).unit
        known = corner in by_corner.index
        stories.append(
            ExpectedStory(
                title=quantities.stem(quantity).title,
                corner=corner if known else "",
                place=tables.place(result.board, by_corner.loc[corner]) if known else "not in this run",
                expected=rounding.figure(float(row["expected"]), unit),
                simulated=rounding.figure_with_bar(float(row["simulated"]), float(row["bar"]), unit),
                verdict=str(row["agreement"]),
                conceded=row.get("concession") == WITHIN,
            )
        )
    return tuple(stories)
