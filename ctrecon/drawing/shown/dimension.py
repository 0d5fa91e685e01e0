"""Dimensions of one view: which sizes are written where. Everything in paper mm from the datum."""

import itertools
import math

from ctrecon.core.measured import Measured, format_value
from ctrecon.drawing.model.dimension_text import (
    DEPTH_SIGN,
    HALF_TURN,
    length_text,
    mark,
    places_of,
    size_places,
    taper_words,
    turned,
    view_places,
    written,
)
from ctrecon.drawing.model.views import Drawn, Model, sheet_turn
from ctrecon.drawing.paper.items import (
    FIGURE_GAP_MM,
    Angular,
    Box,
    Diameter,
    Hatch,
    Item,
    Label,
    Line,
    Linear,
    Ordinate,
    Radius,
)
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import Space, spread
from ctrecon.record.kinds import is_hole, is_outside, is_seam, kind_of
from ctrecon.record.part import Feature, taper_of

__all__ = [
    "MOST_CALLOUTS",
    "PAST_MM",
    "TEXT",
    "dimension_outsides",
    "dimension_places",
    "dimension_sizes",
    "dimension_turns",
    "is_far",
]

TEXT = 2.5
"""Height of dimension figures in mm (ISO 3098)."""

SMALL = 1.8
"""Height of letters where there are many (ISO 3098)."""

MOST_CALLOUTS = 14
"""More sizes than this in one view are left to the table; the features keep their ids."""

MOST_TIERS = 8
"""So often a dimension line is moved out, a tier at a time, before it is drawn where it meets something."""

PAST_MM = 1.5
"""Extension lines run so far past the dimension line (ISO 129-1: about eight line widths, here 1.2 mm)."""

FAR_MM = 10.0
"""A centre farther outside its view than this (on paper) is left to the table of features."""

LEAST_TURN_DEG = 0.5
"""A smaller turn from X is not drawn; the table has it."""

MOST_TURN_MM = 24.0
"""The arc of an angle runs no farther than this outside the part."""

OUTER_ARROW_MM = 6.0
"""Where an angle is too small for its figure and arrows, they stand outside, on the arc run on so far."""

BESIDE = 2.5
"""How far beside a slot or rectangle the line of its length runs, mm."""

SAME_PLACE_MM = 0.3
"""Coordinates nearer than this on paper share one dimension."""


def is_far(d: Drawn, scale: float, box: Box) -> bool:
    """Return whether a centre lies far outside a view's outlines: nobody marks it out from there."""
    x, y = d.x * scale, d.y * scale
    return x < box[0] - FAR_MM or x > box[2] + FAR_MM or y < box[1] - FAR_MM or y > box[3] + FAR_MM


def _fold(turn: float, period: float) -> float:
    """Return the equal turn nearest zero."""
    turn %= period
    return turn - period if turn > period / 2 else turn


def _polar(x: float, y: float, angle_deg: float, reach: float) -> tuple[float, float]:
    a = math.radians(angle_deg)
    return x + math.cos(a) * reach, y + math.sin(a) * reach


def _text_box(text: str, middle: tuple[float, float], angle_deg: float) -> Box:
    """Return the upright box around a text turned by any angle."""
    half, tall = text_width(text, TEXT) / 2 + 0.4, TEXT / 2 + 0.5
    c, s = abs(math.cos(math.radians(angle_deg))), abs(math.sin(math.radians(angle_deg)))
    dx, dy = half * c + tall * s, half * s + tall * c
    return middle[0] - dx, middle[1] - dy, middle[0] + dx, middle[1] + dy


# many: a dimension is its line, its figure and where both may go
def _across(
    space: Space, hull: list[tuple[float, float]], at: tuple[float, float], size: float, angle: float, text: str,
    shown: str, decimals: int, side: int,
) -> list[Item]:  # fmt: skip
    """Dimension a width outside the contours: the line runs along `angle`, beyond `hull` on one side."""
    normal = angle + 90 * side
    nx, ny = math.cos(math.radians(normal)), math.sin(math.radians(normal))
    angle = _fold(angle, 180)  # as figures are read: from below or from the right
    angle += 180 if angle < LEAST_TURN_DEG - 90 else 0
    first, second = _polar(*at, angle, -size / 2), _polar(*at, angle, size / 2)
    far = max((p[0] - at[0]) * nx + (p[1] - at[1]) * ny for p in hull)
    wide, lift = text_width(shown, TEXT), TEXT / 2 + FIGURE_GAP_MM
    narrow = wide + 2 > size  # too narrow for its figure: that goes beside the arrow, on the line drawn on
    for tier in range(MOST_TIERS):
        off = far + 9.0 + 5.5 * tier
        base = (at[0] + nx * off, at[1] + ny * off)
        middle = _polar(*(_polar(*base, angle, size / 2 + 3.5 + wide / 2) if narrow else base), angle + 90, lift)
        box = _text_box(shown, middle, angle)
        ends = [_polar(*base, angle, -size / 2), _polar(*base, angle, size / 2)]
        last = _polar(*base, angle, size / 2 + 4.0 + wide) if narrow else ends[1]
        over = (PAST_MM * nx, PAST_MM * ny)
        past = [(x + over[0], y + over[1]) for x, y in ends]
        lines = [(ends[0], last), (first, past[0]), (second, past[1])]
        crossed = space.is_crossed(middle, wide / 2 + 0.3, TEXT / 2 + 0.3, angle)
        if space.is_free(box) and not crossed and not any(space.is_barred(a, b) for a, b in lines):
            break
    space.boxes.append(box)
    space.thin += lines
    if not narrow:
        return [Linear(first, second, base, angle, text, decimals)]
    return [
        Linear(first, second, base, angle, text, decimals, middle, leader=False, turn_deg=angle), Line(ends[1], last)
    ]  # fmt: skip


def dimension_outsides(
    model: Model, fresh: list[Drawn], space: Space, hull: list[tuple[float, float]], scale: float
) -> list[Item]:
    """Dimension round, square and rectangular outsides beyond the contours."""
    items: list[Item] = []
    for d in fresh:
        f, kind = d.feature, kind_of(d.feature)
        if not kind.is_outside:
            continue
        at = (d.x * scale, d.y * scale)
        sizes: list[tuple[float, float, str, str, int, int]] = []
        turn = sheet_turn(f)
        diameter = f.diameter_mm or f.tip_diameter_mm
        if diameter and f.diameter_mm and f.arc_deg is not None and f.arc_deg < HALF_TURN:
            items += _round_size(model, d, f.diameter_mm, space, scale, (0.0, 0.0), 1.0)
        elif diameter:
            name = "diameter_mm" if f.diameter_mm else "tip_diameter_mm"
            sizes = [(diameter.value, 0.0, "Ø", "", size_places(model, f, name, diameter), 1)]
        elif kind.has_parallel_flats(f) and f.flats_mm:
            angle = _fold(turn, kind.period_deg(f))
            sizes = [(f.flats_mm.value, angle, kind.sign, "", size_places(model, f, "flats_mm", f.flats_mm), 1)]
        elif f.flats_pair_mm:
            pair, angle = f.flats_pair_mm, _fold(turn, 180)
            if abs(angle) > 45:
                pair, angle = (pair[1], pair[0]), _fold(turn - 90, 180)
            sizes = [
                (pair[0].value, angle, "", "", size_places(model, f, "flats_pair_mm", pair[0]), 1),
                (pair[1].value, angle + 90, "", "", size_places(model, f, "flats_pair_mm", pair[1]), -1),
            ]
        elif d.contour is not None:
            left, bottom, right, top = d.contour.bounds()
            middle = ((left + right) / 2 * scale, (bottom + top) / 2 * scale)
            for size, angle, side in ((right - left, 0.0, 1), (top - bottom, 90.0, -1)):
                text, shown = written(model.units, f"{f.id} (<>){mark(f)}", size, 2)
                items += _across(space, hull, middle, size * scale, angle, text, shown, 2, side)
        for size, angle, before, after, decimals, side in sizes:
            text, shown = written(model.units, f"{f.id} {before}<>{after}{mark(f)}", size, decimals)
            items += _across(space, hull, at, size * scale, angle, text, shown, decimals, side)
    return items


def dimension_sizes(
    model: Model, fresh: list[Drawn], space: Space, scale: float, *, tabled: frozenset[str] = frozenset(),
    factor: float = 1.0,
) -> list[Item]:  # fmt: skip
    """Write the sizes of holes, seams and reliefs at the ends of leaders, where paper is free.

    Parameters
    ----------
    tabled : frozenset of str
        Ids whose sizes the table alone has: only the id is written.
    factor : float
        How much larger than the sheet's scale this is drawn; `scale` has it in.
    """
    inner = [d for d in fresh if not is_outside(d.feature) and d.contour is not None]
    listed = [d for d in inner if d.feature.id in tabled]
    inner = [d for d in inner if d.feature.id not in tabled]
    if len(inner) > MOST_CALLOUTS:
        listed, inner = listed + inner, []
    items: list[Item] = []
    for d in sorted(inner, key=lambda one: (-math.hypot(one.x, one.y), one.feature.id)):
        outward = (d.x, d.y) if math.hypot(d.x, d.y) * scale > 1 else (0.0, 0.0)
        if d.feature.diameter_mm is not None:
            items += _round_size(model, d, d.feature.diameter_mm, space, scale, outward, factor)
        else:
            items += _flat_sizes(model, d, space, scale, outward, factor)
    return items + _only_ids(listed, space, scale)


def _round_size(
    model: Model, d: Drawn, size: Measured, space: Space, scale: float, outward: tuple[float, float], factor: float
) -> list[Item]:
    """Write a diameter, or the radius of an arc that is less than a half circle."""
    f, units = d.feature, model.units
    at = (d.x * scale, d.y * scale)
    others = "".join(
        f" {one.words} {length_text(units, value.value, size_places(model, f, one.quantity, value))}"
        for one, value in kind_of(f).main_sizes(f)
        if value is not size
    )
    tail = others + (" seam" if is_seam(f) else "") + _taper_text(f) + _depth_text(model, d) + mark(f)
    decimals = size_places(model, f, "diameter_mm", size)
    radius = size.value / 2 * scale
    is_arc = f.arc_deg is not None and f.arc_deg < HALF_TURN
    length = size.value / 2 if is_arc else size.value
    text, _ = written(units, f"{f.id} <>{tail}", length, decimals)
    shown = f"{f.id} {'R' if is_arc else 'Ø'}{length_text(units, length, decimals)}{tail}"
    wide = text_width(shown, TEXT) + 2 * FIGURE_GAP_MM
    if is_arc and f.arc_from_deg is not None and f.arc_deg is not None:
        arc = (-(f.arc_from_deg + f.arc_deg), f.arc_deg)
        found = _short_radius(at, radius, arc, text_width(shown, TEXT), space)
        if found is not None:
            return [Radius(at, radius, found, text, decimals, factor, landing=found)]
        tip = _polar(*at, arc[0] + arc[1] / 2, radius)  # no radius line finds paper: a plain leader from the arc
        return leader(shown, tip, space.callout(tip, 5.0, wide, TEXT, (at[0] - tip[0], at[1] - tip[1])))
    place = space.callout(at, radius + 5, wide, TEXT, outward)
    if not is_arc:
        return [Diameter(at, radius, place, text, decimals, factor)]
    return [Radius(at, radius, place, text, decimals, factor)]


def leader(text: str, tip: tuple[float, float], place: tuple[float, float]) -> list[Item]:
    """Draw words about `place` with a line and an arrow from them to a point."""
    side = math.copysign(text_width(text, TEXT) / 2 + 0.5, place[0] - tip[0])
    end = place[0] - side, place[1]
    away = math.degrees(math.atan2(end[1] - tip[1], end[0] - tip[0]))
    head = (tip, *(_polar(*_polar(*tip, away, 2.5), away + turn, 0.4) for turn in (90.0, -90.0)))
    return [Label(text, (place[0], place[1] - TEXT / 2), TEXT, "centre"), Line(tip, end), Hatch(head, solid=True)]


def _short_radius(
    at: tuple[float, float], radius: float, arc: tuple[float, float], wide: float, space: Space
) -> tuple[float, float] | None:
    """Choose where the radius line of an arc ends: it starts on the arc and never has to reach the centre.

    Parameters
    ----------
    at, radius : (x, y), float
        The arc's circle, paper mm.
    arc : (float, float)
        Where it starts and how far it goes anticlockwise, degrees.
    wide : float
        Width of the figure.
    space : Space
        Its figure is added where one place is free.

    Returns
    -------
    (x, y) or None
        End of the line, beside which the figure stands, None where all is taken.
    """
    places = []
    for share in (0.0, -0.12, 0.12, -0.25, 0.25, -0.35, 0.35, -0.45, 0.45):
        towards = arc[0] + arc[1] * (0.5 + share)
        tip = _polar(*at, towards, radius)
        for step in range(26):
            length = 5.0 + 2.0 * step
            if length < 0.9 * radius:
                places.append((length + 12.0 * abs(share), tip, _polar(*at, towards, radius - length)))
            places.append((length + 4.0 + 12.0 * abs(share), tip, _polar(*at, towards, radius + length)))
    best: tuple[float, tuple[float, float], tuple[float, float], Box] | None = None
    for cost, tip, end in sorted(places):
        if best is not None and best[0] <= cost:
            break
        left = end[0] <= tip[0]  # the figure stands on the side away from the arc
        across = (end[0] - wide - 1.0, end[0] + 0.3) if left else (end[0] - 0.3, end[0] + wide + 1.0)
        box = (across[0], end[1] - 0.5, across[1], end[1] + TEXT + 1.7)
        if space.is_clear(box) and not space.is_barred(tip, end):
            best = min(best or (math.inf, tip, end, box), (cost + 4.0 * space.crossings(tip, end), tip, end, box))
    if best is None:
        return None
    space.boxes.append(best[3])
    space.thin.append((best[1], best[2]))
    return best[2]


def _taper_text(f: Feature) -> str:
    """Return how a taper is written: at which depth the size holds, the rate, and the wide end."""
    taper = taper_of(f)
    if taper is None:
        return ""
    return f" mid {taper_words(taper)}, wide at {'end' if taper.value > 0 else 'start'}"


def _depth_text(model: Model, d: Drawn) -> str:
    """Return how deep a hole is: through, or its depth from the face it opens in; nothing where that is unknown."""
    f = d.feature
    if not model.has_depth or not is_hole(f) or not f.opens_at:
        return ""
    if set(f.opens_at) >= {"start", "end"}:
        return " through"
    if f.length_mm is None or len(f.opens_at) != 1:
        return ""
    length = length_text(model.units, f.length_mm.value, size_places(model, f, "length_mm", f.length_mm))
    return f" {DEPTH_SIGN}{length} from {f.opens_at[0]}"


def _flat_sizes(
    model: Model, d: Drawn, space: Space, scale: float, outward: tuple[float, float], factor: float
) -> list[Item]:
    """Write the width across flats, or both widths, and by how much an off-axis shape is turned."""
    f = d.feature
    at = (d.x * scale, d.y * scale)
    pair = kind_of(f).side_pair(f)
    turn = sheet_turn(f)
    tail = (" seam" if is_seam(f) else "") + _depth_text(model, d) + mark(f)
    angle_u = turned(model, f)
    off_axis = factor != 1.0 or math.hypot(d.x, d.y) * scale > 1
    last = tail
    if off_axis and angle_u is not None and abs(angle_u.value) >= LEAST_TURN_DEG:
        places = size_places(model, f, "turn_deg", angle_u)
        last = f" turned {format_value(angle_u.value, places)}°" + tail
    sizes = [(pair[0], turn), (pair[1], turn + 90)] if pair else [(f.flats_mm, turn)]
    before = kind_of(f).sign
    items: list[Item] = []
    for number, (measured, angle) in enumerate(sizes):
        if measured is None:
            items += _only_ids([d], space, scale)
            continue
        decimals = size_places(model, f, "flats_pair_mm" if pair else "flats_mm", measured)
        size = measured.value * scale
        half = (pair[1] if angle == turn else pair[0]).value / 2 * scale if pair else size / 2
        # off the middle, where bores, centre marks and other dimension lines are; of two, one outside
        off = 0.75 * half if not pair else half + BESIDE if number == 0 else 0.0
        if model.datum is not None and f.id == model.datum.id and not pair:
            off = 0.0  # in line with the mark of the datum
        tries = [_polar(*at, angle + 90, way) for way in (off, -off, 0.5 * off, -0.5 * off, 0.3 * half, -0.3 * half)]
        spans = [(_polar(*one, angle, -size / 2), _polar(*one, angle, size / 2)) for one in tries]
        clear = [one for one, (a, b) in zip(tries, spans, strict=True) if not space.is_barred(a, b)]
        base = (clear or tries)[0]
        space.thin.append((_polar(*base, angle, -size / 2), _polar(*base, angle, size / 2)))
        ending = last if number == 0 else tail
        text, shown = written(model.units, f"{f.id} {before}<>{ending}", measured.value, decimals)
        place = space.callout(base, size / 2 + 5, text_width(shown, TEXT) + 2 * FIGURE_GAP_MM, TEXT, outward)
        ends = _polar(*at, angle, -size / 2), _polar(*at, angle, size / 2)
        items.append(Linear(*ends, base, angle, text, decimals, place, factor))
    return items


def _only_ids(inner: list[Drawn], space: Space, scale: float) -> list[Item]:
    """Write the ids alone, in their features where they fit, else beside them; smaller where they are many."""
    items: list[Item] = []
    tall = TEXT if len(inner) <= MOST_CALLOUTS else SMALL
    for d in inner:
        if d.contour is None:
            continue
        left, bottom, right, top = (v * scale for v in d.contour.bounds())
        wide = text_width(d.feature.id, tall)
        centre = ((left + right) / 2, (bottom + top) / 2)
        half = (top - bottom) / 2
        place = space.within(d.contour.placed(scale, 0.0, 0.0).points(6.0), wide, tall)
        place = place or space.nearby(
            centre, half + 1.0, wide, tall, (1.0, 1.0), pull=4.0, rings=3, leader=False, clear=True
        )  # fmt: skip
        if place is None:
            place = space.nearby(centre, half + 4.0, wide + 1.0, tall, centre, pull=1.0, rings=30, clear=True)
            if place is None:
                continue  # too crowded: the table has its X and Y
            items.append(Line(centre, (place[0] - math.copysign(wide / 2 + 0.5, place[0] - centre[0]), place[1])))
        items.append(Label(d.feature.id, (place[0], place[1] - tall / 2), tall, "centre"))
    return items


def dimension_turns(model: Model, fresh: list[Drawn], space: Space, scale: float, reach: float) -> list[Item]:
    """Dimension the turn of squares, polygons and rectangles on the datum axis, from +X."""
    items: list[Item] = []
    seen: list[float] = []
    for d in fresh:
        f = d.feature
        if f.turn_deg is None or math.hypot(d.x, d.y) * scale > 1:
            continue
        turn = sheet_turn(f)
        period = kind_of(f).period_deg(f)
        if min(turn, period - turn) < LEAST_TURN_DEG or any(abs(turn - other) < 0.05 for other in seen):
            continue
        seen.append(turn)
        radius = reach + 7.0 + 6.0 * (len(seen) - 1)
        decimals = size_places(model, f, "turn_deg", f.turn_deg)
        text = f"{f.id} turn <>°"
        shown = text.replace("<>", format_value(turn, decimals))
        while True:
            middle = _polar(0.0, 0.0, turn / 2, radius + TEXT / 2 + FIGURE_GAP_MM)
            box = _text_box(shown, middle, turn / 2 - 90)
            crossed = space.is_crossed(middle, text_width(shown, TEXT) / 2 + 0.5, TEXT / 2 + 0.3, turn / 2 - 90)
            past = math.degrees(OUTER_ARROW_MM / radius)
            arc = [_polar(0.0, 0.0, (turn + 2 * past) * k / 12 - past, radius) for k in range(13)]
            legs = [((0.0, 0.0), _polar(0.0, 0.0, at, radius + 2)) for at in (0.0, turn)]
            barred = any(space.is_barred(a, b) for a, b in [*itertools.pairwise(arc), *legs])
            if (space.is_free(box) and not crossed and not barred) or radius > reach + MOST_TURN_MM:
                break
            radius += 2.0
        if radius > reach + MOST_TURN_MM:  # no room for the angle: in words
            shown = f"{f.id} turned {format_value(turn, decimals)}°"
            place = space.nearby(
                (0.0, 0.0), reach / 2, text_width(shown, TEXT), TEXT, (1.0, 1.0), pull=1.0, rings=40, leader=False
            )
            if place is not None:
                items.append(Label(shown, (place[0], place[1] - TEXT / 2), TEXT, "centre"))
            continue
        space.boxes.append(box)
        space.thin += itertools.pairwise(arc)
        items.append(Line((0.0, 0.0), _polar(0.0, 0.0, turn, radius + 2), "CENTRE"))
        items.append(Line((0.0, 0.0), (radius + 2, 0.0), "CENTRE"))
        space.thin += [((0.0, 0.0), _polar(0.0, 0.0, turn, radius + 2)), ((0.0, 0.0), (radius + 2, 0.0))]
        items.append(Angular((0.0, 0.0), radius, 0.0, turn, f"{f.id} turn <>", decimals))
    return items


def _stops(model: Model, fresh: list[Drawn], scale: float, axis: int, box: Box) -> list[tuple[float, float, int]]:
    """Return (coordinate, where its leader starts across, decimals), one a place, in order."""
    found: list[tuple[float, float, int]] = []
    for d in fresh:
        f = d.feature
        if d.contour is None or is_seam(f):
            continue
        digits = view_places(model, places_of(model, d)[axis])
        at, other = ((d.x, d.y), (d.y, d.x))[axis]
        turn = sheet_turn(f) % 90
        if is_outside(f) and kind_of(f).is_four_sided and min(turn, 90 - turn) < 0.5:
            if math.hypot(d.x, d.y) * scale > SAME_PLACE_MM:
                # one edge: the other follows from the size
                found.append((d.contour.bounds()[axis], d.contour.bounds()[1 - axis], digits))
        elif math.hypot(d.x, d.y) * scale > SAME_PLACE_MM and not kind_of(f).is_outlined and not is_far(d, scale, box):
            found.append((at, other, digits))
    if not found:
        return []
    found = [one for one in found if abs(one[0]) * scale >= SAME_PLACE_MM] + [(0.0, 0.0, 0)]
    found.sort(key=lambda one: (one[0], one[1]))
    stops: list[tuple[float, float, int]] = []
    for one in found:
        if stops and (one[0] - stops[-1][0]) * scale < SAME_PLACE_MM:
            continue
        stops.append(one)
    return stops


def dimension_places(
    model: Model, fresh: list[Drawn], space: Space, scale: float, box: Box, *, tabled: frozenset[str] = frozenset()
) -> list[Item]:
    """Dimension the places from the datum: X under the view, Y left of it; those the table alone has are left out.

    Returns
    -------
    list of Item
        Nothing where there are more places than the view has room for; the table has them.
    """
    items: list[Item] = []
    fresh = [d for d in fresh if d.feature.id not in tabled]
    pitch = TEXT * 1.9
    left, bottom, right, top = box
    for axis in (0, 1):
        stops = _stops(model, fresh, scale, axis, box)
        span = (right - left, top - bottom)[axis]
        if not stops or len(stops) * pitch > span + 30:
            continue
        slots = spread([v * scale for v, _, _ in stops], pitch)
        plain = ["-<>" if v < 0 and float(format_value(v, n)) else "<>" for v, _, n in stops]
        pairs = [written(model.units, t, abs(v), n) for t, (v, _, n) in zip(plain, stops, strict=True)]
        texts = [shown for _, shown in pairs]
        longest = max(text_width(t, TEXT) for t in texts)
        edge = (bottom, left)[axis] - 12.0
        for (value, across, decimals), slot_at, (text, _) in zip(stops, slots, pairs, strict=True):
            reach = across * scale
            if axis == 0:
                items.append(Ordinate((value * scale, reach), (slot_at, edge), (0.0, 0.0), "x", text, decimals))
                space.thin.append(((value * scale, reach), (slot_at, edge)))
            else:
                items.append(Ordinate((reach, value * scale), (edge, slot_at), (0.0, 0.0), "y", text, decimals))
                space.thin.append(((reach, value * scale), (edge, slot_at)))
        lo, hi = min(slots) - TEXT, max(slots) + TEXT
        space.boxes.append(
            (lo - 2, edge - longest - 3, hi, edge) if axis == 0 else (edge - longest - 3, lo, edge, hi + 2)
        )
    return items
