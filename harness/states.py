# SPDX-License-Identifier: GPL-3.0-or-later
"""The state of a corner as tables show it, and why it is in it, in words."""

from __future__ import annotations

import math

from harness.engine.steps import PILOT
from harness.report import rounding
from harness.simulate import CornerResult

_ROOMS = (("headroom", "above the upper"), ("floor_room", "below the lower"))


def state_of(result: CornerResult) -> str:
    """The measured state, or ``out of range`` where both comparator inputs leave what its class is right
    for."""
    return "out of range" if _beyond(result) and result.state != "not simulated" else result.state


def reason_of(result: CornerResult) -> str:
    """What the state rests on: the words of the engine, or how far the inputs lie beyond their range, what
    the output does, and what was out of the way in the run; empty where there is nothing to say. That a
    pilot run had to find the cycle, as on every board without a core, is no reason."""
    if result.reason:
        return result.reason
    seen = result.words.get("note", "")
    notes = (note for note in result.notes if note != PILOT)
    return "; ".join(filter(None, (*_beyond(result), seen, *notes)))


def _beyond(result: CornerResult) -> list[str]:
    """How far the comparator's inputs reach beyond its common-mode range, a clause a limit."""
    found = []
    for name, where in _ROOMS:
        room = result.figures.get(name, math.nan)
        if room < 0:
            far = rounding.figure(-room, "V", result.bars.get(name))
            found.append(f"the comparator's inputs reach {far} {where} common-mode limit")
    return found
