# SPDX-License-Identifier: GPL-3.0-or-later
"""One element line of a netlist into a part: its nodes, value, model and parameters.

Every function here looks at one line and at the names of models and subcircuits that the line can see.
Problems are ValueErrors with one sentence; the caller adds file and line.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from harness.findings import nearest
from harness.netlist import words
from harness.netlist.lines import Line
from harness.netlist.parts import Part, Visible, Words, made, node, opened, take_nodes
from harness.netlist.sources import behaviour, current_controlled, source, transfer

VALUE_NAMES = {"r": ("r", "resistance"), "c": ("c", "capacitance"), "l": ("l", "inductance")}
MODEL_TYPES = {
    "r": ("r", "res"), "c": ("c",), "l": ("l",), "d": ("d",), "q": ("npn", "pnp"), "j": ("njf", "pjf"),
    "m": ("nmos", "pmos", "vdmos", "vdmosn", "vdmosp"), "z": ("nmf", "pmf"), "s": ("sw",), "w": ("csw",),
    "o": ("ltra",), "u": ("urc",),
}  # fmt: skip
CODE_MODELS = frozenset(
    words.split(
        "gain summer mult divide limit limiter climit ilimit pwl hyst aswitch pswitch cmeter lmeter sine "
        "triangle square oneshot slew core lcouple int d_dt s_xfer multi_input_pwl zener sidiode delay "
        "potentiometer memristor adc_bridge dac_bridge bidi_bridge d_osc d_buffer d_inverter d_and d_nand "
        "d_or d_nor d_xor d_xnor d_tristate d_pullup d_pulldown d_open_c d_open_e d_dff d_jkff d_tff d_srff "
        "d_dlatch d_srlatch d_fdiv"
    )
)
_OPTIONS_OF_DEVICES = ("off", "on", "thermal")


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
    if letter in "eg":
        rest = re.sub(r"(?<=[\w)])\s*\{", " {", rest)
    found = Words(line, name, [])
    if letter != "b":
        for word in words.split(words.tidy(rest)):
            pair = words.pair(word)
            if pair:
                found.pairs[pair[0]] = pair[1]
            else:
                found.plain += opened(word)
    return reader(found, visible)


def _passive(found: Words, visible: Visible) -> Part:
    letter = found.name[0].lower()
    names = VALUE_NAMES[letter]
    named = next((key for key in names if key in found.pairs), None)
    if letter == "c" and "q" in found.pairs:
        named = "q"
    model = next(
        (word.lower() for word in found.plain[2:] if visible.models.get(word.lower()) in MODEL_TYPES[letter]),
        "",
    )
    nodes = take_nodes(found, 2, "" if named or (model and len(found.plain) > 2) else "a value")
    value = found.pairs.pop(named) if named and named != "q" else ""
    rest = [word for word in found.plain[2:] if word.lower() != model]
    if rest and named:
        raise ValueError(f'{found.name} has a value twice: "{rest[0]}" and {named}=')
    if not rest and not named and not ({"l", "w"} & set(found.pairs) and model):
        raise ValueError(f"{found.name} has no value")
    if rest:
        value = rest[0]
        if not words.is_value(value):
            braces = f"a number, or an expression in braces, {{{value}}}"
            hint = _model_hint(value, letter, visible)
            raise ValueError(f'{found.name}: "{value}" is no value; write {braces}{hint}')
    if len(rest) > 1:
        raise ValueError(f'{found.name}: do not know what to do with "{" ".join(rest[1:])}" behind the value')
    return made(found, nodes, value, model)


def _model_hint(word: str, letter: str, visible: Visible) -> str:
    hint = nearest(word, [name for name, kind in visible.models.items() if kind in MODEL_TYPES[letter]])
    return hint if "did you mean" in hint else ""


def _coupling(found: Words, visible: Visible) -> Part:
    if len(found.plain) < 3 or not words.is_value(found.plain[-1]):
        raise ValueError(f"{found.name} wants the names of two inductors and a coupling")
    return made(found, (), found.plain[-1], controls=tuple(word.lower() for word in found.plain[:-1]))


def _device(counts: tuple[int, ...]) -> Callable[[Words, Visible], Part]:
    """Reader of a device with a model behind one of several numbers of nodes."""

    def read(found: Words, visible: Visible) -> Part:
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
            hint = nearest(name, fitting) or f"; no .model of type {' or '.join(kinds)} is in sight"
            raise ValueError(f'{found.name}: there is no model "{name}"{hint}')
        nodes = take_nodes(found, place, "a model")
        for word in found.plain[place + 1 :]:
            if word.lower() not in _OPTIONS_OF_DEVICES and not words.is_value(word):
                raise ValueError(f'{found.name}: do not know what to do with "{word}" behind the model')
        area = next((word for word in found.plain[place + 1 :] if words.is_value(word)), "")
        return made(found, nodes, area, low[place])

    return read


def _current_switch(found: Words, visible: Visible) -> Part:
    if len(found.plain) < 4:
        raise ValueError(f"{found.name} wants two nodes, a controlling source and a model")
    control = found.plain.pop(2).lower()
    part = _device((2,))(found, visible)
    return Part(part.name, "w", part.nodes, "", part.model, part.parameters, part.line, None, (control,))


def _line(found: Words, visible: Visible) -> Part:
    return made(found, take_nodes(found, 4, ""))


def _code_model(found: Words, visible: Visible) -> Part:
    flat = re.sub(r"%\w+|[\[\]()~]", " ", found.line.text[len(found.name) :])
    low = [word.lower() for word in flat.split() if word.lower() != "null"]
    if len(low) < 2:
        raise ValueError(f"{found.name} wants nodes and a model")
    kind = visible.models.get(low[-1])
    if kind is not None and kind not in CODE_MODELS:
        raise ValueError(
            f'{found.name}: the model "{low[-1]}" is of the type "{kind}", which is no code model'
        )
    if kind is None:
        raise ValueError(f'{found.name}: there is no model "{low[-1]}"' + nearest(low[-1], visible.models))
    return made(found, tuple(node(word) for word in low[:-1]), "", low[-1])


def _instance(found: Words, visible: Visible) -> Part:
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
        hint = nearest(name, visible.subcircuits) or "; no .subckt is in sight, an .include may be missing"
        raise ValueError(f'{found.name}: there is no subcircuit "{name}"{hint}')
    if len(plain) - 1 != count:
        raise ValueError(f"{found.name}: {name} has {count} pins, but {len(plain) - 1} nodes are given")
    found.plain = plain
    return made(found, take_nodes(found, count, "a subcircuit"), "", name)


_READERS: dict[str, Callable[[Words, Visible], Part]] = {
    "r": _passive, "c": _passive, "l": _passive, "k": _coupling,
    "v": source, "i": source, "b": behaviour,
    "e": transfer, "g": transfer, "f": current_controlled, "h": current_controlled,
    "d": _device((2, 3)), "q": _device((3, 4, 5)), "m": _device((4, 3, 5, 6, 7)), "j": _device((3,)),
    "z": _device((3,)), "s": _device((4,)), "w": _current_switch,
    "t": _line, "o": _device((4,)), "u": _device((3,)),
    "a": _code_model, "x": _instance,
}  # fmt: skip
