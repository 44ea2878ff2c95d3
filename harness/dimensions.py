# SPDX-License-Identifier: GPL-3.0-or-later
"""Dimensions of electrical quantities: exponents over volt, ampere, second and kelvin."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Dimension:
    """What a quantity is measured in: the exponents of volt, ampere, second and kelvin.

    An ohm is V^1 A^-1, a farad A^1 s^1 V^-1. Exponents are fractions, so that a square root stays exact.
    ``celsius``: a temperature that counts from a zero of its own; products and powers know spans only.
    """

    volt: Fraction = Fraction(0)
    ampere: Fraction = Fraction(0)
    second: Fraction = Fraction(0)
    kelvin: Fraction = Fraction(0)
    celsius: bool = False

    def __mul__(self, other: Dimension) -> Dimension:
        return Dimension(
            self.volt + other.volt,
            self.ampere + other.ampere,
            self.second + other.second,
            self.kelvin + other.kelvin,
        )

    def __truediv__(self, other: Dimension) -> Dimension:
        return self * other ** Fraction(-1)

    def __pow__(self, exponent: Fraction | int) -> Dimension:
        return Dimension(
            self.volt * exponent, self.ampere * exponent, self.second * exponent, self.kelvin * exponent
        )

    def __str__(self) -> str:
        """The unit as a designer writes it: ``Ohm``, ``V/s``, ``V^2``; ``no unit`` for a plain number."""
        for unit, dimension in UNITS.items():
            if dimension == self and unit:
                return "no unit" if dimension == NONE else unit
        for above, first in UNITS.items():
            for below, second in UNITS.items():
                if above not in _NO_QUOTIENT and below not in _NO_QUOTIENT and first / second == self:
                    return f"{above or '1'}/{below}"
        exponents = zip(("V", "A", "s", "K"), (self.volt, self.ampere, self.second, self.kelvin), strict=True)
        return " ".join(unit if power == 1 else f"{unit}^{power}" for unit, power in exponents if power)


NONE = Dimension()
VOLT = Dimension(volt=Fraction(1))
AMPERE = Dimension(ampere=Fraction(1))
SECOND = Dimension(second=Fraction(1))
KELVIN = Dimension(kelvin=Fraction(1))
CELSIUS = Dimension(kelvin=Fraction(1), celsius=True)

# Every unit that is understood. The first unit of a dimension is the one it is shown in.
UNITS: dict[str, Dimension] = {
    "": NONE,
    "V": VOLT,
    "A": AMPERE,
    "Ohm": VOLT / AMPERE,
    "F": AMPERE * SECOND / VOLT,
    "s": SECOND,
    "Hz": SECOND**-1,
    "W": VOLT * AMPERE,
    "H": VOLT * SECOND / AMPERE,
    "K": KELVIN,
    "degC": CELSIUS,
    "%": NONE,
    "cent": NONE,
    "dB": NONE,
}

# Units that never take a prefix: 1 mdegC or 1 kcent is a slip.
WITHOUT_PREFIX = frozenset({"", "%", "degC", "cent", "dB"})
_NO_QUOTIENT = frozenset({"%", "degC", "cent", "dB", "Hz"})


def dimension_of(unit: str) -> Dimension:
    """The dimension of a unit, quotients such as ``V/s`` included; a degree in a quotient (``V/degC``) is a
    kelvin. Raises KeyError for an unknown unit."""
    above, slash, below = unit.partition("/")
    if not slash:
        return UNITS[unit]
    return UNITS["" if above == "1" else above] / UNITS[below]
