"""Twist drills by series (metric, number, letter, fraction): by name, and the one to take for a size."""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.tables import read_table

__all__ = [
    "DRILL_SERIES", "Drill", "DrillChoice", "drill_named", "drills", "largest_drill_up_to", "nearest_drill",
    "smallest_drill_from",
]  # fmt: skip

DRILL_SERIES: dict[str, str] = {
    "metric": "metric drills (BS 328)",
    "number": "number drills",
    "letter": "letter drills",
    "fraction": "fractional inch drills",
}
"""The series of drills by their key, with the words for them."""

_INCH_MM = 25.4
_LAST_64TH = 112
"""Fractions go by 1/64 in to 1-3/4 in; above that the steps widen, and no plate here needs them."""


@dataclass(frozen=True)
class Drill:
    """One drill: its name as marked on it, its series and its diameter (mm)."""

    name: str
    series: str
    diameter_mm: float

    def __str__(self) -> str:
        if self.series == "metric":
            return f"{self.name} drill"
        return f"{self.name} drill ({format_value(self.diameter_mm, 3)} mm)"


@dataclass(frozen=True)
class DrillChoice:
    """The drill to take for a size.

    Parameters
    ----------
    drill : Drill
        The drill.
    off_mm : float
        How far (mm) it is above the size asked for; negative under it.
    reason : str
        Why this one.
    """

    drill: Drill
    off_mm: float
    reason: str


def _fraction_name(count: int) -> str:
    size = Fraction(count, 64)
    whole, rest = divmod(size.numerator, size.denominator)
    if not rest:
        return f"{whole} in"
    return f"{whole}-{rest}/{size.denominator} in" if whole else f"{rest}/{size.denominator} in"


def _keys(series: str | Sequence[str] | None) -> tuple[str, ...]:
    keys = tuple(DRILL_SERIES) if series is None else (series,) if isinstance(series, str) else tuple(series)
    unknown = [key for key in keys if key not in DRILL_SERIES]
    if unknown or not keys:
        named = f"called {unknown[0]!r}" if unknown else "without a name"
        raise InputError(f"there is no series of drills {named}; choose from {', '.join(DRILL_SERIES)}")
    return keys


@cache
def _series(key: str) -> tuple[Drill, ...]:
    if key == "fraction":
        found = [Drill(_fraction_name(n), key, n / 64 * _INCH_MM) for n in range(1, _LAST_64TH + 1)]
    elif key == "metric":
        sizes = [float(row["diameter_mm"]) for row in read_table("drills_metric")[1]]
        found = [Drill(f"{format_short(mm)} mm", key, mm) for mm in sizes]
    else:
        rows = read_table(f"drills_{key}")[1]
        found = [Drill(row["label"], key, float(row["inch"]) * _INCH_MM) for row in rows]
    return tuple(sorted(found, key=lambda one: one.diameter_mm))


@cache
def _together(keys: tuple[str, ...]) -> tuple[Drill, ...]:
    order = {key: i for i, key in enumerate(keys)}
    every = [one for key in keys for one in _series(key)]
    return tuple(sorted(every, key=lambda one: (one.diameter_mm, order[one.series])))


def drills(series: str | Sequence[str] | None = None) -> tuple[Drill, ...]:
    """Return the drills of one or more series, thinnest first.

    Parameters
    ----------
    series : str or sequence of str, optional
        Keys of `DRILL_SERIES`; all of them when not given.

    Raises
    ------
    InputError
        If there is no such series.

    Examples
    --------
    >>> len(drills("number")), drills("metric")[0].name
    (80, '0.2 mm')
    """
    return _together(_keys(series))


def drill_named(name: str) -> Drill:
    """Return the drill with this name: ``#51`` or ``No. 51``, ``H``, ``7/64``, ``1.95`` or ``2 mm``.

    Parameters
    ----------
    name : str
        Name as marked on the drill.

    Raises
    ------
    InputError
        If no drill is called so, or a bare whole number may be a number drill or millimetres.

    Examples
    --------
    >>> drill_named("No. 51").diameter_mm, drill_named("7/64").name
    (1.7018, '7/64 in')
    """
    text = " ".join(name.split())
    number = re.fullmatch(r"(?:#|no\.? ?|number )(\d+)", text, re.IGNORECASE)
    inch = re.fullmatch(r"(?:(\d+)[ -])?(\d+)/(\d+)(?: ?in| ?inch|\")?|(\d+) ?(?:in|inch|\")", text)
    metric = re.fullmatch(r"(\d+(?:\.\d+)?)( ?mm)?", text)
    found: list[Drill] = []
    if number:
        found = [one for one in _series("number") if one.name == f"#{int(number[1])}"]
    elif inch and inch[3] != "0":
        size = Fraction(int(inch[4])) if inch[4] else int(inch[1] or 0) + Fraction(int(inch[2]), int(inch[3]))
        found = [one for one in _series("fraction") if one.diameter_mm == float(size) * _INCH_MM]
    elif metric:
        if metric[2] is None and "." not in metric[1] and 1 <= int(metric[1]) <= 80:
            raise InputError(f"the drill {name!r} may be a number drill or millimetres; write '#{text}' or '{text} mm'")
        found = [one for one in _series("metric") if abs(one.diameter_mm - float(metric[1])) < 1e-9]
    elif len(text) == 1:
        found = [one for one in _series("letter") if one.name == text.upper()]
    if not found:
        raise InputError(f"no drill is called {name!r}; write a name such as '#51', 'H', '7/64 in' or '1.95 mm'")
    return found[0]


def _choice(drill: Drill, mm: float, why: str) -> DrillChoice:
    off = drill.diameter_mm - mm
    how = "the same" if abs(off) < 5e-5 else f"{format_value(abs(off), 3)} mm {'over' if off > 0 else 'under'}"
    return DrillChoice(drill, off, f"{drill}: {why} {format_value(mm, 3)} mm ({how})")


def _words(series: str | Sequence[str] | None) -> str:
    return ", ".join(DRILL_SERIES[key] for key in _keys(series))


def largest_drill_up_to(mm: float, series: str | Sequence[str] | None = None) -> DrillChoice:
    """Return the largest drill that is not above a size.

    Parameters
    ----------
    mm : float
        Size (mm) not to exceed.
    series : str or sequence of str, optional
        Keys of `DRILL_SERIES`; where two have the same size the one named first is taken.

    Raises
    ------
    PlanError
        If every drill is larger.

    Examples
    --------
    >>> largest_drill_up_to(1.990, "metric").reason
    '1.95 mm drill: the largest not over 1.990 mm (0.040 mm under)'
    """
    every = drills(series)
    at = bisect_right(every, mm + 1e-9, key=lambda one: one.diameter_mm) - 1
    if at < 0:
        raise PlanError(
            f"no drill is as small as {format_value(mm, 3)} mm: the smallest of {_words(series)} is {every[0]}"
        )
    same = every[at].diameter_mm
    first = next(one for one in every[: at + 1] if one.diameter_mm == same)
    return _choice(first, mm, "the largest not over")


def smallest_drill_from(mm: float, series: str | Sequence[str] | None = None) -> DrillChoice:
    """Return the smallest drill that is not below a size.

    Parameters
    ----------
    mm : float
        Size (mm) to reach.
    series : str or sequence of str, optional
        Keys of `DRILL_SERIES`.

    Raises
    ------
    PlanError
        If every drill is smaller.

    Examples
    --------
    >>> smallest_drill_from(1.990, "metric").drill.name
    '2 mm'
    """
    every = drills(series)
    at = bisect_left(every, mm - 1e-9, key=lambda one: one.diameter_mm)
    if at == len(every):
        raise PlanError(
            f"no drill reaches {format_value(mm, 3)} mm: the largest of {_words(series)} is {every[-1]}"
        )
    return _choice(every[at], mm, "the smallest not under")


def nearest_drill(mm: float, series: str | Sequence[str] | None = None) -> DrillChoice:
    """Return the drill nearest to a size; of two as near, the smaller one.

    Parameters
    ----------
    mm : float
        Size (mm).
    series : str or sequence of str, optional
        Keys of `DRILL_SERIES`.

    Examples
    --------
    >>> nearest_drill(6.35, "letter").drill.name
    'E'
    """
    best = min(drills(series), key=lambda one: abs(one.diameter_mm - mm))
    return _choice(best, mm, "the nearest to")
