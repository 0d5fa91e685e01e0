"""One block a view: the contours of a depth zone with centre lines, dimensions and a title."""

import math

from ctrecon.core.measured import decimals_for, format_value
from ctrecon.drawing.contours import Contour, circle
from ctrecon.drawing.dimension import TEXT, dimension_outsides, dimension_places, dimension_sizes, dimension_turns
from ctrecon.drawing.figures import depth_us
from ctrecon.drawing.items import Block, Box, Hatch, Item, Label, Line, Shape
from ctrecon.drawing.lettering import box_of, wrap
from ctrecon.drawing.placing import Space, union
from ctrecon.drawing.views import Drawn, Model, Zone, is_outside
from ctrecon.part import taper_of

__all__ = ["title_labels", "view_block", "zone_depths"]


def zone_depths(model: Model, zone: Zone) -> str:
    """Return in words at which depths a zone lies."""
    if not model.has_depth:
        return "single slice, depth unknown"
    texts = []
    for z in (zone.z0, zone.z1):
        best: tuple[float, int] | None = None
        for d in model.drawn:
            for end, u in zip((d.z0, d.z1), depth_us(model, d), strict=True):
                if u is not None and (best is None or abs(end - z) < best[0] - 1e-9):
                    best = (abs(end - z), decimals_for(u))
        texts.append(format_value(z, best[1] if best else 2))
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
        if d.contour is None or d.feature.kind.startswith("free") or math.hypot(d.x, d.y) * scale < 0.3:
            continue
        left, bottom, right, top = d.contour.bounds()
        if is_outside(d.feature):
            continue
        half_x, half_y = (max(1.5, v * scale / 2 + 1.5) for v in (right - left, top - bottom))
        if d.feature.kind == "arc_outside":  # the whole circle, so its diameter has something to stand on
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


def view_block(model: Model, number: int, scale: float, seen: set[str], *, section: bool) -> Block:
    """Draw one depth zone, dimension what no earlier view has, and say where it is seen from.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    number : int
        Which zone, from 0.
    scale : float
        Paper mm per mm.
    seen : set of str
        Ids dimensioned so far; this view's are added.
    section : bool
        Whether the cutting marks of the section stand in this view.

    Returns
    -------
    Block
        Items about the datum, and the paper they need.
    """
    zone = model.zones[number]
    items: list[Item] = []
    space = Space()
    paths: list[Contour] = [c for _, c in (*zone.rims, *zone.holes)]
    for contour in paths:
        placed = contour.placed(scale, 0.0, 0.0)
        items.append(Shape(placed, "WIDE"))
        space.add_path(placed.points(6.0))
    for _, contour in zone.seams:
        placed = contour.placed(scale, 0.0, 0.0)
        items.append(Shape(placed, "NARROW"))
        ring = placed.points(6.0)
        space.thin += zip(ring, ring[1:] + ring[:1], strict=True)
    for d in zone.drawn:
        if d.feature.kind == "wheel" and d.feature.root_diameter_mm:
            root = circle(d.x, d.y, d.feature.root_diameter_mm.value / 2).placed(scale, 0.0, 0.0)
            items.append(Shape(root, "NARROW"))
            space.thin += zip(root.points(6.0), root.points(6.0)[1:], strict=False)
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
    reach = max(math.hypot(x, y) for x, y in hull)
    items += dimension_places(model, fresh, space, scale, box)
    items += dimension_outsides(model, fresh, space, hull, scale)
    items += dimension_turns(model, fresh, space, scale, reach)
    items += dimension_sizes(model, fresh, space, scale)
    crosses = [(i.start, i.end) for i in items if isinstance(i, Line)]
    needed = union([(box[0] - 4, box[1] - 4, box[2] + 4, box[3] + 4), *space.boxes, *(_ends(a, b) for a, b in crosses)])
    needed = union([needed, *(_ends(a, b) for a, b in space.thin)])
    seen_from = "seen from the start end" if model.has_depth else "seen as the slice looks on screen"
    lines = [f"VIEW {number + 1}", zone_depths(model, zone), seen_from, _shows(zone.drawn)]
    if any(d.feature.kind == "wheel" for d in zone.drawn):
        lines.append("teeth are not drawn: tip circle wide, root circle narrow")
    if any(taper_of(d.feature) for d in zone.drawn):
        lines.append("tapered features are drawn at the middle of this depth")
    middle = (needed[0] + needed[2]) / 2
    labels = title_labels(lines, middle, needed[1] - 2.0, max(needed[2] - needed[0], 55.0))
    items += labels
    return Block(tuple(items), union([needed, *(box_of(label) for label in labels)]))


def _ends(a: tuple[float, float], b: tuple[float, float]) -> Box:
    return min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])


def _shows(drawn: tuple[Drawn, ...]) -> str:
    ids = [d.feature.id for d in drawn]
    rest = f" and {len(ids) - 16} more" if len(ids) > 16 else ""
    return "shows " + ", ".join(ids[:16]) + rest
