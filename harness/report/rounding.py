# SPDX-License-Identifier: GPL-3.0-or-later
"""How figures are written: rounded where their bar or tolerance says so, in engineering notation.

One rule for page and terminal. A zero shown without a bar is exactly zero, a bar is never rounded down, and
a margin is never rounded up.
"""

from __future__ import annotations

import math

from harness.units import engineering

PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
"""Powers of ten and the SI prefix of each."""

PREFIXED_UNITS = frozenset({"V", "A", "Ohm", "F", "s", "Hz", "W"})
"""Units that take a prefix; the others (degC, dB, cents, %, none) are written as they are."""

MOST_DIGITS = 7
"""Significant digits beyond which no figure of a circuit is read."""

FINENESS = 40.0
"""Predictions and differences are written down to the decade of a fortieth of their tolerance."""

NO_FIGURE = "no figure"
BELOW = "below the bar"


def _decade(value: float) -> int:
    return math.floor(math.log10(abs(value)))


def prefix_power(magnitude: float, unit: str) -> int:
    """The power of ten, a multiple of three, whose prefix suits ``magnitude``; 0 where the unit takes
    none."""
    if unit not in PREFIXED_UNITS or magnitude == 0.0:
        return 0
    return min(max(3 * (_decade(magnitude) // 3), min(PREFIXES)), max(PREFIXES))


def _unit_text(power: int, unit: str) -> str:
    if not unit:
        return ""
    return " " + PREFIXES[power] + ("cents" if unit == "cent" else unit)


def _number(value: float, place: int) -> str:
    """``value`` written down to the decade ``place``, further if it would read as a false zero."""
    if value != 0.0 and abs(value) <= 0.5 * 10.0**place:
        place = _decade(value)
    if place < -9:
        return f"{value:.2g}"
    text = f"{round(value, -place):.{max(0, -place)}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def figure(value: float, unit: str = "", step: float | None = None, *, signed: bool = False) -> str:
    """``value`` (SI) down to the decade of ``step`` (same unit); four digits where no step is known.

    >>> figure(0.0032104, "A", 1e-6)
    '3.210 mA'
    >>> figure(3300.0, "Ohm")
    '3.3 kOhm'
    """
    if not math.isfinite(value):
        return NO_FIGURE
    if value == 0.0:
        return f"0{_unit_text(0, unit)}"
    if step is not None and math.isfinite(step) and step > 0.0:
        place = max(_decade(step), _decade(value) - MOST_DIGITS + 1)
        return _written(value, unit, place, signed)
    text = engineering(value, unit)
    text = f"{text}s" if unit == "cent" else text
    return f"+{text}" if signed and value > 0.0 else text


def _written(value: float, unit: str, place: int, signed: bool) -> str:
    magnitude = abs(round(value, -place)) or abs(value)
    power = prefix_power(magnitude, unit)
    number = _number(value / 10.0**power, place - power)
    sign = "+" if signed and value > 0.0 else ""
    return f"{sign}{number}{_unit_text(power, unit)}"


def figure_with_bar(value: float, bar: float, unit: str = "") -> str:
    """``value`` and the half-width ``bar`` of its error bar, both SI, the bar rounded up.

    The bar keeps two digits where it starts with 1 or 2 and one digit elsewhere; the figure ends at the same
    decade. Without a bar the figure stands alone and says so.

    >>> figure_with_bar(0.4901234, 2.6e-5)
    '0.490123 ± 0.000026'
    """
    if not math.isfinite(value):
        return NO_FIGURE
    if not math.isfinite(bar):
        return f"{figure(value, unit)}, bar not known"
    if bar <= 0.0:
        return f"{figure(value, unit, 10.0 ** (_decade(value) - MOST_DIGITS + 1) if value else None)} ± 0"
    place = _decade(bar) - (1 if bar < 3.0 * 10.0 ** _decade(bar) else 0)
    if value != 0.0:
        place = max(place, _decade(value) - MOST_DIGITS + 1)
    shown_bar = math.ceil(bar / 10.0**place - 1e-9) * 10.0**place
    power = prefix_power(max(abs(value), shown_bar), unit)
    scaled = place - power
    number = f"{round(value / 10.0**power, -scaled):.{max(0, -scaled)}f}"
    number = number.removeprefix("-") if float(number) == 0.0 else number
    return f"{number} ± {shown_bar / 10.0**power:.{max(0, -scaled)}f}{_unit_text(power, unit)}"


def margin(value: float, unit: str = "", bar: float = math.nan) -> str:
    """A signed room to a limit (SI), rounded towards the worse side: four digits, none below the ``bar``."""
    if not math.isfinite(value):
        return NO_FIGURE
    if value == 0.0:
        return f"0{_unit_text(0, unit)}"
    place = _decade(value) - 3
    if math.isfinite(bar) and bar > 0.0:
        place = max(place, min(_decade(bar), _decade(value)))
    lowered = math.floor(value / 10.0**place + 1e-9) * 10.0**place
    return _written(lowered or value, unit, place, signed=True)


def amount(value: float, unit: str, tolerance: float, bar: float = math.nan) -> str:
    """A signed difference (SI) beside its ``tolerance``; under a thousandth of it only that it is small.

    ``bar``: half the width of the error bar of a simulated figure that the difference was taken with. What is
    smaller than that was not resolved, and has no digits.
    """
    if abs(value) < bar:
        return BELOW
    known = math.isfinite(tolerance) and tolerance > 0.0
    if known and 0.0 < abs(value) < tolerance / 1000.0:
        return f"below {figure(10.0 ** math.ceil(math.log10(tolerance / 1000.0)), unit)}"
    return figure(value, unit, tolerance / FINENESS if known else None, signed=True)


def cents(frequency: float, reference: float) -> float:
    """Interval from ``reference`` to ``frequency`` (both Hz) in cents, 1200·log2(f/f0); nan where not
    positive."""
    if not (frequency > 0.0 and reference > 0.0):
        return math.nan
    return 1200.0 * math.log2(frequency / reference)


def count(number: int, noun: str, plural: str | None = None) -> str:
    """``1 corner``, ``3 corners``."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def listed(names: list[str], most: int = 8) -> str:
    """Names in a row, cut after ``most`` with the number left out."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
