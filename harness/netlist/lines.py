# SPDX-License-Identifier: GPL-3.0-or-later
"""From files to logical lines: comments, continuations, includes and libraries, each line with its file
and number."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from harness.findings import Finding, nearest
from harness.netlist.refusals import refused, refused_pieces

LARGEST_FILE = 16_000_000  # bytes
DEEPEST_INCLUDE = 20
MOST_FILES = 300
MOST_LINES = 200_000


@dataclass(frozen=True)
class Line:
    """One logical line: continuations joined, comment removed. ``number`` is that of its first physical
    line."""

    text: str
    path: Path
    number: int

    @property
    def keyword(self) -> str:
        """The first word in lower case: ``.param``, ``rpull``."""
        return self.text.split(None, 1)[0].lower()

    @property
    def rest(self) -> str:
        """What follows the first word."""
        words = self.text.split(None, 1)
        return words[1] if len(words) > 1 else ""


@dataclass
class Reading:
    """Everything that reading the files of a netlist brought to light. ``absent``: libraries of the machine
    on which it was drawn, which are a problem only where something in them is needed."""

    title: str = ""
    first: Line | None = None
    lines: list[Line] = field(default_factory=list)
    files: list[tuple[Path, str]] = field(default_factory=list)
    notes: list[Finding] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    absent: list[Finding] = field(default_factory=list)


@dataclass(frozen=True)
class _Entry:
    number: int
    pieces: tuple[str, ...]


_Chain = tuple[tuple[Path, str | None], ...]  # files being read, each with its section
_CONTROL_CHARACTER = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202f\u2060\ufeff]")
_ODD_SPACE = re.compile(r"[^\S \t]")
_COMMENT = re.compile(r";|//|(?:(?<=[\s,])|^)\$(?=\s|$)")
_LETTERS = str.maketrans({"\u00b5": "u", "\u03bc": "u", "\u2126": "Ohm", "\u03a9": "Ohm"})
_LICENCE = re.compile(r"\*?\s*SPDX-", re.IGNORECASE)
_TITLE = re.compile(r"^(?:\*+|\.title(?=\s|$))", re.IGNORECASE)  # what may stand before a title
_END = re.compile(r"\.end$", re.IGNORECASE)


def read_lines(
    path: Path, roots: Sequence[Path], translated: Callable[[Path], bool] | None = None
) -> Reading:
    """The logical lines of a netlist with its includes put in, in order; title and ``.end`` left out.

    ``roots``: the folders that includes are read from; the first is the netlist's own. ``translated``: of
    which files (by resolved path) the lines will be written anew before an engine sees them. Never raises for
    what a file holds: every problem lands in ``findings`` of the result.
    """
    reading = Reading()
    reader = _Reader(reading, [root.resolve() for root in roots], translated or (lambda path: False))
    text = reader.text_of(path)
    if text is not None:
        first, _, rest = text.partition("\n")
        reader.title(path, first, rest)
        reader.walk(path.resolve(), rest, 2, None, ((path.resolve(), None),))
    return reading


class _Reader:
    def __init__(self, reading: Reading, roots: Sequence[Path], translated: Callable[[Path], bool]) -> None:
        self.reading = reading
        self.roots = roots
        self.translated = translated
        self.seen: set[tuple[Path, str | None, int]] = set()
        self.open_subcircuits: list[int] = []

    def problem(self, path: Path, number: int | None, message: str, key: str = "") -> None:
        self.reading.findings.append(Finding(path, message, key, number))

    def note(self, path: Path, number: int | None, message: str, key: str = "") -> None:
        self.reading.notes.append(Finding(path, message, key, number))

    def text_of(self, path: Path) -> str | None:
        """The text of a file with newlines made one kind, or None where there is none to read."""
        try:
            if not path.is_file():
                self.problem(path, None, "there is no such file; expected a netlist")
                return None
            if path.stat().st_size > LARGEST_FILE:
                self.problem(path, None, f"is larger than {LARGEST_FILE // 1_000_000} MB; that is no netlist")
                return None
            data = path.read_bytes()
        except OSError as error:
            self.problem(path, None, f"cannot be read: {error.strerror or error}")
            return None
        self.reading.files.append((path.resolve(), hashlib.sha256(data).hexdigest()))
        wide = _two_bytes(data)
        if wide:
            self.note(path, 1, "is written in UTF-16 and was read so")
            try:
                return data.decode(wide).replace("\r\n", "\n").replace("\r", "\n").removeprefix("\ufeff")
            except UnicodeDecodeError as error:
                self.problem(path, 1, f"begins as UTF-16 and is none ({error.reason}); save it as UTF-8")
                return None
        if b"\x00" in data:
            self.problem(
                path, data[: data.index(b"\x00")].count(b"\n") + 1, "holds binary data; expected plain text"
            )
            return None
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            self.note(path, data[: error.start].count(b"\n") + 1, "is not UTF-8; read as Latin-1")
            text = data.decode("latin-1")
        return text.replace("\r\n", "\n").replace("\r", "\n")

    def title(self, path: Path, first: str, rest: str) -> None:
        reading = self.reading
        sentence = refused(first)
        if sentence:
            self.problem(path, 1, sentence)
        shown = first
        second = rest.partition("\n")[0]
        if _LICENCE.match(first.strip()):
            shown = second if second.startswith("*") else path.stem
        reading.title = _TITLE.sub("", shown.strip()).strip() or path.stem
        meant = _COMMENT.split(first, maxsplit=1)[0].strip()
        if meant and not meant.startswith("*"):
            reading.first = Line(meant, path, 1)

    def logical(self, path: Path, text: str, start: int) -> Iterator[_Entry]:
        """Logical lines with their pieces; comments are looked at and dropped."""
        pieces: list[str] = []
        number = start
        for count, raw in enumerate(text.split("\n"), start):
            stripped = raw.strip()
            if not stripped:
                continue
            if stripped.startswith("*"):
                sentence = refused(stripped)
                if sentence:
                    self.problem(path, count, sentence)
                continue
            body = _COMMENT.split(stripped, maxsplit=1)[0].strip()
            if not body:
                continue
            odd = _CONTROL_CHARACTER.search(body) or _ODD_SPACE.search(body)
            if odd:
                self.problem(
                    path, count, f"holds the invisible character U+{ord(odd[0]):04X}; write an ordinary blank"
                )
                body = _ODD_SPACE.sub(" ", _CONTROL_CHARACTER.sub(" ", body)).strip()
                if not body:
                    continue
            if not body.startswith("+"):
                if pieces:
                    yield _Entry(number, tuple(pieces))
                pieces, number = [body], count
            elif pieces:
                pieces.append(body[1:].strip())
            else:
                self.problem(path, count, 'a continuation "+" with no line before it')
        if pieces:
            yield _Entry(number, tuple(pieces))

    def walk(self, path: Path, text: str, start: int, section: str | None, chain: _Chain) -> None:
        """Send the lines of a file (or of one section of a library) where they belong."""
        entries = list(self.logical(path, text, start))
        inside = section is None
        found_section = skipping = control = ended = False
        for index, entry in enumerate(entries):
            line = Line(" ".join(piece for piece in entry.pieces if piece), path, entry.number)
            sentence = refused_pieces(entry.pieces, self.translated(path.resolve()))
            keyword = line.keyword
            if control:
                control = not keyword.startswith(".endc")
                continue
            if sentence:
                self.problem(path, entry.number, sentence)
                control = keyword == ".control" and any(
                    ".endc" in later.pieces[0].lower() for later in entries[index:]
                )
                continue
            words = _words(line.rest)
            if keyword == ".endl":
                inside, skipping = section is None, False
            elif keyword == ".lib" and len(words) == 1 and _closed(entries[index + 1 :]):
                if words[0].lower() == section:
                    inside = found_section = True
                elif section is None:
                    skipping = True
            elif ended or not inside or skipping:
                continue
            elif _END.match(keyword):
                ended = True
                if index + 1 < len(entries):
                    self.note(path, entries[index + 1].number, "nothing behind .end is used")
            elif keyword in (".include", ".inc", ".incl", ".lib"):
                self.include(line, words, chain)
            else:
                self.keep(Line(line.text.translate(_LETTERS), path, entry.number))
        if section is not None and not found_section:
            self.problem(path, None, f'holds no section "{section}" (.lib {section} ... .endl)')

    def keep(self, line: Line) -> None:
        if len(self.reading.lines) >= MOST_LINES:
            if len(self.reading.lines) == MOST_LINES:
                self.problem(
                    line.path,
                    line.number,
                    f"more than {MOST_LINES} lines in all; that is no netlist of a board",
                )
                self.reading.lines.append(line)
            return
        if line.keyword == ".subckt":
            self.open_subcircuits.append(line.number)
        elif line.keyword == ".ends" and self.open_subcircuits:
            self.open_subcircuits.pop()
        self.reading.lines.append(line)

    def include(self, line: Line, words: list[str], chain: _Chain) -> None:
        """Put the lines of another file here."""
        most = 2 if line.keyword == ".lib" else 1
        if not 1 <= len(words) <= most:
            unquoted = len(words) > most
            hint = "; a name with blanks wants quotes around it" if unquoted else ""
            self.problem(line.path, line.number, f'"{line.text}" names no single file{hint}')
            return
        section = words[1].lower() if len(words) == 2 else None
        target = self.locate(line, words[0], line.path.parent)
        if target is None:
            return
        if (target, section) in chain or len(chain) > DEEPEST_INCLUDE:
            self.problem(line.path, line.number, f'"{words[0]}" includes itself, over {len(chain)} file(s)')
            return
        nesting = self.open_subcircuits[-1] if self.open_subcircuits else 0
        if (target, section, nesting) in self.seen:
            self.note(line.path, line.number, f'"{words[0]}" was included before; this one is skipped')
            return
        self.seen.add((target, section, nesting))
        if len(self.reading.files) >= MOST_FILES:
            self.problem(
                line.path, line.number, f"more than {MOST_FILES} files in all; that is no netlist of a board"
            )
            return
        text = self.text_of(target)
        if text is not None:
            self.walk(target, text, 1, section, (*chain, (target, section)))

    def locate(self, line: Line, name: str, folder: Path) -> Path | None:
        """The file that an include means, if it lies in one of the folders that are read."""
        plain = name.replace("\\", "/")
        if re.match(r"/|[A-Za-z]:|~|.*\$", plain):
            beside = plain.rpartition("/")[2]
            if "$" in beside or not any((base / beside).is_file() for base in (folder, *self.roots)):
                message = (
                    f'"{name}": write the place of an include relative to the netlist, '
                    "without a drive, ~ or $, or put the file beside it"
                )
                library = line.keyword == ".lib" and not self.open_subcircuits
                found = self.reading.absent if library else self.reading.findings
                found.append(Finding(line.path, message, "", line.number))
                return None
            self.note(
                line.path,
                line.number,
                f'"{name}" is a place on some machine; read "{beside}" from here instead',
            )
            plain = beside
        outside = False
        for base in (folder, *self.roots):
            try:
                candidate = (base / plain).resolve()
                if not candidate.is_file():
                    continue
            except (OSError, ValueError, RuntimeError):
                continue
            if any(candidate.is_relative_to(root) for root in self.roots):
                return candidate
            outside = True
        if outside:
            message = (
                f'"{name}" lies outside the folders that includes are read from (the netlist\'s own, '
                "the parts that come with this program, and those of `include` in the board file)"
            )
        else:
            message = f'there is no file "{name}" to include{self.neighbour(plain, folder)}'
        self.problem(line.path, line.number, message)
        return None

    def neighbour(self, plain: str, folder: Path) -> str:
        """A hint at a file of nearly this name in the same folder of one of the roots."""
        wanted = Path(plain)
        names: list[str] = []
        for base in (folder, *self.roots):
            place = (base / wanted.parent).resolve()
            if any(place.is_relative_to(root) for root in self.roots) and place.is_dir():
                names += [
                    (wanted.parent / entry.name).as_posix() for entry in place.iterdir() if entry.is_file()
                ]
        hint = nearest(plain, names)
        return hint if "did you mean" in hint else ""


def _two_bytes(data: bytes) -> str:
    """The codec of a text with two bytes a letter, by its mark or by its zeros; empty for any other."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    head = data[:400]
    if len(head) >= 8 and len(data) % 2 == 0:
        for codec, low, zeros in (("utf-16-le", head[::2], head[1::2]), ("utf-16-be", head[1::2], head[::2])):
            if b"\x00" not in low and zeros.count(b"\x00") > 0.8 * len(zeros):
                return codec
    return ""


def _words(rest: str) -> list[str]:
    """Words of an include line; quotes hold a name with blanks together."""
    return [a or b or c for a, b, c in re.findall(r'"([^"]*)"|\'([^\']*)\'|(\S+)', rest) if a or b or c]


def _closed(entries: Sequence[_Entry]) -> bool:
    """Whether a ``.endl`` follows before the next section begins: then ``.lib name`` opens a section."""
    for entry in entries:
        keyword = entry.pieces[0].split(None, 1)[0].lower()
        if keyword == ".endl":
            return True
        if keyword == ".lib" and len(_words(" ".join(entry.pieces))) == 2:
            return False
    return False
