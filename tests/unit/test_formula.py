# SPDX-License-Identifier: GPL-3.0-or-later
"""Formulas: plain algebra only, figures as by hand, units checked, and nothing that can run."""

from __future__ import annotations

import math
import operator
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.dimensions import NONE, UNITS, Dimension, dimension_of
from harness.formula import Formula, FormulaError, evaluate_spice

calm = settings(deadline=None, derandomize=True, max_examples=400)
KINDS = {"a": UNITS["V"], "b": UNITS["V"], "Rx": UNITS["Ohm"], "Cx": UNITS["F"], "I": UNITS["A"], "k": NONE,
         "T": UNITS["degC"]}  # fmt: skip
VALUES = {"a": 3.0, "b": 2.0, "Rx": 1000.0, "Cx": 1e-9, "I": 1e-3, "k": 0.5}


def figure(text: str) -> float:
    value = Formula(text).evaluate(VALUES)
    assert isinstance(value, float)
    return value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("a + b*2 V", 7.0),
        ("(a + b)*2", 10.0),
        ("a - b - 1 V", 0.0),
        ("8/2/2", 2.0),
        ("-2**2", -4.0),
        ("2**-1", 0.5),
        ("+a", 3.0),
        ("--a", 3.0),
        ("4K7 + 0.3k", 5000.0),
        ("1M", 1e6),
        ("20 us * 3", 6e-5),
        ("10 %", 0.1),
        ("1.5e3", 1500.0),
        ("parallel(Rx, Rx)", 500.0),
        ("parallel(3, 6, 2)", 1.0),
        ("parallel(0, 5)", 0.0),
        ("clip(a, 0, 1)", 1.0),
        ("taper(k, 0.15)", 0.15),
        ("taper(0.75, 0.15)", 0.575),
        ("taper(0.3, k)", 0.3),
        ("clip(-a, 0, 1)", 0.0),
        ("min(a, b, 5)", 2.0),
        ("max(a, b)", 3.0),
        ("abs(-a)", 3.0),
        ("sqrt(4)", 2.0),
        ("exp(0)", 1.0),
        ("ln(exp(2))", 2.0),
        ("log10(1000)", 3.0),
        ("where(a > b, 1, 2)", 1.0),
        ("where(a <= b, 1, 2)", 2.0),
        ("pi", math.pi),
        ("RX", 1000.0),
    ],
)
def test_figures(text: str, value: float) -> None:
    assert figure(text) == pytest.approx(value, rel=1e-15)


def test_ln_9_is_the_rise_time_factor_of_one_pole() -> None:
    """10 % to 90 % of one RC takes ln 9 = 2.1972 RC (common practice, no source)."""
    assert figure("ln(9) * Rx * Cx") == pytest.approx(2.1972e-6, rel=2e-5)


_number = st.floats(0.01, 100).map(lambda value: round(value, 3))


def _tree(children: st.SearchStrategy[tuple[str, float]]) -> st.SearchStrategy[tuple[str, float]]:
    signs = {"+": operator.add, "-": operator.sub, "*": operator.mul}

    def joined(left: tuple[str, float], sign: str, right: tuple[str, float]) -> tuple[str, float]:
        return f"({left[0]}) {sign} ({right[0]})", signs[sign](left[1], right[1])

    return st.builds(joined, children, st.sampled_from("+-*"), children)


@given(st.recursive(_number.map(lambda value: (repr(value), value)), _tree, max_leaves=12))
@calm
def test_sums_and_products_are_those_of_floating_point(pair: tuple[str, float]) -> None:
    text, value = pair
    assert Formula(text).evaluate({}) == value


@given(st.lists(st.sampled_from(["+", "-", "*", "/"]), min_size=1, max_size=8), st.data())
@calm
def test_precedence_without_brackets(signs: list[str], data: st.DataObject) -> None:
    """Against exact fractions: products first, both from left to right."""
    from fractions import Fraction

    numbers = data.draw(st.lists(st.integers(1, 9), min_size=len(signs) + 1, max_size=len(signs) + 1))
    text = str(numbers[0]) + "".join(
        f"{sign}{number}" for sign, number in zip(signs, numbers[1:], strict=True)
    )
    terms = [Fraction(numbers[0])]
    for sign, number in zip(signs, numbers[1:], strict=True):
        if sign in "+-":
            terms.append(Fraction(number if sign == "+" else -number))
        else:
            terms[-1] = terms[-1] * number if sign == "*" else terms[-1] / number
    assert Formula(text).evaluate({}) == pytest.approx(float(sum(terms)), rel=1e-12, abs=1e-12)


def test_arrays_broadcast_and_no_warning_is_given() -> None:
    formula = Formula("1 V / (a - b) * 1 V")
    result = formula.evaluate({"a": np.array([1.0, 2.0, 3.0]), "b": 2.0})
    np.testing.assert_array_equal(result, [-1.0, np.nan, 1.0])
    grid = Formula("a * b").evaluate({"a": np.arange(3.0)[:, None], "b": np.arange(2.0)})
    assert np.shape(grid) == (3, 2)


def test_an_array_that_the_result_ignores_still_gives_its_shape() -> None:
    assert np.shape(Formula("0*a + 1").evaluate({"a": np.zeros(4)})) == (4,)
    assert np.shape(Formula("where(a > b, 1, 2)").evaluate({"a": np.zeros(4), "b": 1.0})) == (4,)


@pytest.mark.parametrize(
    "text", ["1/0", "0/0", "sqrt(-1)", "ln(-1)", "ln(0)", "exp(1e9)", "(-8)**(1/3)", "1/(1/0)"]
)
def test_no_figure_is_nan(text: str) -> None:
    assert math.isnan(figure(text))


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "column 1: expected a number or a name, got the end"),
        ("1 +", "column 4: expected a number or a name, got the end"),
        ("a b", 'column 3: expected an operator before "b"'),
        ("2 Rx", 'a "*" may be missing'),
        ("a^2", 'column 2: expected the end before "^"'),
        ("2**3**2", "put brackets"),
        ("(a", 'expected ")"'),
        ("a,b", 'column 2: expected the end before ","'),
        ("clip(a)", '"clip" wants 3 arguments, got 1'),
        ("min(a)", '"min" wants at least 2 arguments, got 1'),
        ("log(a)", 'did you mean "log10"?'),
        ("Rx(a + b)", "is no function"),
        ("parallel", "is a function and wants its arguments in brackets"),
        ("where(a, 1, 2)", "is a comparison such as a < b"),
        ("a < b", 'expected the end before "<"'),
        ("a == b", "expected the end"),
        ("1meg", 'write "1M"'),
        ("a.real", '"." has no place in a formula'),
        ("a[0]", '"[" has no place in a formula'),
        ("'x'", "has no place in a formula"),
        ("__import__(os)", '"__import__" is no function'),
        ("__import__('os')", '"\'" has no place in a formula'),
        ("lambda: 0", 'expected the end before ":"'),
        ("a if b else k", 'column 3: expected an operator before "if"'),
        ("a @ b", '"@" has no place'),
        ("1_000", '"_000" is no unit'),
        ("a; b", '";" has no place'),
        ("a = b", '"=" has no place'),
        ("a // b", "expected a number or a name"),
        ("a\x00", "has no place in a formula"),
        ("(" * 100 + "a" + ")" * 100, "nested deeper"),
        ("-" * 100 + "a", "nested deeper"),
        ("a" + "+a" * 300, "split it"),
        ("a" * 3000, "too long"),
    ],
)
def test_what_is_not_plain_algebra_is_refused_with_its_place(text: str, sentence: str) -> None:
    with pytest.raises(FormulaError) as caught:
        Formula(text)
    assert sentence in str(caught.value)


_WORDS = (
    "a b Rx 1 2.5 4K7 + - * / ** ( ) , min( where( < >= parallel( exp( 9**9 __class__ . [ ' lambda eval( {"
)
_PIECES = st.sampled_from([*_WORDS.split(), "3 V", "%", "\u00b5", " ", "\n", "import os", "\\"])


@given(st.text(max_size=60) | st.lists(_PIECES, max_size=25).map("".join))
@settings(deadline=None, derandomize=True, max_examples=1000)
def test_any_text_gives_a_figure_or_a_sentence(text: str) -> None:
    """Nothing but FormulaError ever leaves, and a figure is a finite float or nan."""

    def spice() -> object:
        return evaluate_spice(text, VALUES)

    def figure_of() -> object:
        return Formula(text).evaluate(VALUES)

    def unit() -> object:
        return Formula(text).dimension(KINDS)

    def with_numbers() -> object:
        return Formula(text).with_numbers(VALUES)

    for read, kind in ((spice, float), (figure_of, float), (unit, Dimension), (with_numbers, str)):
        try:
            value = read()
        except FormulaError as error:
            assert str(error)
        else:
            assert isinstance(value, kind)
            assert not (isinstance(value, float) and math.isinf(value))


def test_the_deepest_formula_that_is_read_can_be_worked_out() -> None:
    """The caps lie far inside what the walk can bear."""
    deep = Formula("(" * 29 + "a" + "+1)*1" * 29)
    long = Formula("a" + "+a" * 198)
    for formula in (deep, long):
        assert math.isfinite(float(formula.evaluate(VALUES)))
        assert formula.names == {"a"}
        formula.with_numbers(VALUES)
    assert long.dimension(KINDS) == UNITS["V"]


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("a / Rx", "A"),
        ("a*I", "W"),
        ("Rx*Cx", "s"),
        ("1/(Rx*Cx)", "Hz"),
        ("I/Cx", "V/s"),
        ("sqrt(a*b)", "V"),
        ("a**2/Rx", "W"),
        ("(Rx*Cx)**-1", "Hz"),
        ("(a*b)**0.5", "V"),
        ("parallel(Rx, 3.3 kOhm)", "Ohm"),
        ("clip(a/b, 0, 1)", ""),
        ("max(0, a)", "V"),
        ("0 + a", "V"),
        ("where(a < b, a, 0)", "V"),
        ("a + 150 mV", "V"),
        ("exp(a/b)", ""),
        ("k**2.7", ""),
        ("2**k", ""),
        ("T - 25 degC", "K"),
        ("T - -273.15 degC", "K"),
        ("T + 273.15 K", "K"),
        ("273.15 K + T", "K"),
        ("T + 5 K", "degC"),
        ("5 K + T", "degC"),
        ("T - 5 K", "degC"),
        ("T - 0", "degC"),
        ("max(T, -10 degC, 0)", "degC"),
        ("clip(T, 0 degC, 50 degC)", "degC"),
        ("where(T == 25 degC, T, 0 degC)", "degC"),
        ("abs(T - 25 degC) / 1 K", ""),
        ("86.17e-6 V * (T + 273.15 K) / 1 K", "V"),
        ("a * 1 %", "V"),
    ],
)
def test_dimensions(text: str, unit: str) -> None:
    assert Formula(text).dimension(KINDS) == UNITS.get(unit, UNITS["V"] / UNITS["s"])


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("a + Rx", "`a + Rx`: adds Ohm to V (`Rx` to `a`)"),
        ("a - Rx", "`a - Rx`: subtracts Ohm from V (`Rx` from `a`)"),
        ("k*(a/Rx + b)", "`k*(a/Rx + b)`: adds V to A (`b` to `a/Rx`), in `a/Rx + b`"),
        ("a + 1", "adds no unit to V (`1` to `a`)"),
        ("a + 1 - 1", "adds no unit to V (`1` to `a`), in `a + 1`"),
        ("max(a, I)", '"max" compares V with A (`a`, `I`)'),
        ("parallel(Rx, Cx)", '"parallel" compares Ohm with F (`Rx`, `Cx`)'),
        ("clip(a, 0, 1)", '"clip" compares V with no unit (`a`, `1`)'),
        ("where(a < Rx, 1, 2)", "compares V with Ohm"),
        ("where(a < b, a, I)", '"where" chooses between V with A'),
        ("exp(a)", '"exp" wants a plain number, but `a` is in V'),
        ("ln(Rx*Cx)", "`Rx*Cx` is in s"),
        ("a**Rx", "the exponent `Rx` is in Ohm"),
        ("a**k", "its exponent has to be a number, not `k`"),
        ("a**99", "may be at most 12"),
        (
            "86.17e-6 V * T / 1 K",
            "`T` is in degC; degC counts from a zero of its own: add 273.15 K or take a",
        ),
        ("T * 2", "`T` is in degC; "),
        ("a / (T + 5 K)", "`T + 5 K` is in degC; "),
        ("-T", "`T` is in degC; "),
        ("0 - T", "add 273.15 K or take a difference"),
        ("abs(T)", "`T` is in degC; "),
        ("sqrt(T)", "`T` is in degC; "),
        ("T**2", "`T` is in degC; "),
        ("exp(T)", "`T` is in degC"),
        ("T + T", "adds degC to degC (`T` to `T`); degC counts from a zero of its own: add 273.15 K"),
        ("300 K - T", "subtracts degC from K (`T` from `300 K`); degC counts from"),
        ("max(T, 300 K)", '"max" compares degC with K (`T`, `300 K`); degC counts from'),
        ("T + a", "adds V to degC (`a` to `T`)"),
        ("a + nobody", 'no value for "nobody"'),
    ],
)
def test_wrong_dimensions_name_formula_term_and_both_units(text: str, sentence: str) -> None:
    with pytest.raises(FormulaError) as caught:
        Formula(text).dimension(KINDS)
    assert sentence in str(caught.value)


def test_a_degree_in_a_quotient_is_a_kelvin() -> None:
    assert dimension_of("V/degC") == dimension_of("V/K")
    assert dimension_of("degC") != dimension_of("K")


def test_a_missing_name_names_the_nearest_in_its_own_spelling() -> None:
    with pytest.raises(FormulaError, match=r'no value for "Rxx" \(did you mean "Rx"\?\)'):
        Formula("Rxx * 2").evaluate(VALUES)


def test_numbers_put_in_read_like_the_formula_and_give_the_same_figure() -> None:
    formula = Formula("(a/Rx + I)*parallel(Rx, 1k) - a**2/b")
    units = {"a": "V", "b": "V", "Rx": "Ohm", "I": "A"}
    text = formula.with_numbers({**VALUES, "a": -3.0}, units)
    assert text == "((-3 V)/(1 kOhm) + 1 mA)*parallel(1 kOhm, 1k) - (-3 V)**2/(2 V)"
    assert Formula(text).evaluate({}) == pytest.approx(formula.evaluate({**VALUES, "a": -3.0}))
    assert Formula("1/pi + pico").with_numbers({"pico": 2.0}) == "1/pi + 2"


def test_formulas_travel_to_workers() -> None:
    formula = pickle.loads(pickle.dumps(Formula("a + b")))
    assert formula == Formula("a + b")
    assert formula.evaluate(VALUES) == 5.0


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # Each of these was tried on engine 39 as the value of a source.
        ("{2*q + 1k}", 1006.0),
        ("'q*2'", 6.0),
        ("Q*2", 6.0),
        ("-2**2", -4.0),
        ("-q^2", -9.0),
        ("2*q^2", 18.0),
        ("2**-1", 0.5),
        ("log(10)", math.log(10.0)),
        ("ln(10)", math.log(10.0)),
        ("log10(100)", 2.0),
        ("pow(2, 3)", 8.0),
        ("pow(-2, 3)", -8.0),
        ("min(1, 2) + max(q, 5)", 6.0),
        ("q > 2 ? 1 : 0", 1.0),
        ("(1 > 2) + (3 >= 3)", 1.0),
        ("q && 0", 0.0),
        ("!q", 0.0),
        ("2 != 3", 1.0),
        ("1M", 1e-3),
        ("1meg", 1e6),
        ("1.5meg*2", 3e6),
        ("10V", 10.0),
        ("1kohm", 1e3),
        ("100n*1e9", 100.0),
        ("1F*1e15", 1.0),
        ("sqr(3) + sgn(-3) + int(2.7) + nint(2.5) + floor(-2.5)", 9.0),
        ("2--3", 5.0),
        ("2 * -3", -6.0),
        ("sin(1)", math.sin(1.0)),
    ],
)
def test_netlist_expressions_as_the_engine_reads_them(text: str, value: float) -> None:
    assert evaluate_spice(text, {"q": 3.0}) == pytest.approx(value, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("qq*2", 'there is no parameter "qq" (did you mean "q"?)'),
        ("4K7", "write 4.7k in a netlist"),
        ("1mil", "write the number out"),
        ("2**3**2", "put brackets"),
        ("1/0", "gives no finite number"),
        ("(-8)**3", "gives no finite number"),
        ("sqrt(-4)", "gives no finite number"),
        ("2 3", "expected an operator"),
        ("limit(1, 2, 3)", "is no function"),
        ("where(1, 2, 3)", "is no function"),
        ("q ? 1", 'expected ":"'),
    ],
)
def test_netlist_expressions_that_are_refused(text: str, sentence: str) -> None:
    with pytest.raises(FormulaError) as caught:
        evaluate_spice(text, {"q": 3.0})
    assert sentence in str(caught.value)
