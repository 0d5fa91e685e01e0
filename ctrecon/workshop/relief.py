"""Relief where a rotating part fouls a spacer, a pillar or an edge: the arc to cut and the wall that remains.

The relief is the circle of the rotating part plus the clearance, about the rotating part's own centre: what the
dividers are set to.
"""

from dataclasses import dataclass
from math import acos, hypot, sqrt

from shapely.geometry import Point, Polygon

from ctrecon.core.measured import COVERAGE_FACTOR, format_short, format_u, format_value
from ctrecon.workshop.errors import PlanError

__all__ = ["LEAST_WALL_MM", "Relief", "relief_of_disc", "relief_of_edge", "relief_of_outline"]

LEAST_WALL_MM = 0.5
"""Least wall to leave beside a relief (mm; common practice, no source)."""

_QUAD_SEGS = 180
_NECK_TO = 0.01


@dataclass(frozen=True)
class Relief:
    """A relief arc, mm.

    `needed` is whether anything is cut; `centre` the rotating part's centre, `radius` the arc and the setting of
    the dividers from that centre; `depth` the deepest cut, `half_chord` half of the arc's opening, `area` what is
    taken off (mm²), `wall` the least metal left beside the arc, None where nothing bounds it, and `wall_to` what
    it is left to. `u` is the standard u of depth and wall.
    """

    needed: bool
    centre: tuple[float, float]
    radius: float
    depth: float
    half_chord: float
    area: float
    wall: float | None
    wall_to: str
    u: float
    reason: str


def _checked(rotating: float, clearance: float, u: float) -> float:
    if u < 0:
        raise PlanError(f"u of {u:g} mm is below 0; correct it")
    if rotating <= 0 or clearance < 0:
        raise PlanError(f"a part of {rotating:g} mm radius with {clearance:g} mm clearance has no relief; correct them")
    return rotating + clearance


def relief_of_edge(
    rotating: float,
    clearance: float,
    edge_at: float,
    *,
    behind: float | None = None,
    u: float = 0.0,
    least_wall: float = LEAST_WALL_MM,
) -> Relief:
    """Return the relief in a straight edge.

    Parameters
    ----------
    rotating : float
        Radius that the rotating part sweeps, mm.
    clearance : float
        Gap to leave, mm.
    edge_at : float
        Distance of the edge from the rotating part's centre, mm.
    behind : float, optional
        Metal behind the edge before anything is cut, up to the next hole or edge, mm.
    u : float
        Standard u of the distance between the rotating part's centre and what is relieved, mm.
    least_wall : float
        Least wall to leave, mm.

    Raises
    ------
    PlanError
        If less wall would remain, or the centre is not outside the edge.

    Examples
    --------
    >>> cut = relief_of_edge(8, 0.5, 7)
    >>> cut.depth, round(2 * cut.half_chord, 4)
    (1.5, 9.6437)
    """
    R = _checked(rotating, clearance, u)
    if edge_at < 0:
        raise PlanError("the centre of the rotating part is inside the edge; it cannot be relieved, move the part")
    depth = R - edge_at
    half = sqrt(max(R**2 - edge_at**2, 0.0))
    area = R**2 * acos(edge_at / R) - edge_at * half if depth > 0 else 0.0
    wall = None if behind is None else behind - max(0.0, depth)
    return _told((0.0, 0.0), R, rotating, depth, half, area, wall, "what is behind the edge", u, least_wall)


def relief_of_disc(
    rotating: float, clearance: float, apart: float, disc: float, *, bore: float | None = None,
    u: float = 0.0,
    least_wall: float = LEAST_WALL_MM,
) -> Relief:  # fmt: skip
    """Return the relief in a round spacer or pillar.

    Parameters
    ----------
    rotating, clearance : float
        Radius that the rotating part sweeps, and the gap to leave, mm.
    apart : float
        Distance of the two centres, mm.
    disc : float
        Radius of the spacer, mm.
    bore : float, optional
        Diameter of the hole in the middle of the spacer, mm.
    u : float
        Standard u of the distance between the rotating part's centre and what is relieved, mm.
    least_wall : float
        Least wall to leave, mm.

    Raises
    ------
    PlanError
        If less wall would remain, or the centre of the rotating part is inside the spacer.

    Notes
    -----
    Two circles R = r + c and R_s, a apart, cross x = (a² + R² - R_s²) / (2a) from the first centre.

    Examples
    --------
    >>> cut = relief_of_disc(8, 0.5, 13, 6, bore=2)
    >>> round(cut.depth, 4), round(cut.half_chord, 4), round(cut.area, 4), cut.wall
    (1.5, 3.1514, 6.3813, 3.5)
    """
    R = _checked(rotating, clearance, u)
    if disc <= 0 or apart <= disc:
        raise PlanError("the centre of the rotating part is inside the spacer; it cannot be relieved, move the part")
    depth = R + disc - apart
    half = area = 0.0
    if depth > 0:
        if depth >= 2 * disc:
            raise PlanError(f"the relief of {R:g} mm radius takes the whole spacer of ⌀{2 * disc:g}; move it")
        x = (apart**2 + R**2 - disc**2) / (2 * apart)
        half = sqrt(max(R**2 - x**2, 0.0))
        area = R**2 * acos(x / R) - x * half + disc**2 * acos((apart - x) / disc) - (apart - x) * half
    if bore is None:
        wall, to = 2 * disc - max(0.0, depth), "the far side of the spacer"
    else:
        wall, to = disc - max(0.0, depth) - bore / 2, f"its ⌀{format_short(bore, 4)} bore"
    return _told((0.0, 0.0), R, rotating, depth, half, area, wall, to, u, least_wall)


def relief_of_outline(
    outline: Polygon,
    centre: tuple[float, float],
    rotating: float,
    clearance: float,
    *,
    u: float = 0.0,
    least_wall: float = LEAST_WALL_MM,
) -> Relief:
    """Return the relief in a part of any outline, its holes included.

    Parameters
    ----------
    outline : shapely Polygon
        The part that is fouled, mm; holes in it bound the wall.
    centre : (float, float)
        Centre of the rotating part, outside the metal.
    rotating, clearance : float
        Radius it sweeps and the gap to leave, mm.
    u : float
        Standard u of the distance between the rotating part's centre and what is relieved, mm.
    least_wall : float
        Least wall to leave, mm.

    Raises
    ------
    PlanError
        If the centre is inside the metal, the relief cuts the part in two or into a hole, or less wall would remain.

    Notes
    -----
    The wall is the lesser of the distance from the arc to the nearest hole, and the narrowest neck of what is
    left where that is narrower than before: the width at which shrinking it from both sides parts it.
    """
    R = _checked(rotating, clearance, u)
    middle = Point(centre)
    if outline.is_empty or not outline.is_valid:
        raise PlanError("the outline to relieve is empty or crosses itself; mend it")
    solid = Polygon(outline.exterior)
    if solid.contains(middle):
        raise PlanError(
            "the centre of the rotating part is inside the part to relieve; it cannot be relieved, move one"
        )
    reach = middle.buffer(R, quad_segs=_QUAD_SEGS)
    depth = R - float(middle.distance(outline))
    cut = outline.intersection(reach)
    left = outline.difference(reach)
    if depth <= 0:
        return _told(centre, R, rotating, depth, 0.0, 0.0, None, "", u, least_wall)
    if left.is_empty or (not isinstance(left, Polygon)):
        raise PlanError(f"a relief of {format_short(R, 4)} mm radius cuts the part in two or takes it whole; move one")
    neck, before = 2 * _half_neck(left), 2 * _half_neck(outline)
    # a neck that the part had before is not the relief's doing
    wall, to = (neck, "the far side of the part") if neck < before - 2 * _NECK_TO else (None, "")
    for hole in outline.interiors:
        beside = float(middle.distance(Polygon(hole))) - R
        if wall is None or beside < wall:
            wall, to = beside, "the nearest hole"
    ends = outline.exterior.intersection(middle.buffer(R, quad_segs=_QUAD_SEGS).exterior)
    points = [p for part in getattr(ends, "geoms", [ends]) for p in part.coords]
    half = max((hypot(p[0] - q[0], p[1] - q[1]) for p in points for q in points), default=0.0) / 2
    return _told(centre, R, rotating, depth, half, float(cut.area), wall, to, u, least_wall)


def _half_neck(part: Polygon) -> float:
    """Return by how much an outline (holes left out) can shrink from both sides before it parts or is gone."""
    solid = Polygon(part.exterior)
    low, high = 0.0, sqrt(float(solid.area))
    while high - low > _NECK_TO / 2:
        half = (low + high) / 2
        small = solid.buffer(-half, quad_segs=8)
        # slivers that part at the arc's thin ends are no neck
        pieces = [one for one in getattr(small, "geoms", [small]) if one.area > _NECK_TO]
        low, high = (half, high) if len(pieces) == 1 else (low, half)
    return low


# many: the figures of the sentence
def _told(
    centre: tuple[float, float], R: float, rotating: float, over: float, half: float, area: float,
    wall: float | None, wall_to: str, u: float, least_wall: float,
) -> Relief:  # fmt: skip
    gap = format_short(R - rotating, 3)
    depth = max(0.0, over)
    if over <= 0:
        spare = -over
        says = f"no relief is needed: the part turns {format_value(R - rotating + spare, 2)} mm clear"
        if spare < COVERAGE_FACTOR * u:
            says += f", though only known to U {format_u(COVERAGE_FACTOR * u, 2)} mm: try it before assembly"
        return Relief(False, centre, R, 0.0, 0.0, 0.0, wall, wall_to, u, says)
    arc = f"relief of {format_short(R, 4)} mm radius about the rotating part's centre, {format_value(depth, 2)} mm deep"
    if wall is not None and wall < least_wall:
        remains = "no wall remains" if wall <= 0 else f"only {format_value(wall, 2)} mm of wall remain"
        raise PlanError(
            f"a {arc} is not possible: {remains} to {wall_to}, {format_short(least_wall, 3)} mm are wanted; "
            f"lessen the {gap} mm clearance, move one of the two or turn the rotating part down"
        )
    says = f"{arc}, {format_value(2 * half, 2)} mm across its mouth, clears the part by {gap} mm"
    if wall is not None:
        says += f" and leaves {format_value(wall, 2)} mm of wall to {wall_to}"
    if u > 0:
        says += f"; depth and wall are known to U {format_u(COVERAGE_FACTOR * u, 2)} mm"
        if wall is not None and wall - COVERAGE_FACTOR * u < least_wall:
            says += f", so the wall may come out under {format_short(least_wall, 3)} mm: measure before cutting"
    return Relief(True, centre, R, depth, half, area, wall, wall_to, u, says)
