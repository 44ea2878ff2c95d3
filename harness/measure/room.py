# SPDX-License-Identifier: GPL-3.0-or-later
"""Room to a comparator's common-mode limits, by the rule of its class, at the worst instant of the cycle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.measure.crossings import crossed_segments, instant_in
from harness.measure.window import Array, cut

ROOM_TEMPERATURE = 25.0  # degC


@dataclass(frozen=True)
class InputRange:
    """Common-mode limits of a class of comparators.

    ``upper`` and ``upper_elsewhere``: V below the positive supply, at 25 degC and at any other temperature.
    ``lower``: V above the negative supply (negative: below it).
    ``one_input``: True where the output is right while one of the inputs is below the upper limit.
    """

    upper: float
    upper_elsewhere: float
    lower: float
    one_input: bool
    source: str


CLASSES: dict[str, InputRange] = {
    "393": InputRange(
        1.5, 2.0, -0.3, True,
        "TI SLCS005Y: 6.6 (common-mode range), 6.1 note 2 (lower limit), note on p. 5 (one input in range)",
    ),
    "311": InputRange(2.0, 2.0, 0.5, False, "TI SLCS007H: common-mode range 13 V to -14.5 V at +-15 V"),
    "07x": InputRange(
        0.0, 0.0, 4.0, True,
        "TI SLOS081G: common-mode range -11 V at +-15 V guaranteed; TI SNOSBW5C, application "
        "hints (operation up to the positive supply, one input beyond it does no harm, phase reversal below "
        "the lower limit)",
    ),
    "rail-to-rail": InputRange(
        -0.3, -0.3, -0.3, False,
        "Microchip DS21733J: common-mode range 0.3 V beyond either supply, rail-to-rail CMOS op-amps",
    ),
    "push-pull": InputRange(
        -0.3, -0.3, -0.3, False, "Microchip DS21696H, DC characteristics: V_SS - 0.3 V to V_DD + 0.3 V"
    ),
}  # fmt: skip


def room(
    time: Array,
    plus: Array,
    minus: Array,
    supply: Array,
    begin: float,
    end: float,
    class_: str,
    *,
    temperature: float = ROOM_TEMPERATURE,
    ground: Array | None = None,
) -> tuple[float, float]:
    """Headroom and floor room (V) of both inputs within ``begin`` to ``end`` (s); negative where violated.

    ``supply`` and ``ground``: voltages (V) of the comparator's positive and negative supply pins, ``ground``
    0 V where it is None; ``temperature`` in degC. Raises ValueError for an unknown class and as `cut` does.
    """
    if class_ not in CLASSES:
        raise ValueError(f'no common-mode rule for the class "{class_}" (known: {", ".join(CLASSES)})')
    rule = CLASSES[class_]
    below = np.zeros_like(time) if ground is None else ground
    instants, *inputs, positive, negative = cut(time, begin, end, plus, minus, supply, below)
    at_room = abs(temperature - ROOM_TEMPERATURE) < 0.01
    upper = positive - (rule.upper if at_room else rule.upper_elsewhere)
    spare = [upper - value for value in inputs]
    if rule.one_input:
        # the larger of two lines is lowest where they meet, which need not be at a point
        meeting = crossed_segments(spare[0] - spare[1], 0.0)[0]
        meets = [instant_in(instants, spare[0] - spare[1], 0.0, int(k)) for k in meeting]
        there = np.maximum(*(np.interp(meets, instants, value) for value in spare))
        headroom = np.concatenate((np.maximum(*spare), there)).min()
    else:
        headroom = np.minimum(*spare).min()
    floor = np.minimum(*inputs) - (negative + rule.lower)
    return float(headroom), float(floor.min())
