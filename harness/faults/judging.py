# SPDX-License-Identifier: GPL-3.0-or-later
"""What a fault does, told against the board without it: severity, and what a test at the bench shows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from harness.faults.fault import HARMLESS, NOT_SIMULATED, OVERSTRESSED, WRONG_SOUND, Outcome
from harness.faults.parts import label_of
from harness.faults.stress import OUTPUT, PULLUP, SINK, SUPPLY, hottest, passed, pullup_currents, reach
from harness.faults.study import Faulted
from harness.quantities import stem
from harness.states import reason_of, state_of
from harness.tolerances import absolute_tolerance
from harness.units import engineering
from harness.verdict import limit_words

if TYPE_CHECKING:
    from harness.board import Board
    from harness.netlist import Netlist
    from harness.simulate import CornerResult

#: what is heard
SOUND = ("frequency", "duty", "low_level", "high_level")
#: what meter and oscilloscope show without a wire being cut; the supplies' currents follow
BENCH = (*SOUND, "mean_level", "ramp_low", "ramp_high", "threshold", "rise_time", "fall_time")
_MOST_DIGITS = 7
NOTHING = 1e-3  # share of its tolerance below which a figure is said to be 0: no meter tells it


@dataclass(frozen=True)
class Judge:
    """Judges faults of a board against its results without one, a corner each."""

    board: Board
    netlist: Netlist
    good: Sequence[CornerResult]

    def outcome(self, faulted: Faulted) -> Outcome:
        """What became of the board with a fault at one corner."""
        good, netlist = self.good[faulted.corner], faulted.netlist
        if state_of(good) == NOT_SIMULATED:
            why = f"nothing to compare with: without a fault the board was not simulated here ({good.reason})"
            return Outcome(faulted.fault, good.corner, NOT_SIMULATED, NOT_SIMULATED, reason=why)
        result = at_rest(good, faulted.result)
        state = state_of(result)
        if state == NOT_SIMULATED or netlist is None:
            return Outcome(faulted.fault, result.corner, NOT_SIMULATED, NOT_SIMULATED, reason=result.reason)
        stresses, notes = passed(self.board, netlist, good.stresses, result.stresses)
        figures = figures_of(self.board, netlist, result)
        left = list(self._left(good, result, figures, reach(netlist)))
        heard = ("state",) if faulted.fault.steers else ("state", *SOUND)
        wrong = any(name in heard for name, _ in left) or self._limits_left(good, result)
        severity = OVERSTRESSED if stresses else WRONG_SOUND if wrong else HARMLESS
        name, power = hottest(good.stresses, result.stresses)
        return Outcome(
            faulted.fault, result.corner, state, severity, tuple(text for _, text in left), tuple(stresses),
            {**figures, "dissipation": power}, self._label(name),
            "; ".join(filter(None, (reason_of(result), *notes))),
        )  # fmt: skip

    def _left(
        self, good: CornerResult, result: CornerResult, figures: Mapping[str, float], most: float
    ) -> Iterator[tuple[str, str]]:
        """What a bench shows that leaves its tolerance around the figure without a fault: name and words.
        ``most``: the voltage (V) beyond which only an ideal current source can have driven anything."""
        before, after = state_of(good), state_of(result)
        if before != after:
            yield "state", f"{after} instead of {before}"
        supplies = [f"supply_current_{rail}" for rail in self.board.roles.supplies]
        for name in (*BENCH, *supplies):
            was, now = good.figures.get(name, math.nan), figures.get(name, math.nan)
            if math.isnan(was) or (math.isnan(now) and before != after):
                continue
            if math.isnan(now):
                yield name, f"no figure of {_title(name)}"
            elif abs(now - was) > (tolerance := self._tolerance(name, good)):
                if stem(name).unit == "V" and abs(now) > most:
                    yield name, f"{_title(name)} driven beyond the supplies by an ideal current source"
                    continue
                shown = 0.0 if abs(now) < tolerance * NOTHING else now
                yield name, f"{_title(name)} {_apart(shown, was, stem(name).unit)}"

    def _tolerance(self, name: str, good: CornerResult) -> float:
        """How far a quantity may be from its figure without a fault, in its own unit."""
        levels = {key: good.figures.get(key, math.nan) for key in ("low_level", "high_level")}
        ends = {key: good.figures.get(key, math.nan) for key in ("ramp_low", "ramp_high")}
        swing, ramp = (abs(high - low) for low, high in (levels.values(), ends.values()))
        found = absolute_tolerance(
            self.board.tolerance_of(name), np.array([good.figures[name]]), np.array([swing]), np.array([ramp])
        )
        return float(found[0])

    def _limits_left(self, good: CornerResult, result: CornerResult) -> bool:
        """Whether a limit that is kept without the fault is not kept with it, or has no figure any more."""
        for name, limit in self.board.limits.items():
            words = [
                str(limit_words(np.array([r.figures.get(name, math.nan)]), np.zeros(1), limit)[0][0])
                for r in (good, result)
            ]
            if words[0] == "within" and words[1] in ("outside", "no figure"):
                return True
        return False

    def _label(self, name: str) -> str:
        found = self.netlist.flat.get(name)
        return label_of(name, found) if found else name


def at_rest(good: CornerResult, result: CornerResult) -> CornerResult:
    """A stuck output called by the level of the board without a fault that it is nearer to: behind a network
    of its own it has no range that would tell high from low."""
    level = result.figures.get("mean_level", math.nan)
    low, high = (good.figures.get(name, math.nan) for name in ("low_level", "high_level"))
    if not result.state.startswith("stuck") or math.isnan(level + low + high):
        return result
    name = "high" if abs(level - high) < abs(level - low) else "low"
    kept = {q: value for q, value in result.figures.items() if q not in ("low_level", "high_level")}
    known = result.figures.get("low_level", result.figures.get("high_level", level))
    return replace(result, state=f"stuck {name}", figures={**kept, f"{name}_level": known})


def figures_of(board: Board, netlist: Netlist, result: CornerResult) -> dict[str, float]:
    """Figures of a faulted board. Where its output is stuck or nothing goes round, currents are the highest
    that the record shows, and the levels its extremes."""
    figures = dict(result.figures)
    extremes = result.stresses
    if result.state == "no ramp" and OUTPUT in extremes:
        figures["low_level"], figures["high_level"] = extremes[OUTPUT]
    if SINK in extremes and (result.state != "pulsing" or "sink_current" not in figures):
        figures["sink_current"] = extremes[SINK][1]
    if PULLUP in extremes and ("pullup_current" not in figures or len(pullup_currents(board, netlist)) > 1):
        figures["pullup_current"] = extremes[PULLUP][1]
    for rail in board.roles.supplies:
        if SUPPLY + rail in extremes:
            figures.setdefault(f"supply_current_{rail}", extremes[SUPPLY + rail][1])
    return figures


def _title(name: str) -> str:
    title = stem(name).title
    return title[0].lower() + title[1:]


def _apart(now: float, was: float, unit: str) -> str:
    """Two figures with as many digits as it takes to tell them apart."""
    for digits in range(3, _MOST_DIGITS):
        texts = engineering(now, unit, digits), engineering(was, unit, digits)
        if texts[0] != texts[1]:
            break
    return f"{texts[0]} instead of {texts[1]}"
