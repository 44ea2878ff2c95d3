# SPDX-License-Identifier: GPL-3.0-or-later
"""The cycle of an op-amp integrator whose capacitor a switch empties, in closed form.

The amplifier holds its inverting input still (the virtual ground), so all the current I that flows into that
node charges the capacitor, and the output moves away from it by dV/dt = -I / C. The switch lies across the
capacitor: while it conducts, the output goes towards V_R = rest - I R with time constant R C, and the loop of
capacitor and switch is closed in itself, so that the amplifier never has to carry the discharging current; it
only has to follow, as fast as its slew rate lets it. Source of the integrator's law: A. Malvino, D. Bates,
Electronic Principles, 7th edition, example 22-7, p. 865 (a constant current charges the capacitor); the rest
follows from Kirchhoff's law at the virtual ground.

Valid while the amplifier is neither at its swing limit nor without loop gain; a virtual ground that moves
while the amplifier slews is taken to change I by nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.predict.core import Delay, no_delay
from harness.predict.ramp import Piece, Ramp, flow, straight, time_of_flow

Array = NDArray[np.float64]
SHORTEST = 1e-12  # s: time constant of an ideal switch without a resistor
_HALVINGS = 60  # of the span in which a slewing output meets the capacitor


def sweep_rate(current: Array, capacitance: Array) -> Array:
    """V/s of the output for a ``current`` (A) into the virtual ground: dV/dt = -I / C."""
    return -current / capacitance


def resistor_path(resistance: Array, capacitance: Array) -> tuple[Array, Array]:
    """The curve of a resistance (Ohm) as :class:`Integrator` takes it; one of 0 Ohm gets the shortest time
    constant that is told apart."""
    ohms = np.maximum(resistance, SHORTEST / capacitance)
    volts = np.stack([np.zeros_like(ohms), np.ones_like(ohms)], axis=-1)
    return volts, volts / ohms[:, None]


@dataclass(frozen=True)
class Discharge:
    """A capacitor that empties through a curve of straight parts, from time 0 on; each part is exponential.

    Law on a part: C dw/dt = I - J(w), with J = J_k + g (w - w_k). ``start``: V; ``inflow``: I, A, what
    charges the capacitor meanwhile; ``volts``, ``amperes``: corners of the curve, rising, shape (corners,
    knots). The parts at either end go on beyond it.
    """

    start: Array
    inflow: Array
    capacitance: Array
    volts: Array
    amperes: Array

    @cached_property
    def parts(self) -> tuple[tuple[Array, Array, Array, Array], ...]:
        """(time at which it begins, start, rate, decay) of each part, from the top down; a part that is not
        passed takes no time. NaN times where the capacitor stays above."""
        found = []
        begin, level = np.zeros_like(self.start), self.start
        for k in range(self.volts.shape[1] - 2, -1, -1):
            low, high = self.volts[:, k], self.volts[:, k + 1]
            with np.errstate(invalid="ignore", divide="ignore"):
                slope = (self.amperes[:, k + 1] - self.amperes[:, k]) / (high - low)
            rate = (self.inflow - self.amperes[:, k] - slope * (level - low)) / self.capacitance
            decay = slope / self.capacitance
            found.append((begin, level, rate, decay))
            if k:
                with np.errstate(invalid="ignore", divide="ignore"):
                    lasting = np.where(level > low, time_of_flow(decay, (low - level) / rate), 0.0)
                begin = begin + lasting
                level = np.minimum(level, low)
        return tuple(found)

    def place(self, time: Array) -> tuple[Array, Array]:
        """Level (V) and rate (V/s) at a time (s)."""
        level, rate = np.full_like(time, np.nan), np.full_like(time, np.nan)
        for begin, start, first, decay in self.parts:
            inside = time >= begin
            since = np.where(inside, time - begin, 0.0)
            level = np.where(inside, start + first * flow(decay, since), level)
            rate = np.where(inside, first * np.exp(-decay * since), rate)
        return level, rate

    def time_to(self, wanted: Array) -> Array:
        """When (s) the level has come down to ``wanted`` (V); NaN where it never does."""
        time = np.full_like(wanted, np.nan)
        for begin, start, first, decay in self.parts:
            with np.errstate(invalid="ignore", divide="ignore"):
                here = time_of_flow(decay, (wanted - start) / first)
            reached = (wanted <= start) & np.isfinite(here) & (here >= 0)
            time = np.where(reached, begin + here, time)
        return time

    def pieces(self, first: Array, last: Array) -> list[tuple[Array, Array, Array, Array]]:
        """(start, rate, decay, duration) of the parts between two times (s)."""
        found = []
        ends = [*(part[0] for part in self.parts[1:]), last]
        for (begin, start, rate, decay), end in zip(self.parts, ends, strict=True):
            here, then = (np.fmin(np.fmax(np.where(np.isnan(t), last, t), first), last) for t in (begin, end))
            since = np.where(np.isnan(begin), 0.0, here - begin)
            found.append(
                (start + rate * flow(decay, since), rate * np.exp(-decay * since), decay, then - here)
            )
        return found


@dataclass(frozen=True)
class Integrator:
    """An op-amp integrator with a switch across its capacitor, and a trip that opens and closes it.

    ``current`` (A) flows into the virtual ground: the output falls where it is positive, rises where it is
    negative. ``rest`` (V): the output while the capacitor is empty, which is the virtual ground's voltage.
    The sweep ends ``close_delay`` after the output has passed ``trip_end`` (V), the reset ``open_delay``
    after it has passed ``trip_start`` (V); both delays in s against the slope there (V/s, positive).
    ``volts`` and ``amperes``, shape (corners, knots), rising from 0: the curve of the path across the
    capacitor, counted from its higher end. ``close_charge`` and ``open_charge`` (C): what the switch's gate
    pushes into the virtual ground as it goes; the output moves by -Q / C. ``slew`` (V/s): how fast the output
    can move.
    """

    capacitance: Array
    current: Array
    rest: Array
    trip_end: Array
    trip_start: Array
    volts: Array
    amperes: Array
    close_delay: Delay = no_delay
    open_delay: Delay = no_delay
    close_charge: Array | float = 0.0
    open_charge: Array | float = 0.0
    slew: Array | float = np.inf

    def ramp(self, instant_reset: bool = False) -> Ramp:
        """The settled cycle, its sweep first.

        With ``instant_reset`` the reset ends at the same level but takes no time. NaN where the reset cannot
        reach its trip level, where the trip levels stand the wrong way round, or where no current flows.
        """
        side = -np.sign(self.current)  # 1 rising, -1 falling; heights below count from rest, away from it
        inflow = np.abs(self.current)
        speed = inflow / self.capacitance
        end, start = side * (self.trip_end - self.rest), side * (self.trip_start - self.rest)
        top = end + speed * self.close_delay(speed)
        peak = top - side * self.close_charge / self.capacitance
        discharge = Discharge(peak, inflow, self.capacitance, self.volts, self.amperes)

        met = self._met(discharge, peak)
        slewing = np.where(met > 0, self.slew, 0.0)
        at_meeting = peak - slewing * met
        by_slew = (start >= at_meeting) & (met > 0)
        tripped = np.where(
            by_slew, (peak - start) / np.where(met > 0, self.slew, 1.0), discharge.time_to(start)
        )
        slope = np.where(by_slew, self.slew, np.abs(discharge.place(np.nan_to_num(tripped))[1]))
        opened = tripped + self.open_delay(slope)
        emptied, _ = discharge.place(opened)
        foot = emptied - side * self.open_charge / self.capacitance
        # an output that has not come down yet goes on until it meets the capacitor, which is swept already
        late = np.where(opened < met, (peak - slewing * opened - foot) / (slewing + speed), 0.0)
        begin = foot + speed * late
        sweep_time = (top - begin) / speed
        works = (sweep_time > 0) & (end > start) & np.isfinite(opened) & (speed > 0)

        def piece(level: Array, rate: Array, decay: Array, duration: Array) -> Piece:
            return Piece(self.rest + side * level, side * rate, decay, np.where(works, duration, np.nan))

        nothing = np.zeros_like(top)
        sweep = piece(begin, speed, nothing, sweep_time)
        if instant_reset:
            return Ramp((sweep, straight(sweep.end, sweep.start, nothing)))
        falling = piece(peak, -slewing, nothing, np.where(met > 0, np.minimum(met, opened) + late, 0.0))
        following = [
            piece(np.where(late > 0, begin, level), rate, decay, duration)
            for level, rate, decay, duration in discharge.pieces(np.minimum(met, opened), opened)
        ]
        return Ramp((sweep, falling, *following))

    def _met(self, discharge: Discharge, peak: Array) -> Array:
        """When (s) an output that slews has caught up with the capacitor; 0 where it never has to slew."""
        slew = np.broadcast_to(np.asarray(self.slew, dtype=float), peak.shape)
        steep = -discharge.parts[0][2] > slew
        if not steep.any():
            return np.zeros_like(peak)
        finite = np.where(np.isfinite(slew), slew, 1.0)
        low, high = np.zeros_like(peak), peak / finite  # by then the output has passed the empty capacitor
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            above = peak - finite * middle > discharge.place(middle)[0]
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.where(steep, 0.5 * (low + high), 0.0)
