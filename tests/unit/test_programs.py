# SPDX-License-Identifier: GPL-3.0-or-later
"""Programs of gaps: the same bits from the Python functions and from the compiled stack machine."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.engine.gaps import watch
from harness.engine.programs import MOST_DEPTH, MOST_HEIGHT, OPERATIONS, Program
from harness.engine.steering import Library, library

COLUMNS = 3


@pytest.fixture(scope="module")
def built() -> Library:
    found = library()
    if found is None:
        pytest.skip("no C compiler here")
    return found


def bits(number: float) -> bytes:
    return b"not a number" if math.isnan(number) else struct.pack("d", number)


leaves = st.integers(0, COLUMNS - 1).map(Program.column) | st.floats().map(Program.constant)


def grown(parts: st.SearchStrategy[Program]) -> st.SearchStrategy[Program]:
    def applied(name: str) -> st.SearchStrategy[Program]:
        return st.tuples(*[parts] * OPERATIONS[name][0]).map(lambda arguments: Program.of(name, *arguments))

    return st.sampled_from(sorted(OPERATIONS)).flatmap(applied)


@given(st.recursive(leaves, grown, max_leaves=20), st.tuples(*[st.floats()] * COLUMNS))
@settings(deadline=None, derandomize=True, max_examples=400)
def test_any_program_gives_the_same_bits_on_both_sides(program: Program, row: tuple[float, ...]) -> None:
    """Whatever a program computes, also from infinities and from what is not a number, nothing raises."""
    found = library()
    if found is None:
        pytest.skip("no C compiler here")
    assert bits(program(row)) == bits(found.value(program, row))


def test_both_sides_know_the_same_operations(built: Library) -> None:
    machine = set(built.ffi.typeof("enum operation").relements)
    assert machine == {name.upper() for name in OPERATIONS} | {"END", "COLUMN", "CONSTANT"}


@pytest.mark.parametrize(
    ("operation", "row", "expected"),
    [
        ("divide", (1.0, 0.0), math.inf),
        ("divide", (1.0, -0.0), -math.inf),
        ("divide", (0.0, 0.0), math.nan),
        ("power", (0.0, -1.0), math.inf),
        ("power", (1e200, 2.0), math.inf),
        ("exponential", (1e6,), math.exp(300.0)),
        ("logarithm", (0.0,), math.log(1e-300)),
        ("sine", (math.inf,), math.nan),
        ("choice", (0.0, 1.0, 2.0), 2.0),
    ],
)
def test_the_edges_of_the_operations(operation: str, row: tuple[float, ...], expected: float) -> None:
    """The values of IEEE 754 arithmetic (C99, annex F), with the clipped arguments that are stated."""
    program = Program.of(operation, *(Program.column(i) for i in range(len(row))))
    assert bits(program(row)) == bits(expected)


def nested(operation: str, height: int, right: bool) -> Program:
    program = Program.column(0)
    for _ in range(height - 1):
        parts = (Program.column(0), program) if right else (program, Program.column(0))
        program = Program.of(operation, *parts)
    return program


def test_what_the_machine_cannot_hold_is_refused(built: Library) -> None:
    """A program at the limit of the stack runs on both sides; one beyond it is refused, and so is a tower
    that Python could not call."""
    deepest = nested("add", MOST_DEPTH, right=True).check()
    assert built.value(deepest, [1.5]) == deepest([1.5]) == 1.5 * MOST_DEPTH
    highest = nested("add", MOST_HEIGHT, right=False).check()
    assert built.value(highest, [1.5]) == highest([1.5]) == 1.5 * MOST_HEIGHT
    for program in (nested("add", MOST_DEPTH + 1, right=True), nested("add", MOST_HEIGHT + 1, right=False)):
        with pytest.raises(ValueError, match="too deeply nested"):
            program.check()
        with pytest.raises(ValueError, match="too deeply nested"):
            built.assemble([program])


@pytest.mark.parametrize(
    "expression", ["(" * 300 + "v(a)" + ")" * 300 + ">1", "-" * 300 + "v(a)>1", "v(a)>1" + "+v(a)" * 300]
)
def test_an_expression_nested_beyond_reason_is_listed_as_unread(expression: str) -> None:
    found = watch([f"  1 : b1 out 0 v={expression}"], lambda name: 0)
    assert not found.gaps
    assert len(found.unread) == 1 and "too deeply nested" in found.unread[0]
