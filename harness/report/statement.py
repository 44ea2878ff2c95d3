# SPDX-License-Identifier: GPL-3.0-or-later
"""The one sentence on limits, and what stands against a clean result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from harness.report import rounding, tables
from harness.results import RunResult

Kind = Literal["within", "falls short", "not shown"]


@dataclass(frozen=True)
class Statement:
    """The statement in words. ``reasons``: what makes the run end with 1; empty where it ends with 0.

    A simulation never says that a circuit is safe, only what it shows within its corners and models.
    """

    kind: Kind
    words: str
    reasons: tuple[str, ...]

    @property
    def exit_words(self) -> str:
        """What the exit status of the command means for this run."""
        if self.reasons:
            return "Exit status 1: something falls short, differs, or is not shown."
        return "Exit status 0: every limit within, nothing differs, everything that a limit covers is shown."


def state_of_affairs(result: RunResult, differing_parts: int) -> Statement:
    """The statement for a run; ``differing_parts`` counts parts not drawn as intended."""
    corners, limits = result.corners, result.board.limits
    verdicts = {name: tables.column(corners, name, "limit", "no figure").astype(str) for name in limits}
    table = pd.DataFrame(verdicts, index=corners.index)
    outside = table == "outside"
    open_rows = table.isin(["no figure", "too close to call"])
    total = rounding.count(len(corners), "corner")
    kind: Kind
    if outside.to_numpy().any():
        kind = "falls short"
        limited = f"{int(outside.any().sum())} of {rounding.count(len(limits), 'limit')}"
        words = f"Falls short: {limited}, in {int(outside.any(axis=1).sum())} of {total}."
    elif not limits or corners.empty:
        kind = "not shown"
        words = f"Not shown: no limit is set, {total}." if not limits else "Not shown: there is no corner."
    elif open_rows.to_numpy().any():
        kind = "not shown"
        words = (
            f"Not shown: {int(open_rows.any().sum())} of {rounding.count(len(limits), 'limit')} cannot be"
            " judged"
            f" in {int(open_rows.any(axis=1).sum())} of {total}; none falls short in the others."
        )
    else:
        kind = "within"
        words = f"No limit falls short in {total}."
    return Statement(kind, words, reasons(result, differing_parts))


def reasons(result: RunResult, differing_parts: int) -> tuple[str, ...]:
    """Everything that keeps a run from a clean end, in words, the parts first."""
    corners, found = result.corners, []
    if differing_parts:
        verb = "is" if differing_parts == 1 else "are"
        found.append(f"{rounding.count(differing_parts, 'part')} {verb} not drawn as intended")
    for word, words in (
        ("outside", "outside a limit"),
        ("no figure", "missing where a limit wants one"),
        ("too close to call", "too close to a limit to call"),
    ):
        number = sum(
            int((tables.column(corners, name, "limit", "no figure").astype(str) == word).sum())
            for name in result.board.limits
        )
        if number:
            found.append(f"{rounding.count(number, 'figure')} {words}")
    for word in ("disagrees", "too coarse"):
        number = sum(
            int((tables.column(corners, name, "agreement", "").astype(str) == word).sum())
            for name in tables.present(corners)
        )
        if number:
            verb = "disagree" if number != 1 else "disagrees"
            words = f"{verb} with the hand calculation" if word == "disagrees" else "too coarse to compare"
            found.append(f"{rounding.count(number, 'figure')} {words}")
    off = int((result.expected["agreement"].astype(str) != "agrees").sum()) if len(result.expected) else 0
    if off:
        found.append(f"{rounding.count(off, 'expected figure')} not met or not shown")
    for state in ("no ramp", "out of range", "chatter", "not simulated"):
        number = int((corners["state"].astype(str) == state).sum())
        if number:
            found.append(f"{rounding.count(number, 'corner')} {state}")
    return tuple(found)
