# SPDX-License-Identifier: GPL-3.0-or-later
"""What a run promises, one by one: its limits and its agreements as records, each passed or not.

There is one item for each limit of ``[limits]``, one for each formula of ``[hand]`` that is a quantity, and
one for each literal figure of ``[expected]``; helpers of ``[hand]`` have none. Which items there are follows
from the board file alone; how they came out is read from the tables of a run, never judged again. What else
makes a run end with 1 (a part drawn otherwise, a breached rating, a corner without a ramp) is no item:
:func:`beside`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

from harness.board import Board
from harness.conceded import counts
from harness.intent.objects import Expected
from harness.quantities import is_stem, stem
from harness.report import rounding, tables
from harness.report.complete import completed
from harness.report.limits import LimitStory, limit_stories
from harness.report.ratings import rating_story
from harness.report.story import amount_words, difference_words, effect_words, part_slips
from harness.results import RunResult
from harness.shortfalls import shortfalls_of

Kind = Literal["limit", "agreement"]

CONCEDED = "conceded"
"""Word of an agreement that is off within a bound that the board file concedes."""

KEPT = ("within", "agrees", "explained", CONCEDED)
"""Words of an item that passes; an agreement passes also where there was nothing to compare."""

AGREEMENT_WORDS = (*tables.AGREEMENT_WORDS[:2], CONCEDED, *tables.AGREEMENT_WORDS[2:])
"""Words of agreements, the worst first."""

NOTHING_COMPARED = ("no hand figure", "no figure")
"""Words of an agreement for which no corner has both figures: neither proof nor disproof."""

MOST_SLIPS = 3
"""Parts drawn otherwise that a likely cause lists."""

_FINER = "a run with a tenth of this one's `--accuracy` narrows it"


@dataclass(frozen=True)
class Subject:
    """What an item is about, known before anything runs. ``name`` is unique on its board; ``literal``: the
    figure of ``[expected]`` where it is one."""

    kind: Kind
    quantity: str
    name: str
    literal: Expected | None = None


@dataclass(frozen=True)
class Item:
    """A limit or an agreement and what became of it.

    ``name`` as "duty within limits", "duty agrees", "duty as expected in c010". ``verdict``: the worst word
    over the corners; ``counts`` tells every word with its number of corners. ``corner``, ``place`` (its axis
    values) and ``state``: of the corner where that word is worst. ``figure`` and its ``bar`` (SI): what was
    simulated there. ``limit`` in words and ``margin`` (SI, bar subtracted) belong to a limit, ``hand`` and
    ``difference`` (SI, simulated minus hand) to an agreement. ``apart`` is the margin or the difference as
    text, of the frequency in cents. ``cause``: what it likely comes from, a sentence without a full stop;
    empty where the item simply holds. Figures that are not there are NaN, texts empty.
    """

    kind: Kind
    quantity: str
    name: str
    verdict: str
    passed: bool
    counts: str
    corner: str = ""
    place: str = ""
    state: str = ""
    figure: float = math.nan
    bar: float = math.nan
    limit: str = ""
    margin: float = math.nan
    hand: float = math.nan
    difference: float = math.nan
    apart: str = ""
    cause: str = ""

    @property
    def compared(self) -> bool:
        """Whether there was anything to judge."""
        return not self.passed or self.verdict not in NOTHING_COMPARED

    @property
    def title(self) -> str:
        """The quantity in words."""
        return stem(self.quantity).title

    @property
    def lines(self) -> tuple[str, ...]:
        """The item for people: how it came out and where it is worst, the figures there, the likely cause."""
        if not self.corner:
            return (self.counts,)
        unit = stem(self.quantity).unit
        simulated = rounding.figure_with_bar(self.figure, self.bar, unit)
        if self.kind == "limit":
            against = f"limit {self.limit}" + (f", margin {self.apart}" if self.apart else "")
        else:
            hand = rounding.figure(self.hand, unit)
            against = f"hand {hand}" + (f", difference {self.apart}" if self.apart else "")
        where = f"{self.corner} ({self.place})" if self.place else self.corner
        between = " in" if self.counts == self.verdict else "; worst in"
        said = (f"{self.counts}{between} {where}", f"{self.title}: simulated {simulated}, {against}")
        return (*said, f"likely cause: {self.cause}") if self.cause else said


def subjects_of(board: Board, asked: Collection[str] | None = None) -> tuple[Subject, ...]:
    """The items that a run of ``board`` will have, limits first, in the order of the board file.

    ``asked``: names of the corners that are run, where not all are; literal figures of others are left out.
    """
    found = [Subject("limit", name, f"{name} within limits") for name in board.limits]
    found += [Subject("agreement", name, f"{name} agrees") for name in board.hand if is_stem(name)]
    times: dict[str, int] = {}
    for literal in board.expected:
        if asked is None or literal.corner in asked:
            name = f"{literal.quantity} as expected in {literal.corner}"
            times[name] = times.get(name, 0) + 1
            name += f" ({times[name]})" if times[name] > 1 else ""
            found.append(Subject("agreement", literal.quantity, name, literal))
    return tuple(found)


def items_of(result: RunResult) -> tuple[Item, ...]:
    """What became of every item, in the order of :func:`subjects_of`."""
    result = completed(result)
    limits = {story.quantity: story for story in limit_stories(result)}
    slips = _slips(result)
    words = result.expected["agreement"].where(counts(result.expected), CONCEDED)
    literals = iter(zip(result.expected.to_dict("records"), words, strict=True))
    items = []
    for subject in subjects_of(result.board, frozenset(result.corners["corner"])):
        if subject.kind == "limit":
            items.append(_limit(result, subject, limits[subject.quantity], slips))
        elif subject.literal is None:
            items.append(_agreement(result, subject, slips))
        else:
            record, word = next(literals)
            items.append(_literal(result, subject, record, str(word), slips))
    return tuple(items)


def beside(result: RunResult) -> tuple[str, ...]:
    """What makes the run end with 1 and is neither limit nor agreement: parts not drawn as intended, corners
    in a state that is never a pass, breached ratings. One sentence each, without a full stop."""
    result, found = completed(result), []
    for reason in shortfalls_of(result):
        if reason.kind == "part":
            found.append(reason.words)
        elif reason.kind == "corner":
            found += _corners_that(result, reason.word)
        elif reason.kind == "rating":
            found += [f"rating breached: {row.words}" for row in rating_story(result).breaches]
    return tuple(found)


def _corners_that(result: RunResult, state: str) -> list[str]:
    """The corners in one state, a sentence a reason."""
    sentences = []
    for names, reason in tables.in_state(result.corners, state):
        words = f"{rounding.count(len(names), 'corner')} {state}: {rounding.listed(names)}"
        sentences.append(f"{words} ({reason})" if reason else words)
    return sentences


def _limit(result: RunResult, subject: Subject, story: LimitStory, slips: str) -> Item:
    name, corners = subject.quantity, result.corners
    row = _worst(corners, corners[f"{name}.limit"] == story.verdict, tables.numbers(corners, name, "margin"))
    figure, bar = tables.simulated_and_bar(row, name)
    margin = float(row[f"{name}.margin"])
    return replace(
        _begun(result, subject, row, story.verdict, story.counts),
        figure=figure,
        bar=bar,
        limit=story.limit,
        margin=margin,
        apart=rounding.margin(margin, stem(name).unit, bar) if math.isfinite(margin) else "",
        cause="" if story.verdict in KEPT else _joined(slips, _why_short(result, row, story)),
    )


def _why_short(result: RunResult, row: pd.Series, story: LimitStory) -> str:
    name = story.quantity
    if story.verdict == "no figure":
        return _state(row)
    if story.verdict == "too close to call":
        return f"the limit lies inside the error bar; {_FINER}"
    part = result.cures.loc[result.cures["limit"] == name, "part"] if len(result.cures) else ()
    drawn_otherwise = {slip.part for slip in part_slips(result.check)}
    cure = "" if drawn_otherwise & set(part) else story.cure  # to draw it as intended comes first
    return _joined(_by_hand(result, row, name), cure)


def _by_hand(result: RunResult, row: pd.Series, name: str) -> str:
    """Whether the hand calculation falls short in that corner already, and what comes on top where not."""
    hand = float(row.get(f"{name}.hand", math.nan))
    if not math.isfinite(hand):
        return ""
    limit, shown = result.board.limits[name], _shown(name, hand)
    if (limit.least is not None and hand < limit.least) or (limit.most is not None and hand > limit.most):
        return f"the hand calculation falls short there already ({shown})"
    effect = effect_words(result, name, str(row["corner"]))
    return f"the hand calculation keeps it there ({shown})" + (f", on top comes: {effect}" if effect else "")


def _agreement(result: RunResult, subject: Subject, slips: str) -> Item:
    name, corners = subject.quantity, result.corners
    words = tables.agreements(corners, name).where(counts(corners, name), CONCEDED)
    numbers = [(word, int((words == word).sum())) for word in AGREEMENT_WORDS]
    verdict = next((word for word, number in numbers if number), "no figure")
    row = _worst(corners, words == verdict, -tables.tolerances_off(corners, name, "simulated").abs())
    figure, bar = tables.simulated_and_bar(row, name)
    hand = float(row.get(f"{name}.hand", math.nan))
    known = math.isfinite(hand) and math.isfinite(figure)
    told = tables.counted([(word, number) for word, number in numbers if number])
    return replace(
        _begun(result, subject, row, verdict, told),
        figure=figure,
        bar=bar,
        hand=hand,
        difference=figure - hand,
        apart=difference_words(row, name) if known else "",
        cause="" if verdict == "agrees" else _why_apart(result, row, name, verdict, slips),
    )


def _why_apart(result: RunResult, row: pd.Series, name: str, verdict: str, slips: str) -> str:
    if verdict in NOTHING_COMPARED:
        return "" if row["state"] == "pulsing" else _state(row)
    if verdict == "too coarse":
        return f"the error bar is wider than a quarter of the tolerance; {_FINER}"
    effect = effect_words(result, name, str(row["corner"]))
    if not effect and not math.isfinite(float(row.get(f"{name}.hand", math.nan))):
        effect = "the hand formula has no figure there"
    return _joined("" if verdict in KEPT else slips, effect)


def _literal(
    result: RunResult, subject: Subject, record: Mapping[str, object], verdict: str, slips: str
) -> Item:
    name, corners = subject.quantity, result.corners
    row = corners.loc[(corners["corner"] == str(record["corner"])).idxmax()]
    figure, bar, hand = (float(str(record[key])) for key in ("simulated", "bar", "expected"))
    against = row.copy()
    against[f"{name}.hand"] = hand
    words = "" if not math.isfinite(figure) else amount_words(against, name, figure - hand, bar)
    by_formula = float(row.get(f"{name}.hand", math.nan))
    if verdict == "disagrees" and name in result.board.hand and math.isfinite(by_formula):
        cause = _joined(slips, f"the formula of [hand] gives {_shown(name, by_formula)} there")
    else:
        cause = "" if verdict == "agrees" else _why_apart(result, row, name, verdict, slips)
    return replace(
        _begun(result, subject, row, verdict, verdict),
        figure=figure,
        bar=bar,
        hand=hand,
        difference=figure - hand,
        apart=words,
        cause=cause,
    )


def _begun(result: RunResult, subject: Subject, row: pd.Series, verdict: str, told: str) -> Item:
    """An item without its figures: what became of it, and where."""
    nothing = subject.kind == "agreement" and subject.literal is None and verdict in NOTHING_COMPARED
    return Item(
        kind=subject.kind,
        quantity=subject.quantity,
        name=subject.name,
        verdict=verdict,
        passed=verdict in KEPT or nothing,
        counts=told,
        corner=str(row["corner"]),
        place=tables.place(result.board, row),
        state=str(row["state"]),
    )


def _worst(corners: pd.DataFrame, rows: pd.Series, room: pd.Series) -> pd.Series:
    """Of these rows the one with the least ``room``; the first where none is known."""
    rooms = room[rows]
    label = rooms.idxmin() if rooms.notna().any() else rows.idxmax()
    return corners.loc[label]


def _shown(name: str, hand: float) -> str:
    return rounding.figure(hand, stem(name).unit)


def _state(row: pd.Series) -> str:
    reason = str(row["reason"])
    if row["state"] == "pulsing" and not reason:
        return "the corner is pulsing, and yet nothing measured this there"
    return f"the corner is {row['state']}" + (f" ({reason})" if reason else "")


def _slips(result: RunResult) -> str:
    slips = [slip.words for slip in part_slips(result.check)]
    if not slips:
        return ""
    more = f" and {len(slips) - MOST_SLIPS} more" if len(slips) > MOST_SLIPS else ""
    verb = "is" if len(slips) == 1 else "are"
    noun = "a part" if len(slips) == 1 else f"{len(slips)} parts"
    return f"{noun} {verb} not drawn as intended ({'; '.join(slips[:MOST_SLIPS])}{more})"


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)
