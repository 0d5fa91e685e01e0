"""What is seen of the part from one of its ends: edges that no metal in front of them hides."""

from typing import Any

from ctrecon.drawing.model.edges import SHOWN, SOUND, stretches_of
from ctrecon.drawing.model.views import Model
from ctrecon.drawing.paper.contours import Contour, mirrored_x
from ctrecon.drawing.paper.items import Block, Item, Label, Line, Shape
from ctrecon.drawing.paper.lettering import box_of
from ctrecon.drawing.paper.placing import union
from ctrecon.drawing.paper.symbols import axis_letters
from ctrecon.drawing.shown.blocks import title_labels
from ctrecon.drawing.shown.section import Cut

__all__ = ["end_block", "is_plain", "visible_edges"]

SHARE_WHOLE = 0.999
"""A contour of which this share is seen is drawn whole, as the circle or polyline it is."""


def visible_edges(model: Model, cuts: tuple[Cut, ...], *, from_end: bool) -> list[tuple[int, Contour, str]]:
    """Return (zone, contour or stretch of one, line) of everything seen from an end, nearest first, in mm.

    X runs right and Y up as seen from the start end, from whichever end one looks.
    """
    from shapely.geometry import LineString, Polygon

    order = list(range(len(model.zones)))
    seen: list[tuple[int, Contour, str]] = []
    front: Any = Polygon()
    for n in reversed(order) if from_end else order:
        metal = cuts[n].second if from_end else cuts[n].first
        hull = front.bounds if not front.is_empty else (0.0, 0.0, 1.0, 1.0)
        slack = 2e-3 * max(hull[2] - hull[0], hull[3] - hull[1])
        cover = front.buffer(slack) if not front.is_empty else front
        for contour, style in _lines_of(model, n):
            ring = contour.points(1.0)
            line = LineString([*ring, ring[0]] if contour.closed else ring)
            left = line.difference(cover)
            if left.length > SHARE_WHOLE * line.length:
                seen.append((n, contour, style))
                continue
            for piece in getattr(left, "geoms", [left]):
                if not piece.is_empty and piece.length > 2 * slack:
                    seen.append((n, Contour(tuple((x, y, 0.0) for x, y in piece.coords), closed=False), style))
        front = front.union(metal)
    return seen


def _lines_of(model: Model, number: int) -> list[tuple[Contour, str]]:
    """Return the outsides and holes of a zone with their lines: on a sheet divided by what is known of each stretch."""
    zone = model.zones[number]
    pairs = (*zone.rims, *zone.holes)
    if model.edges != SHOWN:
        return [(contour, SOUND) for _, contour in pairs]
    return [(one.contour, one.what) for d, contour in pairs for one in stretches_of(d, zone, contour, model.voxel_mm)]


def is_plain(model: Model, edges: list[tuple[int, Contour, str]], *, from_end: bool) -> bool:
    """Return whether an end shows nothing beyond its own zone: a view of that zone says it all."""
    own = len(model.zones) - 1 if from_end else 0
    return all(n == own for n, _, _ in edges)


def end_block(model: Model, edges: list[tuple[int, Contour, str]], scale: float, *, from_end: bool) -> Block:
    """Draw what is seen from one end, without dimensions; from the far end X runs to the left.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    edges : list of (int, Contour, str)
        From `visible_edges`, at least one.
    scale : float
        Paper mm per mm.
    from_end : bool
        Seen from the far end, not from the start.
    """
    shown = [(mirrored_x(c) if from_end else c, style) for _, c, style in edges]
    drawn = [(c.placed(scale, 0.0, 0.0), style) for c, style in shown]
    items: list[Item] = [Shape(c, style) for c, style in drawn]
    placed = [c for c, _ in drawn]
    box = union([c.bounds() for c in placed])
    box = (min(box[0], -1.0), min(box[1], -1.0), max(box[2], 1.0), max(box[3], 1.0))
    items += [
        Line((box[0] - 3, 0.0), (box[2] + 3, 0.0), "CENTRE"),
        Line((0.0, box[1] - 3), (0.0, box[3] + 3), "CENTRE"),
    ]
    items += axis_letters(box, mirrored=from_end)
    needed = (box[0] - (12 if from_end else 4), box[1] - 4, box[2] + (4 if from_end else 12), box[3] + 9)
    where = "end (X runs to the left)" if from_end else "start end"
    rims = model.zones[-1 if from_end else 0].rims
    is_open = bool(rims) and all(d.open_end if from_end else d.open_start for d, _ in rims)
    what = "the part as far as the stack reaches," if is_open else "the whole part"
    lines = ["END VIEW" if from_end else "START VIEW", f"{what} seen from the {where}"]
    labels = title_labels(lines, (box[0] + box[2]) / 2, needed[1] - 2.0, max(needed[2] - needed[0], 40.0))
    needed = union([needed, *(box_of(one) for one in labels), *(box_of(i) for i in items if isinstance(i, Label))])
    return Block((*items, *labels), needed)
