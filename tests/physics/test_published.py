# SPDX-License-Identifier: GPL-3.0-or-later
"""Every printed figure of shared/checks, each with its source, put to the functions that the product uses."""

from __future__ import annotations

import dataclasses

import pytest

from harness.sources import COLUMNS, Check, Printed, load_checks, sources_table

CHECKS = load_checks()


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_printed_figure(check: Check) -> None:
    """The tool gets the printed figure to its last digit, or the true one where the printed one is a slip."""
    got = check.got()
    wanted = check.answer or check.printed
    assert check.verdict(got) == ("found" if check.slip else "agrees"), (
        f"{check.source}, {check.place}: printed {check.printed.text}, wanted {wanted.text}, got {got:.7g}"
    )


def test_enough_of_them() -> None:
    """At least 30 worked examples from at least 20 sources, slips in print among them."""
    assert len({id(check.entry) for check in CHECKS}) >= 30
    assert len({check.source for check in CHECKS}) >= 20
    assert sum(bool(check.slip) for check in CHECKS) >= 3
    assert {check.kind for check in CHECKS} == {"published", "recomputed", "common practice", "from memory"}


def test_names_are_unique() -> None:
    """A row of the table of sources is known by its name."""
    names = [check.name for check in CHECKS]
    assert sorted(names) == sorted(set(names))


def test_every_check_is_able_to_fail() -> None:
    """A figure off by ten units of its last printed digit is not let through, whatever the check."""
    for check in CHECKS:
        width = check.printed.most - check.printed.least
        wrong = check.printed.value + 10 * width
        assert check.verdict(wrong) == "off", check.name
        assert check.verdict(float("nan")) == "off", check.name


def test_a_slip_that_the_tool_repeats_is_off() -> None:
    """Where the printed figure is wrong, getting it is a failure, and so is getting a third one."""
    slip = next(check for check in CHECKS if check.slip)
    assert slip.answer is not None
    assert slip.verdict(slip.printed.value) == "off"
    assert slip.verdict(slip.answer.value) == "found"
    assert slip.verdict(2 * slip.answer.value) == "off"
    honest = dataclasses.replace(slip, slip="")
    assert honest.verdict(slip.answer.value) == "off"


def test_table_of_sources() -> None:
    """The table has the columns of sources.csv and one row a printed figure."""
    few = CHECKS[:5]
    table = sources_table(few)
    assert tuple(table.columns) == COLUMNS
    assert list(table["verdict"]) == ["agrees"] * 5
    assert list(table["check"]) == [check.name for check in few]


@pytest.mark.parametrize(
    ("text", "least", "most"),
    [
        ("2.69968 V", 2.699675, 2.699685),
        ("872.7 Hz", 872.65, 872.75),
        ("350 MHz", 349.5e6, 350.5e6),
        ("7.50e-4 s", 7.495e-4, 7.505e-4),
        ("33.3 %", 0.3325, 0.3335),
        ("-4.93", -4.935, -4.925),
        ("0 V", -0.5, 0.5),
    ],
)
def test_printed_precision(text: str, least: float, most: float) -> None:
    """A printed figure stands for all that rounds to it: half a unit of the last digit."""
    printed = Printed.read(text)
    assert printed.least == pytest.approx(least, rel=1e-12)
    assert printed.most == pytest.approx(most, rel=1e-12)


def test_figure_cut_off_in_print() -> None:
    """A figure that was cut off instead of rounded stands for what lies up to one unit further out."""
    assert not Printed.read("344 ns").holds(344.7e-9)
    assert Printed.read("344 ns", cut=True).holds(344.7e-9)
    assert not Printed.read("344 ns", cut=True).holds(343.9e-9)
    assert Printed.read("-344 ns", cut=True).holds(-344.7e-9)
