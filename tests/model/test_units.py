"""Quantities and units: exact, strict, and never implicit."""

from __future__ import annotations

from fractions import Fraction
from unicodedata import normalize

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.model.errors import UnitError
from gateway.model.units import parse_duration_ns, parse_quantity, parse_unit, unit_text


@pytest.mark.parametrize(
    ("text", "value", "symbol"),
    [
        ("0.01 degC", Fraction(1, 100), "degC"),
        ("1/16 g_0", Fraction(1, 16), "g_0"),
        ("2**-4 K", Fraction(1, 16), "K"),
        ("2^-4 K", Fraction(1, 16), "K"),
        ("1e-3 V", Fraction(1, 1000), "V"),
        ("10 /s", Fraction(10), "1/s"),
        ("-40degC", Fraction(-40), "degC"),
        ("3", Fraction(3), ""),
        ("50 %", Fraction(50), "%"),
    ],
)
def test_a_quantity_is_read_exactly(text: str, value: Fraction, symbol: str) -> None:
    quantity = parse_quantity(text)
    assert (quantity.value, quantity.unit.symbol) == (value, symbol)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        # definitions of the SI Brochure and of the International Yard and Pound agreement, exact
        ("20 degC", "K", Fraction(29315, 100)),
        ("100 degC", "degF", Fraction(212)),
        ("1 hPa", "Pa", Fraction(100)),
        ("1 g_0", "m/s**2", Fraction(980665, 100000)),
        ("1 inch", "mm", Fraction(254, 10)),
        ("50 percent", "", Fraction(1, 2)),
        ("60 bpm", "1/s", Fraction(1)),
        ("1 uW/cm**2", "W/m**2", Fraction(1, 100)),
    ],
)
def test_conversion_is_exact(text: str, unit: str, value: Fraction) -> None:
    assert parse_quantity(text).in_unit(parse_unit(unit)) == value


def test_a_difference_of_temperatures_is_not_a_point_on_the_scale() -> None:
    assert parse_quantity("2 degC").span_in(parse_unit("K")) == 2
    assert parse_quantity("2 degC").in_unit(parse_unit("K")) == Fraction(27515, 100)


@pytest.mark.parametrize(
    ("symbol", "hint"),
    [("g", "standard gravity"), ("RH", "percent"), ("C", "coulomb"), ("pH", "picohenry"), ("mg", "milligram")],
)
def test_a_symbol_that_reads_as_something_else_is_refused_with_a_hint(symbol: str, hint: str) -> None:
    with pytest.raises(UnitError, match=hint):
        parse_unit(symbol)


@pytest.mark.parametrize(
    "text", ["", "abc", "1 foo", "1e500 m", "1/0 m", "2**99999 m", "0**-1 m", "1 m/", "1 (", "1 m**m"]
)
def test_what_is_no_quantity_is_refused(text: str) -> None:
    with pytest.raises(UnitError):
        parse_quantity(text)


@pytest.mark.parametrize(
    ("one", "other"), [("degC", "percent"), ("g_0", "gram"), ("deg", ""), ("dBm", "dB"), ("lux", "W/m**2")]
)
def test_dimensions_are_kept_apart(one: str, other: str) -> None:
    with pytest.raises(UnitError, match=" is "):
        parse_unit(one).to(parse_unit(other))


@pytest.mark.parametrize(
    ("text", "ns"),
    [("100 ms", 10**8), ("72 h", 72 * 3600 * 10**9), ("3 days", 3 * 86400 * 10**9), ("1.25 ms", 1_250_000)],
)
def test_a_length_of_time_is_nanoseconds(text: str, ns: int) -> None:
    assert parse_duration_ns(text) == ns


@pytest.mark.parametrize("text", ["20", "5 m", "-1 s", "0 s", "99 years", "soon"])
def test_what_is_no_length_of_time_is_refused(text: str) -> None:
    with pytest.raises(UnitError):
        parse_duration_ns(text)


@pytest.mark.parametrize(
    ("symbol", "suffix"),
    [("m/s**2", "m_per_s2"), ("%", "percent"), ("1/K", "1_per_K"), ("µg/m**3", "ug_per_m3"), ("degC", "degC")],
)
def test_a_unit_can_stand_in_a_column_name(symbol: str, suffix: str) -> None:
    assert parse_unit(symbol).column_suffix == suffix


@given(st.text(max_size=40))
def test_any_text_is_a_quantity_or_a_unit_error(text: str) -> None:
    try:
        parse_quantity(text)
    except UnitError:
        pass


@pytest.mark.parametrize(
    "symbol",
    [
        "degC",
        "degF",
        "percent",
        "gram/m**3",
        "microtesla",
        "m/s**2",
        "kg/m**3",
        "hPa",
        "lux",
        "km/h",
        "kilogram",
    ],
)
def test_a_unit_is_printed_with_the_signs_that_pint_prints(symbol: str) -> None:
    """Referee: pint's short pretty format, whose sign for micro is one of two that look alike."""
    printed = f"{pint.UnitRegistry().Unit(symbol):~P}"
    assert normalize("NFKC", unit_text(symbol)) == normalize("NFKC", printed)


def test_a_rate_is_printed_without_its_one_and_standard_gravity_as_a_symbol() -> None:
    assert [unit_text(symbol) for symbol in ("1/s", "1 / min", "", "m**-1", "g_0")] == ["/s", "/min", "", "m⁻¹", "g₀"]


@pytest.mark.parametrize("unit", ["percent", "ppm", "deg"])
def test_a_bare_number_is_neither_a_share_nor_an_angle(unit: str) -> None:
    """Though all of them are plain numbers: 2 is not 200 percent, where somebody meant 2 percent."""
    with pytest.raises(UnitError, match=f"2 has no unit, write for example '2 {unit}'"):
        parse_quantity("2").in_unit(parse_unit(unit))
    with pytest.raises(UnitError, match="has no unit"):
        parse_quantity("2").span_in(parse_unit(unit))
