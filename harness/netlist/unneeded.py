# SPDX-License-Identifier: GPL-3.0-or-later
"""Definitions of a library that cannot be read, and that nothing on the board needs: files of manufacturers
hold many parts, and a board uses one of them."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from harness.findings import Finding
from harness.netlist.lines import Line, Reading

_WORD = re.compile(r"[^\s(){}\[\]=,'\"*/+^<>?:!&|]+")


@dataclass
class Definition:
    """A subcircuit or a model of the top level: its name in lower case and its lines."""

    name: str
    lines: list[Line] = field(default_factory=list)

    @property
    def is_subcircuit(self) -> bool:
        return self.lines[0].keyword == ".subckt"

    @property
    def words(self) -> set[str]:
        """All words in its lines, lower case."""
        return {word for line in self.lines for word in _words(line)}


def without_unneeded(
    reading: Reading, findings: Sequence[Finding], wanted: Collection[str], own: Path
) -> Reading | None:
    """The lines as read from the files without those definitions of included files of which some of the
    findings speak and which nothing needs, left out with a note a file; None where there is no such one.

    ``own``: the netlist itself, where everything has to be readable. Needed is what is ``wanted`` (names,
    lower case), whatever a name in a line of the top level means, and what is needed by that. What reading
    the files itself found fault with, such as a line that runs something, stays.
    """
    definitions = list(definitions_in(reading.lines))
    needed = _needed(reading.lines, definitions, wanted)
    faults = {(finding.path, finding.line): finding for finding in reversed(findings)}
    unread: dict[Path | None, list[tuple[str, Finding]]] = {}
    left_out: set[int] = set()
    for definition in definitions:
        spoken_of = [faults[at] for line in definition.lines if (at := (line.path, line.number)) in faults]
        if spoken_of and spoken_of[0].path != own and definition.name not in needed:
            unread.setdefault(spoken_of[0].path, []).append((definition.name, spoken_of[0]))
            left_out |= {id(line) for line in definition.lines}
    if not unread:
        return None
    lines = [line for line in reading.lines if id(line) not in left_out]
    return replace(reading, lines=lines, notes=[*reading.notes, *map(_note, unread.values())])


def _note(skipped: Sequence[tuple[str, Finding]]) -> Finding:
    """One for all that is skipped of a file."""
    name, first = skipped[0]
    names = name if len(skipped) == 1 else f"{name} and {len(skipped) - 1} more"
    return replace(first, message=f"{first.message}; skipped, for nothing here needs it: {names}")


def definitions_in(lines: Sequence[Line]) -> Iterator[Definition]:
    """Those of the top level, in order. A subcircuit without an end is none."""
    depth, found = 0, Definition("")
    for line in lines:
        if line.keyword == ".subckt":
            if depth == 0:
                found = Definition(_first(line))
            depth += 1
        if depth:
            found.lines.append(line)
            depth -= line.keyword == ".ends"
            if depth == 0:
                yield found
        elif line.keyword == ".model":
            yield Definition(_first(line), [line])


def _first(line: Line) -> str:
    return (line.rest.split() or [""])[0].lower()


def _words(line: Line) -> set[str]:
    return {word.lower() for word in _WORD.findall(line.text)}


def _needed(lines: Sequence[Line], definitions: Sequence[Definition], wanted: Collection[str]) -> set[str]:
    inside = {id(line) for definition in definitions for line in definition.lines}
    words_of: dict[str, set[str]] = {}
    for definition in definitions:
        words_of.setdefault(definition.name, set()).update(definition.words)
    waiting = {*wanted, *(word for line in lines if id(line) not in inside for word in _words(line))}
    needed: set[str] = set()
    while waiting:
        found = waiting & words_of.keys() - needed
        needed |= found
        waiting = {word for name in found for word in words_of[name]}
    return needed
