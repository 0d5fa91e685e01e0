"""What is seen of the part from one of its ends: edges that no metal in front of them hides."""

import itertools
import math
from collections.abc import Iterable
from typing import Any

from ctrecon.drawing.model.edges import BROKEN, LOST, SHOWN, SOUND, stretches_of
from ctrecon.drawing.model.views import Model
from ctrecon.drawing.paper.contours import Contour, mirrored_x
from ctrecon.drawing.paper.items import Block, Item, Line, Shape
from ctrecon.drawing.paper.lettering import box_of
from ctrecon.drawing.paper.placing import Space, union
from ctrecon.drawing.paper.symbols import axis_letters
from ctrecon.drawing.shown.blocks import AS_HALF_WAY, title_labels
from ctrecon.drawing.shown.cut import Cut, metal_across
from ctrecon.drawing.shown.edges import break_line
from ctrecon.record.kinds import is_crown

__all__ = ["end_block", "shows_more", "visible_edges"]

COAXIAL_SHARE = 0.01
"""A circle off the axis by less than this part of its radius is one about the axis."""

MADE = (SOUND, LOST, BROKEN)

SHARE_WHOLE = 0.999
"""A contour of which this share is seen is drawn whole, as the circle or polyline it is."""


def visible_edges(
    model: Model, cuts: tuple[Cut, ...], *, from_end: bool, first: int = 0
) -> list[tuple[int, Contour, str]]:
    """Return (zone, contour or stretch of one, line) of all that is seen from an end, nearest first, in mm.

    `first`: the zone it is cut at; what lies before it is taken away.

    X runs right and Y up as seen from the start end, from whichever end one looks.
    """
    from shapely.geometry import Polygon

    order = list(range(first, len(model.zones)))
    seen: list[tuple[int, Contour, str]] = []
    front: Any = Polygon()
    for n in reversed(order) if from_end else order:
        metal = cuts[n].second if from_end else cuts[n].first
        hull = front.bounds if not front.is_empty else (0.0, 0.0, 1.0, 1.0)
        slack = 2e-3 * max(hull[2] - hull[0], hull[3] - hull[1])
        cover = front.buffer(slack) if not front.is_empty else front
        for contour, style in _lines_of(model, n):
            line = _traced(contour)
            left = line.difference(cover)
            if left.length > SHARE_WHOLE * line.length:
                seen.append((n, contour, style))
                continue
            for piece in getattr(left, "geoms", [left]):
                if not piece.is_empty and piece.length > 2 * slack:
                    seen.append((n, Contour(tuple((x, y, 0.0) for x, y in piece.coords), closed=False), style))
        zone = model.zones[n]
        if any(is_crown(d.feature) for d, _ in zone.rims):
            metal = metal_across(model, zone, (zone.z0 + zone.z1) / 2)  # one sees through the gaps of its teeth
        front = front.union(metal)
    return seen


def _lines_of(model: Model, number: int) -> list[tuple[Contour, str]]:
    """Return the outsides and holes of a zone with their lines: on a sheet divided by what is known of each stretch."""
    zone = model.zones[number]
    pairs = (*zone.rims, *zone.holes)
    if model.edges != SHOWN:
        return [(contour, SOUND) for _, contour in pairs]
    lines = [(one.contour, one.what) for d, contour in pairs for one in stretches_of(d, zone, contour, model.voxel_mm)]
    return [*lines, *((contour, "NARROW") for _, contour in zone.seams if contour.closed)]


def shows_more(
    edges: list[tuple[int, Contour, str]], views: Iterable[list[tuple[int, Contour, str]]], slack_mm: float
) -> bool:
    """Return whether the far end shows more than each of the other views alone does, and than circles about the axis.

    Lines nearer than `slack_mm` to one of a view are that one; what time took is no reason for a view.
    """
    from shapely import STRtree, get_coordinates, points, unary_union

    telling = [_traced(c) for _, c, style in edges if style in MADE and not _is_about_axis(c)]
    if not telling:
        return False
    whole: Any = unary_union(telling)
    spots: Any = points(get_coordinates([line for line in telling if line.length > 2 * slack_mm]))
    for view in views:
        lines = [_traced(c) for _, c, style in view if style in MADE]
        # a spot so far off leaves more than the slack uncovered on its own line: known without the dear strips
        if lines and len(spots) and STRtree(lines).query_nearest(
            spots, max_distance=3 * slack_mm, all_matches=False
        ).shape[1] < len(spots):
            continue
        if whole.difference(unary_union(lines).buffer(slack_mm)).length <= 2 * slack_mm:
            return False
    return True


def _is_about_axis(contour: Contour) -> bool:
    """Return whether a contour is a circle about the axis, or a stretch of one: the section has it."""
    spots = contour.points(6.0)
    spots += [((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) for a, b in itertools.pairwise(spots)]  # corners may lie on one
    reaches = [math.hypot(x, y) for x, y in spots]
    return max(reaches) - min(reaches) <= 2 * COAXIAL_SHARE * max(reaches)


def _traced(contour: Contour) -> Any:
    from shapely.geometry import LineString

    ring = contour.points(1.0)
    return LineString([*ring, ring[0]] if contour.closed else ring)


def end_block(model: Model, edges: list[tuple[int, Contour, str]], scale: float) -> Block:
    """Draw what is seen from the far end, without dimensions: X runs to the left.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    edges : list of (int, Contour, str)
        From `visible_edges`, at least one.
    scale : float
        Paper mm per mm.
    """
    space = Space()
    items: list[Item] = []
    bounds = []
    for _, contour, style in edges:
        placed = mirrored_x(contour).placed(scale, 0.0, 0.0)
        placed = break_line(placed) if style == BROKEN else placed
        items.append(Shape(placed, style))
        bounds.append(placed.bounds())
        space.add_path(placed.points(6.0), closed=placed.closed)
    box = union(bounds)
    box = (min(box[0], -1.0), min(box[1], -1.0), max(box[2], 1.0), max(box[3], 1.0))
    items += [
        Line((box[0] - 3, 0.0), (box[2] + 3, 0.0), "CENTRE"),
        Line((0.0, box[1] - 3), (0.0, box[3] + 3), "CENTRE"),
    ]
    items += axis_letters(box, space, mirrored=True)
    needed = union([(box[0] - 12, box[1] - 4, box[2] + 4, box[3] + 9), *space.boxes])
    rims = model.zones[-1].rims
    is_open = bool(rims) and all(d.open_end for d, _ in rims)
    seen = "seen from the end (X runs to the left)" + (", where the part runs out of the stack" if is_open else "")
    lines = ["END VIEW", seen, *([AS_HALF_WAY] if any(is_crown(d.feature) for d, _ in rims) else [])]
    labels = title_labels(lines, (box[0] + box[2]) / 2, needed[1] - 2.0, max(needed[2] - needed[0], 55.0))
    return Block((*items, *labels), union([needed, *(box_of(one) for one in labels)]))
