"""Details: features too small on paper at the sheet's scale, drawn again larger beside the views."""

import math
from dataclasses import dataclass, replace

from ctrecon.drawing.model.turned import SECTION_LETTERS, turned_ids, view_name, view_numbers
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.drawing.paper.clip import clipped
from ctrecon.drawing.paper.contours import circle
from ctrecon.drawing.paper.items import Block, Item, Line, Shape
from ctrecon.drawing.paper.lettering import box_of
from ctrecon.drawing.paper.placing import Space, union
from ctrecon.drawing.paper.symbols import detail_circle
from ctrecon.drawing.shown.blocks import scale_text, title_labels
from ctrecon.drawing.shown.dimension import dimension_sizes
from ctrecon.record.kinds import is_outside, kind_of

__all__ = ["LEAST_ON_PAPER_MM", "WANTED_MM", "Detail", "detail_block", "plan_details"]

LEAST_ON_PAPER_MM = 3.0
"""A feature smaller than this on paper gets a detail."""

MOST_DETAILS = 4
WANTED_MM = 12.0
"""A detail shows its feature at least this large on paper."""

ROOM = 0.95
"""Radius shown, in parts of the feature's larger extent."""


@dataclass(frozen=True)
class Detail:
    """A stretch of one view drawn larger: its letter, its zone, the feature, centre and radius in mm."""

    letter: str
    zone: int
    drawn: Drawn
    alike: tuple[str, ...]
    centre: tuple[float, float]
    radius: float
    scale: float


def _extents(d: Drawn) -> tuple[float, float]:
    if d.contour is None:
        return 0.0, 0.0
    left, bottom, right, top = d.contour.bounds()
    return min(right - left, top - bottom), max(right - left, top - bottom)


def _look(d: Drawn) -> tuple[str, int]:
    """Return what equal-looking features share: kind, and size to two per cent."""
    small, _ = _extents(d)
    return d.feature.kind, round(math.log(max(small, 1e-9)) / 0.02)


def plan_details(
    model: Model, scale: float, tabled: frozenset[str], scales: tuple[float, ...]
) -> tuple[Detail, ...]:
    """Choose what needs a detail at this scale: the smallest first, one for all that look alike.

    A round hole needs none: it is a circle, and its callout or the table has its size.
    """
    seen: set[str] = set(turned_ids(model))
    wanted: list[tuple[float, int, Drawn]] = []
    for number, zone in enumerate(model.zones):
        for d in zone.drawn:
            ident = d.feature.id
            if ident in seen:
                continue
            seen.add(ident)
            small, large = _extents(d)
            is_circle = d.contour is not None and d.contour.round_of is not None
            if is_outside(d.feature) or is_circle or small <= 0 or small * scale >= LEAST_ON_PAPER_MM:
                continue
            if large * scale < 10 * LEAST_ON_PAPER_MM:
                wanted.append((small, number, d))
    wanted.sort(key=lambda one: (one[2].feature.id in tabled, one[0], one[2].feature.id))
    groups: dict[tuple[str, int], list[tuple[float, int, Drawn]]] = {}
    for one in wanted:
        groups.setdefault(_look(one[2]) if one[2].feature.id in tabled else (one[2].feature.id, 0), []).append(one)
    details = []
    letters = SECTION_LETTERS[len(view_numbers(model)) - 1 :]
    for letter, group in zip(letters, list(groups.values())[:MOST_DETAILS], strict=False):
        small, number, d = group[0]
        assert d.contour is not None
        left, bottom, right, top = d.contour.bounds()
        larger = [s for s in reversed(scales) if s > scale and s * small >= WANTED_MM]
        if not larger:
            continue
        alike = tuple(other.feature.id for _, _, other in group[1:])
        centre = ((left + right) / 2, (bottom + top) / 2)
        details.append(Detail(letter, number, d, alike, centre, ROOM * max(right - left, top - bottom), larger[0]))
    return tuple(details)


def detail_block(model: Model, detail: Detail, sheet_scale: float, *, tabled: frozenset[str]) -> Block:
    """Draw one detail with the sizes that its view leaves to it."""
    from shapely.geometry import Point

    zone, scale = model.zones[detail.zone], detail.scale
    cx, cy = detail.centre
    window = Point(0.0, 0.0).buffer(detail.radius, quad_segs=32)
    items: list[Item] = []
    space = Space()
    outlines = [(c, "WIDE") for _, c in (*zone.rims, *zone.holes)] + [(c, "NARROW") for _, c in zone.seams]
    own = detail.drawn.contour
    if kind_of(detail.drawn.feature).is_relief and own is not None:
        outlines.append((own, "HIDDEN"))
    for contour, style in outlines:
        for piece in clipped(contour.placed(1.0, -cx, -cy), window):
            placed = piece.placed(scale, 0.0, 0.0)
            items.append(Shape(placed, style))
            if style == "WIDE":
                space.add_path(placed.points(6.0), closed=piece.closed)
    ring = detail.radius * scale
    items.append(detail_circle((0.0, 0.0), ring))
    edge = circle(0.0, 0.0, ring).points(6.0)
    space.thin += zip(edge, edge[1:] + edge[:1], strict=True)
    here = replace(
        detail.drawn, x=detail.drawn.x - cx, y=detail.drawn.y - cy,
        contour=None if own is None else own.placed(1.0, -cx, -cy),
    )  # fmt: skip
    small = _extents(here)[0] * scale / 2 + 1.5
    items += [Line((-small, 0.0), (small, 0.0), "CENTRE"), Line((0.0, -small), (0.0, small), "CENTRE")]
    items += dimension_sizes(model, [here], space, scale, tabled=tabled, factor=scale / sheet_scale)
    needed = union([(-ring - 1, -ring - 1, ring + 1, ring + 1), *space.boxes])
    what = f"{detail.drawn.feature.id} of {view_name(model, detail.zone)}"
    lines = [f"DETAIL {detail.letter} ({scale_text(scale)})", what]
    if detail.alike:
        more = ", ".join(detail.alike[:8]) + (" and more" if len(detail.alike) > 8 else "")
        lines.append(f"alike: {more}")
    labels = title_labels(lines, (needed[0] + needed[2]) / 2, needed[1] - 2.0, max(needed[2] - needed[0], 40.0))
    return Block((*items, *labels), union([needed, *(box_of(one) for one in labels)]))
