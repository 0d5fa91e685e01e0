"""The tilt of a pivot in its hole, and of an arbor between two plates."""

from dataclasses import dataclass
from math import atan2, cos, degrees, radians, sqrt, tan

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["TRADE_TILT_DEG", "Tilt", "clearance_for_tilt", "tilt_between_plates", "tilt_in_hole"]

TRADE_TILT_DEG = 5.0
"""How far a worn pivot is let lean before its hole is bushed anew (a trade page; deeper holes allow less)."""


@dataclass(frozen=True)
class Tilt:
    """How far a pivot leans (degrees) and the clearance on diameter (mm) that lets it."""

    tilt_deg: float
    clearance: float
    hole: float
    reason: str


def clearance_for_tilt(depth: float, pivot: float, tilt_deg: float = TRADE_TILT_DEG) -> Tilt:
    """Return the hole in which a pivot can lean by this much.

    Parameters
    ----------
    depth : float
        Of the hole, mm.
    pivot : float
        Diameter, mm.
    tilt_deg : float
        Angle it may lean, degrees.

    Notes
    -----
    D = t tan(phi) + d / cos(phi), a strip of width d in a slot of depth t (own geometry).

    Examples
    --------
    >>> round(clearance_for_tilt(1.5, 1.5).clearance, 4)
    0.137
    """
    if depth <= 0 or pivot <= 0 or not 0 <= tilt_deg < 45:
        raise PlanError("a pivot in a hole needs a depth and diameter above 0 and a lean below 45°; correct them")
    phi = radians(tilt_deg)
    hole = depth * tan(phi) + pivot / cos(phi)
    says = (
        f"a ⌀{format_short(pivot, 4)} pivot leans {format_short(tilt_deg, 3)}° in a hole "
        f"{format_short(depth, 4)} mm deep at ⌀{format_value(hole, 3)}, "
        f"{format_value(hole / pivot, 3)} times its diameter"
    )
    return Tilt(tilt_deg, hole - pivot, hole, says)


def tilt_in_hole(depth: float, pivot: float, clearance: float) -> Tilt:
    """Return how far a pivot leans in one hole with this clearance on diameter (mm).

    Examples
    --------
    >>> round(tilt_in_hole(1.5, 1.5, 0.05).tilt_deg, 2)
    1.88
    """
    if depth <= 0 or pivot <= 0 or clearance < 0:
        raise PlanError("a pivot in a hole needs a depth and diameter above 0 and no negative clearance; correct them")
    hole = pivot + clearance
    # t sin + d = D cos, so cos(phi + a) = d / sqrt(t² + D²) with tan a = t / D
    reach = sqrt(depth**2 + hole**2)
    phi = atan2(sqrt(max(reach**2 - pivot**2, 0.0)), pivot) - atan2(depth, hole)
    tilt = degrees(max(phi, 0.0))
    says = f"a ⌀{format_short(pivot, 4)} pivot with {format_short(clearance, 3)} mm clearance"
    says += f" leans {format_value(tilt, 2)}° in one hole"
    return Tilt(tilt, clearance, hole, says)


def tilt_between_plates(apart: float, clearance: float, pivot: float = 0.0) -> Tilt:
    """Return how far an arbor leans between two plates when each pivot has this clearance on diameter (mm).

    Parameters
    ----------
    apart : float
        Distance of the two holes, mm.
    clearance : float
        On diameter in each, mm; the pivots go to opposite sides.
    pivot : float
        Diameter, mm, for the hole's size.
    """
    if apart <= 0 or clearance < 0:
        raise PlanError("an arbor between plates needs a distance above 0 and no negative clearance; correct them")
    tilt = degrees(atan2(clearance, apart))
    says = (
        f"{format_short(clearance, 3)} mm clearance in both plates, {format_short(apart, 4)} mm apart, lets the arbor "
        f"lean {format_value(60 * tilt, 2)}′"
    )
    return Tilt(tilt, clearance, pivot + clearance, says)
