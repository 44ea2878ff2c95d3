# SPDX-License-Identifier: GPL-3.0-or-later
"""What the words of ngspice mean: which are failures, which line they blame, how it spells names."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

# Every real error comes on stderr, among notes and warnings; stdout also holds titles and node names, so it
# proves nothing. The last two are only warnings to ngspice: it goes on with a part left out or changed.
_FAILED = re.compile(
    r"^\s*(pt|yyparse )?error\b|timestep too small|simulation\(s\) aborted|simulation interrupted"
    r"|^run simulation not started|no circuit|undefined parameter|no such|can't find model"
    r"|is not a valid .*instance line|resistance to low, set to",
    re.IGNORECASE,
)
_STOPPED_BY_US = re.compile(r"interrupted|: condition met: stop|pause requested", re.IGNORECASE)
_CHATTER = re.compile(
    r"^note:|^trying gmin|^supplies reduced|gmin (step|increment)|source step", re.IGNORECASE
)
# 47 names two lines; the one that it calls internal is the one of the older engines.
_LINE = re.compile(r"(?:\bline .*\binternal )?\bline (?:no\.?|number)?\s*(\d+)", re.IGNORECASE)
_BREAKPOINT = re.compile(r"^\s*(\d+)\s+stop\b")
_MOST = 20


def plain(complaints: Iterable[str], stopped: bool) -> list[str]:
    """What is worth hearing of stderr; of a run that we stopped ourselves, without the remarks about that."""
    words = (text.strip() for text in complaints)
    return [text for text in words if text and not (stopped and _STOPPED_BY_US.search(text))]


def is_failure(words: Iterable[str]) -> bool:
    """Whether one of these lines means that the circuit or the run is not what was asked for."""
    return any(_FAILED.search(text) for text in words)


def grounds(words: Iterable[str]) -> list[str]:
    """What an error should carry: each line once, without notes and the steps of the search for a start."""
    return [text for text in dict.fromkeys(words) if not _CHATTER.search(text)][-_MOST:]


def blamed(words: Sequence[str], deck: Sequence[str]) -> int | None:
    """The line of ``deck``, from 1, that ngspice names by number or quotes in full.

    ngspice's own count begins with the title, which is not part of the deck.
    """
    for text in words:
        found = _LINE.search(text)
        if found and 1 <= int(found[1]) - 1 <= len(deck):
            return int(found[1]) - 1
    places: dict[str, list[int]] = {}
    for number, line in _joined(deck):
        places.setdefault(line, []).append(number)
    for text in words:
        numbers = places.get(" ".join(text.lower().rpartition(":")[2].split()), [])
        if len(numbers) == 1:
            return numbers[0]
    return None


def _joined(deck: Sequence[str]) -> list[tuple[int, str]]:
    """Lines with their continuations, plainly spaced, in lower case, each with the number of its first."""
    lines: list[tuple[int, str]] = []
    for number, line in enumerate(deck, 1):
        text = " ".join(line.lower().split())
        if text.startswith("+") and lines:
            lines[-1] = lines[-1][0], f"{lines[-1][1]} {text[1:].strip()}"
        elif text and not text.startswith("*"):
            lines.append((number, text))
    return lines


def breakpoints(status: Iterable[str]) -> list[str]:
    """Numbers of the breakpoints in the answer to ``status``; ``.save`` lines stand in the same list."""
    return [found[1] for text in status if (found := _BREAKPOINT.match(text))]


def bare(name: str) -> str:
    """The name of a vector in lower case, ``V(1)`` as ``1``."""
    name = name.lower()
    return name[2:-1] if name.startswith("v(") and name.endswith(")") else name


def saved(deck: Iterable[str]) -> list[str]:
    """Names that the ``.save`` lines of a circuit ask for, as they appear in a result."""
    names = []
    for line in deck:
        command, *wanted = line.lower().split() or [""]
        if command == ".save":
            for word in wanted:
                current = re.fullmatch(r"i\((.+)\)", word)
                names.append(f"{current[1]}#branch" if current else bare(word))
    return [name for name in names if name not in ("all", "none")]
