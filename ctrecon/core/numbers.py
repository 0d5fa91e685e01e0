"""Numbers that files and people bring in: those that no computation can carry are refused where they are read."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from numbers import Real
from typing import Any

__all__ = ["LARGEST", "LEAST_MM", "is_number", "unusable_numbers"]

LARGEST = 1e15
"""No length, count or weight of a part comes near it, and double precision still holds its fourth power."""

LEAST_MM = 1e-9
"""A length above 0 and below this (mm) is none: a hundredth of an atom."""


def is_number(value: object) -> bool:
    """Return whether a value is a number, finite and not beyond `LARGEST`.

    Examples
    --------
    >>> is_number(0.05), is_number(10**400), is_number(float("nan")), is_number("1")
    (True, False, False, False)
    """
    real: Any = value if isinstance(value, Real) and not isinstance(value, bool) else float("nan")
    return bool(-LARGEST <= real <= LARGEST)


def unusable_numbers(data: Any, at: str = "") -> Iterator[str]:
    """Go through numbers in tables and lists, to any depth; yield key and fault of each not finite or too large.

    Parameters
    ----------
    data : mapping, list, tuple or anything else
        As a file was read.
    at : str
        Key under which it stands.

    Examples
    --------
    >>> list(unusable_numbers({"holes": [{"size_mm": 3.0}, {"size_mm": 10**400}]}))
    ['holes.1.size_mm: 1.00e+400 is no number that can be used; give one up to 1e+15']
    """
    left = [(at, data)]  # no recursion: a file may be nested deeper than that goes
    while left:
        at, value = left.pop()
        if isinstance(value, (Mapping, list, tuple)):
            inside = list(value.items() if isinstance(value, Mapping) else enumerate(value))
            left += [(f"{at}.{key}" if at else str(key), one) for key, one in reversed(inside)]
        elif isinstance(value, (int, float)) and not isinstance(value, bool) and not is_number(value):
            yield f"{at}: {Decimal(value):.3g} is no number that can be used; give one up to {LARGEST:g}"
