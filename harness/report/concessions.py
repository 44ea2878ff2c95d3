# SPDX-License-Identifier: GPL-3.0-or-later
"""Every concession of the board file in words: what it accepts, why, and whether this run keeps to it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from harness import quantities
from harness.board import Board
from harness.conceded import BEYOND, NOT_JUDGED, NOT_NEEDED, WITHIN, Conceded, outcomes
from harness.intent.objects import Concession
from harness.report import rounding, tables
from harness.results import RunResult

SCALES = {"figure": "of the figure", "swing": "of the swing", "ramp": "of the ramp"}


@dataclass(frozen=True)
class ConcessionStory:
    """One concession. ``subject`` and ``bound`` say what is accepted, ``found`` what this run shows of it;
    ``number``: deviations that it covers and that therefore do not count."""

    kind: str
    name: str
    subject: str
    bound: str
    found: str
    outcome: str
    reason: str
    number: int

    @property
    def words(self) -> str:
        """The record as one sentence without a full stop."""
        return f"{self.subject}, {self.bound}: {self.found}. Reason: {self.reason}"


def concession_stories(result: RunResult) -> tuple[ConcessionStory, ...]:
    """One record a concession, those that are exceeded first, those that are idle last."""
    found = outcomes(result.board, result.corners, result.check, result.expected)
    order = (BEYOND, WITHIN, NOT_NEEDED, NOT_JUDGED)
    return tuple(_story(result, one) for one in sorted(found, key=lambda one: order.index(one.outcome)))


def number_words(stories: tuple[ConcessionStory, ...]) -> str:
    """``3 deviations are conceded``; empty where none is."""
    number = sum(story.number for story in stories)
    return (
        f"{rounding.count(number, 'deviation')} {'is' if number == 1 else 'are'} conceded" if number else ""
    )


def subject_and_bound(board: Board, one: Concession) -> tuple[str, str]:
    """What a concession accepts, in words: ``("Duty factor at supply 13.5 V", "up to 0.03")``."""
    title = one.name if one.kind == "part" else quantities.stem(one.name).title
    where = ", ".join(f"{axis} {tables.axis_value(board, axis, value)}" for axis, value in one.at.items())
    value, scale = one.bound.value, one.bound.scale
    if one.kind == "part":
        bound = rounding.figure(value, "%")
    elif scale in SCALES:
        bound = f"{rounding.figure(value, '%')} {SCALES[scale]}"
    else:
        bound = rounding.figure(value, "cent" if scale == "cents" else quantities.stem(one.name).unit)
    return f"{title} at {where}" if where else title, f"up to {bound}"


def _story(result: RunResult, one: Conceded) -> ConcessionStory:
    subject, bound = subject_and_bound(result.board, one.concession)
    found = part_words(result.check, one) if one.concession.kind == "part" else _quantity_words(result, one)
    return ConcessionStory(
        kind=one.concession.kind,
        name=one.concession.name,
        subject=subject,
        bound=bound,
        found=found,
        outcome=one.outcome,
        reason=one.concession.reason,
        number=len(one.within),
    )


def part_words(check: pd.DataFrame, one: Conceded) -> str:
    """What the drawing shows of a concession of a part."""
    if one.outcome == NOT_NEEDED:
        return "not needed, it is drawn as intended"
    row = check[(check["part"] == one.concession.name).to_numpy()].iloc[0]
    if not row["drawn"]:
        return f"exceeded, {row['intended']} intended and not drawn at all"
    drawn = f"{row['intended']} intended, {row['drawn']} drawn"
    share = rounding.figure(one.reach, "%")
    if one.outcome == WITHIN:
        return f"conceded, {drawn}, {share} apart"
    return f"exceeded, {drawn}, {share} apart, {rounding.figure(one.reach - one.bound, '%')} beyond the bound"


def _quantity_words(result: RunResult, one: Conceded) -> str:
    if one.outcome == NOT_NEEDED:
        return "not needed, nothing deviates in this run"
    if one.outcome == NOT_JUDGED:
        return "not judged, nothing deviates there, but figures are missing or too coarse"
    row = result.corners[(result.corners["corner"].astype(str) == one.corner).to_numpy()].iloc[0]
    place = f"in {one.corner} ({tables.place(result.board, row)})"
    if one.outcome == WITHIN:
        counted = f"conceded in {rounding.count(len(one.within), 'corner')}"
        return f"{counted}, most {place}: {_of_the_bound(one)}"
    counted = f"exceeded in {rounding.count(len(one.beyond), 'corner')}"
    if one.within:
        counted += f", conceded in {len(one.within)}"
    if math.isnan(one.reach):
        return f"{counted}, most {place}, where the hand calculation has no figure"
    over = _size(one.reach - one.bound, one)
    return f"{counted}, most {place}: {_of_the_bound(one)}, {over} beyond it"


def _of_the_bound(one: Conceded) -> str:
    return f"apart {_size(one.reach, one)}, bar included, of {_size(one.bound, one)}"


def _size(value: float, one: Conceded) -> str:
    """An amount down to a hundredth of the bound; what is beyond it never reads 0."""
    return rounding.figure(value, one.unit, one.bound / 100.0)
