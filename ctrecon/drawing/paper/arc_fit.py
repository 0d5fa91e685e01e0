"""Lines and arcs through a row of points: what a machine runs along instead of hundreds of short steps."""

import math
from collections.abc import Sequence

from ctrecon.drawing.paper.contours import TURN
from ctrecon.shapes import Vertex

__all__ = ["lines_and_arcs"]

Point = tuple[float, float]


def lines_and_arcs(points: Sequence[Point], tolerance: float) -> list[Vertex]:
    """Return vertices (x, y, bulge) through the first and last point, no point off them by more than the tolerance.

    Each stretch is as long as one line or one arc can follow; the last vertex has no bulge.
    """
    out: list[Vertex] = []
    first = 0
    while first < len(points) - 1:
        last, bulge = first + 1, 0.0
        for stop in range(first + 2, len(points)):
            found = _bulge(points[first : stop + 1], tolerance)
            if found is not None:
                last, bulge = stop, found
        out.append((*points[first], bulge))
        first = last
    return [*out, (*points[-1], 0.0)]


def _bulge(points: Sequence[Point], tolerance: float) -> float | None:
    """Return the bulge of the line or arc from the first to the last point that keeps to those between, or None."""
    (ax, ay), (bx, by) = points[0], points[-1]
    chord = math.dist(points[0], points[-1])
    if chord == 0.0:
        return None
    along = [((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / chord for x, y in points]
    off = [((x - ax) * (by - ay) - (y - ay) * (bx - ax)) / chord for x, y in points]  # positive to the right
    if max(abs(one) for one in off) <= tolerance:
        return 0.0
    # through both ends the arc has one number: its sagitta; least squares on the parabola, then exact
    shape = [4 * s * (chord - s) / chord**2 for s in along]
    sagitta = sum(o * w for o, w in zip(off, shape, strict=True)) / max(sum(w * w for w in shape), 1e-300)
    if sagitta == 0.0:
        return None
    bulge = 2 * sagitta / chord
    radius = chord * (1 + bulge**2) / (4 * abs(bulge))
    reach = math.copysign(radius, bulge) * (1 - bulge**2) / (1 + bulge**2)  # centre from mid chord, to the left
    middle = (chord / 2, -reach)
    fits = all(abs(math.dist((s, o), middle) - radius) <= tolerance for s, o in zip(along, off, strict=True))
    return bulge if fits and abs(4 * math.atan(bulge)) < TURN / 2 else None
