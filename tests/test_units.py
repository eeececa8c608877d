from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buildkit.model import Quantity
from buildkit.tables import Tables
from buildkit.units import UNITS, convert, decimal, from_steps, to_steps, units_like

PAIRS = [(given, wanted) for given in UNITS for wanted in units_like(given)]
VALUES = st.fractions(min_value=-2000, max_value=2000, max_denominator=10_000)


@pytest.mark.parametrize(
    ("value", "given_unit", "wanted", "exact"),
    [
        # fixed points of the scales: NIST SP 811, B.8, and the two scales' crossing
        ("0", "degC", "degF", "32"), ("100", "degC", "degF", "212"), ("-40", "degC", "degF", "-40"),
        ("37", "degC", "degF", "98.6"), ("68", "degF", "degC", "20"), ("20.5", "degC", "degF", "68.9"),
        ("1", "mg/m3", "ug/m3", "1000"), ("15", "ug/m3", "mg/m3", "0.015"),
        ("1013.25", "hPa", "kPa", "101.325"), ("1", "kPa", "hPa", "10"), ("45", "%RH", "%RH", "45"),
    ],
)  # fmt: skip
def test_conversion_is_exact(value: str, given_unit: str, wanted: str, exact: str) -> None:
    assert convert(Fraction(value), given_unit, wanted) == Fraction(exact)


def test_a_third_of_a_degree_is_not_rounded() -> None:
    assert convert(Fraction(1), "degF", "degC") == Fraction(-155, 9)


@given(pair=st.sampled_from(PAIRS), value=VALUES)
def test_there_and_back_is_the_same(pair: tuple[str, str], value: Fraction) -> None:
    here, there = pair
    assert convert(convert(value, here, there), there, here) == value


@given(pair=st.sampled_from(PAIRS), value=VALUES)
def test_more_is_more_in_every_unit(pair: tuple[str, str], value: Fraction) -> None:
    here, there = pair
    assert convert(value, here, there) < convert(value + Fraction(1, 1000), here, there)


def test_like_units_begin_with_the_unit_itself() -> None:
    assert units_like("degF") == ["degF", "degC"]
    assert units_like("ug/m3") == ["ug/m3", "mg/m3"]
    assert units_like("%RH") == ["%RH"]
    assert all(
        UNITS[other].kind == UNITS[unit].kind for unit in UNITS for other in units_like(unit)
    )


def test_every_quantity_of_the_tables_has_a_known_unit() -> None:
    tables = Tables()
    units = {q.unit for part in tables.part_ids() for q in tables.part(part).quantities.values()}
    assert units
    assert units <= set(UNITS)


SOIL = Quantity(
    "temperature", "", "degC", Fraction(-55), Fraction(125), Fraction(1, 16), Fraction(0), 1, ""
)


@pytest.mark.parametrize(
    ("value", "unit", "steps"),
    [("20.5", "degC", 328), ("-0.0625", "degC", -1), ("68.9", "degF", 328), ("-67", "degF", -880)],
)
def test_readings_are_whole_steps(value: str, unit: str, steps: int) -> None:
    assert to_steps(Fraction(value), unit, SOIL) == steps
    assert from_steps(Fraction(steps), unit, SOIL) == Fraction(value)


def test_a_threshold_between_steps_stays_between() -> None:
    assert to_steps(Fraction("20.51"), "degC", SOIL) == Fraction(8204, 25)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("0", "0"), ("-0.0000001", "0"), ("15", "15"), ("20.50", "20.5"), ("-0.25", "-0.25"),
        ("100", "100"), ("1/3", "0.333333"), ("2/3", "0.666667"), ("1000000", "1000000"),
        ("0.000001", "0.000001"),
    ],
)  # fmt: skip
def test_decimal_text_is_short(value: str, text: str) -> None:
    assert decimal(Fraction(value)) == text


@given(st.integers(-(10**12), 10**12))
def test_decimal_text_of_millionths_reads_back(millionths: int) -> None:
    value = Fraction(millionths, 10**6)
    assert abs(Fraction(decimal(value)) - value) <= Fraction(1, 2 * 10**6)
    assert "e" not in decimal(value)
