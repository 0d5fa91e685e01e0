"""Numbers that files bring in: what no computation can carry is named with its key."""

import math

import pytest

from ctrecon.core.numbers import LARGEST, is_number, unusable_numbers


@pytest.mark.parametrize("number", [10**400, -(10**400), 1e300, 1.1e15, math.inf, -math.inf, math.nan])
def test_numbers_that_cannot_be_used_are_named(number: float) -> None:
    """Infinite, not a number, or too large for any length, count or weight, whole or not: key and limit are told."""
    data = {"name": "9", "holes": [{"size_mm": 3}, {"size_mm": [1.0, number]}], "known": True, "none": None}
    (said,) = unusable_numbers(data)
    assert said.startswith("holes.1.size_mm.1: ")
    assert "give one up to 1e+15" in said
    assert len(said) < 100
    assert not is_number(number)
    assert len(list(unusable_numbers([10**5000]))) == 1  # of more digits than Python prints


@pytest.mark.parametrize("number", [0, -0.0, 5e-324, 1e-300, 3, -LARGEST, LARGEST])
def test_numbers_that_can_be_used_pass(number: float) -> None:
    """Zero, the smallest and the largest that is allowed are numbers; true, texts and None are none, and no fault."""
    assert is_number(number)
    assert list(unusable_numbers([number, True, "1e400", None])) == []
    assert not any(is_number(one) for one in (True, "1", None))


def test_nesting_deeper_than_recursion_goes_is_searched() -> None:
    """A file may be nested as deep as it likes."""
    deep: list[object] = [math.inf]
    for _ in range(100_000):
        deep = [deep]
    assert len(list(unusable_numbers(deep[0]))) == 1
