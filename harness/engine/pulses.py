# SPDX-License-Identifier: GPL-3.0-or-later
"""What sources of time ask of the steps: points on the corners of a PULSE, and enough of them along a SIN.

The engine makes them breakpoints of its own, but loses some: it compares the time within a period to a few
units in the last place, and after one miss the rest of that period has none. A ramp's end is then cut off by
as much as a step. A sine has no breakpoints at all: steps longer than its period see anything but a sine.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from harness.engine.gaps import Gap, suffixed
from harness.engine.programs import Program

MOST = 12  # corners that are looked for; a board with more is driven by clocks rather than by a ramp
_PULSE = re.compile(r"[vi]\S*\s.*\bpulse\s*\(?([^)]*)")
_SINE = re.compile(r"[vi]\S*\s.*\b(?:sin|sffm|am)\s*\(?([^)]*)")
STEPS_A_SINE = 25.0
EARLY = 0.1  # of the ramp's height: a marker so low lets a run end soon after the begin of a period
_FASTEST = 0.05  # of the period: a source that repeats more often is left to the engine


@dataclass(frozen=True)
class _Pulse:
    """A PULSE source that repeats, times in s. A rise or fall of 0 is a jump; a width of 0 lasts, as the
    engine has it, until the period is over, where the source jumps back."""

    first: float
    second: float
    delay: float
    rise: float
    fall: float
    width: float
    period: float

    def stretches(self) -> tuple[float, ...]:
        """Times from one corner to the next, the first of them at the delay."""
        return (self.rise, self.width, self.fall) if self.width > 0 else (self.rise,)


def _pulse_of(line: str) -> _Pulse | None:
    """What a line of a flattened listing says of a PULSE with a period; None where it is none, or one of
    defaults that depend on the analysis."""
    match = _PULSE.match(line) if "pulse" in line else None
    words = match[1].replace(",", " ").split()[:7] if match else []
    try:
        values = [suffixed(word) for word in words]
    except ValueError:
        return None
    return _Pulse(*values) if len(values) == 7 and values[6] > 0 else None


def pulse_corners(listing: Sequence[str]) -> list[tuple[float, float]]:
    """(instant, period) in s of each corner of the periodic PULSE sources in a flattened listing (lower case,
    no line numbers)."""
    found: list[tuple[float, float]] = []
    for pulse in filter(None, map(_pulse_of, listing)):
        at = pulse.delay
        for stretch in (*pulse.stretches(), 0.0):
            found.append((at, pulse.period))
            at += stretch
    return list(dict.fromkeys(found))


def jumping(listing: Sequence[str]) -> bool:
    """Whether a periodic PULSE rises or falls in no time: the engine puts in the step that it was asked to
    print, which has to be a small one."""
    pulses = filter(None, map(_pulse_of, listing))
    return any(pulse.rise == 0 or (pulse.fall == 0 and pulse.width > 0) for pulse in pulses)


@dataclass(frozen=True)
class Drive:
    """A ramp that a source makes: its period (s), and a level (V) that its sweep passes soon after it begins,
    in the direction ``way`` (+1 rising, -1 falling)."""

    period: float
    level: float
    way: int


def drive_of(listing: Sequence[str], ramp: str) -> Drive | None:
    """The PULSE source that holds the ramp against ground and repeats from the begin of a run on, or None."""
    for line in listing:
        words = line.split()
        if not _PULSE.match(line) or words[0][0] != "v" or sorted(words[1:3]) != sorted(("0", ramp)):
            continue
        pulse = _pulse_of(line)
        if pulse is None:
            return None
        fall = pulse.fall if pulse.width > 0 else 0.0
        whole = sum(pulse.stretches()) <= pulse.period * (1 + 1e-9)
        sweeps = min(pulse.rise, fall, pulse.width) >= 0 and max(pulse.rise, fall) > 0
        if pulse.delay == 0 and sweeps and whole:
            sign = 1.0 if words[2] == "0" else -1.0
            rising = pulse.rise >= fall
            start, end = (pulse.first, pulse.second) if rising else (pulse.second, pulse.first)
            level = sign * (start + EARLY * (end - start))
            return Drive(pulse.period, level, 1 if sign * (end - start) > 0 else -1)
    return None


def corner_gaps(corners: Sequence[tuple[float, float]], place: int, period: float) -> list[Gap]:
    """A gap for each corner that changes sign whenever it comes round; ``place``: the column of time,
    ``period``: that of the ramp, s."""
    kept = [corner for corner in corners if corner[1] > _FASTEST * period]
    gaps = []
    for at, every in kept if len(kept) <= MOST else ():
        since = Program.of("subtract", Program.column(place), Program.constant(at))
        turn = Program.of("multiply", since, Program.constant(math.pi / every))
        gaps.append(Gap(Program.of("sine", turn), 0, f"corner at {at:g} s"))
    return gaps


def shortest_sine(listing: Sequence[str]) -> float:
    """Period (s) of the fastest sine among the sources of a flattened listing; infinite without one."""
    periods = [math.inf]
    for line in listing:
        match = _SINE.match(line)
        words = match[1].replace(",", " ").split() if match else []
        for word in words[2:3]:
            with suppress(ValueError, ZeroDivisionError):
                periods.append(1.0 / abs(suffixed(word)))
    return min(periods)
