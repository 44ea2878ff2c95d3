# SPDX-License-Identifier: GPL-3.0-or-later
"""Preferred values of resistors and capacitors: the E series of IEC 60063:2015.

Law: a series En has n values a decade, about 10^(i/n). E6, E12 and E24 have two digits, E48, E96 and E192
three. E24 departs from the rounded law at eight places, which grew from older practice, and E12 and E6 take
every second and fourth value of it; E192 departs at one, 9.20.

A place is a whole number: place 0 is 1, place n is 10, in a series of n values a decade.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from types import MappingProxyType

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
_E192_BY_LAW, _E192_LISTED = 919, 920


def _three_digits(count: int) -> tuple[int, ...]:
    """The rounded law with the one exception of E192, in hundredths."""
    lawful = [round(100.0 * 10.0 ** (place / count)) for place in range(count)]
    return tuple(_E192_LISTED if value == _E192_BY_LAW else value for value in lawful)


SERIES: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "E6": tuple(10 * value for value in _E24[::4]),
        "E12": tuple(10 * value for value in _E24[::2]),
        "E24": tuple(10 * value for value in _E24),
        "E48": _three_digits(48),
        "E96": _three_digits(96),
        "E192": _three_digits(192),
    }
)
"""The values of one decade of each series, 100 to 999."""

#: The tolerance that each series was made for (IEC 60063:2015, descriptions of the series).
TOLERANCES: Mapping[str, float] = MappingProxyType(
    {"E6": 0.2, "E12": 0.1, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005}
)


def series_for(tolerance: float) -> str:
    """The series of a tolerance (a share): the finest that was made for this one or a wider one; E6 above
    20 %, E192 below 0.5 %."""
    fitting = [name for name, made_for in TOLERANCES.items() if tolerance <= made_for * (1 + 1e-9)]
    return fitting[-1] if fitting else "E6"


def preferred_value(series: str, place: int) -> float:
    """The value at a place of a series; place 0 is 1."""
    values = _values(series)
    decade, index = divmod(place, len(values))
    return float(f"{values[index]}e{decade - 2}")


def place_below(series: str, value: float) -> int:
    """The place of the largest preferred value that is not above ``value``. Raises ValueError unless
    ``value`` is a finite number above 0."""
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"a preferred value stands for a value above 0, not for {value}")
    values = _values(series)
    place = math.floor(math.log10(value)) * len(values)
    place += bisect_left(values, 100.0 * value / 10.0 ** math.floor(math.log10(value)))
    while preferred_value(series, place) > value * (1 + 1e-12):  # a hair for values such as 4.7e3 * 1e-12
        place -= 1
    while preferred_value(series, place + 1) <= value * (1 + 1e-12):
        place += 1
    return place


def nearest_place(series: str, value: float) -> int:
    """The place of the preferred value nearest to ``value`` in ratio; the lower one of two as near. Raises
    ValueError unless ``value`` is a finite number above 0."""
    place = place_below(series, value)
    below, above = preferred_value(series, place), preferred_value(series, place + 1)
    return place if value / below <= above / value * (1 + 1e-12) else place + 1


def below(series: str, value: float) -> float:
    """The largest preferred value that is not above ``value``."""
    return preferred_value(series, place_below(series, value))


def above(series: str, value: float) -> float:
    """The smallest preferred value that is not below ``value``."""
    place = place_below(series, value)
    found = preferred_value(series, place)
    return found if math.isclose(found, value, rel_tol=1e-12) else preferred_value(series, place + 1)


def nearest(series: str, value: float) -> float:
    """The preferred value nearest to ``value`` in ratio."""
    return preferred_value(series, nearest_place(series, value))


def _values(series: str) -> Sequence[int]:
    """The values of one decade. Raises ValueError for a name that is no series."""
    if series not in SERIES:
        raise ValueError(f'there is no series "{series}" (valid: {", ".join(SERIES)})')
    return SERIES[series]
