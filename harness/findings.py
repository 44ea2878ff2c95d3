# SPDX-License-Identifier: GPL-3.0-or-later
"""What is wrong, where, and what to do: the one form in which input problems travel."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

_CONTROLS = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]")


@dataclass(frozen=True)
class Finding:
    """One sentence about one place of an input file.

    ``key`` is a dotted key of a board file or a part or node name of a netlist; ``line`` counts from 1.
    """

    path: Path | None
    message: str
    key: str = ""
    line: int | None = None

    def __str__(self) -> str:
        place = "" if self.path is None else self.path.name
        if self.line is not None:
            place += f":{self.line}"
        head = ": ".join(part for part in (place, self.key) if part)
        return without_controls(f"{head}: {self.message}" if head else self.message)


class InputError(ValueError):
    """Input that cannot be used. ``findings`` holds every problem found, not only the first."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


class BoardError(InputError):
    """A board file that cannot be used."""


class NetlistError(InputError):
    """A netlist that cannot be used, or that holds what is refused."""


def without_controls(text: str) -> str:
    """Text of a file as a terminal may show it: ``\\x1b`` for what it would obey instead, lines kept."""
    return _CONTROLS.sub(lambda found: f"\\x{ord(found[0]):02x}", text)


def nearest(name: str, valid: Iterable[str]) -> str:
    """A hint `` (did you mean "x"?)``, or the sorted list of what is valid where nothing is near."""
    names = sorted(set(valid))
    lowered = {candidate.lower(): candidate for candidate in names}
    match = get_close_matches(name.lower(), list(lowered), n=1, cutoff=0.6)
    if match:
        return f' (did you mean "{lowered[match[0]]}"?)'
    return f" (valid: {', '.join(names)})" if names else ""
