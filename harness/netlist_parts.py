# SPDX-License-Identifier: GPL-3.0-or-later
"""One element line of a netlist into a part: its nodes, value, model and parameters.

Every function here looks at one line and at the names of models and subcircuits that the line can see. Problems are
ValueErrors with one sentence; the caller adds file and line.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from harness import netlist_words as words
from harness.findings import nearest
from harness.netlist_lines import Line


@dataclass(frozen=True)
class Part:
    """One element as drawn. ``name`` keeps the designer's spelling; letter, nodes and model are lower case.

    ``value_text`` is the resistance, capacitance, inductance, DC value, gain or expression as written ("" where the
    part has none). ``function`` is a source's (kind, arguments), ``controls`` names sources or inductors it refers to.
    """

    name: str
    letter: str
    nodes: tuple[str, ...]
    value_text: str
    model: str
    parameters: Mapping[str, str]
    line: Line
    function: tuple[str, tuple[str, ...]] | None = None
    controls: tuple[str, ...] = ()

    def texts(self) -> list[str]:
        """Every text of the part that may hold a number or an expression."""
        arguments = list(self.function[1]) if self.function else []
        return [text for text in (self.value_text, *self.parameters.values(), *arguments) if text]


@dataclass(frozen=True)
class Visible:
    """Names that an element line can refer to: model -> type, subcircuit -> number of nodes."""

    models: Mapping[str, str]
    subcircuits: Mapping[str, int]


@dataclass
class _Words:
    """The words of an element line, name and pairs taken off."""

    line: Line
    name: str
    plain: list[str]
    pairs: dict[str, str] = field(default_factory=dict)


VALUE_NAMES = {
    "r": ("Ohm", "r", "resistance"), "c": ("F", "c", "capacitance"), "l": ("H", "l", "inductance"),
}  # fmt: skip
_SOURCES = ("pulse", "sin", "exp", "pwl", "sffm", "am", "trnoise", "trrandom")
_FUNCTION = re.compile(rf"({'|'.join(_SOURCES)})(?![\w.])\s*(\(.*\))?(.*)", re.IGNORECASE | re.DOTALL)
_LEAST_ARGUMENTS = {"pulse": 2, "sin": 2, "exp": 2, "pwl": 4, "sffm": 2, "am": 2, "trnoise": 2, "trrandom": 2}
MODEL_TYPES = {
    "r": ("r", "res"), "c": ("c",), "l": ("l",), "d": ("d",), "q": ("npn", "pnp"), "j": ("njf", "pjf"),
    "m": ("nmos", "pmos", "vdmos", "vdmosn", "vdmosp"), "z": ("nmf", "pmf"), "s": ("sw",), "w": ("csw",),
    "o": ("ltra",), "u": ("urc",),
}  # fmt: skip
CODE_MODELS = frozenset(
    ["gain", "summer", "mult", "divide", "limit", "limiter", "climit", "ilimit", "pwl", "hyst", "aswitch", "pswitch", "cmeter", "lmeter", "sine", "triangle", "square", "oneshot", "slew", "core", "lcouple", "int", "d_dt", "s_xfer", "multi_input_pwl", "zener", "sidiode", "potentiometer", "memristor", "delay", "adc_bridge", "dac_bridge", "bidi_bridge", "d_osc", "d_buffer", "d_inverter", "d_and", "d_nand", "d_or", "d_nor", "d_xor", "d_xnor", "d_tristate", "d_pullup", "d_pulldown", "d_open_c", "d_open_e", "d_dff", "d_jkff", "d_tff", "d_srff", "d_dlatch", "d_srlatch", "d_fdiv"]
)
_OPTIONS_OF_DEVICES = ("off", "on", "thermal")


def node(name: str) -> str:
    """A node as the engine sees it: lower case, ``gnd`` is ``0``."""
    lowered = name.lower()
    return "0" if lowered == "gnd" else lowered


def parse_part(line: Line, visible: Visible) -> Part:
    """The part of an element line. Raises ValueError with a sentence."""
    open_bracket = words.unbalanced(line.text)
    if open_bracket:
        raise ValueError(f'"{open_bracket}" is not closed, or closes nothing')
    name, letter = line.text.split(None, 1)[0], line.text[0].lower()
    reader = _READERS.get(letter)
    if reader is None or not re.fullmatch(r"[^\W\d_][^\s(){}\[\]=,'\"]*", name):
        known = " ".join(sorted(key.upper() for key in _READERS))
        raise ValueError(f'"{name}" begins no element that is read here (letters: {known})')
    if len(name) < 2:
        raise ValueError(f'an element wants a name behind its letter: "{name}1", not "{name}"')
    rest = line.text[len(name) :].strip()
    if letter in "be" or letter in "g":
        rest = re.sub(r"(?<=[\w)])\s*\{", " {", rest) if letter != "b" else rest
    found = _Words(line, name, [])
    if letter != "b":
        for word in words.split(words.tidy(rest)):
            pair = words.pair(word)
            if pair:
                found.pairs[pair[0]] = pair[1]
            else:
                found.plain += _opened(word)
    return reader(found, visible)


def _opened(word: str) -> list[str]:
    """``(a,b)`` around nodes is only decoration."""
    return words.split(word[1:-1]) if word.startswith("(") and word.endswith(")") else [word]


def _nodes(found: _Words, count: int, then: str) -> tuple[str, ...]:
    if len(found.plain) < count + (1 if then else 0):
        wanted = f"{count} nodes and {then}" if then else f"{count} nodes"
        got = " ".join(found.plain) or "nothing"
        raise ValueError(f'{found.name} wants {wanted}, got "{got}"')
    nodes = tuple(node(word) for word in found.plain[:count])
    for name in nodes:
        if any(character in name for character in "{}='()[]"):
            raise ValueError(f'{found.name} wants {count} nodes, but "{name}" is no name of a node')
    return nodes


def _part(found: _Words, nodes: tuple[str, ...], value: str = "", model: str = "", **more: object) -> Part:
    return Part(
        found.name,
        found.name[0].lower(),
        nodes,
        value,
        model.lower(),
        dict(found.pairs),
        found.line,
        **more,  # type: ignore[arg-type]
    )


def _passive(found: _Words, visible: Visible) -> Part:
    letter = found.name[0].lower()
    _, *names = VALUE_NAMES[letter]
    named = next((key for key in names if key in found.pairs), None)
    if letter == "c" and "q" in found.pairs:
        named = "q"
    model = next(
        (word.lower() for word in found.plain[2:] if visible.models.get(word.lower()) in MODEL_TYPES[letter]),
        "",
    )
    nodes = _nodes(found, 2, "" if named or (model and len(found.plain) > 2) else "a value")
    value = found.pairs.pop(named) if named and named != "q" else ""
    rest = [word for word in found.plain[2:] if word.lower() != model]
    if rest and named:
        raise ValueError(f'{found.name} has a value twice: "{rest[0]}" and {named}=')
    if not rest and not named and not ({"l", "w"} & set(found.pairs) and model):
        raise ValueError(f"{found.name} has no value")
    if rest:
        value = rest[0]
        if not words.is_value(value):
            raise ValueError(f'{found.name}: "{value}" is no value; write a number, or an expression in braces'
                             f", {{{value}}}" + _model_hint(value, letter, visible))  # fmt: skip
    if len(rest) > 1:
        raise ValueError(f'{found.name}: do not know what to do with "{" ".join(rest[1:])}" behind the value')
    return _part(found, nodes, value, model)


def _model_hint(word: str, letter: str, visible: Visible) -> str:
    hint = nearest(word, [name for name, kind in visible.models.items() if kind in MODEL_TYPES[letter]])
    return hint if "did you mean" in hint else ""


def _source(found: _Words, visible: Visible) -> Part:
    nodes = _nodes(found, 2, "")
    rest = found.plain[2:]
    value, function = found.pairs.pop("dc", ""), None
    index = 0
    while index < len(rest):
        word = rest[index]
        match = _FUNCTION.fullmatch(word)
        if word.lower() == "dc" or (words.is_value(word) and not value):
            index += word.lower() == "dc"
            if index >= len(rest) or not words.is_value(rest[index]):
                raise ValueError(f'{found.name}: "DC" wants a value behind it')
            value = rest[index]
        elif word.lower() == "ac":
            while index + 1 < len(rest) and words.is_value(rest[index + 1]):
                index += 1
        elif match:
            inside = match[2][1:-1] if match[2] else ""
            arguments = words.split(
                inside.replace("(", " ").replace(")", " ") if match[1].lower() == "pwl" else inside
            )
            while not match[2] and index + 1 < len(rest) and words.is_value(rest[index + 1]):
                index += 1
                arguments.append(rest[index])
            function = (match[1].lower(), tuple(arguments))
        else:
            raise ValueError(
                f'{found.name}: do not know what to do with "{word}"; expected a value, DC, AC or one of '
                f"{', '.join(kind.upper() for kind in _SOURCES)}" + (
                    f"; a parameter wants braces, {{{word}}}" if re.fullmatch(r"[^\W\d]\w*", word) else "")
            )  # fmt: skip
        index += 1
    if function and len(function[1]) < _LEAST_ARGUMENTS[function[0]]:
        raise ValueError(
            f"{found.name}: {function[0].upper()} wants at least {_LEAST_ARGUMENTS[function[0]]} numbers"
        )
    if function:
        bad = next((word for word in function[1] if not words.is_value(word)), None)
        if bad is not None:
            raise ValueError(f'{found.name}: "{bad}" is no number; a parameter wants braces')
    return _part(found, nodes, value, function=function)


def _transfer(found: _Words, visible: Visible) -> Part:
    """E and G: a gain, a polynomial, a table or an expression."""
    letter = found.name[0].lower()
    nodes = _nodes(found, 2, "")
    for key in ("value", "vol", "cur"):
        if key in found.pairs:
            return _part(found, nodes, found.pairs.pop(key), function=("expression", ()))
    rest = found.plain[2:]
    kind = rest[0].lower() if rest else ""
    polynomial = re.match(r"poly(?:\((\d+)\))?$", kind)
    if kind in ("value", "vol", "cur") and len(rest) == 2:
        return _part(found, nodes, rest[1], function=("expression", ()))
    if kind == "table" or kind.startswith("table"):
        return _part(found, nodes, " ".join(rest[1:]), function=("table", ()))
    if polynomial:
        order = int(polynomial[1] or (rest[1] if len(rest) > 1 and rest[1].isdigit() else "1"))
        tail = rest[1:] if polynomial[1] else rest[2:]
        if len(tail) <= 2 * order:
            raise ValueError(
                f"{found.name}: POLY({order}) wants {2 * order} controlling nodes and coefficients"
            )
        controlled = tuple(node(word) for word in tail[: 2 * order])
        return _part(found, nodes + controlled, "", function=("poly", tuple(tail[2 * order :])))
    if len(rest) < 3 or not words.is_value(rest[2]):
        what = "gain" if letter == "e" else "transconductance"
        raise ValueError(
            f'{found.name} wants four nodes and a {what}, or value={{...}}, got "{" ".join(found.plain)}"'
        )
    nodes = _nodes(found, 4, "a gain")
    return _part(found, nodes, rest[2])


def _current_controlled(found: _Words, visible: Visible) -> Part:
    nodes = _nodes(found, 2, "a controlling source and a gain")
    rest = found.plain[2:]
    polynomial = re.match(r"poly\((\d+)\)$", rest[0].lower())
    if polynomial:
        order = int(polynomial[1])
        controls = tuple(word.lower() for word in rest[1 : 1 + order])
        return _part(found, nodes, "", function=("poly", tuple(rest[1 + order :])), controls=controls)
    if len(rest) != 2 or not words.is_value(rest[1]):
        raise ValueError(
            f'{found.name} wants two nodes, a controlling source and a gain, got "{" ".join(found.plain)}"'
        )
    return _part(found, nodes, rest[1], controls=(rest[0].lower(),))


def _behaviour(found: _Words, visible: Visible) -> Part:
    text = found.line.text[len(found.name) :].strip()
    match = re.match(r"(.*?)(?<![\w.])([vi])\s*=(?!=)\s*(.*)$", text, re.IGNORECASE | re.DOTALL)
    if match is None or not match[3].strip():
        raise ValueError(f"{found.name} wants two nodes and V=... or I=...")
    found.plain = [word for piece in words.split(match[1]) for word in _opened(piece)]
    nodes = _nodes(found, 2, "")
    expression = re.split(r"\s+(?=(?:tc1|tc2|temp|dtemp)\s*=)", match[3], maxsplit=1, flags=re.IGNORECASE)[0]
    return _part(found, nodes, expression.strip(), function=("expression", (match[2].lower(),)))


def _coupling(found: _Words, visible: Visible) -> Part:
    if len(found.plain) < 3 or not words.is_value(found.plain[-1]):
        raise ValueError(f"{found.name} wants the names of two inductors and a coupling")
    return _part(found, (), found.plain[-1], controls=tuple(word.lower() for word in found.plain[:-1]))


def _device(counts: tuple[int, ...]) -> Callable[[_Words, Visible], Part]:
    """Reader of a device with a model behind one of several numbers of nodes."""

    def read(found: _Words, visible: Visible) -> Part:
        letter = found.name[0].lower()
        kinds = MODEL_TYPES[letter]
        low = [word.lower() for word in found.plain]
        place = next((n for n in counts if n < len(low) and visible.models.get(low[n]) in kinds), None)
        if place is None:
            if len(low) <= counts[0]:
                raise ValueError(
                    f'{found.name} wants {counts[0]} nodes and a model, got "{" ".join(found.plain)}"'
                )
            last = [
                n
                for n in counts
                if n < len(low) and not words.is_value(low[n]) and low[n] not in _OPTIONS_OF_DEVICES
            ]
            name = found.plain[last[-1] if last else counts[0]]
            other = visible.models.get(name.lower())
            if other is not None:
                raise ValueError(
                    f'{found.name}: the model "{name}" is of type {other}, expected {" or ".join(kinds)}'
                )
            fitting = [model for model, kind in visible.models.items() if kind in kinds]
            raise ValueError(f'{found.name}: there is no model "{name}"' + (nearest(name, fitting) or "; no .model "
                             f"of type {' or '.join(kinds)} is in sight"))  # fmt: skip
        nodes = _nodes(found, place, "a model")
        for word in found.plain[place + 1 :]:
            if word.lower() not in _OPTIONS_OF_DEVICES and not words.is_value(word):
                raise ValueError(f'{found.name}: do not know what to do with "{word}" behind the model')
        area = next((word for word in found.plain[place + 1 :] if words.is_value(word)), "")
        return _part(found, nodes, area, low[place])

    return read


def _current_switch(found: _Words, visible: Visible) -> Part:
    if len(found.plain) < 4:
        raise ValueError(f"{found.name} wants two nodes, a controlling source and a model")
    control = found.plain.pop(2).lower()
    part = _device((2,))(found, visible)
    return Part(part.name, "w", part.nodes, "", part.model, part.parameters, part.line, None, (control,))


def _line(found: _Words, visible: Visible) -> Part:
    return _part(found, _nodes(found, 4, ""))


def _code_model(found: _Words, visible: Visible) -> Part:
    flat = re.sub(r"%\w+|[\[\]()~]", " ", found.line.text[len(found.name) :])
    low = [word.lower() for word in flat.split() if word.lower() != "null"]
    if len(low) < 2:
        raise ValueError(f"{found.name} wants nodes and a model")
    if visible.models.get(low[-1]) not in CODE_MODELS:
        raise ValueError(f'{found.name}: there is no model "{low[-1]}"' + nearest(low[-1], visible.models))
    return _part(found, tuple(node(word) for word in low[:-1]), "", low[-1])


def _instance(found: _Words, visible: Visible) -> Part:
    plain = [word for word in found.plain if word.lower() not in ("params:", "params")]
    if len(plain) < 2:
        raise ValueError(f"{found.name} wants nodes and the name of a subcircuit")
    name = plain[-1]
    count = visible.subcircuits.get(name.lower())
    if count is None:
        misplaced = next((word for word in plain[:-1] if word.lower() in visible.subcircuits), None)
        if misplaced:
            raise ValueError(
                f'{found.name}: "{name}" stands behind the subcircuit {misplaced}; parameters want name=value'
            )
        raise ValueError(f'{found.name}: there is no subcircuit "{name}"' + (
            nearest(name, visible.subcircuits) or "; no .subckt is in sight, an .include may be missing"))  # fmt: skip
    if len(plain) - 1 != count:
        raise ValueError(f"{found.name}: {name} has {count} pins, but {len(plain) - 1} nodes are given")
    found.plain = plain
    return _part(found, _nodes(found, count, "a subcircuit"), "", name)


_READERS: dict[str, Callable[[_Words, Visible], Part]] = {
    "r": _passive, "c": _passive, "l": _passive, "k": _coupling, "v": _source, "i": _source,
    "e": _transfer, "g": _transfer, "f": _current_controlled, "h": _current_controlled, "b": _behaviour,
    "d": _device((2, 3)), "q": _device((3, 4, 5)), "m": _device((4, 3, 5, 6, 7)), "j": _device((3,)),
    "z": _device((3,)), "s": _device((4,)), "w": _current_switch, "t": _line, "o": _device((4,)), "u": _device((3,)),
    "a": _code_model, "x": _instance,
}  # fmt: skip
