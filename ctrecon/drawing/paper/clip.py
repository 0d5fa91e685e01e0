"""Cuts contours at a window, keeping whole ones as the circles and polylines they are."""

from typing import Any

from ctrecon.drawing.paper.contours import Contour

__all__ = ["clipped"]

WHOLE = 0.9999
"""A contour of which this share lies in the window counts as inside."""


def clipped(contour: Contour, window: Any) -> list[Contour]:
    """Return what of a contour lies in the window (an area of shapely); whole where all of it does."""
    from shapely import line_merge
    from shapely.geometry import LineString

    ring = contour.points(1.0)
    line = LineString([*ring, ring[0]] if contour.closed else ring)
    inside = line.intersection(window)
    if inside.length > WHOLE * line.length:
        return [contour]
    if inside.geom_type == "MultiLineString":
        inside = line_merge(inside)  # a closed line comes apart where it starts
    pieces = [one for one in getattr(inside, "geoms", [inside]) if one.geom_type == "LineString" and one.length > 0]
    return [Contour(tuple((x, y, 0.0) for x, y in one.coords), closed=False) for one in pieces]
