# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading TOML so that every later complaint can point at its line."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from harness.findings import BoardError, Finding, nearest

LARGEST_FILE = 1_000_000  # bytes; a board file is a few kB
DEEPEST = 40  # levels of lists and tables whose lines are kept; a board file has four
Position = tuple[str | int, ...]

_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\'|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{},=.\n]|[^\s\[\]{},=.#"\']+',
    re.DOTALL,
)
_UNQUOTED = re.compile(r"""\s*[^\s=#"'\[]+\s*=\s*[^\s"'\[{][^"'\[\]{}]*$""")
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)\s*$")
_WORDS = (
    (
        "Expected newline or end of document",
        'one value and then a new line; a text stands in quotes: Rpull = "3.3k 1%"',
    ),
    ("Invalid value", 'a value: a number, a text in quotes such as "3.3k 1%", a list [..] or a table {..}'),
    ("Expected '=' after a key", "an equals sign: key = value"),
    ("Invalid statement", "a key = value line or a [table] heading"),
    ("Expected ']'", 'a closing "]"'),
    ("Unclosed array", 'a closing "]" of a list, or a comma between two values of it'),
    ("Unclosed inline table", 'a comma or a closing "}" of a table on the same line'),
    ("Unterminated string", "a closing quote of a text"),
    ("Illegal character", "a closing quote of a text on the same line"),
    ("Unescaped '\\'", 'a doubled backslash "\\\\" in a text'),
    (
        "Invalid initial character for a key part",
        "a key; keys outside quotes are made of letters, digits, _ and -",
    ),
)


@dataclass
class Statement:
    """One ``key = value`` or one heading: where it stands (``start``, ``end`` in characters) and its first
    line.
    """

    path: Position
    line: int
    start: int
    end: int
    heading: bool


@dataclass
class _Scanner:
    """Finds the line of every key. The text is read leniently; whether it is TOML is for tomllib to say."""

    text: str
    lines: dict[Position, int] = field(default_factory=dict)
    statements: list[Statement] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.tokens = [match.span() for match in _TOKEN.finditer(self.text) if match[0][0] != "#"]
        self.index = 0
        self.newlines = [match.start() for match in re.finditer("\n", self.text)]
        arrays: dict[Position, int] = {}
        prefix: Position = ()
        while self.index < len(self.tokens):
            if self._at("\n"):
                self.index += 1
                continue
            first = self.index
            heading = self._at("[")
            if heading:
                prefix = self._heading(arrays)
                path = prefix
                self._note(path, first)
            else:
                path = prefix + self._key("=", "\n")
                self._note(path, first)
                self._value(path, 0)
            while self.index < len(self.tokens) and not self._at("\n"):
                self.index += 1
            end = self.tokens[self.index - 1][1]
            self.statements.append(Statement(path, self._line(first), self.tokens[first][0], end, heading))

    def _word(self) -> str:
        start, end = self.tokens[self.index]
        return self.text[start:end]

    def _at(self, *words: str) -> bool:
        return self.index < len(self.tokens) and self._word() in words

    def _line(self, index: int) -> int:
        return bisect_right(self.newlines, self.tokens[index][0] - 1) + 1

    def _note(self, path: Position, index: int) -> None:
        self.lines.setdefault(path, self._line(index))

    def _key(self, *stops: str) -> Position:
        parts: list[str] = []
        while self.index < len(self.tokens) and not self._at(*stops, "\n"):
            word = self._word()
            if word != ".":
                parts.append(word[1:-1] if word[0] in "\"'" and len(word) > 1 else word)
            self.index += 1
        if self._at("="):
            self.index += 1
        return tuple(parts)

    def _heading(self, arrays: dict[Position, int]) -> Position:
        self.index += 1
        doubled = self._at("[")
        if doubled:
            self.index += 1
        path = self._key("]")
        if doubled:
            arrays[path] = arrays.get(path, -1) + 1
            return (*path, arrays[path])
        return path

    def _value(self, path: Position, depth: int) -> None:
        if depth > DEEPEST:
            return
        if self._at("["):
            self.index += 1
            number = 0
            while self.index < len(self.tokens) and not self._at("]"):
                if self._at(",", "\n"):
                    number += self._at(",")
                    self.index += 1
                    continue
                first = self.index
                self._note((*path, number), first)
                self._value((*path, number), depth + 1)
                if self.index == first:  # a stray bracket, which is no TOML; it must not hold us up
                    self.index += 1
            self.index += self._at("]")
        elif self._at("{"):
            self.index += 1
            while self.index < len(self.tokens) and not self._at("}", "\n"):
                if self._at(","):
                    self.index += 1
                    continue
                first = self.index
                key = (*path, *self._key("=", ",", "}"))
                self._note(key, first)
                self._value(key, depth + 1)
            self.index += self._at("}")
        else:
            while self.index < len(self.tokens) and not self._at(",", "]", "}", "\n"):
                self.index += 1


@dataclass
class Source:
    """A board file as read: its data, the line of each key, its sha256, and the findings so far."""

    path: Path
    data: dict[str, Any]
    lines: dict[Position, int]
    sha256: str
    findings: list[Finding]

    def add(self, path: Position, message: str) -> None:
        """One more finding, at a key."""
        self.findings.append(Finding(self.path, message, dotted(path), line_of(path, self.lines)))


def line_of(path: Position, lines: Mapping[Position, int]) -> int | None:
    """The line of a key, or of the nearest table around it."""
    return next((lines[path[:end]] for end in range(len(path), 0, -1) if path[:end] in lines), None)


def dotted(path: Position) -> str:
    """``expected.duty[2].at.control``: a path as people write it, places in lists counted from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def read_source(path: Path) -> Source:
    """The content of a board file. Raises BoardError where the file cannot be read or is no TOML.

    Keys that stand twice are findings of the returned source; the first one counts meanwhile.
    """
    raw = _bytes_of(path)
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise BoardError([Finding(path, "not a UTF-8 text; save it as UTF-8", line=line)]) from None
    scanner = _Scanner(text)
    text, twice = _without_repeats(path, text, scanner.statements)
    broken: list[Finding] = []
    while True:
        try:
            data = tomllib.loads(text)
            break
        except RecursionError:
            raise BoardError([Finding(path, "lists or tables are nested too deeply")]) from None
        except tomllib.TOMLDecodeError as error:
            finding = _in_words(path, error)
            broken.append(finding)
            rows = text.split("\n")
            if finding.line is None or not _UNQUOTED.match(rows[finding.line - 1]):
                break
            rows[finding.line - 1] = ""
            text = "\n".join(rows)
    if broken:
        raise BoardError(sorted(twice + broken, key=lambda finding: finding.line or 0))
    return Source(path, data, scanner.lines, sha256(raw).hexdigest(), twice)


def _bytes_of(path: Path) -> bytes:
    try:
        raw = path.read_bytes() if path.stat().st_size <= LARGEST_FILE else None
    except FileNotFoundError:
        there = [found.name for found in path.parent.glob("*.toml")] if path.parent.is_dir() else []
        hint = nearest(path.name, there) if there else ""
        raise BoardError([Finding(path, f'there is no board file "{path}"{hint}')]) from None
    except IsADirectoryError:
        raise BoardError([Finding(path, "is a folder; name the board file in it")]) from None
    except OSError as error:
        raise BoardError([Finding(path, f"cannot be read: {error.strerror or error}")]) from None
    if raw is None:
        raise BoardError([Finding(path, f"is larger than {LARGEST_FILE} bytes; that is no board file")])
    return raw


def _without_repeats(path: Path, text: str, statements: list[Statement]) -> tuple[str, list[Finding]]:
    """The text with repeated keys, and repeated tables with all their keys, blanked out; and what to say of
    them.
    """
    first: dict[Position, Statement] = {}
    findings: list[Finding] = []
    dropping = False
    for statement in statements:
        dropping = dropping and not statement.heading
        earlier = statement if dropping else first.setdefault(statement.path, statement)
        if earlier is not statement and statement.path and earlier.heading == statement.heading:
            dropping = statement.heading
            what = "this table" if statement.heading else "this key"
            message = f"{what} stands twice, first on line {earlier.line}; keep one"
            findings.append(Finding(path, message, dotted(statement.path), statement.line))
        elif not dropping:
            continue
        blank = re.sub(r"[^\n]", " ", text[statement.start : statement.end])
        text = text[: statement.start] + blank + text[statement.end :]
    return text, findings


def _in_words(path: Path, error: tomllib.TOMLDecodeError) -> Finding:
    message = str(error)
    place = _PLACE.search(message)
    line, column = (int(place[1]), int(place[2])) if place and place[1] else (None, None)
    said = _PLACE.sub("", message)
    expected = next((words for start, words in _WORDS if said.startswith(start)), None)
    where = f"column {column}" if column else "the end of the file"
    if said.startswith(("Cannot overwrite", "Cannot declare", "Cannot mutate", "Duplicate")):
        return Finding(path, f"a key or table that stands twice, at {where}; keep one", line=line)
    if expected is None:
        return Finding(path, f"cannot be read as TOML, at {where}: {said}", line=line)
    return Finding(path, f"cannot be read at {where}; expected {expected}", line=line)
