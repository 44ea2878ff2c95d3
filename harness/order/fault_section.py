# SPDX-License-Identifier: GPL-3.0-or-later
"""What single faults do, for the order document: what breaks a part, what nobody sees, how many others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from harness.faults.answer import UNKNOWN, YES
from harness.faults.fault import HARMLESS, NOT_SIMULATED, OVERSTRESSED, WRONG_SOUND
from harness.faults.kinds import ORDER
from harness.faults.words import passed_words
from harness.order.records import Section, Table
from harness.report import rounding
from harness.report.page import SHAPES
from harness.studies.answers import Answer

MOST_NAMES = 40
MOST_SEEN = 3  # what a bench shows, in one cell
_MARKS = {
    OVERSTRESSED: SHAPES["outside"],
    NOT_SIMULATED: SHAPES["no figure"],
    WRONG_SOUND: SHAPES["explained"],
}
_WIDTHS = (1.2, 1.1, 2.2, 2.2)


def in_short(answer: Answer) -> str:
    """``46 faults: 4 part overstressed, ...``."""
    run = answer.run
    counts = ", ".join(f"{number} {severity}" for severity, number in run["severities"].items() if number)
    unseen = run["unseen_at_bench"]
    return f"{rounding.count(run['faults'], 'fault')}: {counts}; a bench does not show {unseen}"


def comes_up(answer: Answer | None) -> bool:
    """Whether supplies that come up were among the faults."""
    return answer is not None and bool((answer.tables["faults.csv"]["kind"] == ORDER).any())


def section(title: str, answer: Answer) -> Section:
    """The section of the document."""
    rows = [
        {str(key): value for key, value in row.items()}
        for row in answer.tables["faults.csv"].astype(object).fillna("").to_dict("records")
    ]
    serious = [row for row in rows if row["severity"] in (OVERSTRESSED, NOT_SIMULATED)]
    hidden = [row for row in rows if row["severity"] == WRONG_SOUND and row["seen_at_bench"] != "yes"]
    shown = [row for row in rows if row["severity"] == WRONG_SOUND and row["seen_at_bench"] == "yes"]
    harmless = [row for row in rows if row["severity"] == HARMLESS]
    words = [
        f"One fault at a time, at {_listed(answer.run['corners'])}. {in_short(answer)}.",
        *_named("Wrong sound, as a bench shows", shown),
        *_named("Harmless", harmless),
    ]
    head = ("Fault", "What it is", "What it does", "What a bench shows")
    tables = (("", Table(head, tuple(_told(row) for row in [*serious, *hidden]), (), _WIDTHS)),)
    return Section(title, tuple(words), tables if serious or hidden else (), tuple(answer.run["assumed"]))


def _told(row: dict[str, Any]) -> tuple[str, str, str, str]:
    does = str(row["reason"]) if row["severity"] == NOT_SIMULATED else str(row["state"])
    if row["stressed"]:
        stress, rated = (_number(row[name]) for name in ("stress", "rated"))
        passed = passed_words(str(row["rating"]), stress, rated, str(row["unit"]))
        does = f"{row['stressed']}: {passed}; output {row['state']}"
    seen = _shown([words for words in str(row["seen"]).split("; ") if words])
    if row["seen_at_bench"] == UNKNOWN:
        seen = "not known"
    elif row["seen_at_bench"] != YES:
        seen = f"nothing there; {seen}" if seen else "nothing"
    return str(row["fault"]), f"{_MARKS[row['severity']]} {row['severity']}", does, seen


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan


def _shown(seen: Sequence[str]) -> str:
    """What is seen, the first few."""
    rest = len(seen) - MOST_SEEN
    return "; ".join([*seen[:MOST_SEEN], *([f"and {rest} more in faults.csv"] if rest > 0 else [])])


def _named(title: str, rows: Sequence[dict[str, Any]]) -> list[str]:
    names = [str(row["fault"]) for row in rows]
    return [f"{title} ({len(names)}): {rounding.listed(names, MOST_NAMES)}."] if names else []


def _listed(corners: Sequence[str]) -> str:
    return rounding.listed([str(name) for name in corners])
