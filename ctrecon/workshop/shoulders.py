"""Bushes and shouldered parts riveted into a plate: the rim to leave, and how deep the shoulder is let in."""

from dataclasses import dataclass
from math import pi

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.rivets import Head, rivet_length

__all__ = ["LEAST_SEAT_MM", "LEAST_UNDER_MM", "BushRim", "ShoulderSeat", "bush_rim", "shoulder_seat"]

LEAST_SEAT_MM = 0.3
"""Least width of the ring on which a shoulder seats (mm; common practice, no source)."""

LEAST_UNDER_MM = 0.5
"""Least metal left under a shoulder that is let into a plate (mm; common practice, no source)."""


@dataclass(frozen=True)
class BushRim:
    """The rim of a bush that fills a countersink: volume (mm³), projection and length over all (mm)."""

    volume: float
    projects: float
    length: float | None
    reason: str


@dataclass(frozen=True)
class ShoulderSeat:
    """How a shouldered part is let into a plate before it is riveted over, mm.

    `projects` is what stands out for the head, `wanted` what the head needs, `seat_depth` how deep the shoulder is
    let in so that as much projects, `under` the plate left there, `shorten` what is taken off the shank instead
    where too much stands out, `seat_width` the ring it seats on, `chamfer` the one on the hole that clears the
    fillet under the shoulder.
    """

    wanted: float
    projects: float
    seat_depth: float
    under: float
    shorten: float
    seat_width: float
    chamfer: float
    reason: str


def bush_rim(outside: float, bore: float, countersink_depth: float, *, plate: float | None = None) -> BushRim:
    """Return how far a bush must project to fill a 45° countersink round it when it is riveted over.

    Parameters
    ----------
    outside, bore : float
        Diameters of the bush, mm.
    countersink_depth : float
        Of the 45° countersink in the plate, mm.
    plate : float, optional
        Thickness of the plate, mm, for the length over all (rims on one side).

    Notes
    -----
    h = (frustum - cylinder) / ring area (own geometry).

    Examples
    --------
    >>> rim = bush_rim(6, 3, 0.5)
    >>> round(rim.volume, 4), round(rim.projects, 4)
    (2.4871, 0.1173)
    """
    if not 0 < bore < outside or countersink_depth <= 0:
        raise PlanError("a bush needs a bore above 0 and below its outside, and a countersink above 0; correct them")
    if plate is not None and plate <= countersink_depth:
        raise PlanError(
            f"a countersink {format_short(countersink_depth, 3)} mm deep goes through a plate of "
            f"{format_short(plate, 4)} mm; make it shallower"
        )
    b, wide = countersink_depth, outside + 2 * countersink_depth
    volume = pi * b / 12 * (wide**2 + wide * outside + outside**2) - pi * outside**2 / 4 * b
    projects = volume / (pi / 4 * (outside**2 - bore**2))
    says = (
        f"let the bush stand {format_value(projects, 2)} mm proud: that fills the countersink, "
        f"{format_short(b, 3)} mm deep; broach the bore after riveting, which closes it a little"
    )
    return BushRim(volume, projects, None if plate is None else plate + projects, says)


# many: plate, shank, shoulder and hole, and the least that must stay
def shoulder_seat(
    plate: float, shank_length: float, shank: float, shoulder: float, head: Head, *, hole: float | None = None,
    fillet: float = 0.0, least_under: float = LEAST_UNDER_MM, least_seat: float = LEAST_SEAT_MM,
) -> ShoulderSeat:  # fmt: skip
    """Return how deep the shoulder of a pillar or arbor is let into a plate so that its shank can be riveted over.

    Parameters
    ----------
    plate : float
        Thickness of the plate, mm.
    shank_length, shank : float
        Length of the shank below the shoulder and its diameter, mm.
    shoulder : float
        Diameter of the shoulder, mm.
    head : str
        Head to be formed, one of `rivets.HEADS`.
    hole : float, optional
        Diameter of the hole, mm; as large as the shank when not given.
    fillet : float
        Radius left under the shoulder, mm; the hole is chamfered by as much.
    least_under, least_seat : float
        Least plate under the shoulder and least ring it seats on, mm.

    Raises
    ------
    PlanError
        If the shank is too short even with the shoulder let in, or the shoulder has no ring to seat on.
    """
    hole = shank if hole is None else hole
    if min(plate, shank_length, shank) <= 0 or shoulder <= shank or fillet < 0:
        raise PlanError("a shouldered part needs a shoulder larger than its shank and sizes above 0; correct them")
    width = (shoulder - hole) / 2 - fillet
    if width < least_seat:
        raise PlanError(
            f"a ⌀{format_short(shoulder, 4)} shoulder over a ⌀{format_short(hole, 4)} hole with a "
            f"{format_short(fillet, 3)} mm chamfer seats on {format_value(width, 2)} mm only, "
            f"{format_short(least_seat, 3)} mm are wanted: turn the corner sharper or the shoulder larger"
        )
    # the filling depends on what is left under the shoulder, so both are solved together
    fill = (hole / shank) ** 2 - 1
    allowance = rivet_length(plate, shank, head, hole=hole).allowance
    under = (shank_length - allowance) / (1 + fill)
    depth = max(0.0, plate - under)
    left = plate - depth
    wanted = allowance + fill * left
    projects = shank_length - left
    shorten = max(0.0, projects - wanted) if depth == 0 else 0.0
    if left < least_under:
        enough = format_value(plate + allowance + fill * plate, 2)
        raise PlanError(
            f"a shank of {format_short(shank_length, 4)} mm is too short: the shoulder would have to go "
            f"{format_value(depth, 2)} mm into a plate of {format_short(plate, 4)} mm; make the shank {enough} mm"
        )
    if depth > 0:
        says = (
            f"let the shoulder in by {format_value(depth, 2)} mm, so that {format_value(projects, 2)} mm "
            f"project for the head; {format_value(left, 2)} mm of the plate stay under it"
        )
    elif shorten > 0:
        says = f"the shoulder seats on the face; take {format_value(shorten, 2)} mm off the shank, "
        says += f"so that {format_value(wanted, 2)} mm project"
    else:
        says = f"the shoulder seats on the face and {format_value(projects, 2)} mm project for the head"
    if fillet > 0:
        says += f"; chamfer the hole {format_short(fillet, 3)} mm so that the shoulder comes down on its ring"
    return ShoulderSeat(wanted, projects, depth, left, shorten, width, fillet, says)
