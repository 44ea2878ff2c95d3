# SPDX-License-Identifier: GPL-3.0-or-later
"""The first screen as plain lines for the terminal, from the same records as the page."""

from __future__ import annotations

from harness.report.statement import Statement
from harness.report.story import Story, tell
from harness.results import RunResult


def statement(result: RunResult) -> Statement:
    """The statement on limits; its ``exit_words`` say what the exit status means."""
    return tell(result).statement


def summary_lines(result: RunResult) -> list[str]:
    """What the first screen of the page tells, in ASCII, one sentence or table row a line."""
    return lines_of(tell(result))


def lines_of(story: Story) -> list[str]:
    """A story as lines: slips first, then the statement, limits, partings, what was not shown."""
    lines = [f"{story.title} ({story.board})"]
    lines += [f"  {name}: {text}" for name, text in story.facts]
    if story.slips:
        lines += ["Not drawn as intended:", *(f"  {slip.words}" for slip in story.slips)]
    lines.append(story.statement.words)
    lines += [f"  {reason}" for reason in story.statement.reasons]
    lines.append(story.intent)
    for limit in story.limits:
        if limit.verdict == "within":
            where = f"least room {limit.margin}"
        else:
            where = f"{limit.counts}; {limit.figure}, margin {limit.margin}"
        place = f" in {limit.corner} ({limit.place})" if limit.corner else ""
        lines.append(f"  {limit.title} ({limit.limit}): {limit.verdict}, {where}{place}")
    parted = [one for one in story.partings if one.parts]
    if parted:
        lines.append("Hand and simulated part in:")
    for one in parted:
        numbers = (("disagrees", one.disagrees), ("too coarse", one.too_coarse), ("explained", one.explained))
        counts = ", ".join(f"{number} {word}" for word, number in numbers if number)
        why = f"; {one.effect}" if one.effect else ""
        lines.append(f"  {one.title}: {counts}; most {one.largest} in {one.corner} ({one.place}){why}")
    agreed = [one.agreement for one in story.partings if one.agrees and not one.parts]
    if agreed:
        lines.append(f"Hand and simulated agree, at most apart: {', '.join(agreed)}")
    lines += [f"  {figure.words}" for figure in story.far]
    for expected in story.expected:
        lines.append(
            f"  {expected.title}, expected {expected.expected} at {expected.place}: simulated"
            f" {expected.simulated},"
            f" {expected.verdict}"
        )
    if story.not_shown:
        lines += ["Not shown:", *(f"  {sentence}" for sentence in story.not_shown)]
    lines.append(story.statement.exit_words)
    return [_ascii(line) for line in lines]


def _ascii(line: str) -> str:
    for character, plain in (("\N{PLUS-MINUS SIGN}", "+/-"), ("\N{EN DASH}", "-"), ("\N{MINUS SIGN}", "-")):
        line = line.replace(character, plain)
    return line.encode("ascii", "backslashreplace").decode("ascii")
