# SPDX-License-Identifier: GPL-3.0-or-later
"""The one sentence on limits, and what the exit status means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from harness.report import rounding, tables
from harness.results import RunResult
from harness.shortfalls import clauses, shortfalls_of

Kind = Literal["within", "differs", "falls short", "not shown"]


@dataclass(frozen=True)
class Statement:
    """The statement in words. ``reasons``: what makes the run end with 1; empty where it ends with 0.

    ``kind`` is ``differs`` where no limit falls short and yet there are reasons; the words then hold them.
    ``left_out``: corners of the board that were not asked for. ``limited``: the board file sets a limit.
    ``conceded``: how many deviations do not count, in words. A simulation never says that a circuit is safe,
    only what it shows within its corners and models.
    """

    kind: Kind
    words: str
    reasons: tuple[str, ...]
    left_out: int = 0
    limited: bool = True
    conceded: str = ""

    @property
    def further(self) -> tuple[str, ...]:
        """The reasons that ``words`` do not hold already."""
        return () if self.kind == "differs" else self.reasons

    @property
    def exit_words(self) -> str:
        """What the exit status of the command means for this run."""
        if self.reasons:
            return "Exit status 1: something falls short, differs, or is not shown."
        where = " beyond what is conceded" if self.conceded else ""
        where += ", in the corners that were asked for" if self.left_out else ""
        if not self.limited:
            return f"Exit status 0: there is no limit that could fall short, and nothing differs{where}."
        shown = "every limit within, everything that a limit covers is shown"
        return f"Exit status 0: {shown}, nothing differs{where}."


def state_of_affairs(result: RunResult, conceded: str = "") -> Statement:
    """The statement for a run; ``conceded``: how many deviations are conceded, in words."""
    corners, limits = result.corners, result.board.limits
    verdicts = {name: tables.column(corners, name, "limit", "no figure") for name in limits}
    table = pd.DataFrame(verdicts, index=corners.index)
    outside = table == "outside"
    open_rows = table.isin(["no figure", "too close to call"])
    total = rounding.count(len(corners), "corner")
    against = clauses(shortfalls_of(result))
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
    words += f"; {conceded}" if conceded else ""
    words += left_out_words(left_out)
    return Statement(kind, f"{words}.", against, left_out, bool(limits), conceded)


def left_out_words(number: int) -> str:
    """What is added to a statement that speaks of a part of the board's corners."""
    if not number:
        return ""
    verb = "was" if number == 1 else "were"
    return f"; {rounding.count(number, 'corner')} of the board {verb} left out"


def _in_a_row(clauses: tuple[str, ...]) -> str:
    return " and ".join([*([", ".join(clauses[:-1])] if clauses[1:] else []), clauses[-1]])
