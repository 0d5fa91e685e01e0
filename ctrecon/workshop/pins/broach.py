"""The five-sided taper broach: what a caliper over it reads, and what hole it cuts; the taper of a tool at hand."""

from dataclasses import dataclass
from math import cos, pi, sin

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value

__all__ = ["BroachSize", "five_sided_broach", "hole_from_caliper", "taper_of_tool"]

_SIDES = 5
WIDEST = cos(pi / 10)
"""Widest caliper reading over a regular pentagon, by the circle through its corners (a diagonal): 0.9511."""
NARROWEST = (1 + cos(pi / 5)) / 2
"""Narrowest caliper reading (corner to opposite flat): 0.9045."""


@dataclass(frozen=True)
class BroachSize:
    """A five-sided broach where it cuts a hole: sizes in mm, the hole's diameter being the circle of its corners."""

    hole_mm: float
    widest_mm: float
    narrowest_mm: float
    side_mm: float
    inscribed_mm: float
    area_share: float
    reason: str


def five_sided_broach(hole_mm: float) -> BroachSize:
    """Return what a five-sided broach measures where it cuts a hole of this diameter.

    Parameters
    ----------
    hole_mm : float
        Diameter (mm) of the hole.

    Examples
    --------
    >>> size = five_sided_broach(3.0)
    >>> round(size.widest_mm, 3), round(size.narrowest_mm, 3)
    (2.853, 2.714)
    """
    if not hole_mm > 0:
        raise InputError(f"a hole of {hole_mm} mm cannot be broached; give a diameter above 0")
    widest, narrowest = WIDEST * hole_mm, NARROWEST * hole_mm
    share = _SIDES * sin(2 * pi / _SIDES) / 2 / pi
    return BroachSize(
        hole_mm,
        widest,
        narrowest,
        sin(pi / _SIDES) * hole_mm,
        cos(pi / _SIDES) * hole_mm,
        share,
        f"a caliper over the five-sided broach reads {format_value(narrowest, 3)} to {format_value(widest, 3)} mm "
        f"where it cuts {format_value(hole_mm, 3)} mm: "
        "it never shows the hole; gauge with the pin",
    )


def hole_from_caliper(reading_mm: float, *, widest: bool = True) -> float:
    """Return the hole (mm) a five-sided broach cuts where a caliper over it reads so much.

    Parameters
    ----------
    reading_mm : float
        Caliper reading (mm).
    widest : bool
        Whether it is the widest reading (turned for the most), else the narrowest.

    Examples
    --------
    >>> round(hole_from_caliper(2.853), 3)
    3.0
    """
    return reading_mm / (WIDEST if widest else NARROWEST)


def taper_of_tool(first_mm: float, second_mm: float, length_mm: float) -> float:
    """Return K of a tool's taper 1:K from two diameters and the length between them.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters (mm).
    length_mm : float
        Length (mm) between them.

    Examples
    --------
    >>> taper_of_tool(8.6, 7.6, 130)
    130.0
    """
    if not (length_mm > 0 and first_mm != second_mm):
        raise InputError("a taper needs two different diameters and the length between them")
    return round(length_mm / abs(first_mm - second_mm), 9)
