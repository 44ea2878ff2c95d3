# SPDX-License-Identifier: GPL-3.0-or-later
"""Preferred values: what IEC 60063 lists, and that the nearest one is the nearest one."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.preferred import SERIES, above, below, nearest, nearest_place, preferred_value, series_for
from harness.units import split_tolerance_letter

values = st.floats(min_value=1e-13, max_value=1e9, allow_nan=False)
series_names = st.sampled_from(sorted(SERIES))


def test_the_lists_of_the_standard() -> None:
    """IEC 60063:2015, tables of E6, E12 and E24, and the sizes of all series."""
    assert [value // 10 for value in SERIES["E6"]] == [10, 15, 22, 33, 47, 68]
    assert [value // 10 for value in SERIES["E12"]] == [10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82]
    lawful = [round(10 * 10 ** (place / 24)) for place in range(24)]
    pairs = zip((value // 10 for value in SERIES["E24"]), lawful, strict=True)
    assert {listed: law for listed, law in pairs if listed != law} == {
        27: 26, 30: 29, 33: 32, 36: 35, 39: 38, 43: 42, 47: 46, 82: 83,
    }  # fmt: skip
    assert {name: len(found) for name, found in SERIES.items()} == {
        "E6": 6, "E12": 12, "E24": 24, "E48": 48, "E96": 96, "E192": 192,
    }  # fmt: skip


@pytest.mark.parametrize(("coarse", "fine"), [("E6", "E12"), ("E12", "E24"), ("E48", "E96"), ("E96", "E192")])
def test_each_series_holds_the_coarser_one(coarse: str, fine: str) -> None:
    assert set(SERIES[coarse]) <= set(SERIES[fine])
    assert list(SERIES[fine][::2]) == list(SERIES[coarse])


@given(series=series_names, value=values)
def test_the_nearest_is_nearest_and_within_half_a_step(series: str, value: float) -> None:
    found, under, over = nearest(series, value), below(series, value), above(series, value)
    assert under <= value * (1 + 1e-9) and over >= value * (1 - 1e-9) and found in (under, over)
    apart = abs(math.log(found / value))
    assert apart <= 0.5 * math.log(over / under) + 1e-9
    around = range(nearest_place(series, value) - 3, nearest_place(series, value) + 4)
    assert apart <= min(abs(math.log(preferred_value(series, place) / value)) for place in around) + 1e-9


@given(series=series_names, one=values, other=values)
def test_larger_values_never_have_a_smaller_nearest_one(series: str, one: float, other: float) -> None:
    assert nearest(series, min(one, other)) <= nearest(series, max(one, other))


@given(series=series_names, place=st.integers(-1500, 1500))
def test_a_preferred_value_is_its_own_nearest(series: str, place: int) -> None:
    value = preferred_value(series, place)
    assert nearest_place(series, value) == place
    assert below(series, value) == value == above(series, value) == nearest(series, value)
    assert float(f"{value:.3g}") == value  # three digits in print, and no more


def test_places_rise_over_the_ends_of_decades() -> None:
    for series in SERIES:
        row = [preferred_value(series, place) for place in range(-400, 400)]
        assert all(low < high for low, high in pairwise(row))


@pytest.mark.parametrize("value", [0.0, -1.0, math.inf, math.nan])
def test_what_has_no_preferred_value(value: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        nearest("E24", value)


def test_a_name_that_is_no_series() -> None:
    with pytest.raises(ValueError, match="E192"):
        nearest("E23", 1.0)


@pytest.mark.parametrize(
    ("tolerance", "series"),
    [(0.2, "E6"), (0.1, "E12"), (0.05, "E24"), (0.02, "E48"), (0.01, "E96"), (0.005, "E192"),
     (0.001, "E192"), (0.03, "E24"), (0.5, "E6")],
)  # fmt: skip
def test_the_series_of_a_tolerance(tolerance: float, series: str) -> None:
    """IEC 60063:2015: each series goes with a tolerance; others take the finest that is not finer."""
    assert series_for(tolerance) == series


@pytest.mark.parametrize(
    ("text", "unit", "parted"),
    [("4K7J", "Ohm", ("4K7", 0.05)), ("47KK", "Ohm", ("47K", 0.1)), ("R47F", "Ohm", ("R47", 0.01)),
     ("4k7M", "Ohm", ("4k7", 0.2)), ("2n2J", "F", ("2n2", 0.05)), ("100nK", "F", ("100n", 0.1)),
     ("2n2F", "F", None), ("100nF", "F", None), ("10M", "Ohm", None), ("4K7", "Ohm", None),
     ("4K7J", "V", None), ("4K7Z", "Ohm", None), ("K7J", "Ohm", ("K7", 0.05))],
)  # fmt: skip
def test_a_letter_behind_a_marked_value(text: str, unit: str, parted: tuple[str, float] | None) -> None:
    """IEC 60062, letters from memory; behind the prefix of a capacitor an F is farad."""
    assert split_tolerance_letter(text, unit) == parted
