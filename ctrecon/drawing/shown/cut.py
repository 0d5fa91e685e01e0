"""The metal of every depth zone: areas across the axis, where a line cuts them, and whose piece they are."""

import math
from dataclasses import dataclass
from typing import Any

from ctrecon.drawing.model.views import Drawn, Model, Zone, contour_at, rims_at
from ctrecon.drawing.paper.contours import circle
from ctrecon.drawing.paper.items import Box, Hatch
from ctrecon.drawing.shown.plane import Plane, cutting_plane
from ctrecon.record.kinds import is_crown, is_outside
from ctrecon.record.part import Piece

__all__ = ["HATCH_ANGLES", "Cut", "Span", "cut_zones", "hatched_across", "metal_across", "piece_of", "spans_at"]

HATCH_ANGLES = (45.0, 135.0, 30.0, 150.0, 60.0, 120.0)

WORD_GAP_MM = 0.6
"""Hatching stays this far from words (ISO 128-3 lets it break off around them)."""

LEAST_HATCHED_MM2 = 0.05
Span = tuple[float, float]


def metal_across(model: Model, zone: Zone, z: float, *, uncut: bool = False) -> Any:
    """Return the metal of a zone at a depth inside it as an area (tapers taken at that depth).

    `uncut` takes the teeth of a crown for their whole ring, as a section along the axis shows them (ISO 2203).
    """
    from shapely.geometry import Polygon

    parts = []
    rings = {d.feature.id: d for d, _ in zone.rims if is_crown(d.feature)} if uncut else {}
    for d in rings.values():
        for solid, size in ((True, d.feature.diameter_mm), (False, d.feature.inner_diameter_mm)):
            disc = Polygon(circle(d.x, d.y, size.value / 2 if size else 0.0).points(2.0))
            parts.append((disc.area, solid, disc))
    for solid, pairs in ((True, rims_at(model, zone, z)), (False, zone.holes)):
        for d, contour in pairs:
            is_cut = solid and contour.round_of is None  # by reliefs, or no circle anyway
            at_z = contour if is_cut else contour_at(d, z) or contour
            shape = Polygon(at_z.points(2.0)).buffer(0)
            parts.append((shape.area, solid, shape))
    metal: Any = Polygon()
    for _, solid, shape in sorted(parts, key=lambda one: -one[0]):
        metal = metal.union(shape) if solid else metal.difference(shape)
    return metal


def spans_at(area: Any, x: float) -> list[Span]:
    """Return the stretches of the upright line at x that lie in the area."""
    from shapely.geometry import LineString

    if area.is_empty:
        return []
    low, high = area.bounds[1] - 1, area.bounds[3] + 1
    cut = area.intersection(LineString([(x, low), (x, high)]))
    pieces = getattr(cut, "geoms", [cut])
    ends = [(p.bounds[1], p.bounds[3]) for p in pieces if not p.is_empty and p.length > 1e-9]
    return sorted(ends)


def piece_of(model: Model, zone: Zone, rim: Drawn | None, *, inside_seam: bool) -> int:
    """Return which piece the metal of a zone belongs to, as its place in the record's list."""
    pieces = model.part.pieces
    middle = (zone.z0 + zone.z1) / 2
    here = [i for i, p in enumerate(pieces) if _covers(model, p, middle)]
    if not here:
        return 0
    owners = [i for i in here if rim is not None and rim.feature.id in pieces[i].features]
    if inside_seam:
        others = [i for i in here if i not in owners]
        return (others or owners or here)[0]
    return (owners or here)[0]


def _covers(model: Model, piece: Piece, z: float) -> bool:
    members = [d for d in model.drawn if d.feature.id in piece.features and is_outside(d.feature)]
    low = piece.depth_from_mm.value - model.start_z if piece.depth_from_mm else -math.inf
    high = piece.depth_to_mm.value - model.start_z if piece.depth_to_mm else math.inf
    slack = model.part.stack.voxel_mm[0]
    return low - slack < z < high + slack or any(d.z0 < z < d.z1 for d in members)


@dataclass(frozen=True)
class Cut:
    """The metal of one zone at its two ends (areas in mm), as it is and as section A–A has it.

    Also how far it reaches in that section or behind it, and the section's plane.
    """

    first: Any
    second: Any
    flat_first: Any
    flat_second: Any
    plane: Plane
    reach_first: Span | None
    reach_second: Span | None


def cut_zones(model: Model) -> tuple[Cut, ...]:
    """Work out the metal of every zone, once for all scales."""
    cuts = []
    plane = cutting_plane(model)
    for zone in model.zones:
        inset = (zone.z1 - zone.z0) * 1e-6
        first, second = (metal_across(model, zone, z, uncut=True) for z in (zone.z0 + inset, zone.z1 - inset))
        flat = plane.laid_flat(first), plane.laid_flat(second)
        cuts.append(Cut(first, second, *flat, plane, _reach(flat[0]), _reach(flat[1])))
    return tuple(cuts)


def _reach(area: Any) -> Span | None:
    """Return how far the metal in the cut or behind it reaches down and up, mm."""
    from shapely.geometry import box

    if area.is_empty:
        return None
    half = area.intersection(box(area.bounds[0] - 1, area.bounds[1] - 1, 1e-6, area.bounds[3] + 1))
    return None if half.is_empty else (half.bounds[1], half.bounds[3])


def hatched_across(model: Model, zone: Zone, scale: float, kept_free: list[Box]) -> list[Hatch]:
    """Hatch the metal that a cut across a zone meets, piece by piece; it breaks off around words (paper mm)."""
    from shapely import affinity, unary_union
    from shapely.geometry import Polygon, box

    metal = metal_across(model, zone, (zone.z0 + zone.z1) / 2)
    if metal.is_empty:
        return []
    rim = max(zone.rims, key=lambda pair: pair[1].area())[0] if zone.rims else None
    within: Any = unary_union([Polygon(c.points(2.0)).buffer(0) for _, c in zone.seams if c.closed])
    words = unary_union([box(*one).buffer(WORD_GAP_MM) for one in kept_free])
    found: list[Hatch] = []
    for area, inside in ((metal.difference(within), False), (metal.intersection(within), True)):
        if area.is_empty:
            continue
        angle = HATCH_ANGLES[piece_of(model, zone, rim, inside_seam=inside) % len(HATCH_ANGLES)]
        left: Any = affinity.scale(area, scale, scale, origin=(0.0, 0.0)).difference(words)
        for part in getattr(left, "geoms", [left]):
            if part.geom_type == "Polygon" and part.area > LEAST_HATCHED_MM2:
                rings = (part.exterior, *part.interiors)
                outer, *holes = (tuple((float(x), float(y)) for x, y in ring.coords[:-1]) for ring in rings)
                found.append(Hatch(outer, tuple(holes), angle))
    return found
