"""Parts into their places in the plane: by two shared axes, by an axis and an edge, or by one axis and a turn."""

from dataclasses import dataclass, replace
from itertools import combinations
from math import atan2, cos, degrees, hypot, radians, sin, sqrt

from shapely import Polygon, affinity

from ctrecon.core.measured import Measured, format_short
from ctrecon.workshop.assembly.model import Place
from ctrecon.workshop.assembly.own import REPEATS_DEG, OwnHole, OwnPart, OwnStep

__all__ = ["Motion", "by_axis", "by_two", "edge_turn", "match_near", "misfits"]

EDGE = "edge"
"""Stands for the longer side of a part's outline where an axis could stand."""


@dataclass(frozen=True)
class Motion:
    """A turn about a point of the part, and where that point comes to lie (mm, degrees).

    Parameters
    ----------
    about : (x, y)
        The point in the part's own frame.
    to : (x, y)
        Where it lies in the assembly.
    turn_deg : float
        Turn from +X towards +Y.
    u_about : float or None
        Standard uncertainty of that point, and of where it lies, in x and in y.
    turn_u_deg : float or None
        Of the turn, where it hangs on no hole: on an edge, or on nothing.
    toward : (x, y) or None
        The second hole that turned the part, in its own frame.
    u_toward : float or None
        Standard uncertainty of that hole and of the axis it was turned to.
    """

    about: tuple[float, float]
    to: tuple[float, float]
    turn_deg: float
    u_about: float | None = 0.0
    turn_u_deg: float | None = 0.0
    toward: tuple[float, float] | None = None
    u_toward: float | None = 0.0

    def point(self, x: float, y: float) -> tuple[float, float]:
        """Return a point of the part as it lies in the assembly."""
        c, s = cos(radians(self.turn_deg)), sin(radians(self.turn_deg))
        dx, dy = x - self.about[0], y - self.about[1]
        return self.to[0] + c * dx - s * dy, self.to[1] + s * dx + c * dy

    def place(self, x: Measured, y: Measured) -> Place:
        """Return a place of the part with its u in the assembly; the points it was placed by have none left to give.

        Notes
        -----
        With t and s the place along and across the line of the two holes, in lengths of that line, and e the errors
        of the holes a, b and of the place p itself: the error along it is e_p - e_a + s (e_b - e_a), that across it
        e_p - e_a - t (e_b - e_a), the last two factors across the line. At b itself the error across is none.
        """
        px, py = self.point(x.value, y.value)
        own = None if x.u is None or y.u is None else max(x.u, y.u)
        if (x.value, y.value) == self.about:
            return Place(x=Measured(px, 0.0), y=Measured(py, 0.0))
        if own is None or self.u_about is None or self.turn_u_deg is None or self.u_toward is None:
            return Place(x=Measured(px), y=Measured(py))
        a = self.u_about
        if self.toward is None:
            swing, flat = radians(self.turn_u_deg), hypot(own, a)
            u_x, u_y = hypot(flat, swing * (py - self.to[1])), hypot(flat, swing * (px - self.to[0]))
            return Place(x=Measured(px, u_x), y=Measured(py, u_y))
        bx, by = self.point(*self.toward)
        dx, dy = bx - self.to[0], by - self.to[1]
        far = dx * dx + dy * dy
        t = ((px - self.to[0]) * dx + (py - self.to[1]) * dy) / far
        s = ((py - self.to[1]) * dx - (px - self.to[0]) * dy) / far
        along = hypot(own, a, s * a, s * self.u_toward)
        across = 0.0 if (x.value, y.value) == self.toward else hypot(own, (1 - t) * a, t * self.u_toward)
        both = s * (1 - t) * a**2 - s * t * self.u_toward**2  # covariance of along and across
        share, mixed = dx * dx / far, 2 * dx * dy / far * both
        u_x = sqrt(max(share * along**2 + (1 - share) * across**2 - mixed, 0.0))
        u_y = sqrt(max((1 - share) * along**2 + share * across**2 + mixed, 0.0))
        return Place(x=Measured(px, u_x), y=Measured(py, u_y))

    def shape(self, polygon: Polygon) -> Polygon:
        """Return a polygon of the part as it lies in the assembly."""
        c, s = cos(radians(self.turn_deg)), sin(radians(self.turn_deg))
        x, y = self.point(0.0, 0.0)
        return affinity.affine_transform(polygon, [c, -s, s, c, x, y])

    def turn(self, turn_deg: float, kind: str) -> float:
        """Return the turn of a hole or step as it lies in the assembly, within what its kind repeats after."""
        period = REPEATS_DEG[kind]
        return (turn_deg + self.turn_deg) % period if period else 0.0


def _u(*places: Measured) -> float | None:
    known = [one.u for one in places]
    return None if any(one is None for one in known) else max(one or 0.0 for one in known)


def edge_turn(outline: OwnStep) -> float | None:
    """Return the direction of the longer side, or of the nearest flat of a square (degrees); None where it has none."""
    if outline.edge_deg is None:
        return None
    period = REPEATS_DEG[outline.kind] or 360.0
    turn = outline.edge_deg % period
    return turn - period if turn > period / 2 else turn


def by_two(a: OwnHole, to_a: Place, b: OwnHole, to_b: Place) -> Motion:
    """Return the motion that puts the first hole on its axis and turns the second towards its own.

    Parameters
    ----------
    a, b : OwnHole
        Holes of the part.
    to_a, to_b : Place
        The axes they lie on.
    """
    own = atan2(b.y.value - a.y.value, b.x.value - a.x.value)
    wanted = atan2(to_b.xy[1] - to_a.xy[1], to_b.xy[0] - to_a.xy[0])
    u_about, u_toward = _both(_u(a.x, a.y), to_a.u), _both(_u(b.x, b.y), to_b.u)
    toward = (b.x.value, b.y.value)
    return Motion((a.x.value, a.y.value), to_a.xy, degrees(wanted - own), u_about, 0.0, toward, u_toward)


def by_axis(x: Measured, y: Measured, to: Place, turn_deg: float, turn_u_deg: float | None = 0.0) -> Motion:
    """Return the motion that puts a point of the part on an axis and turns the part by so much (degrees)."""
    return Motion((x.value, y.value), to.xy, turn_deg, _both(_u(x, y), to.u), turn_u_deg)


def _both(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else hypot(a, b)


def misfits(part: OwnPart, motion: Motion, axes: dict[str, Place]) -> dict[str, float]:
    """Return how far each of its holes lies from the axis it is on (mm), by axis."""
    out = {}
    for one in part.holes:
        if one.axis in axes:
            x, y = motion.point(one.x.value, one.y.value)
            out[one.axis] = hypot(x - axes[one.axis].xy[0], y - axes[one.axis].xy[1])
    return out


def match_near(part: OwnPart, motion: Motion, axis: str, place: Place, within_mm: float) -> tuple[OwnHole | None, str]:
    """Return the one hole that lies on an axis, or None with the reason: none is near enough, or several are.

    Parameters
    ----------
    part : OwnPart
        Whose holes that lie on no axis yet are looked at.
    motion : Motion
        Where the part lies.
    axis : str
        Id of the axis.
    place : Place
        Where the axis is.
    within_mm : float
        How near its centre must lie.
    """
    found = []
    for one in part.holes:
        if one.axis is None:
            x, y = motion.point(one.x.value, one.y.value)
            found.append((hypot(x - place.xy[0], y - place.xy[1]), one))
    found.sort(key=lambda pair: (pair[0], pair[1].id))
    near = [pair for pair in found if pair[0] <= within_mm]
    if len(near) == 1:
        return near[0][1], ""
    reach = f"{format_short(within_mm)} mm"
    if near:
        names = " and ".join(f"{one.id} ({format_short(far, 2)} mm off)" for far, one in near)
        return None, f"{names} both lie within {reach} of {axis}; name the one that is meant"
    if not found:
        return None, f"it has no hole left that could lie on {axis}; leave it out"
    far, one = found[0]
    return None, (
        f"no hole lies within {reach} of {axis}: the nearest is {one.id}, {format_short(far, 3)} mm off; "
        "name the one that is meant, or leave it out"
    )


def farthest(axes: dict[str, Place], first: str | None = None) -> tuple[str, str]:
    """Return the two axes that lie farthest apart, the first of them as given where one is."""
    pairs = [pair for pair in combinations(sorted(axes), 2) if first is None or first in pair]
    a, b = max(pairs, key=lambda p: hypot(axes[p[0]].xy[0] - axes[p[1]].xy[0], axes[p[0]].xy[1] - axes[p[1]].xy[1]))
    return (b, a) if first == b else (a, b)


def on_axes(part: OwnPart, chosen: dict[str, str]) -> OwnPart:
    """Return the part with its holes on axes, by the id of the hole."""
    holes = tuple(replace(one, axis=chosen[one.id]) if one.id in chosen else one for one in part.holes)
    return replace(part, holes=holes)
