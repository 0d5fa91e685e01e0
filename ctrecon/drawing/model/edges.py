"""Which stretches of an edge are sound, worn, lost, undecided or broken off, and the edge as it was found.

The sound edge is what is made. What time took is drawn, never cut, unless somebody asks for the part as found.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ctrecon.core.errors import InputError
from ctrecon.core.measured import COVERAGE_FACTOR
from ctrecon.drawing.model.teeth import is_broken_rim, rim_as_left
from ctrecon.drawing.paper.clip import clipped
from ctrecon.drawing.paper.contours import Contour, circle, polyline
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.record.part import Feature

if TYPE_CHECKING:
    from ctrecon.drawing.model.views import Drawn, Zone

__all__ = [
    "AS_FOUND", "BROKEN", "EDGES", "LOST", "SHOWN", "SOUND", "TO_MAKE", "UNSETTLED", "WHOLE_FROM_DEG", "WORN",
    "FoundEdge", "LostCorner", "Stretch", "as_found", "found_at", "is_broken", "is_made_whole", "is_sharp",
    "is_unsettled", "is_vague", "lost_corners", "need_edges", "stretches_of",
]  # fmt: skip

TO_MAKE, AS_FOUND, SHOWN = "to-make", "as-found", "shown"
EDGES = (TO_MAKE, AS_FOUND)
"""Which edges files for cutting take. A sheet shows the part to make, a fragment of a ring as far as it is left."""

SOUND, WORN, LOST, UNSETTLED, BROKEN = "WIDE", "WORN", "LOST", "NARROW", "BREAK"
"""What is known of a stretch, by the line it is drawn in: the layers of a sheet."""

WHOLE_FROM_DEG = 180.0
"""More of a circle than this is made whole; less may be a sector that was made so (a judgement)."""

_CORNER_VOXELS = 3.0
"""A corner is lost where the edge as found stays this many voxels away from it: less is a rounded corner."""

VAGUE_SHARE = 0.5
"""A relief with a U of this part of its diameter is no shape to cut by (a judgement)."""

_FINE_MM = 1e-3
"""The edge as found is known to some hundredths of a mm: shorter edges only trouble a kernel."""

_PAST_MM = 1e-4
"""A line that is to cut an area runs this far past its edge: one that only touches it leaves no cut."""


@dataclass(frozen=True)
class FoundEdge:
    """The edge as found along one eaten stretch, in sheet axes: points, depths of its ends, depth lost."""

    points: tuple[tuple[float, float], ...]
    z0: float
    z1: float
    deepest: float


@dataclass(frozen=True)
class LostCorner:
    """A corner that is gone: where it was, where its legs end, their lengths (mm), and what is missing (an area)."""

    corner: tuple[float, float]
    ends: tuple[tuple[float, float], tuple[float, float]]
    legs: tuple[float, float]
    area: Any


@dataclass(frozen=True)
class Stretch:
    """A contour, or a stretch of one, with what is known of it."""

    contour: Contour
    what: str


def need_edges(edges: str) -> str:
    """Return which edges are asked for, if there are such.

    Raises
    ------
    InputError
        If there are not.
    """
    if edges not in EDGES:
        raise InputError(f"edges {edges!r} are not known: choose one of {', '.join(EDGES)}")
    return edges


def is_unsettled(feature: Feature) -> bool:
    """Return whether nobody has said yet if a maker cut this relief or time took it, or it is too vague to be cut."""
    return kind_of(feature).is_relief and not feature.accepted and ("undecided" in feature.flags or is_vague(feature))


def is_vague(feature: Feature) -> bool:
    """Return whether a size is about as uncertain as it is large."""
    size = feature.diameter_mm
    return size is not None and size.u is not None and COVERAGE_FACTOR * size.u >= VAGUE_SHARE * size.value


def is_sharp(feature: Feature) -> bool:
    """Return whether corners are sharp as far as the scan can tell: their radius lies within its U."""
    r = feature.corner_radius_mm
    return r is not None and r.u is not None and r.value <= COVERAGE_FACTOR * r.u


def is_made_whole(feature: Feature, edges: str) -> bool:
    """Return whether the stretch that a worn round edge lacks is filled in."""
    return edges == AS_FOUND or (feature.arc_deg or 360.0) >= WHOLE_FROM_DEG


def _reaching(points: Sequence[tuple[float, float]], rim: Any) -> Any:
    """Return the line through points, drawn on at both ends to the rim and a hair past it."""
    from shapely.geometry import LineString, Point

    def end(p: tuple[float, float]) -> tuple[float, float]:
        foot = rim.interpolate(rim.project(Point(p)))
        away = math.dist(p, (foot.x, foot.y)) or 1.0
        reach = 1.0 + _PAST_MM / away
        return p[0] + (foot.x - p[0]) * reach, p[1] + (foot.y - p[1]) * reach

    return LineString([end(points[0]), *points, end(points[-1])])


def _faces(contour: Contour, lines: Sequence[Any]) -> list[Any]:
    """Return the areas into which lines divide what a contour bounds, the largest first."""
    from shapely.geometry import LineString
    from shapely.ops import polygonize, unary_union

    ring = contour.points(1.0)
    return sorted(polygonize(unary_union([LineString([*ring, ring[0]]), *lines])), key=lambda one: -one.area)


def _found_lines(contour: Contour, found: Sequence[FoundEdge]) -> list[Any]:
    from shapely.geometry import LinearRing, LineString

    rim = LinearRing(contour.points(1.0))
    return [
        LineString(one.points) if one.points[0] == one.points[-1] else _reaching(one.points, rim) for one in found
    ]


def as_found(contour: Contour, found: Sequence[FoundEdge], *, hole: bool) -> Contour:
    """Return the contour as it was found: less metal by every eaten stretch.

    Parameters
    ----------
    contour : Contour
        The sound edge.
    found : sequence of FoundEdge
        What is eaten of it at this depth; with none the contour comes back as it is.
    hole : bool
        Whether the metal is outside.
    """
    from shapely.ops import unary_union

    if not found:
        return contour
    faces = _faces(contour, _found_lines(contour, found))
    area = unary_union(faces) if hole else faces[0]
    area = max(getattr(area, "geoms", [area]), key=lambda one: one.area)
    return polyline([(float(x), float(y)) for x, y in area.exterior.simplify(_FINE_MM).coords])


def found_at(drawn: "Drawn", z: float) -> list[FoundEdge]:
    """Return the eaten stretches of a feature that run through a depth."""
    return [one for one in drawn.found if one.z0 <= z <= one.z1]


def _corners(contour: Contour, feature: Feature) -> list[tuple[float, float]]:
    """Return the sharp corners of a four-sided or many-sided outline, round ones as if they were sharp."""
    radius = 0.0 if feature.corner_radius_mm is None else max(feature.corner_radius_mm.value, 0.0)
    if all(bulge == 0 for _, _, bulge in contour.vertices):
        return [(x, y) for x, y, _ in contour.vertices]
    corners = []
    for a, b in contour.segments():
        if a[2]:  # where the tangents of a round corner meet: on its middle line, sagitta and more beyond the chord
            sweep = 4 * math.atan(a[2])
            mx, my = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
            out = math.tan(sweep / 2) / 2
            corners.append((mx + (b[1] - a[1]) * out, my - (b[0] - a[0]) * out))
    return corners if radius else []


def lost_corners(drawn: "Drawn", zone: "Zone", contour: Contour, voxel_mm: float) -> list[tuple[FoundEdge, LostCorner]]:
    """Return the corners of a flat-sided outside that the edge as found leaves out, with their legs."""
    from shapely.geometry import LinearRing, Point
    from shapely.ops import unary_union

    kind = kind_of(drawn.feature)
    if not is_outside(drawn.feature) or not (kind.is_four_sided or drawn.feature.sides):
        return []
    radius = 0.0 if drawn.feature.corner_radius_mm is None else max(drawn.feature.corner_radius_mm.value, 0.0)
    least = max(_CORNER_VOXELS * voxel_mm, 0.6 * radius + 2.0 * voxel_mm)
    rim = LinearRing(contour.points(1.0))
    out = []
    for one in found_at(drawn, (zone.z0 + zone.z1) / 2):
        deep = [k for k, p in enumerate(one.points) if rim.distance(Point(p)) > voxel_mm]
        if one.points[0] == one.points[-1] or not deep:
            continue
        gone = one.points[max(deep[0] - 1, 0) : deep[-1] + 2]  # worn flats beside the break are no part of its legs
        line = _reaching(gone, rim)
        feet = [rim.interpolate(rim.project(Point(p))) for p in (gone[0], gone[-1])]
        ends = ((feet[0].x, feet[0].y), (feet[1].x, feet[1].y))
        for corner in _corners(contour, drawn.feature):
            first, last, at = (rim.project(Point(p)) for p in (*ends, corner))
            between = _between(first, last, at, rim.length)
            if line.distance(Point(corner)) < least or not between or _straight(*ends, corner):
                continue
            area = unary_union(_faces(contour, [line])[1:])
            out.append((one, LostCorner(corner, ends, (math.dist(ends[0], corner), math.dist(ends[1], corner)), area)))
    return out


def _between(first: float, last: float, corner: float, length: float) -> bool:
    """Return whether a corner lies on the shorter way round from one end to the other."""
    way = (last - first) % length
    if way > length / 2:
        first, last, way = last, first, length - way
    return 0 < (corner - first) % length < way


def _straight(a: tuple[float, float], b: tuple[float, float], corner: tuple[float, float]) -> bool:
    """Return whether a corner lies in line with two points: then both are on one side."""
    across = abs((a[0] - corner[0]) * (b[1] - corner[1]) - (a[1] - corner[1]) * (b[0] - corner[0]))
    return across < 0.1 * math.dist(a, corner) * math.dist(b, corner)


def stretches_of(drawn: "Drawn", zone: "Zone", contour: Contour, voxel_mm: float) -> list[Stretch]:
    """Return how an outside or a hole is drawn in a zone: its contour, divided by what is known of each stretch.

    Parameters
    ----------
    drawn : Drawn
        The feature in sheet axes.
    zone : Zone
        Where it is cut.
    contour : Contour
        Its edge to make there.
    voxel_mm : float
        Edge of a voxel: what is smaller than some of them is no lost corner.
    """
    from shapely.geometry import Point, Polygon
    from shapely.ops import unary_union

    left = rim_as_left(drawn.feature, drawn.x, drawn.y) if is_broken_rim(drawn.feature) else None
    if left is not None:
        return [*(Stretch(c, SOUND) for c in left.runs), *(Stretch(c, LOST) for c in left.lost)]
    found = found_at(drawn, (zone.z0 + zone.z1) / 2)
    corners = lost_corners(drawn, zone, contour, voxel_mm)
    out = [Stretch(Contour(tuple((x, y, 0.0) for x, y in one.points), closed=False), WORN) for one in found]
    areas: list[tuple[Any, str]] = [(corner.area.buffer(_PAST_MM), LOST) for _, corner in corners]
    sector = _lost_sector(drawn, zone, contour, voxel_mm)
    if sector is not None:
        areas.append((sector, LOST))
    metal: Any = None
    for one in zone.drawn:
        f = one.feature
        if not is_outside(drawn.feature) or not is_unsettled(f) or f.diameter_mm is None:
            continue
        metal = Polygon(contour.points(1.0)) if metal is None else metal
        disc = Point(one.x, one.y).buffer(f.diameter_mm.value / 2, quad_segs=64)
        if metal.boundary.intersects(disc.boundary):
            areas.append((disc, UNSETTLED))
            arc = clipped(circle(one.x, one.y, f.diameter_mm.value / 2), metal)
            out += [Stretch(c, UNSETTLED) for c in arc]
    for area, what in areas:
        out += [Stretch(c, what) for c in clipped(contour, area)]
    if areas:
        window = Polygon(contour.points(1.0)).buffer(1.0).difference(unary_union([area for area, _ in areas]))
        return [*out, *(Stretch(c, SOUND) for c in clipped(contour, window))]
    breaks = [k for k, (a, _) in enumerate(contour.segments()) if a[2] == 0.0] if is_broken(drawn, contour) else []
    if not breaks:
        return [*out, Stretch(contour, SOUND)]
    for k, (a, b) in enumerate(contour.segments()):
        piece = Contour((a, (b[0], b[1], 0.0)), closed=False)
        out.append(Stretch(piece, BROKEN if k in breaks else SOUND))
    return out


def is_broken(drawn: "Drawn", contour: Contour) -> bool:
    """Return whether a contour is a fragment of a round edge: its straight stretches are breaks."""
    left = kind_of(drawn.feature).arc_left(drawn.feature)
    straight = sum(not bulge for _, _, bulge in contour.vertices)
    # one flat on more than half a circle may have been made so
    return left is not None and contour.round_of is None and (straight > 1 or left[1] < WHOLE_FROM_DEG)


def _lost_sector(drawn: "Drawn", zone: "Zone", contour: Contour, voxel_mm: float) -> Any:
    """Return the area over the stretch of a circle that broke off, None where none did, or a relief explains it."""
    from shapely.geometry import Point, Polygon

    left = kind_of(drawn.feature).arc_left(drawn.feature)
    if left is None or contour.round_of is None:
        return None
    x, y, radius = contour.round_of
    gap = 360.0 - left[1]
    if radius * (1 - math.cos(math.radians(gap / 2))) < _CORNER_VOXELS * voxel_mm:
        return None  # no deeper than what is drawn as wear
    middle = math.radians(-(left[0] + left[1] + gap / 2))
    at = Point(x + radius * math.cos(middle), y + radius * math.sin(middle))
    for one in zone.drawn:
        size = one.feature.diameter_mm
        if kind_of(one.feature).is_relief and size and at.distance(Point(one.x, one.y)) < size.value / 2 * 1.1:
            return None
    a, steps = math.radians(-left[0]), 24
    fan = [math.radians(gap) * k / steps + a for k in range(steps + 1)]
    return Polygon([(x, y), *((x + 2 * radius * math.cos(t), y + 2 * radius * math.sin(t)) for t in fan)])
