# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a netlist: what is drawn, with which values, and what of it goes to the engine.

    netlist = read_netlist(Path("kestrel.cir"))
    netlist.value("Rpull")                     # 3300.0
    netlist.value("Rupper", {"knob": 0.25})    # under another setting
    netlist.set_values({"knob": 0.25, "Vcontrol": 2.0})   # how the engine is told

Everything that may run, load or write is refused here, before the engine sees any text
(:mod:`harness.netlist.refusals`); what goes to the engine is made only of lines that were read and
understood.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from harness.findings import Finding, NetlistError, nearest
from harness.netlist import words
from harness.netlist.cards import Cards, Circuit, Model, read_cards
from harness.netlist.checks import check, is_behavioural
from harness.netlist.dialects import COMMERCIAL, Dialects, translate
from harness.netlist.elements import parse_part
from harness.netlist.excerpt import excerpt
from harness.netlist.lines import Line, Reading, read_lines
from harness.netlist.parts import Part
from harness.netlist.scopes import (
    FlatPart,
    Read,
    Scope,
    Values,
    engine_name,
    flat_parts,
    placed_parts,
    problem_at,
    scopes_of,
)
from harness.netlist.unneeded import without_unneeded
from harness.resources import netlists_folder

__all__ = ["Line", "Model", "Netlist", "Part", "Settings", "read_netlist", "rewritten"]

_SETTABLE = ("r", "c", "l", "v", "i")


@dataclass(frozen=True)
class Settings:
    """How the engine is told the values of a corner: parameters by appended lines, literal parts by
    ``alter``.

    ``alterations`` are pairs of the engine's device name (``r.xslice.rload``) and an SI value.
    """

    parameters: Mapping[str, float] = field(default_factory=dict)
    alterations: tuple[tuple[str, float], ...] = ()

    def parameter_lines(self) -> list[str]:
        """Lines to put behind the netlist; for the engine the last ``.param`` of a name counts."""
        return [f".param {name}={value!r}" for name, value in self.parameters.items()]


@dataclass(frozen=True)
class Netlist:
    """A netlist that was read and checked.

    ``path``, ``title``, ``sha256`` (of the file as it lies on disk), ``files`` (path, sha256 of every file
    read); ``parts`` of the top level by lower-case name; ``flat`` parts of all instances by full name
    (``xslice.rload``); ``nodes`` of the top level; ``options`` of the file (never passed on); ``notes`` about
    what was skipped.
    """

    path: Path
    title: str
    sha256: str
    files: tuple[tuple[Path, str], ...]
    options: Mapping[str, str]
    notes: tuple[Finding, ...]
    cards: Cards = field(repr=False)
    scopes: tuple[Scope, ...] = field(repr=False)
    flat: Mapping[str, FlatPart] = field(repr=False)

    @property
    def parts(self) -> Mapping[str, Part]:
        """Parts of the top level by lower-case name."""
        return self.cards.top.parts

    @property
    def subcircuits(self) -> Mapping[str, Circuit]:
        """Subcircuits of the top level by lower-case name."""
        return self.cards.top.subcircuits

    @property
    def models(self) -> Mapping[str, Model]:
        """Models of the top level by lower-case name."""
        return self.cards.top.models

    @cached_property
    def parameters(self) -> Mapping[str, str]:
        """Parameters of the top level by lower-case name: a number, or an expression in braces."""
        return {name: parameter.engine_text for name, parameter in self.cards.top.parameters.items()}

    @cached_property
    def nodes(self) -> frozenset[str]:
        """Nodes of the top level, lower case; ``gnd`` is ``0``."""
        return frozenset(name for part in self.parts.values() for name in part.nodes)

    @cached_property
    def placed(self) -> Mapping[str, FlatPart]:
        """Every part and every instance by full name (``rpull``, ``x1.q3``, ``x1.x2``), with its nodes as the
        engine names them."""
        return placed_parts(self.scopes, self.cards)

    @cached_property
    def all_nodes(self) -> frozenset[str]:
        """Nodes of the top level and of every instance as the engine names them, lower case: ``out``,
        ``x1.out``. A pin of an instance goes by the name of the node that it is connected to."""
        return frozenset(name for part in self.placed.values() for name in part.nodes)

    def node(self, name: str) -> str | None:
        """The engine's name of a node as a designer may call it, ``X1.out`` or the pin ``x1.minus``; None
        where there is no such node."""
        lowered = "0" if name.lower() == "gnd" else name.lower()
        if lowered in self.all_nodes:
            return lowered
        place, _, pin = lowered.rpartition(".")
        scope = next((scope for scope in self.scopes if scope.path == place and place), None)
        return scope.nodes.get(pin) if scope is not None else None

    def find(self, name: str) -> FlatPart:
        """A part or instance by its full name, ``Rpull`` or ``xslice.rload``. Raises NetlistError with the
        nearest valid name."""
        part = self.placed.get(name.lower())
        if part is None:
            raise NetlistError([Finding(self.path, f'there is no part "{name}"{self._hint(name)}')])
        return part

    def _hint(self, name: str) -> str:
        hint = nearest(name, [part.scope.name(part.part.name) for part in self.placed.values()])
        return hint if "did you mean" in hint or len(self.placed) <= 30 else ""

    def value(self, name: str, settings: Mapping[str, float] | None = None) -> float:
        """The value of R, C, L (Ohm, F, H) or the DC value of V, I (V, A) as drawn.

        ``settings``: values that stand in for what is drawn, by name of parameter or part. Multipliers ``m=``
        of the part and of the instances around it are counted in. Raises NetlistError for a part that is not
        there or has no single value.
        """
        found = self.find(name)
        part, known = found.part, _lowered(settings)
        if found.name in known and found.name not in self.parameters:
            return known[found.name]
        values = Values(known)
        if (
            part.letter not in _SETTABLE
            or is_behavioural(part)
            or ("q" in part.parameters and part.letter == "c")
        ):
            raise problem_at(part.line, "has no single value", part.name)
        if not part.value_text:
            if part.function is not None:
                kind = part.function[0].upper()
                raise problem_at(part.line, f"is a {kind} source without a DC value", part.name)
            if part.letter in ("v", "i"):
                return 0.0
            raise problem_at(part.line, "takes its value from a model and a geometry", part.name)
        value = values.evaluate(found.scope, part.value_text, part.line)
        if part.letter == "v":
            return value
        factor = values.multiplier(found.scope)
        if "m" in part.parameters:
            factor *= values.evaluate(found.scope, part.parameters["m"], part.line)
        return value * factor if part.letter in ("c", "i") else value / factor

    def source_function(
        self, name: str, settings: Mapping[str, float] | None = None
    ) -> tuple[str, tuple[float, ...]] | None:
        """``("pulse", (0.0, 5.0, ...))`` of a source, or None where it is plain."""
        found = self.find(name)
        part = found.part
        if part.letter not in ("v", "i") or part.function is None:
            return None
        values = Values(_lowered(settings))
        return part.function[0], tuple(
            values.evaluate(found.scope, text, part.line) for text in part.function[1]
        )

    def engine_name(self, name: str) -> str:
        """The engine's name of a part: ``rpull``, ``r.xslice.rload``."""
        found = self.find(name)
        return engine_name(found.scope, found.part.name.lower())

    def set_values(self, settings: Mapping[str, float]) -> Settings:
        """How to put values in, by name of parameter, source or part (``Rpull``, ``xslice.rload``).

        Raises NetlistError, all problems at once: an unknown name, a part whose value follows from a
        parameter (the message says which), a source with a function, a value that is no finite number.
        """
        parameters: dict[str, float] = {}
        alterations: list[tuple[str, float]] = []
        findings: list[Finding] = []
        for name, value in settings.items():
            key, number = name.lower(), float(value)
            if not math.isfinite(number):
                message = f"cannot be set to {number}; expected a finite number"
                findings.append(Finding(self.path, message, name))
            elif key in self.parameters:
                parameters[key] = number
                twin = self.flat.get(key)
                if twin is not None and key not in words.names_used(twin.part.value_text):
                    message = "is the name of a parameter and of a part; rename one of them"
                    findings.append(Finding(self.path, message, name))
            else:
                problem = self._not_settable(name, key, number)
                if problem is None:
                    alterations.append((self.engine_name(key), number))
                else:
                    findings.append(problem)
        if findings:
            raise NetlistError(findings)
        return Settings(parameters, tuple(alterations))

    def _not_settable(self, name: str, key: str, value: float) -> Finding | None:
        found = self.flat.get(key)
        if found is None:
            place, _, last = key.rpartition(".")
            scope = next((scope for scope in self.scopes if scope.path == place and place), None)
            if scope is not None and last in scope.circuit.defaults and scope.instance is not None:
                message = (
                    f"is a parameter of the instance {scope.instance.name}; write {scope.instance.name} ... "
                    f"{last}={{name}} in the netlist and set the parameter of that name"
                )
                return Finding(scope.instance.line.path, message, name, scope.instance.line.number)
            valid = [*self.parameters, *(part.scope.name(part.part.name) for part in self.flat.values())]
            return Finding(
                self.path, f"there is no parameter, source or part of this name{nearest(name, valid)}", name
            )
        part = found.part
        used = sorted(set(words.names_used(words.inner(part.value_text))))
        if part.letter not in _SETTABLE or is_behavioural(part) or "q" in part.parameters:
            message = "has no single value that could be set"
        elif part.function is not None:
            kind = part.function[0].upper()
            message = f"is a {kind} source; make its numbers parameters, {{name}}, and set those"
        elif used and words.is_expression(part.value_text):
            message = f"is drawn as {part.value_text}; set {' or '.join(used)} instead"
        elif not part.value_text and part.letter not in ("v", "i"):
            message = "takes its value from a model and a geometry; give it a value"
        elif "m" in part.parameters:
            message = "has a multiplier m=; draw the parts one by one"
        elif part.letter == "r" and value == 0.0:
            message = "cannot be 0 Ohm"
        else:
            return None
        return Finding(part.line.path, message, name, part.line.number)

    def deck(self) -> list[Line]:
        """What goes to the engine: includes put in, one logical line each, no title, comment, option or
        ``.end``."""
        return list(self.cards.top.lines)

    def subcircuit_text(self, name: str) -> str:
        """A subcircuit with all that it needs (others, models, parameters of the top level), to be run alone.

        Raises NetlistError for an unknown name.
        """
        self._require_subcircuit(name)
        return excerpt(self.cards.top, name.lower())

    def _require_subcircuit(self, name: str) -> None:
        if name.lower() not in self.subcircuits:
            hint = nearest(name, self.subcircuits)
            raise NetlistError([Finding(self.path, f'there is no subcircuit "{name}"{hint}')])


def _lowered(settings: Mapping[str, float] | None) -> Mapping[str, float]:
    if isinstance(settings, Read):  # names in lower case already
        return settings
    return {name.lower(): float(value) for name, value in (settings or {}).items()}


def read_netlist(
    path: Path | str,
    folders: Sequence[Path] = (),
    dialects: Dialects | None = None,
    wanted: Collection[str] = (),
) -> Netlist:
    """Read and check a netlist.

    Includes come from the netlist's own folder, ``folders``, and the parts that ship with the package;
    nowhere else. ``dialects``: which file is written in which notation, by default all in the engine's own.
    Subcircuits and models of included files that cannot be read are skipped, with a note, where nothing needs
    them and they are not ``wanted`` (names, lower case). Raises NetlistError with every other problem found,
    each with its file and line.
    """
    path, dialects = Path(path), dialects or Dialects()
    roots = [path.parent, *folders, netlists_folder()]
    reading = read_lines(path, roots, lambda file: dialects.of(file) == COMMERCIAL)
    while True:
        try:
            return _netlist(path, reading, dialects)
        except NetlistError as error:
            own, *_ = [file for file, _ in reading.files] or [path]
            less = without_unneeded(reading, error.findings, wanted, own)
            if less is None:
                raise
            reading = less


def _netlist(path: Path, as_read: Reading, dialects: Dialects) -> Netlist:
    reading = replace(as_read, notes=[*as_read.notes], findings=[*as_read.findings])
    translate(reading, dialects)
    cards = read_cards(reading)
    findings = [*reading.findings, *cards.findings]
    scopes: list[Scope] = []
    parts: Mapping[str, FlatPart] = {}
    try:
        scopes = scopes_of(cards)
        parts = flat_parts(scopes, cards)
    except NetlistError as error:
        findings += error.findings
    if reading.files and not reading.findings:
        findings += _title_findings(reading, cards)
    if not findings:
        findings += check(cards, scopes, parts, Values({}))
    if findings:
        raise NetlistError(_ordered([*findings, *reading.absent], path))
    unread = [
        replace(each, message=f"{each.message}; skipped, for nothing here needs it")
        for each in reading.absent
    ]
    return Netlist(
        path=path,
        title=reading.title,
        sha256=reading.files[0][1],
        files=tuple(reading.files),
        options=cards.options,
        notes=tuple(_ordered([*reading.notes, *unread, *cards.notes], path)),
        cards=cards,
        scopes=tuple(scopes),
        flat=parts,
    )


def rewritten(netlist: Netlist, lines: Sequence[str]) -> Netlist:
    """A netlist with other lines for the engine; path, hash, files and notes stay those of the one given."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / netlist.path.name
        path.write_text("\n".join([f"* {netlist.title}", *lines, ".end", ""]), encoding="utf-8")
        return replace(
            read_netlist(path), path=netlist.path, sha256=netlist.sha256, files=netlist.files,
            notes=netlist.notes,
        )  # fmt: skip


def _ordered(findings: Sequence[Finding], main: Path) -> list[Finding]:
    """Each finding once, the netlist's own lines first, then file by file."""
    own = (main, Path(os.path.realpath(main)))
    unique = dict.fromkeys(findings)
    return sorted(unique, key=lambda each: (each.path not in own, str(each.path), each.line or 0))


def _title_findings(reading: Reading, cards: Cards) -> list[Finding]:
    """The first line is the title, always; a first line that is an element was meant otherwise."""
    main = reading.files[0][0]
    found: list[Finding] = []
    first = reading.first
    if first is not None and _looks_like_netlist(first, cards):
        message = f'"{first.text}": the first line of a netlist is its title; put a title line above it'
        found.append(Finding(first.path, message, line=1))
    if not cards.top.parts and not cards.findings:
        found.append(Finding(main, "holds no parts"))
    return found


def _looks_like_netlist(first: Line, cards: Cards) -> bool:
    if first.text.startswith("."):
        return first.keyword != ".title"
    try:
        part = parse_part(first, cards.top.visible())
    except ValueError:
        return False
    nodes = {name for other in cards.top.parts.values() for name in other.nodes} | {"0"}
    return bool(nodes & set(part.nodes)) or any(character.isdigit() for character in part.name)
