"""One block a view: the contours of a depth zone with centre lines, dimensions and a title."""

import itertools
import math
from collections.abc import Sequence
from typing import Protocol

from ctrecon.core.measured import format_value
from ctrecon.drawing.model.crossing import crossed_out, crossing_words, lost_windows
from ctrecon.drawing.model.dimension_text import depth_stops, length_text
from ctrecon.drawing.model.edges import LOST
from ctrecon.drawing.model.teeth import is_broken_rim
from ctrecon.drawing.model.turned import view_name
from ctrecon.drawing.model.views import SAME_FACE_SLICES, Drawn, Model, Zone, sheet_turn
from ctrecon.drawing.paper.contours import Contour, circle
from ctrecon.drawing.paper.items import Block, Box, Hatch, Item, Label, Line, Shape
from ctrecon.drawing.paper.lettering import box_of, wrap
from ctrecon.drawing.paper.placing import Space, union
from ctrecon.drawing.paper.symbols import AXIS_DATUM, axis_letters, datum_box, datum_triangle, detail_circle
from ctrecon.drawing.shown.cut import hatched_across
from ctrecon.drawing.shown.dimension import (
    TEXT,
    dimension_outsides,
    dimension_places,
    dimension_sizes,
    dimension_turns,
    is_far,
)
from ctrecon.drawing.shown.edges import edge_lines, edge_words
from ctrecon.drawing.shown.plane import STRAIGHT, Plane
from ctrecon.record.kinds import is_crown, is_outside, kind_of
from ctrecon.record.part import taper_of

__all__ = ["AS_HALF_WAY", "Circled", "scale_text", "title_labels", "view_block", "zone_depths"]


AS_HALF_WAY = "teeth as at half their height"
"""How the teeth of a crown are drawn: more of their form is not measured."""


INNER_SHARE = 0.7
"""Half the side of the square within a circle, in radii."""

CORNER_MM = 2.0
"""Length of the wide strokes where the plane of section A–A changes direction."""


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


def _cross(x: float, y: float, half_x: float, half_y: float) -> list[Line]:
    return [Line((x - half_x, y), (x + half_x, y), "CENTRE"), Line((x, y - half_y), (x, y + half_y), "CENTRE")]


def _centre_lines(zone: Zone, scale: float, box: Box) -> list[Line]:
    """Return the datum's cross through the whole view and a small cross for every other axis near it."""
    items = [
        Line((box[0] - 3, 0.0), (box[2] + 3, 0.0), "CENTRE"),
        Line((0.0, box[1] - 3), (0.0, box[3] + 3), "CENTRE"),
    ]
    for d in zone.drawn:
        if d.contour is None or kind_of(d.feature).is_outlined or math.hypot(d.x, d.y) * scale < 0.3:
            continue
        left, bottom, right, top = d.contour.bounds()
        if is_outside(d.feature) or is_far(d, scale, box):
            continue
        half_x, half_y = (v * scale / 2 + 1.0 for v in (right - left, top - bottom))
        if kind_of(d.feature).is_relief:  # its arc is there, the rest of its circle is air
            half_x = half_y = 1.5
        items += _cross(d.x * scale, d.y * scale, half_x, half_y)
    return items


def _cutting_ends(plane: Plane, box: Box, scale: float) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Return where the plane of section A–A leaves a view at its top and its lower end (paper mm), and which way."""
    line = plane.line(tuple(v / scale for v in (box[0] - 1, box[1] - 1, box[2] + 1, box[3] + 1)))  # type: ignore[arg-type]
    ends = []
    for end, before in ((line[0], line[1]), (line[-1], line[-2])):
        far = math.dist(end, before)
        ends.append(((end[0] * scale, end[1] * scale), ((end[0] - before[0]) / far, (end[1] - before[1]) / far)))
    return ends


def _cutting_marks(plane: Plane, box: Box, space: Space, scale: float) -> list[Item]:
    """Draw the marks of section A–A without their letters: wide ends and corners, arrows the way one looks."""
    items: list[Item] = []
    for ((x, y), (ux, uy)), side in zip(_cutting_ends(plane, box, scale), (1.0, -1.0), strict=True):
        lx, ly = -uy * side, ux * side  # one looks left of a line that runs up
        foot = x + 3.9 * ux, y + 3.9 * uy
        tip = foot[0] + 5.0 * lx, foot[1] + 5.0 * ly
        back = foot[0] + 2.8 * lx, foot[1] + 2.8 * ly
        items.append(Line((x, y), (x + 4.5 * ux, y + 4.5 * uy), "WIDE"))
        items.append(Line(foot, tip, "NARROW"))
        items.append(Hatch((tip, (back[0] + 0.5 * ux, back[1] + 0.5 * uy), (back[0] - 0.5 * ux, back[1] - 0.5 * uy)),
                           solid=True))  # fmt: skip
        space.boxes.append(union([_ends((x, y), (x + 4.5 * ux, y + 4.5 * uy)), _ends(foot, tip)]))
    if len(plane.legs) == 1:
        return items  # on the datum's own line
    line = [(x * scale, y * scale) for x, y in plane.line(tuple(v / scale for v in box))]  # type: ignore[arg-type]
    for a, b in itertools.pairwise(line):
        if max(abs(a[0]), abs(b[0])) > 1e-6:  # else on the datum's own line
            items.append(Line(a, b, "CENTRE"))
            space.thin.append((a, b))
        share = min(CORNER_MM / max(math.dist(a, b), 1e-9), 0.5)
        step = ((b[0] - a[0]) * share, (b[1] - a[1]) * share)
        items += [Line(a, (a[0] + step[0], a[1] + step[1]), "WIDE")] if a != line[0] else []
        items += [Line(b, (b[0] - step[0], b[1] - step[1]), "WIDE")] if b != line[-1] else []
    return items


def _cutting_letters(plane: Plane, box: Box, space: Space, scale: float) -> list[Item]:
    """Return the letters of the section at its marks."""
    items: list[Item] = []
    for ((x, y), (ux, uy)), side in zip(_cutting_ends(plane, box, scale), (1.0, -1.0), strict=True):
        lx, ly = -uy * side, ux * side
        spots = [
            (x + out * ux + along * lx, y + out * uy + along * ly - 1.75)
            for out, along in ((3.9, 8.0), (3.9, -3.0), (7.8, 2.8), (3.9, 11.0), (3.9, -6.0), (8.5, 0.0), (8.5, 6.0))
        ]
        items.append(space.label("A", 3.5, spots))
    return items


def _datum_mark(model: Model, zone: Zone, space: Space, scale: float) -> list[Item]:
    """Mark the datum axis at the rim of the feature that has it."""
    datum = next((d for d in zone.drawn if model.datum is not None and d.feature.id == model.datum.id), None)
    if datum is None or datum.contour is None:
        return []
    tip, towards = _rim_spot(datum, scale)
    a = math.radians(towards)
    outer = (tip[0] + 2.4 * math.cos(a), tip[1] + 2.4 * math.sin(a))
    half = INNER_SHARE * math.dist(tip, (datum.x * scale, datum.y * scale))
    inside = datum.x * scale - half, datum.y * scale - half, datum.x * scale + half, datum.y * scale + half
    space.boxes.append(inside)  # not within the feature: leaders of its size start there
    middle = space.nearby(outer, 3.0, 6.4, 6.4, (math.cos(a), math.sin(a)), pull=1.0, rings=16)
    space.boxes.remove(inside)
    if middle is None:
        return []
    items, box = datum_box(AXIS_DATUM, middle)
    near = (min(max(outer[0], box[0]), box[2]), min(max(outer[1], box[1]), box[3]))
    return [*datum_triangle(tip, towards), Line(outer, near, "NARROW"), *items]


def _rim_spot(datum: Drawn, scale: float) -> tuple[tuple[float, float], float]:
    """Return where on its rim the datum feature is marked (paper mm), and the way out from there in degrees.

    A circle to the lower left; a square at the end of the line of its size.
    """
    assert datum.contour is not None
    at = datum.x * scale, datum.y * scale
    if datum.contour.round_of is not None:
        reach, towards = datum.contour.round_of[2] * scale, 225.0
    else:
        towards = sheet_turn(datum.feature) + 180.0
    c, s = math.cos(math.radians(towards)), math.sin(math.radians(towards))
    if datum.contour.round_of is None:
        reach = max((x * scale - at[0]) * c + (y * scale - at[1]) * s for x, y in datum.contour.points(6.0))
    return (at[0] + c * reach, at[1] + s * reach), towards


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
        items.append(Label(one.letter, (place[0], place[1] - 1.75), 3.5, "centre"))
    return items


# many: what the layout has planned for all views
def view_block(
    model: Model, number: int, scale: float, seen: set[str], *, behind: Sequence[tuple[int, Contour, str]] = (),
    tabled: frozenset[str] = frozenset(), details: Sequence[Circled] = (), marks_datum: bool = True,
    plane: Plane = STRAIGHT,
) -> Block:  # fmt: skip
    """Draw the part from its start end, or cut across at a zone and hatched; dimension what no earlier view has.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    number : int
        Which zone, from 0; it has a view. The first is what is seen, all others are cut.
    scale : float
        Paper mm per mm.
    seen : set of str
        Ids dimensioned so far, here or on the section; this view's are added.
    behind : sequence of (zone, Contour, line)
        What is seen beyond the zone, mm.
    tabled : frozenset of str
        Ids that the table alone has.
    details : sequence of Circled
        Details of this view; their sizes are left out here.
    marks_datum : bool
        Whether the datum axis is marked here, where its feature first appears, and not on the section.
    plane : Plane
        Where section A–A is cut.

    Returns
    -------
    Block
        Items about the datum, and the paper they need.
    """
    zone = model.zones[number]
    space = Space()
    items = _edges(model, zone, space, scale)
    for _, contour, style in behind:
        placed = contour.placed(scale, 0.0, 0.0)
        items.append(Shape(placed, style))
        space.add_path(placed.points(6.0), closed=placed.closed)
    shown = [c for _, c in (*zone.rims, *zone.holes, *zone.seams)] + [c for _, c, _ in behind]
    shown = shown or [d.contour for d in zone.drawn if d.contour]
    box = union([tuple(v * scale for v in c.bounds()) for c in shown])  # type: ignore[misc]
    box = (min(box[0], -1.0), min(box[1], -1.0), max(box[2], 1.0), max(box[3], 1.0))
    hull = [(x * scale, y * scale) for c in shown for x, y in c.points(6.0)]
    done = seen | (model.elsewhere if number else set())
    fresh = [d for d in zone.drawn if d.feature.id not in done]
    seen |= {d.feature.id for d in fresh}
    axes = _centre_lines(zone, scale, box)
    items += axes
    space.thin += [(one.start, one.end) for one in axes]
    items += dimension_places(model, fresh, space, scale, box, tabled=tabled)
    has_marks = number == 0 and model.has_depth
    items += _cutting_marks(plane, box, space, scale) if has_marks else []
    items += axis_letters(box, space) if number == 0 else []
    items += dimension_outsides(model, fresh, space, hull, scale)
    items += _cutting_letters(plane, box, space, scale) if has_marks else []  # last: most places to choose from
    circled = {one.drawn.feature.id for one in details}
    free = [d for d in fresh if d.feature.id not in circled]
    angled = [d for d in free if d.feature.id not in tabled and not kind_of(d.feature).is_toothed]
    items += dimension_turns(model, angled, space, scale, max(math.hypot(x, y) for x, y in hull))
    if marks_datum and any(model.datum is not None and d.feature.id == model.datum.id for d in zone.drawn):
        items += _datum_mark(model, zone, space, scale)
    items += _mark_details(details, space, scale)
    items += dimension_sizes(model, free, space, scale, tabled=tabled)
    items += edge_words(model, number, space, scale)
    if number > 0:
        items += hatched_across(model, zone, scale, space.boxes)
    crosses = [(i.start, i.end) for i in items if isinstance(i, Line)]
    needed = union([(box[0] - 4, box[1] - 4, box[2] + 4, box[3] + 4), *space.boxes, *(_ends(a, b) for a, b in crosses)])
    needed = union([needed, *(_ends(a, b) for a, b in space.thin)])
    lines = _caption(model, zone, number)
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
            for window in lost_windows(model):
                placed = window.placed(scale, 0.0, 0.0)
                items.append(Shape(placed, LOST))
                space.thin += itertools.pairwise(placed.points(6.0))
    return items


def _caption(model: Model, zone: Zone, number: int) -> list[str]:
    """Say which view this is, where it is cut or seen from, and what is drawn another way than it is."""
    lines = [view_name(model, number)]
    if number > 0:
        lines.append(f"cut at {zone_depths(model, zone)}")
    elif model.has_depth:
        rims = zone.rims
        is_open = bool(rims) and all(d.open_start for d, _ in rims)
        lines.append("seen from the start end" + (", where the part runs out of the stack" if is_open else ""))
    else:
        lines.append("single slice, depth unknown; seen as the slice looks on screen")
        lines[-1] += ", turned level" if abs(model.slices_x_deg) > 0.005 else ""
    wheels = [d.feature for d in zone.drawn if kind_of(d.feature).is_toothed]
    crossed = [one for d in zone.drawn if (one := crossed_out(model.part, d.feature))]
    lines += [crossing_words(model, one) for one in crossed]
    if any(is_broken_rim(f) for f in wheels):
        lines.append("whole teeth that were found are drawn, lost ones by their circles only")
    elif any(is_crown(f) for f in wheels):
        lines.append(AS_HALF_WAY)
    elif wheels:
        lines.append("teeth are not drawn: tip circle wide, root circle narrow")
    if any(taper_of(d.feature) for d in zone.drawn):
        lines.append("tapered features are drawn at the middle of this depth")
    return lines


def _ends(a: tuple[float, float], b: tuple[float, float]) -> Box:
    return min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])
