# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a board's output lies behind a coupling capacitor, so that its states droop."""

from __future__ import annotations

from collections.abc import Iterable

from harness.netlist import Netlist
from harness.pins import all_parts

_Parts = list[tuple[str, str, tuple[str, ...]]]


def behind_a_capacitor(netlist: Netlist, pin: str, output: str) -> bool:
    """Whether resistors and inductors alone do not lead from the comparator's output to the board's, but do
    together with capacitors (parts at rails lead no farther than these)."""
    parts = list(all_parts(netlist))
    return output not in _reached(parts, [pin], "rl") and output in _reached(parts, [pin], "rlc")


def floats(netlist: Netlist, output: str) -> bool:
    """Whether a capacitor alone brings the pulse to an output whose comparator is not known: what resistors
    and inductors join to it touches no other part, and a capacitor leads on to a node that no source
    holds."""
    parts = list(all_parts(netlist))
    joined, held = _reached(parts, [output], "rl"), _held(parts)
    at_it = [(letter, nodes) for _, letter, nodes in parts if joined & set(nodes)]
    if output in held or any(letter not in "rlc" for letter, _ in at_it):
        return False
    return any(letter == "c" and not set(nodes[:2]) <= joined | held for letter, nodes in at_it)


def _reached(parts: _Parts, start: Iterable[str], letters: str) -> set[str]:
    """Nodes that parts of these letters join to the start, not through what a source holds."""
    held = _held(parts)
    links = [nodes[:2] for _, letter, nodes in parts if letter in letters]
    found, waiting = set(start), list(start)
    while waiting:
        node = waiting.pop()
        ends = {end for pair in links if node in pair for end in pair} - held - found
        found |= ends
        waiting += ends
    return found


def _held(parts: _Parts) -> set[str]:
    return {"0"} | {node for _, letter, nodes in parts if letter == "v" for node in nodes[:2]}
