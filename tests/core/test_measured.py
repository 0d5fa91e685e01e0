"""Measured numbers: expansion and rounding, against the worked examples of the GUM."""

import math
from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ctrecon.core.measured import (
    Measured,
    decimals_for,
    expanded,
    format_percent,
    format_short,
    format_u,
    format_value,
)


def test_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008 example H.1: the end gauge comes to 50.000838 mm with a u of 32 nm."""
    gauge_nm, comparator_nm, expansion_nm = 25.0, 9.7, 2.9
    per_degree, u_degrees = 11.5e-6, 0.029  # the last component grows with the length, as a scale does
    length = Measured(50.000623 + 215e-6, math.hypot(gauge_nm, comparator_nm, expansion_nm) * 1e-6)
    both = expanded(length, per_degree * u_degrees)
    assert both is not None
    assert round(both / 2 * 1e6) == 32
    assert format_value(length.value, 6) == "50.000838"


def test_comparator_of_the_gum() -> None:
    """JCGM 100:2008 example H.1: 5.8, 3.9 and 6.7 nm make 9.7 nm."""
    assert expanded(Measured(1.0, math.hypot(5.8, 3.9, 6.7))) == pytest.approx(2 * 9.7, abs=0.05)


def test_value_is_rounded_to_agree_with_u() -> None:
    """JCGM 100:2008, 7.2.6: 10.05762 with an uncertainty of 27 in the third decimal is rounded to 10.058.

    The rule there keeps two digits of the uncertainty; ours does so after a leading 1 and
    keeps one digit otherwise (own choice), so that 10.05762 with 0.027 becomes 10.06.
    """
    assert format_value(10.05762, 3) == "10.058"
    assert format_value(10.05762, decimals_for(0.017)) == "10.058"
    assert format_value(10.05762, decimals_for(0.027)) == "10.06"


@pytest.mark.parametrize("u", [0.0995, 0.00995, 0.1, 0.01, 0.001, 0.19999999999])
def test_rounding_at_the_edge_of_a_power_of_ten(u: float) -> None:
    """At a power of ten U still prints one or two digits, never none and never three."""
    digits = format_u(u, decimals_for(u)).replace(".", "").lstrip("0")
    assert 1 <= len(digits) <= 2


@given(st.floats(1e-4, 1e3))
def test_printed_u_is_close(u: float) -> None:
    """Printing U changes it by less than a quarter, or by half a unit where units are shown whole."""
    decimals = decimals_for(u)
    assert abs(float(format_u(u, decimals)) - u) <= 0.25 * u + 1e-12 or decimals == 0


@given(st.floats(-1e6, 1e6), st.integers(0, 4))
def test_value_keeps_its_size(value: float, decimals: int) -> None:
    """A printed value is off by no more than half of its last digit, and zero has no sign."""
    text = format_value(value, decimals)
    assert abs(float(text) - value) <= 0.5 * 10.0**-decimals * (1 + 1e-6)
    assert not (text.startswith("-") and float(text) == 0)


def test_unknown_u_stays_unknown() -> None:
    """A value without u has no U, prints three decimals and no zero in its place."""
    assert expanded(Measured(3.0), 0.01) is None
    assert decimals_for(None) == 3
    assert format_u(None, 3) == ""


def test_tiny_u_is_not_printed_as_zero() -> None:
    """A U below the last decimal is given as less than that decimal."""
    assert decimals_for(1e-7) == 4
    assert decimals_for(5e-324) == 4
    assert format_u(1e-7, 4) == "<0.0001"


def test_scale_adds_in_quadrature() -> None:
    """u 3 and scale share 4 make U 10 (the 3-4-5 triangle, k = 2)."""
    assert expanded(Measured(100.0, 3.0), 0.04) == pytest.approx(10.0)
    assert expanded(Measured(-100.0, 3.0), 0.04) == pytest.approx(10.0)


@given(st.decimals(-1000, 1000, places=3), st.integers(0, 2))
def test_halves_are_rounded_as_decimal_arithmetic_does(value: Decimal, decimals: int) -> None:
    """Numbers typed with three decimals print as Python's decimal module (ROUND_HALF_UP) rounds them, but for -0."""
    expected = value.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    assert Decimal(format_value(float(value), decimals)) == expected
    if abs(expected) * 100 < 1000:
        percent = (value * 100).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
        assert format_percent(float(value), decimals) == f"{abs(percent) if percent == 0 else percent} %"


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (0.0, 3, "0"),
        (-1e-12, 3, "-1e-12"),
        (0.125, 2, "0.13"),
        (1234.5, 4, "1235"),
        (2.675, 3, "2.68"),
        (0.05, 6, "0.05"),
    ],
)
def test_significant_digits_round_halves_up_too(value: float, digits: int, text: str) -> None:
    """Short numbers lose the zeros at their end and round like the others."""
    assert format_short(value, digits) == text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1e30, 1e300, 5e-324])
def test_numbers_out_of_all_bounds_print(value: float) -> None:
    """What no measurement gives still prints, and never fails."""
    assert format_value(value, 3)
    assert format_short(value, 3)
    assert format_percent(value).endswith(" %")


def test_a_sign_stands_where_there_is_one() -> None:
    """A shift is written with its sign; none is none."""
    shown = [format_value(one, 2, sign=True) for one in (0.126, -0.126, 0.001, -0.001)]
    assert shown == ["+0.13", "-0.13", "0.00", "0.00"]
