"""Edges of a view by what is known of them: sound wide, worn, lost, unsettled, broken; and the words beside them."""

import itertools
import math

from ctrecon.core.measured import format_value
from ctrecon.drawing.model.dimension_text import length_text
from ctrecon.drawing.model.edges import (
    BROKEN,
    SOUND,
    WORN,
    LostCorner,
    is_broken,
    is_unsettled,
    is_vague,
    lost_corners,
    stretches_of,
)
from ctrecon.drawing.model.turned import view_numbers
from ctrecon.drawing.model.views import Drawn, Model, Zone
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.paper.items import Item, Label, Line, Shape
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import Space
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import Alternative

__all__ = ["LEAST_GAP_MM", "break_line", "edge_lines", "edge_notes", "edge_words"]

TEXT = 2.5
"""Height of the words, mm."""

LEAST_GAP_MM = 0.7
"""Lines nearer than this run together on paper (ISO 128-2): wear less deep there is left to the notes."""

ALONG_DEG = 10.0
"""A side turned from X or Y by less is called by it: legs are good to a tenth of a mm (a judgement)."""

WORN_WORDS = "worn, do not copy"


def edge_lines(model: Model, zone: Zone, space: Space, scale: float) -> list[Item]:
    """Draw the outsides and holes of a zone, each stretch in the line of what is known of it; keep words off them."""
    items: list[Item] = []
    for d, contour in (*zone.rims, *zone.holes):
        for stretch in stretches_of(d, zone, contour, model.voxel_mm):
            placed = stretch.contour.placed(scale, 0.0, 0.0)
            if stretch.what == WORN and _depth_on_paper(d, zone, scale) < LEAST_GAP_MM:
                continue
            if stretch.what == BROKEN:
                placed = break_line(placed)
            items.append(Shape(placed, stretch.what))
            ring = placed.points(6.0)
            if stretch.what == SOUND:
                space.add_path(ring, closed=placed.closed)
            else:
                space.thin += itertools.pairwise(ring)
    return items


def _depth_on_paper(d: Drawn, zone: Zone, scale: float) -> float:
    """Return how deep on paper (mm) the deepest eaten stretch of a feature is in a zone."""
    middle = (zone.z0 + zone.z1) / 2
    return max((one.deepest for one in d.found if one.z0 <= middle <= one.z1), default=0.0) * scale


def break_line(line: Contour) -> Contour:
    """Return a break line (ISO 128-2): straight, a zigzag in the middle, run on by 2 mm at both ends."""
    (ax, ay, _), (bx, by, _) = line.vertices[0], line.vertices[-1]
    length = math.dist((ax, ay), (bx, by)) or 1.0
    ux, uy = (bx - ax) / length, (by - ay) / length
    half, tall = min(1.0, length / 6), min(1.5, length / 4)
    places = [
        (-2.0, 0.0), (length / 2 - 2 * half, 0.0), (length / 2 - half, tall), (length / 2 + half, -tall),
        (length / 2 + 2 * half, 0.0), (length + 2.0, 0.0),
    ]  # fmt: skip
    return Contour(tuple((ax + ux * s - uy * t, ay + uy * s + ux * t, 0.0) for s, t in places), closed=False)


def edge_words(model: Model, number: int, space: Space, scale: float) -> list[Item]:
    """Write beside the edges what a maker must know: what not to copy, legs of lost corners, where a fragment ends.

    They stand in the first view that shows the edge.
    """
    items: list[Item] = []
    zone = model.zones[number]
    before = [n for n in view_numbers(model) if n < number]
    told = {d.feature.id for n in before for d in model.zones[n].drawn}
    here = [(d, c) for d, c in (*zone.rims, *zone.holes) if d.feature.id not in told]
    named: list[tuple[float, tuple[float, float]]] = []
    middle = (zone.z0 + zone.z1) / 2
    for d, contour in here:
        lost = lost_corners(d, zone, contour, model.voxel_mm)
        for _, corner in lost:
            items += _called(_legs(model, corner), corner.corner, space, scale)
        gone = {id(found) for found, _ in lost}
        worn = [one for one in d.found if one.z0 <= middle <= one.z1 and id(one) not in gone]
        if worn:
            deepest = max(worn, key=lambda one: one.deepest)
            named.append((deepest.deepest, deepest.points[len(deepest.points) // 2]))
        items += _break_angles(d, contour, space, scale)
    deep, place = max(named, default=(0.0, (0.0, 0.0)))  # one is named; all others are told by their line
    if deep * scale >= LEAST_GAP_MM:
        items += _called(WORN_WORDS, place, space, scale)
    return items


def _legs(model: Model, corner: LostCorner) -> str:
    """Return the words of a lost corner: the leg that runs more along X first, both named where they run so."""
    sides = []
    for end, leg in zip(corner.ends, corner.legs, strict=True):
        off = math.degrees(math.atan2(abs(end[1] - corner.corner[1]), abs(end[0] - corner.corner[0])))
        sides.append((off, length_text(model.units, leg, 1)))
    (first, one), (second, other) = sorted(sides)
    if first < ALONG_DEG and second > 90.0 - ALONG_DEG:
        return f"corner lost, legs {one} (X) × {other} (Y)"
    return f"corner lost, legs {one} × {other}"


def _break_angles(d: Drawn, contour: Contour, space: Space, scale: float) -> list[Item]:
    """Write at which angle from X each break of a fragment is, as seen from the middle of its round edge."""
    items: list[Item] = []
    size = d.feature.diameter_mm
    for angle in _breaks(d, contour) if size is not None else ():
        assert size is not None
        a = math.radians(angle)
        place = d.x + size.value / 2 * math.cos(a), d.y + size.value / 2 * math.sin(a)
        items += _called(f"break at {angle:.0f}°", place, space, scale, (math.cos(a), math.sin(a)))
    return items


def _breaks(d: Drawn, contour: Contour) -> tuple[float, ...]:
    """Return at which angles of the sheet (degrees) a fragment of a round edge ends; none for a whole edge."""
    if not is_broken(d, contour):
        return ()
    spots = [one for a, b in contour.segments() if not a[2] for one in (a, b)]
    away = [math.hypot(x - d.x, y - d.y) for x, y, _ in spots]
    outer = [one for one, far in zip(spots, away, strict=True) if far > 0.999 * max(away)]
    return tuple(sorted(math.degrees(math.atan2(y - d.y, x - d.x)) % 360 for x, y, _ in outer))


def _called(
    text: str, at: tuple[float, float], space: Space, scale: float, outward: tuple[float, float] | None = None
) -> list[Item]:
    """Write words at the end of a leader to a place (mm of the part), where paper is free."""
    anchor = at[0] * scale, at[1] * scale
    wide = text_width(text, TEXT)
    place = space.nearby(anchor, 4.0, wide + 1.0, TEXT, outward or at, pull=1.0, rings=24, clear=True)
    if place is None:
        return []
    edge = (place[0] - math.copysign(wide / 2 + 0.7, place[0] - anchor[0]), place[1])
    return [Label(text, (place[0], place[1] - TEXT / 2), TEXT, "centre"), Line(anchor, edge, "NARROW")]


def _odds_in_words(other: Alternative) -> str:
    """Return what else a feature could be, with the odds as a bet and not as a logarithm."""
    odds = math.exp(abs(other.ln_odds))
    side = "for" if other.ln_odds >= 0 else "against"
    bet = f"{format_value(odds, 1 if odds < 10 else 0)} to 1 {side} what is drawn"
    return f"{other.says.partition('; ln odds')[0]}: {bet}"


def edge_notes(model: Model) -> list[str]:
    """Say how worn, lost, broken and unsettled edges are drawn, and what the reader has to settle before cutting."""
    whats = {
        stretch.what
        for zone in model.zones
        for d, contour in (*zone.rims, *zone.holes)
        for stretch in stretches_of(d, zone, contour, model.voxel_mm)
    }
    lines = []
    if WORN in whats:
        lines.append(f"Narrow line, long dash and two dots: the edge as found, {WORN_WORDS}.")
    if "LOST" in whats:
        legs = {
            f"{d.feature.id} {_legs(model, corner)}"
            for zone in model.zones
            for d, contour in zone.rims
            for _, corner in lost_corners(d, zone, contour, model.voxel_mm)
        }
        places = f" ({'; '.join(sorted(legs))})" if legs else ""
        lines.append(f"Narrow line, long dash and dot: lost here{places}; make it whole.")
    if BROKEN in whats:
        ends = {d.feature.id: _breaks(d, c) for zone in model.zones for d, c in zone.rims}
        places = "; ".join(
            f"{ident} at {' and '.join(f'{a:.0f}°' for a in one)} from X" for ident, one in ends.items() if one
        )
        lines.append(f"Zigzag line: here the part broke ({places}); what lay beyond is not known.")
    for d in model.drawn:
        if kind_of(d.feature).is_toothed and d.feature.flank is not None and d.feature.teeth is None:
            lines.append(
                f"{d.feature.id}: how many teeth it had is not sure, so outlines and solid leave what is lost of its "
                "rim blank up to the tip circle."
            )
        if "undecided" in d.feature.flags and not d.feature.accepted and not is_unsettled(d.feature):
            lines += [f"{d.feature.id} ?: {_odds_in_words(one)}." for one in d.feature.alternatives]
        if is_unsettled(d.feature):
            why = [_odds_in_words(one) for one in d.feature.alternatives]
            why += ["Its size is about as uncertain as it is large"] if is_vague(d.feature) else []
            lines.append(
                f"{d.feature.id} ?: cut by a maker, or eaten by time? {'; '.join(why)}. Drawn narrow; it is not cut "
                "until somebody accepts it in the record (made so) or rejects it (worn)."
            )
    return lines
