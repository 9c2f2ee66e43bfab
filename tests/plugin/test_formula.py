"""The formula language: what it knows, what it refuses, and what it answers where there is no answer."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import interp1d

from gateway.model.errors import InputError
from gateway.plugin.layout.formula import Formula


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("a + 2*b - 1", 2 + 2 * 3 - 1),
        ("-a**2", -4),
        ("(a + b) / 4", 1.25),
        ("sqrt(a**2 + b**2)", math.hypot(2, 3)),
        ("exp(ln(b))", 3),
        ("log10(1000)", 3),
        ("max(a, min(b, 2.5)) + abs(-1)", 3.5),
        ("max(1, a, 9, b)", 9),
        ("sin(a)**2 + cos(a)**2 + tan(0) + atan(0)", 1),
        ("atan2(a, b) - asin(2 / sqrt(13)) + acos(1)", 0),
        ("where(a < b, 10, 20) + (a == 2) + (a != 2) + (b >= 3) + (b <= 2) + (a > 1)", 13),
        ("poly(a, 1, 0, 3)", 13),
        ("table(a, 0, 0, 4, 8, 5, 0)", 4),
        ("table(4.5, 0, 0, 4, 8, 5, 0)", 4),
    ],
)
def test_arithmetic(text: str, value: float) -> None:
    assert Formula(text, {"a", "b"})({"a": np.float64(2), "b": np.float64(3)}) == pytest.approx(value)


def test_it_works_on_columns() -> None:
    result = Formula("a * 2", {"a"})({"a": np.array([1.0, 2.0])})
    assert list(result) == [2.0, 4.0]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text",
    [
        "1/0",
        "1/(a-2)",
        "ln(0 - 1)",
        "ln(0)",
        "sqrt(0-a)",
        "10**(10**10)",
        "exp(10**6)",
        "(0-8)**0.5",
        "asin(2)",
        "table(9, 0, 0, 1, 1)",
        "where(0/0 > 1, 1, 2)",
        "sqrt(0-1) < 3",
    ],
)
def test_where_there_is_no_answer_the_result_is_no_value(text: str) -> None:
    assert math.isnan(Formula(text, {"a"})({"a": np.float64(2)}))


@pytest.mark.parametrize(
    "text",
    [
        "", "a +", "b", "a.real", "a[0]", "[a]", "a if a else a", "lambda: a", "__import__('os')", "a and a", "'text'",
        "True", "sqrt(a, a)", "sqrt(x=a)", "max(*[a])", "(a := 2)", "1e999 + a if a else 1", "f'{a}'", "a" * 1001, "1 < a < 3", "a in a", "table(a, 0, 0, 0, 1)", "table(a, 0, 0, 1)", "table(a, a, 0, 1, 1)", "poly(a)", "where(a, 1)", "max(a)",
        "-" * 100 + "a", "9" * 400, "1j", "a; a", "a\x00",
    ],
)  # fmt: skip
def test_what_is_not_of_the_language_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="formula"):
        Formula(text, {"a"})


@given(st.text(alphabet="ab0123456789.+-*/() ,sqrtexpln", max_size=60))
def test_any_text_is_a_formula_or_refused(text: str) -> None:
    try:
        Formula(text, {"a", "b"})({"a": np.float64(2), "b": np.float64(0)})
    except InputError:
        pass


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=12, unique=True).map(sorted),
    st.lists(st.floats(-1e6, 1e6), min_size=12, max_size=12),
    st.floats(-1e6, 1e6),
)
def test_a_table_is_scipys_linear_interpolation(xs: list[float], ys: list[float], at: float) -> None:
    """scipy.interpolate.interp1d (from the registry)."""
    points = list(zip(xs, ys, strict=False))
    text = f"table(v, {', '.join(f'{x!r}, {y!r}' for x, y in points)})"
    ours = float(Formula(text, {"v"})({"v": np.float64(at)}))
    theirs = float(interp1d(xs, ys[: len(xs)], bounds_error=False, fill_value=np.nan)(at))
    assert math.isnan(ours) == math.isnan(theirs)
    assert math.isnan(ours) or math.isclose(ours, theirs, rel_tol=1e-6, abs_tol=1e-3)


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=8), st.floats(-10, 10))
def test_a_polynomial_is_numpys(coefficients: list[float], at: float) -> None:
    """numpy.polynomial.polynomial.polyval."""
    text = f"poly(v, {', '.join(map(repr, coefficients))})"
    ours = float(Formula(text, {"v"})({"v": np.float64(at)}))
    assert ours == pytest.approx(np.polynomial.polynomial.polyval(at, coefficients), rel=1e-12, abs=1e-6)
