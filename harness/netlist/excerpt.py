# SPDX-License-Identifier: GPL-3.0-or-later
"""One subcircuit with everything that it needs, as text that runs alone."""

from __future__ import annotations

import re

from harness.netlist.cards import Circuit
from harness.netlist.words import parameter_words

_WORD = re.compile(r"[^\s(){}\[\]=,'*/+^<>?:!&|]+")


def excerpt(top: Circuit, name: str) -> str:
    """The lines of a subcircuit of the top level, behind the parameters, functions, models and other
    subcircuits of the top level that it refers to, each kind in the order of its names."""
    needed: dict[tuple[int, str], list[str]] = {}
    waiting = [(3, name)]
    while waiting:
        kind, wanted = waiting.pop()
        if (kind, wanted) in needed:
            continue
        lines = _lines(top, kind, wanted)
        needed[kind, wanted] = lines
        named = {word.lower() for line in lines for word in _WORD.findall(line)}
        valued = {word for line in lines for word in parameter_words(line)}
        waiting += [(0, word) for word in valued if word in top.parameters]
        waiting += [(other, word) for other in (1, 2, 3) for word in named if word in _table(top, other)]
    return "\n".join(line for key in sorted(needed) for line in needed[key]) + "\n"


def _table(top: Circuit, kind: int) -> dict[str, object]:
    tables: tuple[dict[str, object], ...] = (
        dict(top.parameters), dict(top.functions), dict(top.models), dict(top.subcircuits),
    )  # fmt: skip
    return tables[kind]


def _lines(top: Circuit, kind: int, name: str) -> list[str]:
    if kind == 3:
        return [line.text for line in top.subcircuits[name].lines]
    if kind == 2:
        return [top.models[name].line.text]
    if kind == 1:
        function = top.functions[name]
        return [f".func {name}({','.join(function.arguments)}) {{{function.body}}}"]
    return [line.text for line in top.lines if line.keyword == ".param" and line.rest.startswith(f"{name}=")][
        -1:
    ]
