# SPDX-License-Identifier: GPL-3.0-or-later
"""What the engine's words usually mean for a designer, and what to try."""

from __future__ import annotations

import re

_MEANINGS = (
    (
        r"singular matrix",
        "the circuit has no unique solution: look for two voltage sources that contradict each other, a loop"
        " of sources and inductors, or a part whose node has no path to ground",
    ),
    (
        r"timestep too small|time step too small",
        "the engine could not follow the circuit: look for a switch or behavioural source without a capacitor"
        " at its output, an extreme part value, or model pins in another order",
    ),
    (
        r"no such function|yyparse|syntax error",
        "an expression is not understood: look at the behavioural source that is named",
    ),
    (
        r"no result within|too slow",
        "the corner takes longer than its time limit: look for a resonance far above the ramp's frequency or"
        " a tiny time constant, or raise seconds in [simulation]",
    ),
    (
        r"too many points",
        "something switches over and over, far faster than the ramp: look for a comparator whose output pulls"
        " its own input back with nothing that slows it, or for a ringing that does not die away",
    ),
    (
        r"singular|iteration limit|gmin stepping failed|source stepping failed",
        "no operating point was found: look at the supplies and at parts that hold each other",
    ),
)


def meaning(words: str) -> str:
    """A sentence about the first words that are known, or an empty text."""
    for pattern, sentence in _MEANINGS:
        if re.search(pattern, words, re.IGNORECASE):
            return sentence
    return ""
