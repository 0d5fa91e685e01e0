"""The section A–A through the datum axis: depth to the right, Y up, hatched piece by piece."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ctrecon.drawing.model.dimension_text import depth_stops, written
from ctrecon.drawing.model.views import Drawn, Model, Zone, contour_at, view_numbers
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.paper.items import Block, Box, Hatch, Item, Label, Line, Ordinate
from ctrecon.drawing.paper.lettering import box_of, text_width
from ctrecon.drawing.paper.placing import Space, union
from ctrecon.drawing.paper.symbols import FACE_DATUM, datum_box, datum_triangle, detail_circle
from ctrecon.drawing.shown.blocks import title_labels
from ctrecon.drawing.shown.dimension import TEXT, spread
from ctrecon.drawing.shown.wheel import uncut_teeth
from ctrecon.record.kinds import is_outside, kind_of
from ctrecon.record.part import Piece

__all__ = ["HATCH_ANGLES", "Cut", "cut_zones", "metal_strips", "piece_of", "section_block", "section_shapes"]

HATCH_ANGLES = (45.0, 135.0, 30.0, 150.0, 60.0, 120.0)
Span = tuple[float, float]
Strip = tuple[int, tuple[Span, Span, Span, Span]]
"""A piece's place in the record, and the corners of its metal in one zone: depth and Y, mm."""


def _crossings(contour: Contour, x: float) -> list[float]:
    """Return where the upright line at x crosses a contour, upwards."""
    ring = contour.points(0.5)
    found = []
    for (ax, ay), (bx, by) in zip(ring, ring[1:] + ring[:1], strict=True):
        if (ax > x) != (bx > x):
            found.append(ay + (by - ay) * (x - ax) / (bx - ax))
    return sorted(found)


def _metal(zone: Zone, z: float) -> Any:
    """Return the metal of a zone at a depth inside it as an area (tapers taken at that depth)."""
    from shapely.geometry import Polygon

    parts = []
    for solid, pairs in ((True, zone.rims), (False, zone.holes)):
        for d, contour in pairs:
            is_cut = solid and contour.round_of is None  # by reliefs, or no circle anyway
            at_z = contour if is_cut else contour_at(d, z) or contour
            shape = Polygon(at_z.points(2.0)).buffer(0)
            parts.append((shape.area, solid, shape))
    metal: Any = Polygon()
    for _, solid, shape in sorted(parts, key=lambda one: -one[0]):
        metal = metal.union(shape) if solid else metal.difference(shape)
    return metal


def _spans(area: Any, x: float) -> list[Span]:
    """Return the stretches of the upright line at x that lie in the area."""
    from shapely.geometry import LineString

    if area.is_empty:
        return []
    low, high = area.bounds[1] - 1, area.bounds[3] + 1
    cut = area.intersection(LineString([(x, low), (x, high)]))
    pieces = getattr(cut, "geoms", [cut])
    ends = [(p.bounds[1], p.bounds[3]) for p in pieces if not p.is_empty and p.length > 1e-9]
    return sorted(ends)


def piece_of(model: Model, zone: Zone, rim: Drawn | None, *, inside_seam: bool) -> int:
    """Return which piece the metal of a zone belongs to, as its place in the record's list."""
    pieces = model.part.pieces
    middle = (zone.z0 + zone.z1) / 2
    here = [i for i, p in enumerate(pieces) if _covers(model, p, middle)]
    if not here:
        return 0
    owners = [i for i in here if rim is not None and rim.feature.id in pieces[i].features]
    if inside_seam:
        others = [i for i in here if i not in owners]
        return (others or owners or here)[0]
    return (owners or here)[0]


def _covers(model: Model, piece: Piece, z: float) -> bool:
    members = [d for d in model.drawn if d.feature.id in piece.features and is_outside(d.feature)]
    low = piece.depth_from_mm.value - model.start_z if piece.depth_from_mm else -math.inf
    high = piece.depth_to_mm.value - model.start_z if piece.depth_to_mm else math.inf
    slack = model.part.stack.voxel_mm[0]
    return low - slack < z < high + slack or any(d.z0 < z < d.z1 for d in members)


@dataclass(frozen=True)
class Cut:
    """The metal of one zone at its two ends (areas in mm), and how far it reaches behind the cut."""

    first: Any
    second: Any
    reach_first: Span | None
    reach_second: Span | None


def cut_zones(model: Model) -> tuple[Cut, ...]:
    """Work out the metal of every zone, once for all scales."""
    cuts = []
    for zone in model.zones:
        inset = (zone.z1 - zone.z0) * 1e-6
        first, second = _metal(zone, zone.z0 + inset), _metal(zone, zone.z1 - inset)
        cuts.append(Cut(first, second, _reach(first), _reach(second)))
    return tuple(cuts)


def section_shapes(model: Model, cuts: tuple[Cut, ...], scale: float) -> tuple[list[Item], list[Span]]:
    """Draw the cut metal and what is seen behind it; also return how far each zone reaches down and up, paper mm."""
    items: list[Item] = []
    outlines: list[Span] = []
    before: list[Strip] = []
    for number, (zone, cut) in enumerate(zip(model.zones, cuts, strict=True)):
        first, second = cut.first, cut.second
        pairs = _span_pairs(cut)
        x0, x1 = zone.z0 * scale, zone.z1 * scale
        for (a0, b0), (a1, b1) in pairs:
            items += [Line((x0, a * scale), (x1, b * scale), "WIDE") for a, b in ((a0, a1), (b0, b1))]
        strips = metal_strips(model, zone, cut)
        if number and abs(model.zones[number - 1].z1 - zone.z0) < 1e-9:
            items += _contacts(before, strips, scale)
        before = strips
        for piece, whole in strips:
            corners, roots = uncut_teeth(zone, whole)
            items += [Line((a * scale, y * scale), (b * scale, y * scale), "WIDE") for (a, y), (b, _) in roots]
            angle = HATCH_ANGLES[piece % len(HATCH_ANGLES)]
            items.append(Hatch(tuple((z * scale, y * scale) for z, y in corners), (), angle))
        items += _silhouette(first, x0, x1, [one for one, _ in pairs], scale)
        bounds = [area.bounds for area in (first, second) if not area.is_empty]
        if bounds:
            outlines.append((min(b[1] for b in bounds) * scale, max(b[3] for b in bounds) * scale))
        else:
            outlines.append((0.0, 0.0))
        items += _seam_lines(zone, x0, x1, scale)
        if number == 0 or model.zones[number - 1].z1 < zone.z0 - 1e-9:
            items += _face(zone, cut.reach_first, x0, scale, start=True)
        if number + 1 == len(model.zones) or model.zones[number + 1].z0 > zone.z1 + 1e-9:
            items += _face(zone, cut.reach_second, x1, scale, start=False)
    for i in range(1, len(model.zones)):
        if abs(model.zones[i - 1].z1 - model.zones[i].z0) < 1e-9:
            items += _steps(model.zones[i - 1], model.zones[i], cuts[i - 1].reach_second, cuts[i].reach_first, scale)
    return [*items, *_face_seams(model, outlines, scale)], outlines


def section_block(
    model: Model, cuts: tuple[Cut, ...], scale: float, circled: Sequence[tuple[str, tuple[float, float], float]] = ()
) -> Block:
    """Draw the cut through the datum axis with depths and lengths dimensioned.

    Parameters
    ----------
    model : Model
        The part in sheet axes; it has depth and at least one zone.
    scale : float
        Paper mm per mm.
    circled : sequence of (letter, (depth, Y), radius)
        What details show of it, mm.

    Returns
    -------
    Block
        Items with the start face at x = 0 and the datum axis at y = 0.
    """
    items, outlines = section_shapes(model, cuts, scale)
    lowest, highest = min(0.0, *(low for low, _ in outlines)), max(0.0, *(high for _, high in outlines))
    metal = [i.outer for i in items if isinstance(i, Hatch)]
    right = model.zones[-1].z1 * scale
    left = model.zones[0].z0 * scale
    items.append(Line((left - 4, 0.0), (right + 4, 0.0), "CENTRE"))
    box: Box = (left - 4, lowest, right + 4, highest)
    dims, box = _dimensions(model, scale, box)
    items += dims
    marks, box = _datum_face(model, outlines[0], left, box)
    items += marks
    if len(view_numbers(model)) > 1:
        numbers, box = _view_numbers(model, outlines, scale, box)
        items += numbers
    rings, box = _circles(circled, scale, items, metal, box)
    items += rings
    box = union([box, *(box_of(i) for i in items if isinstance(i, Label))])
    axis = f"axis of {model.datum.id}" if model.datum else "middle"
    lines = ["SECTION A–A", f"{axis}; start end left"]
    if len(view_numbers(model)) > 1:
        lines.append("figures: where views are cut")
    labels = title_labels(lines, (box[0] + box[2]) / 2, box[1] - 2, max(box[2] - box[0], 50.0))
    return Block((*items, *labels), union([box, *(box_of(one) for one in labels)]))


def _circles(
    circled: Sequence[tuple[str, tuple[float, float], float]], scale: float, items: Sequence[Item],
    metal: Sequence[tuple[Span, ...]], box: Box,
) -> tuple[list[Item], Box]:  # fmt: skip
    """Circle what details show, with their letters on free paper."""
    space = Space()
    space.boxes += [box_of(i) for i in items if isinstance(i, Label) and i.text]
    space.boxes += [(min(x), min(y), max(x), max(y)) for x, y in (zip(*corners, strict=True) for corners in metal)]
    space.boxes.append((box[0], box[1], box[2], min(y for corners in metal for _, y in corners) if metal else 0.0))
    space.thin += [(i.start, i.end) for i in items if isinstance(i, Line)]
    found: list[Item] = []
    for letter, (z, y), reach in circled:
        middle, radius = (z * scale, y * scale), max(reach * scale, 1.5)
        found.append(detail_circle(middle, radius))
        place = space.nearby(middle, radius + 2.0, 3.5, 3.5, (1.0, 1.0), pull=2.0, rings=40, leader=False)
        if place is not None:
            space.thin.pop()
            found.append(Label(letter, (place[0], place[1] - 1.75), 3.5, "centre"))
        box = union([box, (middle[0] - radius, middle[1] - radius, middle[0] + radius, middle[1] + radius)])
    return found, box


def _datum_face(model: Model, extent: Span, x: float, box: Box) -> tuple[list[Item], Box]:
    """Mark the start face, which depths count from; none where the part runs out of the stack there."""
    if model.start is None or model.start.depth_from_mm is None or extent[1] <= extent[0]:
        return [], box
    tip = (x, extent[0] + 0.85 * (extent[1] - extent[0]))
    middle = (x - 9.0, tip[1])
    items, frame = datum_box(FACE_DATUM, middle)
    leader = Line((x - 2.4, tip[1]), (frame[2], tip[1]), "NARROW")
    return [*datum_triangle(tip, 180.0), leader, *items], union([box, frame])


def _view_numbers(model: Model, outlines: list[Span], scale: float, box: Box) -> tuple[list[Item], Box]:
    """Write the numbers of the views above the depths they show."""
    numbers = view_numbers(model)
    middles = [(model.zones[n].z0 + model.zones[n].z1) / 2 * scale for n in numbers]
    slots = spread(middles, 1.9 * TEXT)
    base = max(high for _, high in outlines) + 6.0
    items: list[Item] = []
    for (zone, number), at, slot_at in zip(numbers.items(), middles, slots, strict=True):
        items.append(Label(str(number), (slot_at, base), TEXT, "centre"))
        items.append(Line((at, outlines[zone][1] + 0.8), (slot_at, base - 0.8), "NARROW"))
    return items, union([box, (min(slots) - TEXT, base, max(slots) + TEXT, base + TEXT + 1)])


def _contacts(before: list[Strip], after: list[Strip], scale: float) -> list[Item]:
    """Draw the seam where the metal of one piece stands on that of another, face on face."""
    items: list[Item] = []
    for piece, (_, (x, p0), (_, q0), _) in before:
        for other, ((_, p1), _, _, (_, q1)) in after:
            low, high = max(p0, p1), min(q0, q1)
            if piece != other and high - low > 1e-9:
                items.append(Line((x * scale, low * scale), (x * scale, high * scale), "NARROW"))
    return items


def metal_strips(model: Model, zone: Zone, cut: Cut) -> list[Strip]:
    """Return the cut metal of a zone as (piece, corners in mm: depth, Y), split where seams cross it."""
    rim = max(zone.rims, key=lambda pair: pair[1].area())[0] if zone.rims else None
    seams = [_crossings(c, 0.0) for _, c in zone.seams]
    strips: list[Strip] = []
    for (a0, b0), (a1, b1) in _span_pairs(cut):
        cuts = sorted(y for ys in seams for y in ys if max(a0, a1) < y < min(b0, b1))
        lower = [(a0, a1), *((y, y) for y in cuts)]
        upper = [*((y, y) for y in cuts), (b0, b1)]
        for (p0, p1), (q0, q1) in zip(lower, upper, strict=True):
            middle = (p0 + p1 + q0 + q1) / 4
            inside = any(len(ys) >= 2 and ys[0] < middle < ys[-1] for ys in seams)
            piece = piece_of(model, zone, rim, inside_seam=inside)
            strips.append((piece, ((zone.z0, p0), (zone.z1, p1), (zone.z1, q1), (zone.z0, q0))))
    return strips


def _span_pairs(cut: Cut) -> list[tuple[Span, Span]]:
    """Return the stretches of metal at both ends of a zone, matched."""
    spans = _spans(cut.first, 0.0), _spans(cut.second, 0.0)
    ends = spans if len(spans[0]) == len(spans[1]) else (spans[0], spans[0])
    return list(zip(*ends, strict=True))


def _silhouette(area: Any, x0: float, x1: float, spans: list[Span], scale: float) -> list[Item]:
    """Draw what is seen behind the cut, where it reaches beyond the cut metal."""
    from shapely.geometry import box

    if area.is_empty:
        return []
    low, high = area.bounds[1], area.bounds[3]
    behind = area.intersection(box(area.bounds[0] - 1, low - 1, 0.0, high + 1))
    if behind.is_empty:
        return []
    items: list[Item] = []
    cut_low, cut_high = (spans[0][0], spans[-1][1]) if spans else (0.0, 0.0)
    if (cut_low - behind.bounds[1]) * scale > 0.15:
        items.append(Line((x0, behind.bounds[1] * scale), (x1, behind.bounds[1] * scale), "WIDE"))
    if (behind.bounds[3] - cut_high) * scale > 0.15:
        items.append(Line((x0, behind.bounds[3] * scale), (x1, behind.bounds[3] * scale), "WIDE"))
    return items


def _reach(area: Any) -> Span | None:
    """Return how far the metal in the cut or behind it reaches down and up, mm."""
    from shapely.geometry import box

    if area.is_empty:
        return None
    half = area.intersection(box(area.bounds[0] - 1, area.bounds[1] - 1, 1e-6, area.bounds[3] + 1))
    return None if half.is_empty else (half.bounds[1], half.bounds[3])


def _steps(before: Zone, after: Zone, a: Span | None, b: Span | None, scale: float) -> list[Item]:
    """Draw the face between two zones: outer steps, and ends of holes inside them."""
    z = after.z0
    x = z * scale
    items: list[Item] = []
    if a and b:
        for side in (0, 1):
            if abs(a[side] - b[side]) * scale > 0.02:
                items.append(Line((x, a[side] * scale), (x, b[side] * scale), "WIDE"))
    elif only := a or b:
        items.append(Line((x, only[0] * scale), (x, only[1] * scale), "WIDE"))
    gone = {d.feature.id for d, _ in before.holes} ^ {d.feature.id for d, _ in after.holes}
    for d, contour in (*before.holes, *after.holes):
        if d.feature.id in gone:
            ys = _crossings(contour_at(d, z) or contour, 0.0)
            if len(ys) >= 2:
                items.append(Line((x, ys[0] * scale), (x, ys[-1] * scale), "WIDE"))
    return items


def _seam_lines(zone: Zone, x0: float, x1: float, scale: float) -> list[Item]:
    return [
        Line((x0, y * scale), (x1, y * scale), "NARROW") for _, contour in zone.seams for y in _crossings(contour, 0.0)
    ]


def _face_seams(model: Model, outlines: list[Span], scale: float) -> list[Item]:
    """Draw flat seams between stacked pieces as upright narrow lines."""
    items: list[Item] = []
    for d in model.drawn:
        if not kind_of(d.feature).is_face:
            continue
        z = (d.z0 + d.z1) / 2
        for zone, (low, high) in zip(model.zones, outlines, strict=True):
            if zone.z0 - 1e-9 <= z <= zone.z1 + 1e-9:
                items.append(Line((z * scale, low), (z * scale, high), "NARROW"))
                break
    return items


def _face(zone: Zone, extent: Span | None, x: float, scale: float, *, start: bool) -> list[Item]:
    """Close an end of the part with a wide line, or leave it open with a break line and say so."""
    rims = [d for d, _ in zone.rims] or [d for d, _ in zone.holes]
    is_open = bool(rims) and all(d.open_start if start else d.open_end for d in rims)
    if extent is None:
        return []
    low, high = extent[0] * scale, extent[1] * scale
    if not is_open:
        return [Line((x, low), (x, high), "WIDE")]
    step = max((high - low) / 5, 1e-6)
    tooth = min(1.2, step / 2)
    away = -1.0 if start else 1.0
    spots: list[tuple[float, float]] = [(x, low - 2), (x, low)]
    for k in range(5):
        y = low + step * k
        spots += [
            (x, y + 0.35 * step),
            (x + tooth, y + 0.45 * step),
            (x - tooth, y + 0.55 * step),
            (x, y + 0.65 * step),
        ]
    spots += [(x, high), (x, high + 2)]
    items: list[Item] = [Line(a, b, "NARROW") for a, b in itertools.pairwise(spots)]
    text = "runs out of the stack"
    at_x = x + away * (2.5 if start else 4.5)
    items.append(Label(text, (at_x, (low + high) / 2), 1.8, "centre", 90.0))
    return items


def _dimensions(model: Model, scale: float, box: Box) -> tuple[list[Item], Box]:
    """Dimension every depth once, from the start face."""
    items: list[Item] = []
    bottom = box[1]
    stops = depth_stops(model)
    pitch = TEXT * 1.9
    slots = spread([z * scale for z, _, _ in stops], pitch)
    pairs = [written(model.units, ("-<>" if z < 0 else "<>") + said, abs(z), n) for z, n, said in stops]
    edge = bottom - 12.0
    for (z, decimals, _), slot_at, (text, _) in zip(stops, slots, pairs, strict=True):
        items.append(Ordinate((z * scale, bottom), (slot_at, edge), (0.0, bottom), "x", text, decimals))
    longest = max(text_width(shown, TEXT) for _, shown in pairs)
    return items, union([box, (min(slots) - 5, edge - longest - 3.0, max(slots) + 3, bottom)])
