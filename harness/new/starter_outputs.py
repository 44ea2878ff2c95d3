# SPDX-License-Identifier: GPL-3.0-or-later
"""Output networks of boards to begin with: straight, or a divider. Values and formulas are
examples, invented; the circuits are those of ``netlists/outputs/``, drawn out so that every part can be
changed.
"""

from __future__ import annotations

from dataclasses import dataclass

OUTPUTS = ("direct", "divider")
DEFAULT_OUTPUT = OUTPUTS[0]
_LOAD, _INTENDED_LOAD = "Cload out 0 220p", 'Cload = "220p 10%"'


@dataclass(frozen=True)
class StarterOutput:
    """Pieces of an output network: the node of the comparator's pin, netlist lines, intended values and
    formulas."""

    pin: str
    lines: tuple[str, ...]
    intended: tuple[str, ...]
    hand: tuple[str, ...]


def output_of(output: str, low: str, high: str, pulled_up: bool) -> StarterOutput:
    """The network of this name behind a comparator whose pin goes from ``low`` to ``high`` (formulas),
    over ``Rpull`` where it is pulled up."""
    pull = "Rpull + " if pulled_up else ""
    if output == "divider":
        known = (
            f'high_level = "({high}) * Rlower / ({pull}Rupper + Rlower)"',
            f'low_level = "({low}) * Rlower / (Rupper + Rlower)"',
        )
        return StarterOutput(
            pin="pulse",
            lines=("Rupper pulse out 8.2k", "Rlower out 0 12k", _LOAD),
            intended=('Rupper = "8.2k 1%"', 'Rlower = "12k 1%"', _INTENDED_LOAD),
            hand=known,
        )
    levels = (
        f'low_level = "{low}"', f'high_level = "{high}"', 'rise_time = "ln(9) * Rpull * Cload"',
    ) if pulled_up else ()  # fmt: skip
    return StarterOutput("out", (_LOAD,), (_INTENDED_LOAD,), levels)
