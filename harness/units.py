# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers with units, as designers write them, and back.

Two notations meet in this tool, and they differ:

* a board file follows SI and the marks of IEC 60062: ``1M`` is 1 mega, ``4K7`` is 4700, ``1F`` is one farad;
* a netlist follows SPICE: ``1M`` is 1 milli (case is blind), ``1meg`` is 1 mega, ``1F`` is one femto.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from harness.dimensions import UNITS, WITHOUT_PREFIX
from harness.findings import nearest

PREFIXES = {
    "f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3,
    "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12,
}  # fmt: skip
SPICE_SUFFIXES = {
    "t": 1e12, "g": 1e9, "meg": 1e6, "k": 1e3, "mil": 25.4e-6,
    "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12, "f": 1e-15,
}  # fmt: skip
_SPELLINGS = {"ohm": "Ohm", "ohms": "Ohm", "Ohms": "Ohm", "\u03a9": "Ohm", "\u00b0C": "degC", "cents": "cent"}
_CHARACTERS = str.maketrans(
    {
        "\u00b5": "u",
        "\u03bc": "u",
        "\u2126": "\u03a9",
        "\u2212": "-",
        "\u00a0": " ",
        "\u202f": " ",
        "\u2009": " ",
    }
)
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_PLAIN = re.compile(rf"({_NUMBER})(\s*)(.*)", re.ASCII)
_MARKED = re.compile(r"([+-]?)(\d*)([RKkMGTpnumF])(\d+)\s*(\D*)", re.ASCII)
_MARK_IN_SPICE = re.compile(r"([+-]?\d*)([rkmgtpnuf]|meg)(\d+)", re.ASCII | re.IGNORECASE)
_LONGEST = 100
#: Letters of IEC 60062 for a tolerance, each with its share (the code's own figures from memory).
TOLERANCE_LETTERS = {
    "B": 0.001, "C": 0.0025, "D": 0.005, "F": 0.01, "G": 0.02, "J": 0.05, "K": 0.1, "M": 0.2,
}  # fmt: skip
_CODED_RESISTANCE = re.compile(r"(\d*[RKkM]\d+|\d+[RKkM])([BCDFGJKM])", re.ASCII)
_CODED_OTHER = re.compile(r"(\d*[pnum]\d+|\d+[pnum])([BCDGJKM])", re.ASCII)  # F is farad there


@dataclass(frozen=True)
class Quantity:
    """A number in SI units and its unit text. ``1 %`` is ``Quantity(0.01, "%")``; degrees Celsius stay as
    they are.
    """

    value: float
    unit: str = ""

    def __str__(self) -> str:
        return engineering(self.value, self.unit)


def parse_unit(text: str) -> Quantity:
    """A unit with its prefix: ``kOhm`` is ``Quantity(1000.0, "Ohm")``, ``V/us`` is ``Quantity(1e6, "V/s")``.

    Raises ValueError with a sentence for what is no unit.
    """
    above, slash, below = text.translate(_CHARACTERS).replace(" ", "").partition("/")
    upper = _single_unit("" if above == "1" else above)
    if not slash:
        return upper
    lower = _single_unit(below)
    if not lower.unit:
        raise ValueError(f'"{text}" is no unit{_unit_hint(text)}')
    return Quantity(upper.value / lower.value, f"{upper.unit or '1'}/{lower.unit}")


def _single_unit(text: str) -> Quantity:
    whole = _SPELLINGS.get(text, text)
    if whole in UNITS:
        return Quantity(0.01 if whole == "%" else 1.0, whole)
    prefix, unit = text[:1], _SPELLINGS.get(text[1:], text[1:])
    if prefix in PREFIXES and unit in UNITS and (unit not in WITHOUT_PREFIX or unit == ""):
        return Quantity(PREFIXES[prefix], unit)
    raise ValueError(f'"{text}" is no unit{_unit_hint(text)}')


def _unit_hint(text: str) -> str:
    plain = [unit for unit in UNITS if unit]
    prefixed = [
        prefix + unit for unit in plain if unit not in WITHOUT_PREFIX for prefix in PREFIXES if prefix
    ]
    hint = nearest(text, plain + prefixed + [prefix for prefix in PREFIXES if prefix])
    return hint if "did you mean" in hint else f" (valid: {', '.join(plain)}; prefixes f p n u m k M G T)"


def parse_si(text: str) -> Quantity:
    """A number of a board file: ``68k``, ``4K7``, ``3.3 kOhm``, ``15 V``, ``2.2nF``, ``1 %``, ``-0.3 V``,
    ``20 us``.

    Prefixes are SI (``M`` is mega), marks are those of IEC 60062 (``4R7``, ``4K7``, ``2n2``, ``R47``).
    ``68K`` without a space is kilo; ``300 K`` with a space is kelvin. Raises ValueError with a sentence for
    anything else.
    """
    stripped = text.translate(_CHARACTERS).strip()
    if not stripped or len(stripped) > _LONGEST:
        raise ValueError('expected a number such as "3.3 kOhm"' + (", got nothing" if not stripped else ""))
    marked = _MARKED.fullmatch(stripped)
    quantity = _marked(marked) if marked else None
    if quantity is None:
        quantity = _plain(stripped)
    if not math.isfinite(quantity.value):
        raise ValueError(f'"{text}" is no finite number')
    return quantity


def _marked(match: re.Match[str]) -> Quantity | None:
    sign, whole, mark, decimals, unit = match.groups()
    number = float(f"{sign}{whole or '0'}.{decimals}")
    own_unit = {"R": "Ohm", "F": "F"}.get(mark, "")
    prefix = "" if own_unit else {"K": "k"}.get(mark, mark)
    written = parse_unit(unit) if unit else Quantity(1.0, own_unit)
    if written.value != 1.0 or (own_unit and written.unit != own_unit):
        return None
    return Quantity(_scaled(number, PREFIXES[prefix]), written.unit)


def split_tolerance_letter(text: str, unit: str) -> tuple[str, float] | None:
    """A marked value and the tolerance (a share) of the letter behind it, by IEC 60062: ``4K7J`` is
    ``("4K7", 0.05)``. ``unit``: of the part, ``Ohm``, ``F`` or ``H``. None where there is no such letter.

    Behind ``p``, ``n``, ``u`` and ``m`` an F is farad and not 1 %.
    """
    coded = (_CODED_RESISTANCE if unit == "Ohm" else _CODED_OTHER).fullmatch(text.strip())
    return (coded[1], TOLERANCE_LETTERS[coded[2]]) if coded and unit in ("Ohm", "F", "H") else None


def _plain(text: str) -> Quantity:
    match = _PLAIN.fullmatch(text)
    if match is None:
        raise ValueError(f'"{text}" is no number; expected one such as "3.3 kOhm"')
    digits, space, rest = match.groups()
    if re.match(r",\d", rest):
        raise ValueError(f'cannot read "{text}": decimals want a point, not a comma')
    if rest.lower().startswith("meg"):
        right = f"{digits}M{rest[3:].strip()}"
        raise ValueError(f'"{text}": mega is M in a board file, write "{right}" ("meg" belongs in a netlist)')
    if rest == "R":
        return Quantity(float(digits), "Ohm")
    if rest.startswith("K") and not space:
        rest = "k" + rest[1:]
    try:
        unit = parse_unit(rest)
    except ValueError as error:
        mark = re.fullmatch(r"([VAsW])(\d+)", rest)
        instead = f'; write "{digits}.{mark[2]} {mark[1]}"' if mark and digits.isdigit() else ""
        raise ValueError(f'cannot read "{text}": {error}{instead}') from None
    return Quantity(_scaled(float(digits), unit.value), unit.unit)


def _scaled(number: float, factor: float) -> float:
    """``number * factor``, rounded as the decimal text would be: 2.2 n is 2.2e-9 and not
    2.2000000000000003e-9.
    """
    exponent = round(math.log10(factor))
    if math.isfinite(number) and math.isclose(factor, 10.0**exponent, rel_tol=1e-12):
        digits, _, own = repr(number).partition("e")
        return float(f"{digits}e{int(own or 0) + exponent}")
    return number * factor


def parse_spice(text: str) -> float:
    """A number of a netlist in the engine's own reading: suffixes are case-blind, letters behind them are
    ignored.

    ``1M`` is 1e-3, ``1meg`` 1e6, ``1mil`` 25.4e-6, ``10V`` 10, ``1F`` 1e-15. Raises ValueError with a
    sentence for what is no number, and for marks inside the digits (``4K7``), naming the right spelling.
    """
    stripped = text.strip()
    marked = _MARK_IN_SPICE.fullmatch(stripped)
    if marked:
        whole, mark, decimals = marked.groups()
        suffix = {"R": "", "r": "", "M": "meg"}.get(mark, mark.lower())
        raise ValueError(f'"{text}": write {whole or "0"}.{decimals}{suffix} in a netlist')
    match = re.fullmatch(rf"({_NUMBER})([a-z%\u00b5\u03a9\u2126]*)", stripped, re.ASCII | re.IGNORECASE)
    if match is None or len(stripped) > _LONGEST:
        raise ValueError(
            f'"{text[:_LONGEST]}" is no number of a netlist; expected one such as 3.3k, 100n or 1meg'
        )
    number, letters = float(match[1]), match[2].lower()
    suffix = next((s for s in ("meg", "mil") if letters.startswith(s)), letters[:1])
    value = _scaled(number, SPICE_SUFFIXES.get(suffix, 1.0))
    if not math.isfinite(value):
        raise ValueError(f'"{text}" is no finite number')
    return value


def spice_caution(text: str) -> str:
    """A sentence where a netlist reads ``text`` otherwise than a board file does (``1M``, ``1F``), or an
    empty text.
    """
    try:
        here = parse_si(text).value
    except ValueError:
        return ""
    try:
        there = parse_spice(text.replace(" ", ""))
    except ValueError as error:
        return str(error)
    if math.isclose(here, there, rel_tol=1e-9):
        return ""
    return f'"{text}" is {engineering(here)} in a board file and {engineering(there)} in a netlist'


def engineering(value: float, unit: str = "", digits: int = 4) -> str:
    """``3.3 kOhm``, ``-12.5 mV``, ``25 degC``, ``1 %``: ``digits`` significant digits, no idle zeros.

    A figure that is not a number reads ``no figure``. Plain numbers and units without prefixes are not
    scaled.
    """
    if math.isnan(value):
        return "no figure"
    if math.isinf(value):
        return "infinite" if value > 0 else "minus infinite"
    if unit == "%":
        return percent(value, digits)
    if unit in WITHOUT_PREFIX or value == 0.0 or unit.startswith("1/"):
        number = _digits(value, digits)
        return f"{number} {unit}" if unit else number
    exponent = int(f"{value:.{digits - 1}e}".partition("e")[2]) // 3 * 3
    prefix = next((name for name, factor in PREFIXES.items() if round(math.log10(factor)) == exponent), None)
    if prefix is None:
        return f"{_digits(value, digits)} {unit}"
    return f"{_digits(value / 10.0**exponent, digits)} {prefix}{unit}"


def _digits(value: float, digits: int) -> str:
    magnitude = abs(float(f"{value:.{digits - 1}e}"))
    if magnitude and not 1e-4 <= magnitude < 1e6:
        mantissa, _, exponent = f"{value:.{digits - 1}e}".partition("e")
        mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
        return f"{mantissa}e{int(exponent)}"
    return f"{float(f'{value:.{digits - 1}e}'):.15g}"


def percent(share: float, digits: int = 3) -> str:
    """A share as per cent: ``percent(0.025)`` is ``2.5 %``; not a number reads ``no figure``."""
    return "no figure" if math.isnan(share) else f"{_digits(100.0 * share, digits)} %"
