# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading where a circuit switches from the engine's flattened listing."""

from __future__ import annotations

import math
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.engine.gaps import Watch, suffixed, watch
from harness.engine.session import session


def read(*lines: str) -> tuple[Watch, list[str]]:
    columns = ["time"]

    def column(name: str) -> int:
        if name not in columns:
            columns.append(name)
        return columns.index(name)

    return watch(lines, column), columns


def test_a_switch_with_hysteresis_has_two_one_way_levels() -> None:
    """Each level of a switch acts only in its own direction."""
    found, columns = read("  1 : s1 a 0 ramp 0 reset", "  2 : .model reset sw vt=2.5 vh=2 ron=10")
    assert sorted(gap.direction for gap in found.gaps) == [-1, 1]
    at = {gap.direction: gap.value([0.0, 4.0]) for gap in found.gaps}
    assert at == {1: pytest.approx(-0.5), -1: pytest.approx(3.5)}
    assert columns == ["time", "ramp"]


@pytest.mark.parametrize(
    ("expression", "x", "expected"),
    [
        ("v(a)>v(b) ? 5 : 0", (3.0, 1.0), [2.0]),
        ("u(v(a)-2.5)*5", (3.0, 0.0), [0.5]),
        ("min(v(a),2)+max(v(b),0)", (3.0, 1.0), [1.0, 1.0]),
        ("tanh((v(a)-v(b))/2m)", (3.0, 1.0), []),
        ("ternary_fcn(v(a)>=1k, 1, 0)", (3.0, 1.0), [3.0 - 1000.0]),
        ("v(a,b)>1 && v(b)<2 ? 1 : 0", (3.0, 1.0), [1.0, -1.0]),
    ],
)
def test_comparisons_of_a_behavioural_source_become_gaps(
    expression: str, x: tuple[float, float], expected: list[float]
) -> None:
    """Every comparison, step function, min and max gives a gap; smooth functions give none."""
    found, columns = read(f"  1 : b1 out 0 v={expression}")
    row = [0.0] * len(columns)
    for name, value in zip(("a", "b"), x, strict=True):
        if name in columns:
            row[columns.index(name)] = value
    assert [gap.value(row) for gap in found.gaps] == pytest.approx(expected)
    assert not found.unread


@pytest.mark.parametrize("expression", ["floor(v(a))", "ddt(v(a))", "foo(v(a))", "v(a)>", "__import__('os')"])
def test_what_cannot_be_read_is_listed(expression: str) -> None:
    """An unknown function is never evaluated and never ignored: the line is named."""
    found, _ = read(f"  1 : b1 out 0 v={expression}")
    assert len(found.unread) == 1 and "b1" in found.unread[0]


def test_code_models_are_listed_as_unread() -> None:
    found, _ = read("  1 : a1 %v(in) %v(out) hyster", "  2 : .model hyster hyst(in_low=1)")
    assert found.unread and found.switching


def test_sources_of_time_and_memory_are_seen() -> None:
    found, _ = read(
        "  1 : vramp ramp 0 pulse(0 5 0 1m 1u 0 1m)", "  2 : c1 thr 0 22p", "  3 : r1 ramp thr 1k"
    )
    assert found.timed and not found.switching
    assert found.memory == {"thr"}


def test_the_engine_s_own_listing_is_read() -> None:
    """Parameters and subcircuits arrive resolved, under the names that the engine uses in results."""
    engine = session()
    engine.load(
        [
            ".param level=2",
            ".subckt trip a out",
            "B1 out 0 V={V(a) > level ? 5 : 0}",
            "C1 out 0 1p",
            ".ends",
            "V1 in 0 1",
            "X1 in y trip",
            "R1 y 0 1k",
        ],
        "listing",
    )
    columns = ["time"]

    def column(name: str) -> int:
        if name not in columns:
            columns.append(name)
        return columns.index(name)

    found = watch(engine.listing(), column)
    assert not found.unread
    assert len(found.gaps) == 1
    row = [0.0] * len(columns)
    row[columns.index("in")] = 3.0
    assert found.gaps[0].value(row) == pytest.approx(1.0)


@given(st.text(max_size=60))
@settings(deadline=None, derandomize=True)
def test_any_text_is_read_or_listed(text: str) -> None:
    """Arbitrary expressions never raise and are never executed."""
    line = f"  1 : b1 out 0 v={text}".replace("\n", " ").replace("\r", " ")
    found, columns = read(line)
    for gap in found.gaps:
        with suppress(ArithmeticError, ValueError):
            assert isinstance(gap.value([0.5] * len(columns)), (int, float))


@pytest.mark.parametrize(("text", "value"), [("4.7k", 4.7e3), ("-1e-9", -1e-9), ("2meg", 2e6), ("10u", 1e-5)])
def test_suffixed_numbers(text: str, value: float) -> None:
    assert math.isclose(suffixed(text), value)


@pytest.mark.parametrize("node", ["5v", "2out", "3v3", "12", "x1.2a", "n_1"])
def test_node_names_may_begin_with_a_digit(node: str) -> None:
    """The node that is watched is the one that is written."""
    found, columns = read(f"  1 : b1 out 0 v=v({node})>2.5 ? 5 : 0")
    assert not found.unread and columns == ["time", node]
    found, columns = read(f"  1 : b1 out 0 v=v({node}, ref)>2.5 ? 5 : 0")
    assert not found.unread and set(columns) == {"time", node, "ref"}
