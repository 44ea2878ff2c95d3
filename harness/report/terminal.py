# SPDX-License-Identifier: GPL-3.0-or-later
"""The first screen as plain lines for the terminal, from the same records as the page."""

from __future__ import annotations

from harness.findings import without_controls
from harness.report.statement import Statement
from harness.report.story import Story, tell
from harness.results import RunResult

MOST_LINT = 5
"""Warnings about the netlist; the page holds all."""


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
    lines += [f"  {reason}" for reason in story.statement.further]
    if story.concessions:
        lines += ["Conceded in the board file:", *(f"  {one.words}" for one in story.concessions)]
    lines += [line for line in (story.intent, story.states) if line]
    for limit in story.limits:
        lines += [f"  {limit.words}", *([f"    {limit.cure}"] if limit.cure else [])]
    lines += [story.ratings.words, *(f"  {breach.words}" for breach in story.ratings.breaches)]
    parted = [one for one in story.partings if one.parts]
    if parted:
        lines.append("Hand and simulated part in:")
    for one in parted:
        most = f"; most {one.largest} in {one.corner} ({one.place})" if one.corner else ""
        why = "".join(f"; {words}" for words in (one.drawing, one.effect) if words)
        lines.append(f"  {one.title}: {one.counts}{most}{why}")
    agreed = [one.agreement for one in story.partings if one.agrees and not one.parts]
    if agreed:
        lines.append(f"Hand and simulated agree, at most apart: {', '.join(agreed)}")
    lines += [f"  {figure.words}" for figure in story.far]
    lines += [f"  {expected.words}" for expected in story.expected]
    if story.lint:
        lines += ["Looked odd in netlist or board file:", *(f"  {text}" for text in story.lint[:MOST_LINT])]
    if len(story.lint) > MOST_LINT:
        lines.append(f"  and {len(story.lint) - MOST_LINT} more in the report")
    if story.not_shown:
        lines += ["Not shown:", *(f"  {sentence}" for sentence in story.not_shown)]
    lines.append(story.statement.exit_words)
    return [in_ascii(line) for line in lines]


def in_ascii(line: str) -> str:
    """A line that every terminal shows: control characters, which a terminal would obey, are spelled out."""
    for character, plain in (("\N{PLUS-MINUS SIGN}", "+/-"), ("\N{EN DASH}", "-"), ("\N{MINUS SIGN}", "-")):
        line = line.replace(character, plain)
    return without_controls(line).encode("ascii", "backslashreplace").decode("ascii")
