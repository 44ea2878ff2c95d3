# SPDX-License-Identifier: GPL-3.0-or-later
"""What single faults do, for the order document: what breaks a part, what nobody sees, how many others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from harness.faults.fault import HARMLESS, NOT_SIMULATED, OVERSTRESSED, WRONG_SOUND
from harness.order.records import Section, Table
from harness.report import rounding
from harness.report.page import SHAPES
from harness.studies.answers import Answer
from harness.units import engineering

MOST_NAMES = 40
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
        stress, rated = (_figure(row[name], str(row["unit"])) for name in ("stress", "rated"))
        does = f"{row['stressed']}: {row['rating']} {stress}, rating {rated}; output {row['state']}"
    seen = str(row["seen"]) if row["seen_at_bench"] == "yes" else "nothing"
    if row["severity"] == NOT_SIMULATED:
        seen = "not known"
    return str(row["fault"]), f"{_MARKS[row['severity']]} {row['severity']}", does, seen


def _figure(value: object, unit: str) -> str:
    number = float(value) if isinstance(value, (int, float)) else math.nan
    return engineering(number, unit, 3)


def _named(title: str, rows: Sequence[dict[str, Any]]) -> list[str]:
    names = [str(row["fault"]) for row in rows]
    return [f"{title} ({len(names)}): {rounding.listed(names, MOST_NAMES)}."] if names else []


def _listed(corners: Sequence[str]) -> str:
    return rounding.listed([str(name) for name in corners])
