# SPDX-License-Identifier: GPL-3.0-or-later
"""Mistakes as designers make them, planted in copies of a board's files: one a copy.

Each is a change of text in the netlist, in the board file, or in a model that the netlist includes.
"""

from __future__ import annotations

import itertools
import random
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.board import load_board
from harness.resources import netlists_folder
from harness.units import parse_spice

NODES = {"r": 2, "c": 2, "v": 2, "i": 2, "q": 3, "m": 4, "x": 5}
MODEL = "parts/comparator_393.inc"


@dataclass(frozen=True)
class Mistake:
    """``where``: netlist, intent, formula or model; ``kind``: what sort of slip; ``files``: file name -> text
    of those that differ from the untouched board; ``part``: whose value is wrong, if it is a value."""

    where: str
    kind: str
    name: str
    files: Mapping[str, str]
    part: str = ""


@dataclass(frozen=True)
class Element:
    """One element line of a netlist: its position in the text's lines, its words, and how many are nodes."""

    line: int
    words: tuple[str, ...]
    count: int

    @property
    def name(self) -> str:
        return self.words[0]

    @property
    def nodes(self) -> tuple[str, ...]:
        return self.words[1 : 1 + self.count]

    @property
    def rest(self) -> str:
        return " ".join(self.words[1 + self.count :])

    def with_nodes(self, nodes: tuple[str, ...]) -> str:
        return " ".join((self.name, *nodes, self.rest))

    def with_value(self, value: str) -> str:
        return " ".join((self.name, *self.nodes, value))


class Drawing:
    """The text of a netlist, to be changed line by line."""

    def __init__(self, text: str) -> None:
        self.lines = text.splitlines()
        self.elements = [
            Element(k, tuple(line.split()), NODES[line[0].lower()])
            for k, line in enumerate(self.lines)
            if line and line[0].lower() in NODES
        ]

    def changed(self, lines: Mapping[int, str]) -> str:
        return "\n".join(lines.get(k, line) for k, line in enumerate(self.lines)) + "\n"

    def circuit(self, nodes: Mapping[str, tuple[str, ...]] | None = None) -> frozenset[tuple[object, ...]]:
        """What is connected to what; the two ends of a resistor or capacitor count the same."""
        found = set()
        for element in self.elements:
            ends = (nodes or {}).get(element.name, element.nodes)
            found.add((element.name, tuple(sorted(ends)) if element.name[0] in "RC" else ends))
        return frozenset(found)


def digits_swapped(value: str) -> str | None:
    """The first two digits exchanged; None where that is the same number, or there is no second digit."""
    found = re.match(r"(\d)(\.?)(\d)(.*)$", value, re.DOTALL)
    if found is None or found[1] == found[3]:
        return None
    return found[3] + found[2] + found[1] + found[4]


def scaled(value: str, factor: float) -> str:
    """A netlist value times a factor: a number, or an expression in braces."""
    if value.startswith("{"):
        return f"{{{factor}*({value[1:-1]})}}"
    return repr(factor * parse_spice(value))


class Planter:
    """All mistakes for one demo board, in the order in which they are counted."""

    def __init__(self, name: str) -> None:
        folder = netlists_folder() / "boards" / "kestrel"
        self.board_file, self.netlist_file = f"{name}.board.toml", f"{name}.cir"
        self.board_text = (folder / self.board_file).read_text()
        self.netlist_text = (folder / self.netlist_file).read_text()
        self.model_text = (netlists_folder() / MODEL).read_text()
        self.drawing = Drawing(self.netlist_text)
        self.board = load_board(folder / self.board_file)

    def copy(self, folder: Path, mistake: Mistake | None = None) -> Path:
        """The board's files in a folder, one of them with a mistake. Gives the board file."""
        files = {self.board_file: self.board_text, self.netlist_file: self.netlist_text}
        for name, text in {**files, **(mistake.files if mistake else {})}.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_text(text)
        return folder / self.board_file

    # --- netlist

    def _drawn(self, kind: str, name: str, lines: Mapping[int, str], part: str = "") -> Mistake:
        return Mistake("netlist", kind, name, {self.netlist_file: self.drawing.changed(lines)}, part)

    def values(self) -> Iterator[Mistake]:
        """Every resistor by +-10 % and by a digit swap, every capacitor times ten, the rail off."""
        for element in self.drawing.elements:
            wrong: dict[str, str | None] = {}
            if element.name[0] == "R":
                wrong = {"+10 %": scaled(element.rest, 1.1), "-10 %": scaled(element.rest, 0.9)}
                wrong["digits swapped"] = digits_swapped(element.rest)
            elif element.name[0] == "C":
                wrong = {"times ten": scaled(element.rest, 10.0)}
            elif element.name == "Vrail":
                wrong = {"of 5 V": "5", "of 9 V": "9", "of 80 V": "80"}
            for what, value in wrong.items():
                if value is not None:
                    line = {element.line: element.with_value(value)}
                    yield self._drawn("value", f"{element.name} {what}", line, element.name)

    def references(self) -> Iterator[Mistake]:
        """Parts hung on another rail than meant; the stimulus or the knob with a wrong number."""
        for element in self.drawing.elements:
            if element.name[0] not in "RX":
                continue
            for one, other in (("rail", "vcc"), ("vcc", "rail"), ("rail", "control"), ("0", "rail")):
                if one in element.nodes and (element.name[0] == "R" or one != "0"):
                    nodes = tuple(other if node == one else node for node in element.nodes)
                    line = {element.line: element.with_nodes(nodes)}
                    yield self._drawn("reference", f"{element.name}: {other} instead of {one}", line)
        for k, line in enumerate(self.drawing.lines):
            for name, value in re.findall(r"(\w+)=(\S+)", line) if line.startswith(".param") else ():
                changes = {"+10 %": scaled(value, 1.1), "digits swapped": digits_swapped(value)}
                if name == "knob":
                    continue  # on the tone box an axis sets it
                for what, wrong in changes.items():
                    if wrong is not None:
                        text = line.replace(f"{name}={value}", f"{name}={wrong}")
                        yield self._drawn("parameter", f"{name} {what}", {k: text})

    def polarities(self) -> Iterator[Mistake]:
        """Every source the wrong way round."""
        for element in self.drawing.elements:
            if element.name[0] in "VI":
                line = {element.line: element.with_nodes(element.nodes[::-1])}
                yield self._drawn("polarity", f"{element.name} turned round", line)

    def connections(self, seed: int, ends: int, places: int, pins: int) -> Iterator[Mistake]:
        """Connections exchanged: single ends of two parts, places of two parts, pins of one active part, as
        many random ones as asked for. What leaves the circuit as it was is left out."""
        chance = random.Random(seed)
        known = {self.drawing.circuit()}
        inner, whole, single = [], [], []
        for one in self.drawing.elements:
            if one.name[0] in "XQM":
                for a, b in itertools.combinations(range(one.count), 2):
                    inner.append({one: _exchanged(one.nodes, one.nodes, a, b, same=True)[0]})
        for one, other in itertools.combinations(self.drawing.elements, 2):
            if one.count == other.count == 2:
                whole.append({one: other.nodes, other: one.nodes})
            for a, b in itertools.product(range(one.count), range(other.count)):
                first, second = _exchanged(one.nodes, other.nodes, a, b)
                single.append({one: first, other: second})
        for kind, found, most in (
            ("pins exchanged", inner, pins),
            ("places exchanged", whole, places),
            ("ends exchanged", single, ends),
        ):
            fresh = []
            for change in found:
                circuit = self.drawing.circuit({e.name: nodes for e, nodes in change.items()})
                if circuit not in known:
                    known.add(circuit)
                    fresh.append(change)
            for change in chance.sample(fresh, min(most, len(fresh))):
                words = "; ".join(f"{e.name} at {' '.join(nodes)}" for e, nodes in change.items())
                yield self._drawn(kind, words, {e.line: e.with_nodes(nodes) for e, nodes in change.items()})

    # --- board file

    def _entries(self, table: str) -> Iterator[tuple[str, str, str]]:
        """(line, key, value text) of the one-line entries of a table of the board file."""
        body = self.board_text.split(f"[{table}]\n")[1].split("\n[")[0]
        for line in body.splitlines():
            found = re.match(r'(\w+) = "?([^"#]*?)"?\s*(#.*)?$', line)
            if found:
                yield line, found[1], found[2]

    def _written(
        self, table: str, where: str, kind: str, name: str, line: str, new: str, part: str = ""
    ) -> Mistake:
        """A line of a table of the board file put in other words."""
        start = self.board_text.index(f"\n[{table}]\n")
        place = self.board_text.index(f"\n{line}\n", start) + 1
        text = self.board_text[:place] + new + self.board_text[place + len(line) :]
        return Mistake(where, kind, name, {self.board_file: text}, part)

    def intent(self) -> Iterator[Mistake]:
        """Every intended value by +-10 % and by a digit swap, every given constant and literal figure too."""
        for line, key, text in self._entries("intended"):
            value, _, tolerance = text.partition(" ")
            plain = self.board.intended[key].value
            changes = {"+10 %": f"{1.1 * plain:.9g}", "-10 %": f"{0.9 * plain:.9g}"}
            changes |= {"digits swapped": digits_swapped(value) or ""}
            for what, wrong in changes.items():
                if wrong:
                    new = f'{key} = "{wrong} {tolerance if "Ohm" not in tolerance else "1%"}"'
                    yield self._written("intended", "intent", "value", f"{key} {what}", line, new, key)
        for line, key, text in self._entries("given"):
            value, _, unit = text.partition(" ")
            if key == "one_degree":
                continue  # only a unit
            for what, wrong in (("+10 %", repr(1.1 * float(value))), ("swapped", digits_swapped(value))):
                if wrong:
                    new = f'{key} = "{wrong} {unit}"' if unit else f"{key} = {wrong}"
                    yield self._written("given", "formula", "constant", f"{key} {what}", line, new)

    def expectations(self) -> Iterator[Mistake]:
        """Every literal figure with two digits exchanged."""
        body = self.board_text.split("[expected]\n")[1].split("\n[")[0]
        for line in body.splitlines():
            found = re.search(r"value = ([\d.]+)", line)
            if found is None:
                continue
            whole, _, digits = found[1].partition(".")
            swapped = f"{whole}.{digits[1:2]}{digits[:1]}{digits[2:]}"
            wrong = swapped if len(digits) > 1 else f"{digits}.{whole}"
            if float(wrong) != float(found[1]):
                new = line.replace(found[1], wrong)
                yield self._written("expected", "intent", "expected", f"{line.strip()} -> {wrong}", line, new)

    def formulas(self) -> Iterator[Mistake]:
        """Every formula with a factor, a term or a resistor left out, a wrong sign, a wrong part, a nominal
        value where an axis belongs, a product for a quotient, the smaller for the larger."""
        resistors = [name for name in self.board.intended if name[0] == "R"]
        for line, key, text in self._entries("hand"):
            for what, wrong in dict.fromkeys(_wrong_formulas(text, resistors, self._nominal())):
                yield self._written("hand", "formula", what, f"{key} = {wrong}", line, f'{key} = "{wrong}"')

    def _nominal(self) -> dict[str, str]:
        units = {"V": " V", "A": " A", "degC": " degC", "": ""}
        return {axis.name: f"{axis.nominal:.9g}{units[axis.unit]}" for axis in self.board.axes.values()}

    # --- model

    def models(self) -> Iterator[Mistake]:
        """The comparator's pins in every other order that one exchange makes; its figures far off."""
        head = ".subckt comparator_393 plus minus supply ground output"
        assert self.model_text.count(head) == 1
        pins = head.split()[2:]
        for a, b in itertools.combinations(range(len(pins)), 2):
            order = list(pins)
            order[a], order[b] = order[b], order[a]
            wrong = self.model_text.replace(head, " ".join([*head.split()[:2], *order]))
            yield Mistake("model", "pin order", f"{pins[a]} and {pins[b]} exchanged", {MODEL: wrong})
        for parameter, value in (
            ("offset", "0.3"), ("bias", "25u"), ("saturation", "-9"), ("drive", "0.05"), ("leakage", "500u"),
            ("delay", "20"),
        ):  # fmt: skip
            wrong = re.sub(rf"(\+ params:.*\b{parameter}=)\S+", rf"\g<1>{value}", self.model_text, count=1)
            assert wrong != self.model_text
            yield Mistake("model", "wrong figure", f"{parameter}={value}", {MODEL: wrong})

    # --- no mistakes

    def neutral(self) -> Iterator[Mistake]:
        """Edits that change nothing: other names of inner nodes, other order of lines, remarks, other
        spellings of the same values, other spacing."""
        inner = {"knobtop": "n17", "wiper": "tap", "knobfoot": "low_end"}
        renamed = self.netlist_text
        for old, new in inner.items():
            renamed = re.sub(rf"\b{old}\b", new, renamed)
        head, *lines = self.drawing.lines[:-1]
        movable = [e.line for e in self.drawing.elements]
        turned = dict(zip(movable, [self.drawing.lines[k] for k in reversed(movable)], strict=True))
        spelt = self.netlist_text.replace(" 3.3k", " 3300").replace(" 68k", " 0.068meg").replace("1n", "1e-9")
        spelt = spelt.replace(" 150k", " 150e3").replace(" 6.2k", " 6200ohm").replace(" 1meg", " 1000k")
        remarks = "\n".join(
            [head, "* a remark", *(line + " ; said" if line[:1] == "R" else line for line in lines)]
        )
        intent = self.board_text.replace('"3.3k 1%"', '"3K3 1%"').replace('"68k 1%"', '"0.068 MOhm 1 %"')
        for name, file, text in (
            ("inner nodes renamed", self.netlist_file, renamed),
            ("lines in another order", self.netlist_file, self.drawing.changed(turned)),
            ("values spelt otherwise", self.netlist_file, spelt),
            ("remarks added", self.netlist_file, f"{remarks}\n.end\n"),
            ("letters in upper case", self.netlist_file, re.sub(r"(?m)^R\w+ .*$", _upper, self.netlist_text)),
            ("intended values spelt otherwise", self.board_file, intent),
        ):  # fmt: skip
            assert text not in (self.netlist_text, self.board_text), name
            yield Mistake("nowhere", "neutral", name, {file: text})


def _upper(found: re.Match[str]) -> str:
    return found[0].upper()


def _exchanged(
    one: tuple[str, ...], other: tuple[str, ...], a: int, b: int, same: bool = False
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Node ``a`` of one part exchanged with node ``b`` of another, or of the same part."""
    first = list(one)
    second = first if same else list(other)
    first[a], second[b] = second[b], first[a]
    return tuple(first), tuple(second)


def _wrong_formulas(text: str, resistors: list[str], nominal: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """(kind, formula) of every way in which a formula is made wrong here."""
    yield "wrong factor", f"1.2 * ({text})"
    for place in re.finditer(r" [+-] ", text):
        end = _end_of_term(text, place.end())
        yield "term left out", text[: place.start()] + text[end:]
        sign = " - " if place[0] == " + " else " + "
        yield "wrong sign", text[: place.start()] + sign + text[place.end() :]
    for place in re.finditer(r", (R\w+)(?=[,)])", text):
        yield "resistor left out", text[: place.start()] + text[place.end() :]
    for place in re.finditer(r"\bR\w+", text):
        other = resistors[(resistors.index(place[0]) + 1) % len(resistors)] if place[0] in resistors else ""
        if other:
            yield "wrong part", text[: place.start()] + other + text[place.end() :]
    for axis, value in nominal.items():
        if re.search(rf"\b{axis}\b", text):
            yield "nominal value", re.sub(rf"\b{axis}\b", value, text)
    for place in re.finditer(r" [*/] ", text):
        other = " / " if place[0] == " * " else " * "
        yield "product for quotient", text[: place.start()] + other + text[place.end() :]
    for place in re.finditer(r"\b(min|max)\(", text):
        other = "max(" if place[1] == "min" else "min("
        yield "smaller for larger", text[: place.start()] + other + text[place.end() :]


def _end_of_term(text: str, start: int) -> int:
    """Where a term that begins at ``start`` ends: at the next sum, comma or closing bracket of its depth."""
    depth = 0
    for k in range(start, len(text)):
        depth += (text[k] == "(") - (text[k] == ")")
        if depth < 0 or (depth == 0 and (text[k] == "," or text[k : k + 3] in (" + ", " - "))):
            return k
    return len(text)
