"""One block a view: the contours of a depth zone with centre lines, dimensions and a title."""

import math
from collections.abc import Sequence
from typing import Protocol

from ctrecon.core.measured import format_value
from ctrecon.drawing.model.dimension_text import depth_stops, length_text
from ctrecon.drawing.model.views import SAME_FACE_SLICES, Drawn, Model, Zone, view_numbers
from ctrecon.drawing.paper.contours import Contour, circle
from ctrecon.drawing.paper.items import Block, Box, Hatch, Item, Label, Line, Shape
from ctrecon.drawing.paper.lettering import box_of, wrap
from ctrecon.drawing.paper.placing import Space, union
from ctrecon.drawing.paper.symbols import AXIS_DATUM, axis_letters, datum_box, datum_triangle, detail_circle
from ctrecon.drawing.shown.dimension import TEXT, dimension_outsides, dimension_places, dimension_sizes, dimension_turns
from ctrecon.drawing.shown.edges import edge_lines, edge_words
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.record.part import taper_of

__all__ = ["Circled", "scale_text", "title_labels", "view_block", "zone_depths"]


class Circled(Protocol):
    """What a view must know of a detail to mark it: letter, place and radius (mm), and whose sizes it takes over."""

    @property
    def letter(self) -> str:
        """Letter of the detail."""

    @property
    def drawn(self) -> Drawn:
        """The feature that the detail shows."""

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the detail in mm."""

    @property
    def radius(self) -> float:
        """Radius of what it shows in mm."""


def scale_text(scale: float) -> str:
    """Return the scale as written on a sheet (ISO 5455).

    Examples
    --------
    >>> scale_text(5.0), scale_text(0.2)
    ('5:1', '1:5')
    """
    return f"{format_value(scale, 0)}:1" if scale >= 1 else f"1:{format_value(1 / scale, 0)}"


def zone_depths(model: Model, zone: Zone) -> str:
    """Return in words at which depths a zone lies."""
    if not model.has_depth:
        return "single slice, depth unknown"
    texts = []
    stops = depth_stops(model)
    for z in (zone.z0, zone.z1):
        near, decimals, _ = min(stops, key=lambda stop: abs(stop[0] - z))
        if abs(near - z) > SAME_FACE_SLICES * model.part.stack.voxel_mm[0]:
            near, decimals = z, 2
        texts.append(length_text(model.units, near, decimals))
    open_here = [d for d in zone.drawn if is_outside(d.feature)] or list(zone.drawn)
    ends = (
        all(d.open_start for d in open_here) and zone is model.zones[0],
        all(d.open_end for d in open_here) and zone is model.zones[-1],
    )
    before = "start of the stack (runs out)" if ends[0] else texts[0]
    after = "end of the stack (runs out)" if ends[1] else texts[1]
    return f"depth {before} to {after}"


def title_labels(lines: list[str], middle: float, top: float, width: float) -> list[Label]:
    """Return a block's title: the first line large, the others small, below `top`."""
    labels = [Label(lines[0], (middle, top - 3.5), 3.5, "centre")]
    y = top - 4.0
    for text in lines[1:]:
        for line in wrap(text, TEXT, width):
            y -= 4.2
            labels.append(Label(line, (middle, y), TEXT, "centre"))
    return labels


def _cross(x: float, y: float, half_x: float, half_y: float) -> list[Item]:
    return [Line((x - half_x, y), (x + half_x, y), "CENTRE"), Line((x, y - half_y), (x, y + half_y), "CENTRE")]


def _centre_lines(zone: Zone, scale: float, box: Box) -> list[Item]:
    """Return the datum's cross through the whole view and a small cross for every other axis."""
    items: list[Item] = []
    items += [
        Line((box[0] - 3, 0.0), (box[2] + 3, 0.0), "CENTRE"),
        Line((0.0, box[1] - 3), (0.0, box[3] + 3), "CENTRE"),
    ]
    for d in zone.drawn:
        if d.contour is None or kind_of(d.feature).is_outlined or math.hypot(d.x, d.y) * scale < 0.3:
            continue
        left, bottom, right, top = d.contour.bounds()
        if is_outside(d.feature):
            continue
        half_x, half_y = (max(1.5, v * scale / 2 + 1.5) for v in (right - left, top - bottom))
        if kind_of(d.feature).is_relief:  # the whole circle, so its diameter has something to stand on
            items.append(Shape(d.contour.placed(scale, 0.0, 0.0), "HIDDEN"))
        items += _cross(d.x * scale, d.y * scale, half_x, half_y)
    return items


def _cutting_marks(box: Box) -> list[Item]:
    """Return the marks A–A of the section: wide ends on the datum's upright line, looking left."""
    items: list[Item] = []
    for y, step in ((box[3] + 1.0, 1.0), (box[1] - 1.0, -1.0)):
        tip = y + 4.5 * step
        items.append(Line((0.0, y), (0.0, tip), "WIDE"))
        items.append(Line((0.0, tip - 0.6 * step), (-5.0, tip - 0.6 * step), "NARROW"))
        head = ((-5.0, tip - 0.6 * step), (-2.8, tip - 0.1 * step), (-2.8, tip - 1.1 * step))
        items.append(Hatch(head, solid=True))
        items.append(Label("A", (-8.5, tip - 1.2 * step - (1.2 if step > 0 else 0.2)), 3.5, "centre"))
    return items


def _datum_mark(model: Model, zone: Zone, space: Space, scale: float) -> list[Item]:
    """Mark the datum axis at the rim of the feature that has it."""
    datum = next((d for d in zone.drawn if model.datum is not None and d.feature.id == model.datum.id), None)
    if datum is None or datum.contour is None:
        return []
    left, bottom, right, top = (v * scale for v in datum.contour.bounds())
    a = math.radians(225.0)
    reach = min(right - left, top - bottom) / 2
    if datum.contour.round_of is None:
        reach = 0.0  # no rim to stand on: the mark points at the axis itself
    tip = (math.cos(a) * reach, math.sin(a) * reach)
    outer = (tip[0] + 2.4 * math.cos(a), tip[1] + 2.4 * math.sin(a))
    middle = space.nearby(outer, 3.0, 6.4, 6.4, (-1.0, -1.0), pull=1.0, rings=16)
    if middle is None:
        return []
    items, box = datum_box(AXIS_DATUM, middle)
    near = (min(max(outer[0], box[0]), box[2]), min(max(outer[1], box[1]), box[3]))
    return [*datum_triangle(tip, 225.0), Line(outer, near, "NARROW"), *items]


def _mark_details(details: Sequence[Circled], space: Space, scale: float) -> list[Item]:
    """Circle what details show, with their letters."""
    items: list[Item] = []
    for one in details:
        middle = one.centre[0] * scale, one.centre[1] * scale
        radius = max(one.radius * scale, 1.5)
        ring = circle(*middle, radius).points(12.0)
        items.append(detail_circle(middle, radius))
        space.thin += zip(ring, ring[1:] + ring[:1], strict=True)
        place = space.nearby(middle, radius + 2.0, 3.5, 3.5, (1.0, 1.0), pull=2.0, rings=30, leader=False)
        if place is None:
            continue
        space.thin.pop()
        items.append(Label(one.letter, (place[0], place[1] - 1.75), 3.5, "centre"))
    return items


def view_block(
    model: Model, number: int, scale: float, seen: set[str], *, section: bool, tabled: frozenset[str] = frozenset(),
    details: Sequence[Circled] = (), cut: bool = False,
) -> Block:  # fmt: skip
    """Draw one depth zone, dimension what no earlier view has, and say where it is seen from.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    number : int
        Which zone, from 0; it has a view.
    scale : float
        Paper mm per mm.
    seen : set of str
        Ids dimensioned so far; this view's are added.
    section : bool
        Whether the cutting marks of the section stand in this view.
    tabled : frozenset of str
        Ids that the hole table has.
    details : sequence of Circled
        Details of this view; their sizes are left out here.
    cut : bool
        Whether this is a cut at its depth, and not what is seen from the start end.

    Returns
    -------
    Block
        Items about the datum, and the paper they need.
    """
    zone = model.zones[number]
    space = Space()
    paths: list[Contour] = [c for _, c in (*zone.rims, *zone.holes)]
    items = _edges(model, zone, space, scale)
    shown = paths + [c for _, c in zone.seams] or [d.contour for d in zone.drawn if d.contour]
    box = union([tuple(v * scale for v in c.bounds()) for c in shown])  # type: ignore[misc]
    box = (min(box[0], -1.0), min(box[1], -1.0), max(box[2], 1.0), max(box[3], 1.0))
    hull = [(x * scale, y * scale) for c in shown for x, y in c.points(6.0)]
    fresh = [d for d in zone.drawn if d.feature.id not in seen]
    seen |= {d.feature.id for d in fresh}
    items += _centre_lines(zone, scale, box)
    space.thin += [((box[0] - 3, 0.0), (box[2] + 3, 0.0)), ((0.0, box[1] - 3), (0.0, box[3] + 3))]
    if section:
        marks = _cutting_marks(box)
        items += marks
        space.boxes += [box_of(m) for m in marks if isinstance(m, Label)]
        space.boxes += [(-5.5, box[3] + 1, 0.5, box[3] + 5.5), (-5.5, box[1] - 5.5, 0.5, box[1] - 1)]
    if number == 0:
        letters = axis_letters(box)
        items += letters
        space.boxes += [box_of(one) for one in letters if isinstance(one, Label)]
        space.thin += [((box[2], 0.0), (box[2] + 6, 0.0)), ((0.0, box[3]), (0.0, box[3] + 8))]
    reach = max(math.hypot(x, y) for x, y in hull)
    reliefs = [d.contour for d in zone.drawn if kind_of(d.feature).is_relief and d.contour]
    around = union([box, *(c.placed(scale, 0.0, 0.0).bounds() for c in reliefs)])
    items += dimension_places(model, fresh, space, scale, around, tabled=tabled)
    items += dimension_outsides(model, fresh, space, hull, scale)
    circled = {one.drawn.feature.id for one in details}
    items += dimension_turns(model, [d for d in fresh if d.feature.id not in circled], space, scale, reach)
    if any(model.datum is not None and d.feature.id == model.datum.id for d in fresh):
        items += _datum_mark(model, zone, space, scale)
    items += _mark_details(details, space, scale)
    items += dimension_sizes(model, [d for d in fresh if d.feature.id not in circled], space, scale, tabled=tabled)
    items += edge_words(model, zone, fresh, space, scale)
    crosses = [(i.start, i.end) for i in items if isinstance(i, Line)]
    needed = union([(box[0] - 4, box[1] - 4, box[2] + 4, box[3] + 4), *space.boxes, *(_ends(a, b) for a, b in crosses)])
    needed = union([needed, *(_ends(a, b) for a, b in space.thin)])
    lines = _caption(model, zone, number, cut=cut)
    middle = (needed[0] + needed[2]) / 2
    labels = title_labels(lines, middle, needed[1] - 2.0, max(needed[2] - needed[0], 55.0))
    items += labels
    return Block(tuple(items), union([needed, *(box_of(label) for label in labels)]))


def _edges(model: Model, zone: Zone, space: Space, scale: float) -> list[Item]:
    """Draw outlines as their edges are known, seams and root circles narrow, and keep words off them."""
    items = edge_lines(model, zone, space, scale)
    for _, contour in zone.seams:
        placed = contour.placed(scale, 0.0, 0.0)
        items.append(Shape(placed, "NARROW"))
        ring = placed.points(6.0)
        space.thin += zip(ring, ring[1:] + ring[:1], strict=True)
    for d in zone.drawn:
        if kind_of(d.feature).is_toothed and d.feature.root_diameter_mm:
            root = circle(d.x, d.y, d.feature.root_diameter_mm.value / 2).placed(scale, 0.0, 0.0)
            items.append(Shape(root, "NARROW"))
            space.thin += zip(root.points(6.0), root.points(6.0)[1:], strict=False)
    return items


def _caption(model: Model, zone: Zone, number: int, *, cut: bool) -> list[str]:
    """Say which view this is, its depths, where it is seen from and what is drawn another way than it is."""
    seen_from = "seen from the start end" if model.has_depth else "seen as the slice looks on screen"
    if not model.has_depth and abs(model.slices_x_deg) > 0.005:
        seen_from += ", turned level"
    depths = zone_depths(model, zone)
    lines = [f"VIEW {view_numbers(model)[number]}", f"cut at {depths}" if cut else depths, seen_from]
    lines.append(_shows(zone.drawn))
    if any(kind_of(d.feature).is_toothed for d in zone.drawn):
        lines.append("teeth are not drawn: tip circle wide, root circle narrow")
    if any(taper_of(d.feature) for d in zone.drawn):
        lines.append("tapered features are drawn at the middle of this depth")
    return lines


def _ends(a: tuple[float, float], b: tuple[float, float]) -> Box:
    return min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])


def _shows(drawn: tuple[Drawn, ...]) -> str:
    ids = [d.feature.id for d in drawn]
    rest = f" and {len(ids) - 16} more" if len(ids) > 16 else ""
    return "shows " + ", ".join(ids[:16]) + rest
