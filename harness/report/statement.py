# SPDX-License-Identifier: GPL-3.0-or-later
"""The one sentence on limits, and the reasons for which a run ends with 1."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from harness.ratings import breached
from harness.report import rounding, tables
from harness.results import RunResult

Kind = Literal["within", "differs", "falls short", "not shown"]

STATES = {
    "no ramp": ("has no ramp", "have no ramp"),
    "out of range": ("is out of range", "are out of range"),
    "chatter": ("chatters", "chatter"),
    "not simulated": ("was not simulated", "were not simulated"),
}
"""States that are never a pass, said of one corner and of several."""


@dataclass(frozen=True)
class Statement:
    """The statement in words. ``reasons``: what makes the run end with 1; empty where it ends with 0.

    ``kind`` is ``differs`` where no limit falls short and yet there are reasons; the words then hold them.
    ``left_out``: corners of the board that were not asked for. ``limited``: the board file sets a limit. A
    simulation never says that a circuit is safe, only what it shows within its corners and models.
    """

    kind: Kind
    words: str
    reasons: tuple[str, ...]
    left_out: int = 0
    limited: bool = True

    @property
    def further(self) -> tuple[str, ...]:
        """The reasons that ``words`` do not hold already."""
        return () if self.kind == "differs" else self.reasons

    @property
    def exit_words(self) -> str:
        """What the exit status of the command means for this run."""
        if self.reasons:
            return "Exit status 1: something falls short, differs, or is not shown."
        where = ", in the corners that were asked for" if self.left_out else ""
        if not self.limited:
            return f"Exit status 0: there is no limit that could fall short, and nothing differs{where}."
        return (
            "Exit status 0: every limit within, nothing differs, everything that a limit covers is shown"
            f"{where}."
        )


def state_of_affairs(result: RunResult, differing_parts: int) -> Statement:
    """The statement for a run; ``differing_parts`` counts parts not drawn as intended."""
    corners, limits = result.corners, result.board.limits
    verdicts = {name: tables.column(corners, name, "limit", "no figure").astype(str) for name in limits}
    table = pd.DataFrame(verdicts, index=corners.index)
    outside = table == "outside"
    open_rows = table.isin(["no figure", "too close to call"])
    total = rounding.count(len(corners), "corner")
    against = reasons(result, differing_parts)
    kind: Kind
    if outside.to_numpy().any():
        kind = "falls short"
        limited = f"{int(outside.any().sum())} of {rounding.count(len(limits), 'limit')}"
        words = f"Falls short: {limited}, in {int(outside.any(axis=1).sum())} of {total}"
    elif not limits or corners.empty:
        kind = "not shown"
        words = f"Not shown: no limit is set, {total}" if not limits else "Not shown: there is no corner"
    elif open_rows.to_numpy().any():
        kind = "not shown"
        words = (
            f"Not shown: {int(open_rows.any().sum())} of {rounding.count(len(limits), 'limit')} cannot be"
            f" judged in {int(open_rows.any(axis=1).sum())} of {total}"
        )
        words += "" if open_rows.to_numpy().all() else "; no limit falls short elsewhere"
    elif against:
        kind = "differs"
        words = f"No limit falls short in {total}, but {_in_a_row(against)}"
    else:
        kind = "within"
        words = f"No limit falls short in {total}"
    left_out = tables.left_out(result)
    return Statement(kind, f"{words}{left_out_words(left_out)}.", against, left_out, bool(limits))


def left_out_words(number: int) -> str:
    """What is added to a statement that speaks of a part of the board's corners."""
    if not number:
        return ""
    verb = "was" if number == 1 else "were"
    return f"; {rounding.count(number, 'corner')} of the board {verb} left out"


def _in_a_row(clauses: tuple[str, ...]) -> str:
    return " and ".join([*([", ".join(clauses[:-1])] if clauses[1:] else []), clauses[-1]])


def reasons(result: RunResult, differing_parts: int) -> tuple[str, ...]:
    """Everything for which the run ends with 1, each a clause with its verb, the parts first."""
    corners, limits = result.corners, list(result.board.limits)
    expected = result.expected["agreement"].astype(str) if len(result.expected) else pd.Series(dtype=str)
    state = corners["state"].astype(str)
    found = [
        _clause(differing_parts, "part", "is not drawn as intended", "are not drawn as intended"),
        *(
            _clause(
                _cells(corners, limits, "limit", "no figure", word), "figure", f"is {words}", f"are {words}"
            )
            for word, words in (
                ("outside", "outside a limit"),
                ("no figure", "missing where a limit wants one"),
                ("too close to call", "too close to a limit to call"),
            )
        ),
        *(
            _clause(_cells(corners, tables.present(corners), "agreement", "", word), "figure", one, several)
            for word, one, several in (
                (
                    "disagrees",
                    "disagrees with the hand calculation",
                    "disagree with the hand calculation",
                ),
                ("too coarse", "is too coarse to compare", "are too coarse to compare"),
            )
        ),
        _clause(
            int((~expected.isin(("agrees", "explained"))).sum()),
            "expected figure",
            "is not met or not shown",
            "are not met or not shown",
        ),
        *(_clause(int((state == word).sum()), "corner", *words) for word, words in STATES.items()),
        _clause(
            breached(corners),
            "corner",
            "breaches an absolute maximum rating",
            "breach an absolute maximum rating",
        ),
    ]
    return tuple(clause for clause in found if clause)


def _cells(corners: pd.DataFrame, names: list[str], part: str, missing: str, word: str) -> int:
    """How often ``word`` stands in the column ``part`` of these quantities."""
    return sum(int((tables.column(corners, name, part, missing) == word).sum()) for name in names)


def _clause(number: int, noun: str, one: str, several: str) -> str:
    return f"{rounding.count(number, noun)} {one if number == 1 else several}" if number else ""
