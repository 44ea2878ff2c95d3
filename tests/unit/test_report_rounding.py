# SPDX-License-Identifier: GPL-3.0-or-later
"""How figures are written in a report."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.report import rounding


@pytest.mark.parametrize(
    ("value", "bar", "unit", "text"),
    [
        (0.4901234, 2.6e-5, "", "0.490123 ± 0.000026"),
        (0.0032104, 8e-7, "A", "3.2104 ± 0.0008 mA"),
        (440.01234, 3e-4, "Hz", "440.0123 ± 0.0003 Hz"),
        (1e-4, 2e-3, "V", "0.1 ± 2.0 mV"),
        (-12.0, 0.31, "V", "-12.0 ± 0.4 V"),
        (0.5, 0.0, "", "0.5000000 ± 0"),
        (math.nan, 1.0, "V", "no figure"),
        (3.3, math.nan, "V", "3.3 V, bar not known"),
    ],
)
def test_the_bar_decides_where_a_figure_ends(value: float, bar: float, unit: str, text: str) -> None:
    """The bar keeps one or two digits and the figure ends where the bar ends."""
    assert rounding.figure_with_bar(value, bar, unit) == text


SCALE = {"f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}


@settings(deadline=None, derandomize=True)
@given(st.floats(1e-9, 1e6), st.floats(-9.0, 0.0), st.sampled_from((-1.0, 1.0)))
def test_a_written_bar_is_never_smaller_and_covers_the_true_figure(
    size: float, share: float, sign: float
) -> None:
    """Rounding up the bar, and the figure by less than the bar's own last digit, keeps the statement true."""
    value, bar = sign * size, size * 10.0**share
    found = re.fullmatch(r"(-?[\d.]+) ± ([\d.]+) (\w?)V", rounding.figure_with_bar(value, bar, "V"))
    assert found is not None
    factor = SCALE[found[3]]
    assert float(found[2]) * factor >= bar * (1.0 - 1e-6)
    assert abs(float(found[1]) * factor - value) <= 0.51 * float(found[2]) * factor


@settings(deadline=None, derandomize=True)
@given(st.floats(-10.0, 10.0).filter(lambda value: value != 0.0), st.floats(-8.0, 1.0))
def test_zero_is_written_for_zero_only(value: float, decade: float) -> None:
    """A figure that is not zero never reads as zero, however coarse the step."""
    text = rounding.figure(value, "", 10.0**decade)
    assert float(text) != 0.0
    assert (float(text) > 0.0) == (value > 0.0)


def test_zero_is_zero() -> None:
    """Exactly zero is written without idle digits."""
    assert rounding.figure(0.0, "V", 1e-3) == "0 V"
    assert rounding.margin(0.0, "V") == "0 V"


@settings(deadline=None, derandomize=True)
@given(st.floats(-10.0, 10.0), st.floats(1e-6, 1.0))
def test_a_margin_is_never_written_better_than_it_is(value: float, step: float) -> None:
    """The written margin is at most the true one."""
    assert float(rounding.margin(value, "", step)) <= value + 1e-9 * abs(value)


def test_cents_of_a_fifth() -> None:
    """3/2 is 701.955 cents (the just fifth, any text on tuning)."""
    assert rounding.cents(3.0, 2.0) == pytest.approx(701.955, abs=1e-3)
    assert math.isnan(rounding.cents(-1.0, 2.0))


@pytest.mark.parametrize(
    ("value", "bar", "text"),
    [
        (-6e-7, 1e-2, "below the bar"),
        (9.9e-3, 1e-2, "below the bar"),
        (-5.6e-2, 1e-2, "-56 mV"),
        (0.0, 0.0, "0 V"),
        (-6e-7, math.nan, "below 1 mV"),
    ],
)
def test_a_difference_below_its_bar_has_no_digits(value: float, bar: float, text: str) -> None:
    assert rounding.amount(value, "V", 0.16, bar) == text
