# SPDX-License-Identifier: GPL-3.0-or-later
"""Words of a netlist line: splitting at blanks outside brackets, ``name=value`` pairs, names inside
expressions."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

NUMBER = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_OPEN, _CLOSE = "({[", ")}]"
_EQUALS = re.compile(r"\s*(?<![<>!=])=(?!=)\s*")
_ASSIGNMENT = re.compile(r"([^\W\d][\w.]*(?:\([^()]*\))?)\s*(?<![<>!=])=(?!=)\s*")
_NAME = re.compile(r"(?<![\w.])([^\W\d]\w*)(\s*\()?")
_ATTO = re.compile(rf"(?<![\w.])([+-]?{NUMBER})a[a-z]*(?!\w)", re.IGNORECASE)
_MARK = re.compile(r"[+-]?\d+[a-z]{1,3}\d+[a-z]*", re.IGNORECASE)
_WHOLE_NAME = re.compile(r"(?<![\w.])[^\W\d]\w*")
_NUMBER_WORD = re.compile(rf"(?<![\w.]){NUMBER}\w*")
_MARKED = re.compile(r"\{[^{}]*\}|'[^']*'")
_NODE_CALL = re.compile(r"(?<![\w.])[vi]\s*\(([^()]*)\)", re.IGNORECASE)
_PLAIN_NUMBER = re.compile(rf"[+-]?{NUMBER}[^\W\d_%]*%?")


def unbalanced(text: str) -> str:
    """The bracket or quote that is not closed, or an empty text."""
    waiting: list[str] = []
    for character in text:
        if character in _OPEN:
            waiting.append(character)
        elif character in _CLOSE:
            if not waiting or _OPEN.index(waiting[-1]) != _CLOSE.index(character):
                return character
            waiting.pop()
    if text.count("'") % 2:
        return "'"
    return waiting[-1] if waiting else ""


def split(text: str, separators: str = " \t,") -> list[str]:
    """Words of a line; blanks and commas inside brackets or quotes hold together."""
    words: list[str] = []
    depth, quoted, current = 0, False, ""
    for character in text:
        if character == "'":
            quoted = not quoted
        elif character in _OPEN and not quoted:
            depth += 1
        elif character in _CLOSE and not quoted:
            depth -= 1
        if character in separators and depth <= 0 and not quoted:
            if current:
                words.append(current)
            current = ""
        else:
            current += character
    if current:
        words.append(current)
    return words


def tidy(text: str) -> str:
    """The same line without blanks around ``=``."""
    return _EQUALS.sub("=", text)


def pair(word: str) -> tuple[str, str] | None:
    """``("tc1", "5m")`` for ``tc1=5m``; None for a word that is no pair."""
    match = re.match(r"([^\W\d]\w*)=(?!=)(.*)", word, re.DOTALL)
    return (match[1].lower(), match[2]) if match else None


def assignments(text: str) -> list[tuple[str, str]]:
    """``a=1 b = {a * 2}`` as pairs of name and value text, a value reaching to the next ``name=``."""
    found = [match for match in _ASSIGNMENT.finditer(text) if _outside(text, match.start())]
    if not found:
        return []
    ends = [match.start() for match in found[1:]] + [len(text)]
    return [
        (match[1].lower(), text[match.end() : end].strip().rstrip(",").strip())
        for match, end in zip(found, ends, strict=True)
    ]


def before_assignments(text: str) -> str:
    """What stands before the first ``name=`` of a line."""
    found = next((match for match in _ASSIGNMENT.finditer(text) if _outside(text, match.start())), None)
    return text[: found.start()].strip() if found else text.strip()


def _outside(text: str, place: int) -> bool:
    """Whether a place of a line is the start of a word, outside brackets and quotes."""
    before = text[:place]
    level = sum(before.count(mark) for mark in _OPEN) == sum(before.count(mark) for mark in _CLOSE)
    return level and before.count("'") % 2 == 0 and (place == 0 or before[-1] in " \t,")


def inner(text: str) -> str:
    """An expression without the braces or quotes around it."""
    stripped = text.strip()
    if len(stripped) >= 2 and (stripped[0], stripped[-1]) in (("{", "}"), ("'", "'")):
        return stripped[1:-1].strip()
    return stripped


def is_expression(text: str) -> bool:
    """Whether braces or quotes mark the text as an expression."""
    stripped = text.strip()
    return len(stripped) >= 2 and (stripped[0], stripped[-1]) in (("{", "}"), ("'", "'"))


def is_number(text: str) -> bool:
    """Whether the text is one number with its suffix (not whether the suffix makes sense)."""
    return _PLAIN_NUMBER.fullmatch(text.strip()) is not None or _MARK.fullmatch(text.strip()) is not None


def is_plain_value(text: str) -> bool:
    """Whether the text is one number or one expression, with nothing behind it."""
    bare = inner(text)
    return is_number(text) or (is_expression(text) and bool(bare) and not any(m in bare for m in "{}'"))


def for_engines(text: str) -> str:
    """A value as every engine reads it: a number, or an expression in braces."""
    return text if is_number(text) else "{" + re.sub(r"\s+", " ", inner(text)) + "}"


def is_value(text: str) -> bool:
    """Whether a word can be the value of a part: a number or a marked expression."""
    return is_expression(text) or is_number(text)


def names_used(expression: str) -> Iterator[str]:
    """Names of an expression in lower case; functions and the arguments of V() and I() left out."""
    for match in _NAME.finditer(_NODE_CALL.sub(" ", without_numbers(expression))):
        if not match[2]:
            yield match[1].lower()


def parameter_words(line: str) -> set[str]:
    """Words of a line, in lower case, that may name a parameter: those behind its first ``=`` and in braces
    or quotes. Nodes and models may be called alike."""
    plain = _NODE_CALL.sub(" ", line)
    texts = [plain.partition("=")[2], *_MARKED.findall(plain)]
    return {word.lower() for text in texts for word in _WHOLE_NAME.findall(text)}


def without_numbers(expression: str) -> str:
    """The expression with its numbers blanked out, so that suffixes are not taken for names."""
    return _NUMBER_WORD.sub("0", expression)


def replace_names(expression: str, given: Mapping[str, str]) -> str:
    """The expression with other text in the place of some names, given in lower case."""
    return _WHOLE_NAME.sub(lambda word: given.get(word[0].lower(), word[0]), expression)


def functions_used(expression: str) -> Iterator[str]:
    """Functions called by an expression in lower case, V() and I() left out."""
    for match in _NAME.finditer(_NODE_CALL.sub(" ", expression)):
        if match[2]:
            yield match[1].lower()


def nodes_used(expression: str) -> Iterator[str]:
    """Nodes inside V(...) of an expression, in lower case."""
    for match in re.finditer(r"(?<![\w.])v\s*\(([^()]*)\)", expression, re.IGNORECASE):
        yield from (word.lower() for word in split(match[1]))


def doubtful_number(text: str) -> str:
    """A sentence about a number whose letters mislead, or an empty text.

    ``2A`` is 2 on engine 39 and 2e-18 from 42 on; ``4K7`` is read as 4k, silently.
    """
    plain = _NODE_CALL.sub(" ", text)
    atto = _ATTO.search(plain)
    if atto:
        return f'"{atto[0]}": newer engines read "a" as atto (1e-18); write {atto[1]}'
    for word in split(plain.replace("{", " ").replace("}", " "), " \t,()*/+-'"):
        mark = re.fullmatch(r"(\d+)([a-z]{1,3})(\d+)[a-z]*", word, re.IGNORECASE)
        if mark and mark[2].lower() != "e":
            suffix = {"r": "", "m": "m", "meg": "meg"}.get(mark[2].lower(), mark[2].lower())
            return f'"{word}" is read as {mark[1]}{suffix} by the engine; write {mark[1]}.{mark[3]}{suffix}'
    return ""
