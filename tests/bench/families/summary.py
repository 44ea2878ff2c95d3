# SPDX-License-Identifier: GPL-3.0-or-later
"""From the rows of a study to its table: coverage with its interval, bars, misses, per family and in all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median
from typing import Any

from scipy.stats import beta

from families.study import LEVELS, Answer, Row

TIMING = ("duty", "frequency")


def cents(share: float) -> float:
    """A small relative difference in frequency as cents."""
    return 1200 * math.log2(1 + share)


def shown_share(successes: int, trials: int, confidence: float = 0.95) -> float:
    """The share that so many successes show at this confidence: lower Clopper-Pearson limit, one-sided."""
    return float(beta.ppf(1 - confidence, successes, trials - successes + 1)) if successes else 0.0


def interval(successes: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided Clopper-Pearson interval of a share."""
    tail = (1 - confidence) / 2
    low = float(beta.ppf(tail, successes, trials - successes + 1)) if successes else 0.0
    high = float(beta.ppf(1 - tail, successes + 1, trials - successes)) if successes < trials else 1.0
    return low, high


def summary(rows: Sequence[Row], accuracy: float) -> dict[str, Any]:
    """Coverage and bars of the circuits whose truth is known. A circuit is inside when both its duty and its
    frequency are; one without figures is not counted as inside or outside, and not as reached."""
    known = [row for row in rows if not row.left_out]
    answers = [row.answers[accuracy] for row in known]
    given = [answer for answer in answers if answer.gave_figures]
    inside = sum(answer.inside(*TIMING) for answer in given)
    low, high = interval(inside, len(given))
    return {
        "circuits": len(known),
        "left_out": len(rows) - len(known),
        "no_figures": len(answers) - len(given),
        "inside_duty": sum(answer.inside("duty") for answer in given),
        "inside_frequency": sum(answer.inside("frequency") for answer in given),
        "inside": inside,
        "shown": shown_share(inside, len(given)),
        "interval": [low, high],
        "reached": sum(answer.reached for answer in given),
        "median_bar_duty": _median(answer.bars["duty"] for answer in given),
        "median_bar_cents": cents(_median(answer.bars["frequency"] for answer in given)),
        "median_error_duty": _median(abs(answer.errors["duty"]) for answer in given),
        "worst_in_bars": max((_in_bars(answer) for answer in given), default=math.nan),
        "levels": _levels(given),
        "milliseconds": 1e3 * _median(answer.seconds for answer in given),
        "engine_milliseconds": 1e3 * _median(answer.engine_seconds for answer in given),
    }


def _median(values: Any) -> float:
    return float(median(list(values) or [math.nan]))


def _in_bars(answer: Answer) -> float:
    return max(abs(answer.errors[name]) / answer.bars[name] for name in TIMING)


def _levels(answers: Sequence[Answer]) -> dict[str, list[int]]:
    """Inside and all, for each level whose truth is known."""
    table = {}
    for name in LEVELS:
        own = [answer for answer in answers if name in answer.errors]
        table[name] = [sum(answer.inside(name) for answer in own), len(own)]
    return table


def misses(rows: Sequence[Row], accuracy: float) -> list[str]:
    """One line a circuit that is outside, without figures or left out."""
    lines = []
    for row in rows:
        name = f"{row.job.family} {row.job.study}/{row.job.number}"
        answer = row.answers.get(accuracy, Answer())
        if row.left_out:
            lines.append(f"{name}: left out, {row.left_out}")
        elif not answer.gave_figures:
            lines.append(f"{name}: no figures, {answer.reason}")
        else:
            lines += [
                f"{name}: {q} off by {answer.errors[q]:.2e}, bar {answer.bars[q]:.2e}"
                for q in answer.errors
                if not answer.inside(q)
            ]
    return lines


def table(rows: Sequence[Row], accuracy: float) -> str:
    """The study at one accuracy as text."""
    head = (
        f"{'accuracy ' + format(accuracy, 'g'):22}{'n':>5}{'out':>5}{'none':>5}{'duty':>6}{'freq':>6}"
        f"{'reached':>8}{'bar duty':>10}{'cents':>8}{'error':>9}{'worst':>7}{'levels':>10}{'ms':>7}"
    )
    lines = [head]
    families = list(dict.fromkeys(row.job.family for row in rows))
    for name in (*families, "all"):
        own = [row for row in rows if name in (row.job.family, "all")]
        s = summary(own, accuracy)
        good, every = (sum(part) for part in zip(*s["levels"].values(), strict=True))
        lines.append(
            f"{name:22}{s['circuits']:5}{s['left_out']:5}{s['no_figures']:5}{s['inside_duty']:6}"
            f"{s['inside_frequency']:6}{s['reached']:8}{s['median_bar_duty']:10.1e}"
            f"{s['median_bar_cents']:8.4f}{s['median_error_duty']:9.1e}{s['worst_in_bars']:7.2f}"
            f"{f'{good}/{every}':>10}{s['milliseconds']:7.0f}"
        )
    low, high = s["interval"]
    lines.append(
        f"{s['inside']} of {s['circuits'] - s['no_figures']} circuits inside both bars: "
        f"{100 * low:.2f} to {100 * high:.2f} % (95 %, two-sided); at least {100 * s['shown']:.2f} % shown"
    )
    return "\n".join(lines)
