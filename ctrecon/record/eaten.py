"""The metal that time took of an edge, as sections that cut it: what is on record as worn is no surprise in a scan."""

import numpy as np
from shapely import LinearRing, Point, Polygon, unary_union
from shapely.ops import substring

from ctrecon.core.frames import Floats
from ctrecon.record.kinds import is_hole
from ctrecon.record.part import Feature, Part, outline_in_part_frame
from ctrecon.record.sections import Section, free_section

__all__ = ["eaten_sections"]

_OVER_PX = 1.5  # bites reach this far over the sound edge: two edges in one place would leave a skin of metal
_SLACK = 10.0  # of the usual allowance: a stretch is recorded at one depth, and its bottom wanders from slice to slice


def eaten_sections(
    part: Part, feature: Feature, sound: Section, pitch_mm: float, depths: tuple[float, float]
) -> tuple[tuple[Section, float, float], ...]:
    """Return what the feature's worn stretches take of the metal: section, depth from, depth to (part frame, mm).

    Parameters
    ----------
    part : Part
        The record.
    feature : Feature
        Any; one whose edge is sound gives nothing.
    sound : Section
        The feature's sound section.
    pitch_mm : float
        Mesh of the distance maps.
    depths : (from, to)
        Where the feature's ends lie along the part axis, mm; infinite where it runs out.

    Returns
    -------
    tuple of (Section, float, float)
        A stretch that runs through the whole feature has its depths.
    """
    if feature.worn is None or feature.outline_mm:
        return ()
    ring = LinearRing(sound.outline)
    whole = Polygon(ring)
    out = []
    for one in feature.worn.stretches:
        bite = _bite(outline_in_part_frame(part, feature, one.edge_mm), ring)
        over = bite.buffer(_OVER_PX * pitch_mm)
        area = unary_union([bite, over.intersection(whole) if is_hole(feature) else over.difference(whole)])
        area = max(getattr(area, "geoms", [area]), key=lambda p: float(p.area))
        section = free_section(np.asarray(area.exterior.coords), pitch_mm, _SLACK) if area.area > 0 else None
        if section is not None:
            out.append((section, *one.depths(feature.depth_from_mm, feature.depth_to_mm, *depths)))
    return tuple(out)


def _bite(edge: Floats, ring: LinearRing) -> Polygon:
    """Return the area between an edge as found and the sound one, between the places where the two meet."""
    a, b = (float(ring.project(Point(p))) for p in (edge[0], edge[-1]))
    low, high = min(a, b), max(a, b)
    if high - low <= ring.length / 2:
        sound = list(substring(ring, low, high).coords)
    else:
        sound = [*substring(ring, high, ring.length).coords, *substring(ring, 0.0, low).coords]
        low = high
    if low == a:
        sound.reverse()
    return Polygon([*edge, *sound]).buffer(0)
