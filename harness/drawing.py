# SPDX-License-Identifier: GPL-3.0-or-later
"""Intended against drawn, part by part, before anything runs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from harness.board import Board
from harness.characterise import PIN_ORDER, RAMP_INPUT
from harness.conceded import part_word
from harness.connections import misplaced, without_pullup
from harness.findings import Finding
from harness.netlist import Netlist
from harness.pins import part_of
from harness.units import engineering, spice_caution

if TYPE_CHECKING:
    from harness.predict.refined import Prediction

COLUMNS = ["part", "intended", "drawn", "verdict", "concession"]
SAME = 1e-9  # relative difference below which two values are the same
_UNITS = {"r": "Ohm", "c": "F", "l": "H", "v": "V", "i": "A"}


def drawn_values(board: Board, netlist: Netlist) -> dict[str, float]:
    """The netlist's value (SI) of every part that the board file intends; parts that are not drawn are left
    out."""
    values = {}
    for name in board.intended:
        value = _drawn(netlist, name)
        if math.isfinite(value):
            values[name] = value
    return values


def compare_drawing(board: Board, netlist: Netlist) -> pd.DataFrame:
    """One row a part: ``same``, ``differs``, ``not drawn``, or ``not intended`` (a slip there cannot be
    noticed). A part that is not connected as its role says has a row of its own: ``differs``, nodes for
    values. What a concession says of a part that is not drawn as intended stands beside it.

    Parts that an axis sets, sources of 0 and parts whose value is not a plain number are listed only where
    intended.
    """
    rows = []
    for name, intended in board.intended.items():
        drawn = _drawn(netlist, name)
        unit = intended.unit or _UNITS.get(name[0].lower(), "")
        wanted = engineering(intended.value, unit)
        if not math.isfinite(drawn):
            rows.append((name, wanted, "", "not drawn", part_word(board, name, intended, drawn)))
            continue
        same = abs(drawn - intended.value) <= SAME * max(abs(drawn), abs(intended.value))
        if same:
            rows.append((name, wanted, engineering(drawn, unit), "same", ""))
        else:
            conceded = part_word(board, name, intended, drawn)
            rows.append((name, wanted, engineering(drawn, unit, 6), "differs", conceded))
    rows += [(wrong.part, wrong.intended, wrong.drawn, "differs", "") for wrong in misplaced(board, netlist)]
    known = {name.lower() for name in board.intended}
    driven = {axis.sets.lower() for axis in board.axes.values() if axis.sets}
    for key, part in netlist.parts.items():
        if part.letter not in _UNITS or key in known or key in driven:
            continue
        drawn = _drawn(netlist, key)
        if math.isfinite(drawn) and drawn != 0:
            rows.append((part.name, "", engineering(drawn, _UNITS[part.letter]), "not intended", ""))
    return pd.DataFrame(rows, columns=COLUMNS)


def cautions(board: Board, netlist: Netlist) -> Iterator[Finding]:
    """What need not be wrong: a value that differs where it could be the same letters in the other notation
    (1M is mega or milli), a node with a role that is no pin of the comparator, an output without a
    pull-up."""
    yield from _off_the_comparator(board, netlist)
    yield from without_pullup(board, netlist)
    drawn = drawn_values(board, netlist)
    for name, intended in board.intended.items():
        number = intended.text.split()[0] if intended.text.split() else ""
        caution = spice_caution(number)
        if caution and name in drawn and abs(drawn[name] / intended.value - 1) > SAME:
            yield Finding(board.path, caution, f"intended.{name}")


def contradictions(board: Board, netlist: Netlist, prediction: Prediction) -> Iterator[Finding]:
    """Where the comparator's model, measured alone, contradicts the board file's ``ramp_input`` or has its
    pins in another order than the board wires them."""
    part = part_of(netlist, board.roles.comparator)
    for name, _, why in prediction.origins:
        if name in (RAMP_INPUT, PIN_ORDER) and part is not None:
            yield Finding(part.line.path, why, line=part.line.number)


def _off_the_comparator(board: Board, netlist: Netlist) -> Iterator[Finding]:
    part = part_of(netlist, board.roles.comparator)
    if part is None:
        return
    pins = ", ".join(dict.fromkeys(part.nodes))
    for role in ("ramp", "threshold"):
        node = getattr(board.roles, role)
        if node and node.lower() not in part.nodes:
            message = f"{node} is no pin of {part.name} (pins: {pins}); predictions assume it is"
            yield Finding(board.path, message, f"roles.{role}")


def _drawn(netlist: Netlist, name: str) -> float:
    try:
        return float(netlist.value(name.lower()))
    except (KeyError, ValueError):
        return math.nan
