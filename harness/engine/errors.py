# SPDX-License-Identifier: GPL-3.0-or-later
"""The ways in which the simulator can fail its caller."""

from __future__ import annotations

from collections.abc import Sequence


class EngineError(RuntimeError):
    """This circuit or this run failed; the engine itself can go on with the next one.

    ``words``: what ngspice said, line by line. ``line``: the line of the deck that ngspice blames, counted
    from 1 (the title that the session puts in front does not count), or None where it names none.
    """

    def __init__(self, words: Sequence[str], line: int | None = None) -> None:
        self.words = list(words)
        self.line = line
        super().__init__(self.words, line)

    def __str__(self) -> str:
        place = "" if self.line is None else f"line {self.line}: "
        return place + "; ".join(self.words)


class EngineDead(EngineError):
    """ngspice asked to be shut down. Nothing simulated in this process from now on can be trusted: end it."""


class Rippled(EngineError):
    """The ramp passes its marker several times a cycle, so that steered runs cannot tell one cycle."""


class EngineMissing(RuntimeError):
    """There is no usable ngspice library on this machine; the message says what to type."""


class EngineFailed(RuntimeError):
    """No corner of a board could be simulated; the message says why, in ngspice's own words."""
