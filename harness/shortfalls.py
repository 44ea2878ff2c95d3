# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything for which a run ends with 1, as one list of records: exit status, statement and lists for other
readers all come from it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from harness.board import Board
from harness.conceded import BEYOND, counts, parts_off
from harness.quantities import stem
from harness.ratings import breached
from harness.report.rounding import count
from harness.results import RunResult

Kind = Literal["part", "limit", "agreement", "expected", "corner", "rating"]

CLAUSES: dict[tuple[Kind, str], tuple[str, str, str]] = {
    ("part", ""): ("part", "is not drawn as intended", "are not drawn as intended"),
    ("limit", "outside"): ("figure", "is outside a limit", "are outside a limit"),
    ("limit", "no figure"): (
        "figure",
        "is missing where a limit wants one",
        "are missing where a limit wants one",
    ),
    ("limit", "too close to call"): (
        "figure",
        "is too close to a limit to call",
        "are too close to a limit to call",
    ),
    ("agreement", "disagrees"): (
        "figure",
        "disagrees with the hand calculation",
        "disagree with the hand calculation",
    ),
    ("agreement", "too coarse"): ("figure", "is too coarse to compare", "are too coarse to compare"),
    ("expected", ""): ("expected figure", "is not met or not shown", "are not met or not shown"),
    ("corner", "no ramp"): ("corner", "has no ramp", "have no ramp"),
    ("corner", "out of range"): ("corner", "is out of range", "are out of range"),
    ("corner", "chatter"): ("corner", "chatters", "chatter"),
    ("corner", "not simulated"): ("corner", "was not simulated", "were not simulated"),
    ("rating", ""): (
        "corner",
        "breaches an absolute maximum rating",
        "breach an absolute maximum rating",
    ),
}
"""What is counted, and what is said of one and of several, in the order in which it is said. An empty word
stands for every word of its kind."""


@dataclass(frozen=True)
class Shortfall:
    """One reason. ``subject``: the part or the quantity, empty for states of corners and for ratings;
    ``word``: the verdict or state; ``number``: of how many figures, corners or parts; ``words``: a
    sentence."""

    kind: Kind
    subject: str
    word: str
    number: int
    words: str


def shortfalls_of(result: RunResult) -> tuple[Shortfall, ...]:
    """Everything for which ``result`` ends with 1; empty where everything holds and was shown."""
    return shortfalls(result.board, result.corners, result.check, result.expected)


def shortfalls(
    board: Board, table: pd.DataFrame, check: pd.DataFrame, expected: pd.DataFrame
) -> tuple[Shortfall, ...]:
    """The same from the tables of corners, parts and expected figures. What is conceded does not count."""
    return (
        *_parts(check),
        *_corners(table),
        *_quantities(board, table),
        *_expected(expected),
        *_ratings(table),
    )


def clauses(found: Sequence[Shortfall]) -> tuple[str, ...]:
    """The reasons added up by their kind, each a clause with its verb: ``2 figures are outside a limit``."""
    said = []
    for (kind, word), (noun, one, several) in CLAUSES.items():
        number = sum(each.number for each in found if each.kind == kind and word in ("", each.word))
        if number:
            said.append(f"{count(number, noun)} {one if number == 1 else several}")
    return tuple(said)


def _parts(check: pd.DataFrame) -> Iterator[Shortfall]:
    for row in parts_off(check).to_dict("records"):
        part, word = str(row["part"]), str(row["verdict"])
        drawn = "not drawn" if word == "not drawn" else f"{row['drawn']} drawn"
        beyond = ", beyond what is conceded" if row.get("concession") == BEYOND else ""
        yield Shortfall("part", part, word, 1, f"{part}: {row['intended']} intended, {drawn}{beyond}")


def _corners(table: pd.DataFrame) -> Iterator[Shortfall]:
    for kind, state in CLAUSES:
        if kind == "corner" and (number := int((table["state"] == state).sum())):
            yield Shortfall(kind, "", state, number, f"{count(number, 'corner')}: {state}")


def _quantities(board: Board, table: pd.DataFrame) -> Iterator[Shortfall]:
    names = [str(key).removesuffix(".agreement") for key in table.columns if str(key).endswith(".agreement")]
    total = count(len(table), "corner")
    for name in [*names, *(name for name in board.limits if name not in names)]:
        title = stem(name).title
        for kind, word in CLAUSES:
            if kind not in ("limit", "agreement"):
                continue
            key = f"{name}.{kind}"
            if key not in table.columns:
                missing = kind == "limit" and name in board.limits and word == "no figure"
                number = len(table) if missing else 0
            else:
                found = table[key].to_numpy(dtype=object) == word
                number = int((found & counts(table, name)).sum() if kind == "agreement" else found.sum())
            if not number:
                continue
            subject = "limit" if kind == "limit" else "hand against simulated"
            beyond = _beyond(table, name) if word == "disagrees" else 0
            more = f", {'all' if beyond == number else beyond} beyond what is conceded" if beyond else ""
            yield Shortfall(
                kind, name, word, number, f"{title}, {subject}: {word} in {number} of {total}{more}"
            )


def _beyond(table: pd.DataFrame, name: str) -> int:
    key = f"{name}.concession"
    if key not in table.columns:
        return 0
    return int(((table[key] == BEYOND) & (table[f"{name}.agreement"] == "disagrees")).sum())


def _expected(expected: pd.DataFrame) -> Iterator[Shortfall]:
    rows = expected[~expected["agreement"].isin(("agrees", "explained")).to_numpy() & counts(expected)]
    for row in rows.to_dict("records"):
        name, word = str(row["quantity"]), str(row["agreement"])
        yield Shortfall("expected", name, word, 1, f"{stem(name).title}: the expected figure {word}")


def _ratings(table: pd.DataFrame) -> Iterator[Shortfall]:
    if number := breached(table):
        total = count(len(table), "corner")
        words = f"absolute maximum ratings: breached in {number} of {total}"
        yield Shortfall("rating", "", "breached", number, words)
