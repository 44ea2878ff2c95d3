# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers with units: board files read SI and IEC 60062, netlists read SPICE, and the two are never mixed."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.dimensions import UNITS, dimension_of
from harness.units import Quantity, engineering, parse_si, parse_spice, parse_unit, percent, spice_caution

calm = settings(deadline=None, derandomize=True, max_examples=300)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        # Marks of IEC 60062 (BS EN 60062:1994, tables II and III): the letter stands for the decimal point.
        ("R47", 0.47, "Ohm"),
        ("4R7", 4.7, "Ohm"),
        ("470R", 470.0, "Ohm"),
        ("4K7", 4700.0, ""),
        ("47K", 47e3, ""),
        ("47K3", 47.3e3, ""),
        ("4M7", 4.7e6, ""),
        ("2n2", 2.2e-9, ""),
        ("4p7", 4.7e-12, ""),
        # SI prefixes: capital M is mega, small m is milli.
        ("68k", 68e3, ""),
        ("1M", 1e6, ""),
        ("1m", 1e-3, ""),
        ("3.3 kOhm", 3300.0, "Ohm"),
        ("10 M\u03a9", 1e7, "Ohm"),
        ("15 V", 15.0, "V"),
        ("-0.3 V", -0.3, "V"),
        ("\u221212 V", -12.0, "V"),
        ("2.2nF", 2.2e-9, "F"),
        ("2n2F", 2.2e-9, "F"),
        ("4.7 \u00b5F", 4.7e-6, "F"),
        ("20 us", 20e-6, "s"),
        ("20\u00a0us", 20e-6, "s"),
        ("1 %", 0.01, "%"),
        ("25 degC", 25.0, "degC"),
        ("25 \u00b0C", 25.0, "degC"),
        ("5 cents", 5.0, "cent"),
        ("-6 dB", -6.0, "dB"),
        ("1e-4", 1e-4, ""),
        (".5", 0.5, ""),
        ("0.3 V/us", 3e5, "V/s"),
        ("-2 mV/K", -2e-3, "V/K"),
        # 68K without a space is a mark, 300 K with one is a temperature.
        ("68K", 68e3, ""),
        ("300 K", 300.0, "K"),
    ],
)
def test_numbers_of_a_board_file(text: str, value: float, unit: str) -> None:
    assert parse_si(text) == Quantity(value, unit)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("1meg", 'write "1M"'),
        ("4.7 MegOhm", 'write "4.7MOhm"'),
        ("3V3", 'write "3.3 V"'),
        ("1,5k", "decimals want a point, not a comma"),
        ("100 nf", 'did you mean "nF"?'),
        ("20 uS", 'did you mean "us"?'),
        ("", "got nothing"),
        ("abc", "is no number"),
        ("1e999", "is no finite number"),
        ("nan", "is no number"),
        ("1 V/", "is no unit"),
        ("5 mcent", "is no unit"),
        ("2 V V", "is no unit"),
        ("1" * 200, "expected a number"),
    ],
)
def test_what_is_no_number_of_a_board_file_says_why(text: str, sentence: str) -> None:
    with pytest.raises(ValueError) as caught:
        parse_si(text)
    assert sentence in str(caught.value)


@given(st.text(max_size=30))
@calm
def test_any_text_is_a_finite_number_or_a_sentence(text: str) -> None:
    for read in (lambda words: parse_si(words).value, parse_spice):
        try:
            assert math.isfinite(read(text))
        except ValueError as error:
            assert str(error)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # The engine's manual, "Some naming conventions": suffixes are blind to case, M is milli, and letters
        # behind a number or a suffix are ignored.
        ("10", 10.0),
        ("10V", 10.0),
        ("10Volts", 10.0),
        ("10Hz", 10.0),
        ("1000Hz", 1000.0),
        ("1e3", 1000.0),
        ("1kHz", 1000.0),
        ("2MSec", 2e-3),
        ("2MMhos", 2e-3),
        ("1M", 1e-3),
        ("1meg", 1e6),
        ("1MEGohm", 1e6),
        ("1mil", 25.4e-6),
        ("3T", 3e12),
        ("3g", 3e9),
        ("2.2u", 2.2e-6),
        ("100n", 100e-9),
        ("5p", 5e-12),
        ("1F", 1e-15),
        # Tried on engine 39: no suffix for atto, one ampere is 1.
        ("1A", 1.0),
        ("-1.5e-3k", -1.5),
    ],
)
def test_numbers_of_a_netlist(text: str, value: float) -> None:
    assert parse_spice(text) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "right"), [("4K7", "4.7k"), ("1k5", "1.5k"), ("4M7", "4.7meg"), ("2n2", "2.2n"), ("R47", "0.47")]
)
def test_marks_in_a_netlist_are_refused_with_the_right_spelling(text: str, right: str) -> None:
    """Engine 39 reads 4K7 as 4000 without a word."""
    with pytest.raises(ValueError, match=f"write {right} in a netlist"):
        parse_spice(text)


@pytest.mark.parametrize("text", ["", "k", "1 k", "1k 2", "0x10", "1..2", "--1", "{1k}"])
def test_what_is_no_number_of_a_netlist(text: str) -> None:
    with pytest.raises(ValueError, match="is no number of a netlist"):
        parse_spice(text)


def test_caution_where_the_two_notations_part() -> None:
    assert spice_caution("1M") == '"1M" is 1e6 in a board file and 0.001 in a netlist'
    assert spice_caution("1F").startswith('"1F" is 1 in a board file and 1e-15')
    assert spice_caution("4K7") == '"4K7": write 4.7k in a netlist'
    assert spice_caution("3.3 kOhm") == spice_caution("68k") == spice_caution("100n") == ""


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (3300.0, "Ohm", "3.3 kOhm"),
        (-0.0125, "V", "-12.5 mV"),
        (999.96, "V", "1 kV"),
        (0.99995, "V", "1 V"),
        (4.7e-9, "F", "4.7 nF"),
        (0.0, "V", "0 V"),
        (0.05, "", "0.05"),
        (12345678.0, "", "1.235e7"),
        (25.0, "degC", "25 degC"),
        (0.025, "%", "2.5 %"),
        (1e-18, "A", "1e-18 A"),
        (3e5, "V/s", "300 kV/s"),
        (math.nan, "V", "no figure"),
        (math.inf, "V", "infinite"),
    ],
)
def test_engineering(value: float, unit: str, text: str) -> None:
    assert engineering(value, unit) == text


def test_percent() -> None:
    assert percent(0.0123456) == "1.23 %"
    assert percent(math.nan) == "no figure"


@given(
    value=st.floats(1e-14, 1e12) | st.floats(-1e12, -1e-14),
    unit=st.sampled_from(["V", "A", "Ohm", "F", "s", "Hz", "W", ""]),
)
@calm
def test_what_is_written_reads_back_to_its_last_digit(value: float, unit: str) -> None:
    read = parse_si(engineering(value, unit))
    assert read.unit == unit
    assert read.value == pytest.approx(value, rel=0.51e-3)


@given(digits=st.integers(1, 9999), prefix=st.sampled_from("fpnumkMGT"))
@calm
def test_a_prefix_is_exact(digits: int, prefix: str) -> None:
    """2.2 n is the float nearest to 2.2e-9, as a netlist has it, and not a product that was rounded twice."""
    exponent = {"f": -15, "p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "M": 6, "G": 9, "T": 12}[prefix]
    assert parse_si(f"{digits / 100}{prefix}").value == float(f"{digits / 100!r}e{exponent}")


@pytest.mark.parametrize(
    ("text", "unit"),
    [("kOhm", Quantity(1e3, "Ohm")), ("V/us", Quantity(1e6, "V/s")), ("1/K", Quantity(1.0, "1/K"))],
)
def test_units(text: str, unit: Quantity) -> None:
    assert parse_unit(text) == unit


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


@pytest.mark.parametrize("first", ["V", "A", "Ohm", "F", "s", "Hz", "W", "H", "K"])
@pytest.mark.parametrize("second", ["", "V", "A", "Ohm", "F", "s", "Hz", "W", "H", "K"])
def test_dimensions_agree_with_an_independent_unit_library(
    registry: pint.UnitRegistry[float], first: str, second: str
) -> None:
    """Every product of two units has the dimension that pint computes for it."""
    names = {"Ohm": "ohm", "Hz": "hertz", "": "dimensionless", "K": "kelvin"}
    base = {"V": registry.volt, "A": registry.ampere, "s": registry.second, "K": registry.kelvin}
    product = registry(names.get(first, first)) * registry(names.get(second, second))
    ours = UNITS[first] * UNITS[second]
    theirs = math.prod(
        (
            base[symbol] ** float(exponent)
            for symbol, exponent in zip(
                "VAsK", (ours.volt, ours.ampere, ours.second, ours.kelvin), strict=True
            )
        ),
        start=registry.dimensionless,
    )
    assert (1 * theirs).dimensionality == product.dimensionality


@pytest.mark.parametrize("unit", [*UNITS, "V/s", "V/K", "1/K"])
def test_a_dimension_names_a_unit_of_its_own_kind(unit: str) -> None:
    shown = str(dimension_of(unit))
    assert dimension_of("" if shown == "no unit" else shown) == dimension_of(unit)
