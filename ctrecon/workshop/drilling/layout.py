"""Layout with dividers: two arcs, chords of a circle, a centre through three points; with u where it spreads."""

from dataclasses import dataclass
from math import acos, asin, cos, degrees, hypot, pi, sin, sqrt

from ctrecon.core.measured import format_value
from ctrecon.workshop.errors import PlanError

__all__ = [
    "FLAT_CROSSING_DEG", "Chord", "Crossing", "PunchPlace", "RoundThrough", "chord_of_circle",
    "circle_through", "position_error", "two_arcs",
]  # fmt: skip

FLAT_CROSSING_DEG = 30.0
"""Arcs that cross at less than this, or at more than 180° less this, are called poor (common practice, no source)."""

PUNCH_POSITION_MM = 2.032
"""Position tolerance (diameter) of holes located by punch and drill: 0.080 in (AND10387 practice)."""


@dataclass(frozen=True)
class Crossing:
    """Where two arcs cross: x along the base line from the first point, y square to it (mm), u, correlation, angle."""

    x: float
    y: float
    u_x: float
    u_y: float
    r: float
    crossing_deg: float
    reason: str


@dataclass(frozen=True)
class Chord:
    """The divider setting (mm) that steps round a circle in n parts; the gap its u leaves (None for 2)."""

    n: int
    radius: float
    chord: float
    u_chord: float
    u_closing: float | None
    reason: str


@dataclass(frozen=True)
class RoundThrough:
    """The circle through three points: centre and radius (mm)."""

    x: float
    y: float
    radius: float
    reason: str


@dataclass(frozen=True)
class PunchPlace:
    """How far a hole is off, as the diameter its position tolerance needs, and whether marking out can hold it."""

    position: float
    within: bool
    reason: str


def two_arcs(
    r1: float, r2: float, base: float, *, u_r1: float = 0.0, u_r2: float = 0.0, u_base: float = 0.0, above: bool = True
) -> Crossing:
    """Return where an arc of `r1` about the first point crosses one of `r2` about the second, `base` away.

    Parameters
    ----------
    r1, r2, base : float
        Divider settings and the distance of the two points, mm.
    u_r1, u_r2, u_base : float
        Standard u of each, mm.
    above : bool
        The crossing on the +y side; the other where False.

    Raises
    ------
    PlanError
        If the arcs do not cross.

    Notes
    -----
    x = (r1² - r2² + L²) / (2L) (two-circle intersection); u by its derivatives (GUM 5.1.2).

    Examples
    --------
    >>> at = two_arcs(35, 40, 60)
    >>> round(at.x, 3), round(at.y, 5), round(at.crossing_deg, 2)
    (26.875, 22.42174, 106.07)
    """
    if min(r1, r2, base) <= 0 or min(u_r1, u_r2, u_base) < 0:
        raise PlanError("two arcs need radii and a distance above 0 and no negative u; correct them")
    x = (r1**2 - r2**2 + base**2) / (2 * base)
    y2 = r1**2 - x**2
    if y2 <= 0 or not abs(r1 - r2) < base < r1 + r2:
        raise PlanError(f"arcs of {r1:g} and {r2:g} mm about points {base:g} mm apart do not cross; change a radius")
    y = sqrt(y2) * (1 if above else -1)
    # derivatives of x and y by r1, r2 and the base
    x_by = (r1 / base, -r2 / base, (base**2 - r1**2 + r2**2) / (2 * base**2))
    y_by = ((r1 - x * x_by[0]) / y, -x * x_by[1] / y, -x * x_by[2] / y)
    u = (u_r1, u_r2, u_base)
    u_x = sqrt(sum((d * s) ** 2 for d, s in zip(x_by, u, strict=True)))
    u_y = sqrt(sum((d * s) ** 2 for d, s in zip(y_by, u, strict=True)))
    both = sum(a * b * s**2 for a, b, s in zip(x_by, y_by, u, strict=True))
    crossing = degrees(acos(max(-1.0, min(1.0, (r1**2 + r2**2 - base**2) / (2 * r1 * r2)))))
    says = f"the arcs cross at {format_value(crossing, 0)}°"
    if min(crossing, 180 - crossing) < FLAT_CROSSING_DEG:
        says += ", too flat to mark well: take two other points"
    return Crossing(x, y, u_x, u_y, both / (u_x * u_y) if u_x * u_y > 0 else 0.0, crossing, says)


def chord_of_circle(n: int, radius: float, *, u_radius: float = 0.0, u_setting: float = 0.0) -> Chord:
    """Return the chord 2 R sin(180°/n) for n equal parts.

    Parameters
    ----------
    n : int
        Parts, 2 or more.
    radius : float
        Radius of the circle, mm.
    u_radius, u_setting : float
        Standard u of the radius and of the divider's setting, mm.

    Examples
    --------
    >>> round(chord_of_circle(5, 1.0).chord, 5)
    1.17557
    """
    if n < 2 or radius <= 0 or min(u_radius, u_setting) < 0:
        raise PlanError(
            f"a circle of {radius:g} mm radius cannot be stepped in {n} parts; give 2 parts or more, above 0 mm"
        )
    per_radius = 2 * sin(pi / n)
    chord = per_radius * radius
    # a chord c spans 2 asin(c / 2R): its error is stretched by 1 / cos(180° / n) and made n times over
    closing = n / cos(pi / n) * hypot(u_setting, per_radius * u_radius) if n > 2 else None
    says = f"step round with {format_value(chord, 3)} mm; an error of it shows {n} times over where the steps close"
    return Chord(n, radius, chord, per_radius * u_radius, closing, says)


def circle_through(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> RoundThrough:
    """Return the circle through three points (mm): where the perpendicular bisectors cross.

    Raises
    ------
    PlanError
        If the points are in line.
    """
    (ax, ay), (bx, by), (cx, cy) = a, b, c
    px, py, qx, qy = bx - ax, by - ay, cx - ax, cy - ay
    cross = 2 * (px * qy - py * qx)
    size = max(hypot(px, py), hypot(qx, qy))
    if abs(cross) <= 1e-9 * size**2:
        raise PlanError("three points in line have no circle through them; take one off the line")
    p2, q2 = px**2 + py**2, qx**2 + qy**2
    dx, dy = (qy * p2 - py * q2) / cross, (px * q2 - qx * p2) / cross
    arc = degrees(2 * asin(min(1.0, size / (2 * hypot(dx, dy)))))
    return RoundThrough(
        ax + dx, ay + dy, hypot(dx, dy), f"through three points, the widest two {format_value(arc, 0)}° apart"
    )


def position_error(dx: float, dy: float, *, tolerance: float = PUNCH_POSITION_MM) -> PunchPlace:
    """Return twice the distance a hole is off, the diameter of the zone it needs (ASME Y14.5, true position).

    Parameters
    ----------
    dx, dy : float
        How far off, mm.
    tolerance : float
        Diameter of the zone allowed, mm; by default what punch and drill normally hold.

    Examples
    --------
    >>> round(position_error(0.03, 0.04).position, 6)
    0.1
    """
    position = 2 * hypot(dx, dy)
    within = position <= tolerance
    verb = "is within" if within else "is beyond"
    return PunchPlace(
        position,
        within,
        f"needs a zone of ⌀{format_value(position, 3)} mm, which {verb} ⌀{format_value(tolerance, 3)} mm",
    )
