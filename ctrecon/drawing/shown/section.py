"""The section A–A through the datum axis: depth to the right, Y up, hatched piece by piece."""

import itertools
from collections.abc import Sequence
from typing import Any

from ctrecon.drawing.model.dimension_text import depth_stops, written
from ctrecon.drawing.model.turned import view_name, view_numbers
from ctrecon.drawing.model.views import Model, Zone, contour_at
from ctrecon.drawing.paper.contours import circle
from ctrecon.drawing.paper.items import Block, Box, Hatch, Item, Label, Line, Ordinate
from ctrecon.drawing.paper.lettering import box_of, text_width
from ctrecon.drawing.paper.placing import Space, spread, union
from ctrecon.drawing.paper.symbols import FACE_DATUM, datum_box, datum_triangle, detail_circle
from ctrecon.drawing.shown.blocks import title_labels
from ctrecon.drawing.shown.cut import HATCH_ANGLES, Cut, Span, cut_zones, piece_of, spans_at
from ctrecon.drawing.shown.dimension import TEXT
from ctrecon.drawing.shown.edges import LEAST_GAP_MM
from ctrecon.drawing.shown.plane import ON_AXIS, Plane, is_beside, reach_of
from ctrecon.drawing.shown.section_sizes import Turned, section_sizes
from ctrecon.drawing.shown.wheel import uncut_teeth
from ctrecon.record.kinds import kind_of

__all__ = ["HATCH_ANGLES", "Cut", "cut_zones", "metal_strips", "piece_of", "section_block", "section_shapes"]

Strip = tuple[int, tuple[Span, Span, Span, Span]]
"""A piece's place in the record, and the corners of its metal in one zone: depth and Y, mm."""


def section_shapes(model: Model, cuts: tuple[Cut, ...], scale: float) -> tuple[list[Item], list[Span]]:
    """Draw the cut metal and what is seen behind it; also return how far each zone reaches down and up, paper mm."""
    items: list[Item] = []
    outlines: list[Span] = []
    before: list[Strip] = []
    uncut = _shafts(model, cuts)
    for number, (zone, cut) in enumerate(zip(model.zones, cuts, strict=True)):
        first, second = cut.flat_first, cut.flat_second
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
            items += [Line((a * scale, p * scale), (b * scale, q * scale), "WIDE") for (a, p), (b, q) in roots]
            angle = HATCH_ANGLES[piece % len(HATCH_ANGLES)]
            if piece not in uncut and corners is not None:
                items.append(Hatch(tuple((z * scale, y * scale) for z, y in corners), (), angle))
        items += _silhouette(first, x0, x1, [one for one, _ in pairs], scale)
        items += _corners_behind(zone, cut, x0, x1, scale)
        bounds = [area.bounds for area in (first, second) if not area.is_empty]
        if bounds:
            outlines.append((min(b[1] for b in bounds) * scale, max(b[3] for b in bounds) * scale))
        else:
            outlines.append((0.0, 0.0))
        items += _seam_lines(zone, cut, x0, x1, scale)
        if number == 0 or model.zones[number - 1].z1 < zone.z0 - 1e-9:
            items += _face(zone, cut.reach_first, x0, scale, start=True)
        if number + 1 == len(model.zones) or model.zones[number + 1].z0 > zone.z1 + 1e-9:
            items += _face(zone, cut.reach_second, x1, scale, start=False)
    for i in range(1, len(model.zones)):
        if abs(model.zones[i - 1].z1 - model.zones[i].z0) < 1e-9:
            items += _steps(model.zones[i - 1], model.zones[i], cuts[i - 1], cuts[i], scale)
    return [*items, *_face_seams(model, outlines, scale)], outlines


def _shafts(model: Model, cuts: tuple[Cut, ...]) -> frozenset[int]:
    """Return the pieces that are left uncut lengthwise (ISO 128-3): solid through the axis, and longer than thick."""
    if len(model.part.pieces) < 2:
        return frozenset()
    strips: dict[int, list[tuple[Span, Span, Span, Span]]] = {}
    for zone, cut in zip(model.zones, cuts, strict=True):
        for piece, corners in metal_strips(model, zone, cut):
            strips.setdefault(piece, []).append(corners)
    return frozenset(
        piece
        for piece, some in strips.items()
        if all(p0[1] < 0 < q0[1] for p0, _, _, q0 in some)
        and sum(p1[0] - p0[0] for p0, p1, _, _ in some) > max(q0[1] - p0[1] for p0, _, _, q0 in some)
    )


def section_block(
    model: Model, cuts: tuple[Cut, ...], scale: float, planned: Sequence[Turned] = (),
    circled: Sequence[tuple[str, tuple[float, float], float]] = (),
) -> Block:  # fmt: skip
    """Draw the cut through the datum axis: diameters, depths, where it is cut across, what details show.

    Parameters
    ----------
    model : Model
        The part in sheet axes; it has depth and at least one zone.
    scale : float
        Paper mm per mm.
    planned : sequence of Turned
        The diameters that stand here.
    circled : sequence of (letter, (depth, Y), radius)
        What details show of it, mm.

    Returns
    -------
    Block
        Items with the start face at x = 0 and the datum axis at y = 0.
    """
    items, outlines = section_shapes(model, cuts, scale)
    lowest, highest = min(0.0, *(low for low, _ in outlines)), max(0.0, *(high for _, high in outlines))
    right, left = model.zones[-1].z1 * scale, model.zones[0].z0 * scale
    items.append(Line((left - 4, 0.0), (right + 4, 0.0), "CENTRE"))
    items += _hole_axes(model, cuts[0].plane, scale)
    space = Space()
    space.boxes += [box_of(i) for i in items if isinstance(i, Label)]
    box: Box = (left - 4, lowest, right + 4, highest)
    for some, taken in (
        _dimensions(model, space, scale, box),
        _datum_face(model, space, (outlines[0][1], highest), left, box),
        _cut_marks(model, space, outlines, scale, box),
    ):
        items += some
        box = union([box, taken])
    sizes, box = section_sizes(model, planned, space, scale, box)
    items += sizes
    rings, box = _circles(circled, scale, items, space, box)
    items += rings
    box = union([box, *(box_of(i) for i in items if isinstance(i, Label))])
    axis = f"axis of {model.datum.id}" if model.datum else "middle"
    lines = ["SECTION A–A", "; ".join(filter(None, [axis, cuts[0].plane.says, "start end left"]))]
    out = [name for name, n in (("start", 0), ("end", -1)) if _runs_out(model.zones[n], start=name == "start")]
    if out:
        lines.append(f"zigzag at the {' and the '.join(out)}: runs out of the stack")
    labels = title_labels(lines, (box[0] + box[2]) / 2, box[1] - 2, max(box[2] - box[0], 50.0))
    return Block((*items, *labels), union([box, *(box_of(one) for one in labels)]))


def _hole_axes(model: Model, plane: Plane, scale: float) -> list[Item]:
    """Draw the axes of the holes beside the datum's that the plane goes through."""
    return [
        Line((d.z0 * scale - 2, y * scale), (d.z1 * scale + 2, y * scale), "CENTRE")
        for d in model.drawn
        if is_beside(d) and (y := plane.height_of(d.x, d.y, ON_AXIS * reach_of(d))) is not None
        and abs(y) > ON_AXIS * reach_of(d)
    ]


def _circles(
    circled: Sequence[tuple[str, tuple[float, float], float]], scale: float, items: Sequence[Item], space: Space,
    box: Box,
) -> tuple[list[Item], Box]:  # fmt: skip
    """Circle what details show, with their letters on free paper."""
    metal = [i.outer for i in items if isinstance(i, Hatch)]
    space.boxes += [(min(x), min(y), max(x), max(y)) for x, y in (zip(*corners, strict=True) for corners in metal)]
    space.boxes.append((box[0], box[1], box[2], min(y for corners in metal for _, y in corners) if metal else 0.0))
    space.thin += [(i.start, i.end) for i in items if isinstance(i, Line)]
    found: list[Item] = []
    for letter, (z, y), reach in circled:
        middle, radius = (z * scale, y * scale), max(reach * scale, 1.5)
        found.append(detail_circle(middle, radius))
        ring = circle(*middle, radius).points(12.0)
        space.thin += zip(ring, ring[1:] + ring[:1], strict=True)
        place = space.nearby(middle, radius + 2.0, 3.5, 3.5, (1.0, 1.0), pull=2.0, rings=40, leader=False)
        if place is not None:
            found.append(Label(letter, (place[0], place[1] - 1.75), 3.5, "centre"))
            box = union([box, box_of(found[-1])])  # type: ignore[arg-type]
        box = union([box, (middle[0] - radius, middle[1] - radius, middle[0] + radius, middle[1] + radius)])
    return found, box


def _datum_face(model: Model, space: Space, tops: Span, x: float, box: Box) -> tuple[list[Item], Box]:
    """Mark the start face, which depths count from, on its line drawn on; none where the part runs out there."""
    if model.start is None or model.start.depth_from_mm is None:
        return [], box
    top = tops[0]
    tip = (x, tops[1] + 5.0)  # above all lines that run out from the part
    items, frame = datum_box(FACE_DATUM, (x - 9.0, tip[1]))
    space.boxes.append((frame[0], frame[1], x, frame[3]))
    space.thin.append(((x, top), (x, tip[1] + 2.0)))
    leaders = [Line((x - 2.4, tip[1]), (frame[2], tip[1]), "NARROW"), Line((x, top + 0.8), (x, tip[1] + 2.0), "NARROW")]
    return [*datum_triangle(tip, 180.0), *leaders, *items], union([box, frame, (x, top, x + 0.5, tip[1] + 2.0)])


def _cut_marks(model: Model, space: Space, outlines: list[Span], scale: float, box: Box) -> tuple[list[Item], Box]:
    """Mark where the part is cut across: wide ends above and below, arrows the way one looks, letters (ISO 128-3)."""
    zones = list(view_numbers(model))[1:]
    if not zones:
        return [], box
    middles = [(model.zones[n].z0 + model.zones[n].z1) / 2 * scale for n in zones]
    slots = spread(middles, 2.1 * TEXT)
    top, bottom = max(high for _, high in outlines), min(low for low, _ in outlines)
    items: list[Item] = []
    for n, at, slot_at in zip(zones, middles, slots, strict=True):
        low, high = outlines[n]
        items += [
            Line((at, high), (at, top + 1.5), "CENTRE"), Line((at, low), (at, bottom - 1.0), "CENTRE"),
            Line((at, top + 1.5), (at, top + 5.0), "WIDE"), Line((at, bottom - 1.0), (at, bottom - 4.0), "WIDE"),
            Line((at, top + 4.5), (at + 3.5, top + 4.5), "NARROW"),
            Hatch(((at + 4.0, top + 4.5), (at + 2.0, top + 5.0), (at + 2.0, top + 4.0)), solid=True),
        ]  # fmt: skip
        letter = Label(view_name(model, n)[-1], (slot_at, top + 7.5), 3.5, "centre")
        if abs(slot_at - at) > 0.1:
            items.append(Line((at, top + 5.0), (slot_at, top + 6.9), "NARROW"))
        items.append(letter)
        space.boxes += [box_of(letter), (at - 0.8, top + 1.0, at + 4.2, top + 5.5)]
        space.thin.append(((at, low), (at, bottom - 4.0)))
    return items, union([box, (min(slots) - 2, bottom - 4, max(slots) + 5, top + 11.5)])


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
    seams = [cut.plane.crossings(c) for _, c in zone.seams]
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
    spans = spans_at(cut.flat_first, 0.0), spans_at(cut.flat_second, 0.0)
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


def _corners_behind(zone: Zone, cut: Cut, x0: float, x1: float, scale: float) -> list[Item]:
    """Draw the sharp corners of holes and outsides that stand free behind the cut, where no other line is near."""
    from shapely.geometry import LineString

    ends = [y for span in spans_at(cut.flat_first, 0.0) for y in span] + list(cut.reach_first or ())
    items: list[Item] = []
    for d, contour in (*zone.rims, *zone.holes):
        if kind_of(d.feature).is_outlined or kind_of(d.feature).is_toothed:
            continue
        for before, (x, y, bulge) in contour.segments():
            seen = None if bulge or before[2] else cut.plane.behind(x, y)
            if seen is None or any(abs(seen[1] - end) * scale < LEAST_GAP_MM for end in ends):
                continue
            sight = LineString([(0.0, seen[1]), (seen[0] * (1 - 1e-6), seen[1])])
            if sight.intersection(cut.flat_first).length < 1e-6:
                items.append(Line((x0, seen[1] * scale), (x1, seen[1] * scale), "WIDE"))
                ends.append(seen[1])
    return items


def _steps(before: Zone, after: Zone, cut: Cut, next_cut: Cut, scale: float) -> list[Item]:
    """Draw the face between two zones: outer steps, and ends of holes inside them."""
    z = after.z0
    x = z * scale
    items: list[Item] = []
    a, b = cut.reach_second, next_cut.reach_first
    if a and b:
        for side in (0, 1):
            if abs(a[side] - b[side]) * scale > 0.02:
                items.append(Line((x, a[side] * scale), (x, b[side] * scale), "WIDE"))
    elif only := a or b:
        items.append(Line((x, only[0] * scale), (x, only[1] * scale), "WIDE"))
    gone = {d.feature.id for d, _ in before.holes} ^ {d.feature.id for d, _ in after.holes}
    for d, contour in (*before.holes, *after.holes):
        if d.feature.id in gone:
            ys = cut.plane.crossings(contour_at(d, z) or contour)
            if len(ys) >= 2:
                items.append(Line((x, ys[0] * scale), (x, ys[-1] * scale), "WIDE"))
    return items


def _seam_lines(zone: Zone, cut: Cut, x0: float, x1: float, scale: float) -> list[Item]:
    return [
        Line((x0, y * scale), (x1, y * scale), "NARROW")
        for _, contour in zone.seams
        for y in cut.plane.crossings(contour)
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


def _runs_out(zone: Zone, *, start: bool) -> bool:
    """Return whether the part goes on beyond the stack at an end of a zone."""
    rims = [d for d, _ in zone.rims] or [d for d, _ in zone.holes]
    return bool(rims) and all(d.open_start if start else d.open_end for d in rims)


def _face(zone: Zone, extent: Span | None, x: float, scale: float, *, start: bool) -> list[Item]:
    """Close an end of the part with a wide line, or leave it open with a break line."""
    if extent is None:
        return []
    low, high = extent[0] * scale, extent[1] * scale
    if not _runs_out(zone, start=start):
        return [Line((x, low), (x, high), "WIDE")]
    step = max((high - low) / 5, 1e-6)
    tooth = min(1.2, step / 2)
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
    return items


def _dimensions(model: Model, space: Space, scale: float, box: Box) -> tuple[list[Item], Box]:
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
        space.thin.append(((z * scale, bottom), (slot_at, edge)))
    longest = max(text_width(shown, TEXT) for _, shown in pairs)
    taken = (min(slots) - 5, edge - longest - 3.0, max(slots) + 3, bottom)
    space.boxes.append((taken[0], taken[1], taken[2], edge))
    return items, union([box, taken])
