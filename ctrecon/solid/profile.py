"""The section of one feature in sheet axes, grown or shrunk all round: the two ends of a tapered run."""

import math
from typing import Any

from ctrecon.drawing.model.views import Drawn
from ctrecon.drawing.paper.contours import Contour, circle, polygon, polyline, rectangle, slot
from ctrecon.record.part import Feature

__all__ = ["grown_profile", "round_cutters"]

_LEAST_MM = 1e-3
"""A taper that would come to a point before its end is cut off at this size."""


def round_cutters(drawn: list[Drawn]) -> list[Drawn]:
    """Return the reliefs and broken-out holes that can take a stretch of a rim away."""
    return [
        d
        for d in drawn
        if d.feature.diameter_mm is not None
        and (d.feature.kind == "arc_outside" or (d.feature.kind == "round_hole" and (d.feature.arc_deg or 360) < 360))
    ]


def grown_profile(own: Drawn, by_mm: float) -> Contour | None:
    """Return the whole section of a feature, its wall moved outwards.

    Parameters
    ----------
    own : Drawn
        The feature in sheet axes; its directions already count from the sheet's X.
    by_mm : float
        How far each wall moves out (half of what a diameter gains).

    Returns
    -------
    Contour or None
        Closed, anticlockwise; None where the record holds no section.
    """
    f = own.feature
    more = 2 * by_mm
    # not brought into one period: the two sizes across flats stay on their own directions
    turn = 0.0 if f.turn_deg is None else -f.turn_deg.value
    if f.outline_mm:
        return _sound(own.contour)
    if f.x_mm is None or f.y_mm is None:
        return None
    if f.kind == "wheel":
        return _wheel(f, own.x, own.y, turn, by_mm)
    if f.diameter_mm is not None:
        return circle(own.x, own.y, max(f.diameter_mm.value + more, _LEAST_MM) / 2)
    if f.kind.startswith("polygon") and f.flats_mm is not None and f.sides:
        return polygon(own.x, own.y, max(f.flats_mm.value + more, _LEAST_MM), f.sides, turn)
    if f.flats_pair_mm is not None:
        along, across = (max(one.value + more, _LEAST_MM) for one in f.flats_pair_mm)
    elif f.flats_mm is not None:
        along = across = max(f.flats_mm.value + more, _LEAST_MM)
    else:
        return None
    if f.kind == "slot":
        return slot(own.x, own.y, along, across, turn)
    radius = 0.0 if f.corner_radius_mm is None else f.corner_radius_mm.value
    return rectangle(own.x, own.y, along, across, turn, corner_radius=min(radius, 0.49 * along, 0.49 * across))


def _wheel(f: Feature, x: float, y: float, turn_deg: float, by_mm: float) -> Contour | None:
    """Return teeth as wide as their gaps with radial flanks: the record holds no flank."""
    if f.tip_diameter_mm is None or f.root_diameter_mm is None:
        return None
    tip, root = f.tip_diameter_mm.value / 2 + by_mm, f.root_diameter_mm.value / 2 + by_mm
    if not f.teeth:
        return circle(x, y, (tip + root) / 2)
    pitch = 2 * math.pi / f.teeth
    bulge = math.tan(pitch / 8)
    vertices = []
    for k in range(f.teeth):
        middle = math.radians(turn_deg) + k * pitch
        for radius, at, arc in (
            (tip, -pitch / 4, bulge), (tip, pitch / 4, 0.0),
            (root, pitch / 4, bulge), (root, 3 * pitch / 4, 0.0),
        ):  # fmt: skip
            a = middle + at
            vertices.append((x + radius * math.cos(a), y + radius * math.sin(a), arc))
    return Contour(tuple(vertices))


def _sound(contour: Contour | None) -> Contour | None:
    """Return a free outline that does not cross itself: of a crossed one the largest part."""
    from shapely.geometry import Polygon

    if contour is None:
        return None
    area: Any = Polygon(contour.points())
    if area.is_valid:
        return contour
    parts = area.buffer(0)
    largest = max(getattr(parts, "geoms", [parts]), key=lambda p: p.area)
    if largest.is_empty:
        return None
    return polyline([(float(px), float(py)) for px, py in largest.exterior.coords])
