"""Parts of several pieces: a detail of each, all of them pulled apart along the axis, and the list of parts."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from ctrecon.core.measured import COVERAGE_FACTOR, Measured, format_percent
from ctrecon.drawing.model.dimension_text import length_text, size_places
from ctrecon.drawing.model.views import Model, build_model
from ctrecon.drawing.paper.items import Block, Box, Hatch, Item, Label, Line, Shape, moved
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import union
from ctrecon.drawing.paper.row_packing import GAP, joined
from ctrecon.drawing.paper.symbols import balloon
from ctrecon.drawing.shown.cut import HATCH_ANGLES, Cut, cut_zones
from ctrecon.drawing.shown.notes import axes_says, notes_items
from ctrecon.drawing.shown.section import section_shapes
from ctrecon.record.items import PartItem, Seat, items_of
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import Feature
from ctrecon.record.sensitivity import expanded_of

__all__ = ["Taken", "assembly_lines", "exploded_block", "item_block", "parts_list", "pulled_apart", "take_apart"]

GAP_SHARE = 0.25
"""Air between neighbouring pieces, in parts of the whole depth."""

ON_AXIS = 0.02
"""A piece whose axis is nearer to the part's than this share of its reach is drawn on it."""

TEXT = 2.5
PAD = 3.0
"""Paper between the frame of a detail and what is in it, mm."""

LEAST_WORDS = 110.0
"""The words below a detail get a line at least so long where the paper has it, mm."""

PITCH = 5.0
HEADINGS = ("Item", "Qty", "Piece", "Made up of", "Found as", "Material")
SEAT_PLACES = 3
"""Decimals (mm) of both sides of a seat: a fit is told by thousandths, though each side alone is known less well."""

VERDICTS = {"separate": "separate piece", "one_piece": "one with the rest", "undecided": "perhaps separate: undecided"}
FIT = (
    "Fits: sizes of holes and bosses are as found, not limits; whether a seat was pressed before it corroded, the scan "
    "can't say. Agree on the fit, make the hole first, then fit the boss to it."
)
"""Common practice, no source: a hole is finished by a tool of its own size, a boss by any cut."""


@dataclass(frozen=True)
class Taken:
    """An item as it is drawn alone: in sheet axes of its own, its metal worked out once for all scales."""

    item: PartItem
    model: Model
    cuts: tuple[Cut, ...]


@dataclass(frozen=True)
class Pulled:
    """One item in the exploded view: where its start face and its axis are, in the whole part's (mm), and its way."""

    taken: Taken
    z: float
    y: float
    shift: float = 0.0

    @property
    def span(self) -> tuple[float, float]:
        """Depth of its ends where it is drawn."""
        zones = self.taken.model.zones
        return self.z + self.shift + zones[0].z0, self.z + self.shift + zones[-1].z1


def take_apart(model: Model) -> tuple[Taken, ...]:
    """Return the items of a part of several pieces; none of a part that is one piece or has no depth."""
    found = []
    for item in items_of(model.part) if model.zones else ():
        own = build_model(
            item.part, projection=model.projection, units=model.units, digits=model.digits, edges=model.edges
        )
        found.append(Taken(item, own, cut_zones(own)))
    return tuple(found)


def _ways(model: Model, item: PartItem) -> tuple[str, ...] | None:
    """Return from which ends a piece can have been put on, None where the record has no joint of it."""
    joint = next((one for one in model.part.joints if one.piece == item.pieces[0].id), None)
    return None if joint is None else joint.put_on_from


def pulled_apart(model: Model, taken: Sequence[Taken]) -> list[Pulled]:
    """Return the items that have metal, each moved out the way it was put on; the first stays, pins go farthest."""
    placed = []
    for one in taken:
        if one.model.zones:
            off = math.dist(one.model.datum_xy, model.datum_xy)
            reach = max((abs(v) for cut in one.cuts for v in cut.reach_first or ()), default=0.0)
            placed.append(Pulled(one, one.model.start_z - model.start_z, off if off > ON_AXIS * reach else 0.0))
    if not placed:
        return []
    base, *others = placed
    room = GAP_SHARE * (model.zones[-1].z1 - model.zones[0].z0)
    low, high = base.span
    middle = (low + high) / 2
    found = [base]
    for way, sign in (("end", 1), ("start", -1)):
        turn = [one for one in others if _way(model, one, middle) == way]
        for other in sorted(turn, key=lambda one: (one.taken.item.is_pin, sign * one.span[0])):
            shift = max(0.0, high + room - other.span[0]) if sign > 0 else min(0.0, low - room - other.span[1])
            found.append(replace(other, shift=shift))
            low, high = min(low, other.span[0] + shift), max(high, other.span[1] + shift)
    return found


def _way(model: Model, one: Pulled, middle: float) -> str:
    """Return the end a piece is pulled out at: that of its joint, else the nearer one."""
    ways = _ways(model, one.taken.item)
    if ways is not None and len(ways) == 1:
        return ways[0]
    return "end" if sum(one.span) / 2 >= middle else "start"


def exploded_block(pulled: Sequence[Pulled], scale: float) -> Block:
    """Draw the pieces pulled apart on their axes, what is behind the cut too, with the numbers of the list of parts."""
    items: list[Item] = []
    boxes: list[Box] = []
    spots: list[tuple[float, float]] = []
    for one in pulled:
        angle = HATCH_ANGLES[(one.taken.item.number - 1) % len(HATCH_ANGLES)]
        shapes, outlines = section_shapes(one.taken.model, one.taken.cuts, scale)
        dx, dy = (one.z + one.shift) * scale, one.y * scale
        placed = [moved(_styled(item, angle, doubtful=one.taken.item.is_doubtful), dx, dy) for item in shapes]
        # pins are drawn uncut along their length (ISO 128-3), one with a hole through it is not
        hidden = one.taken.item.is_pin and not any(kind_of(f).is_hole for f in one.taken.item.part.features)
        items += [item for item in placed if not (hidden and isinstance(item, Hatch))]
        left, right = (z * scale for z in one.span)
        boxes.append((left, min(low for low, _ in outlines) + dy, right, max(high for _, high in outlines) + dy))
        metal = [i.outer for i in placed if isinstance(i, Hatch)] or [((left, dy),)]
        middles = [(sum(x for x, _ in ring) / len(ring), sum(y for _, y in ring) / len(ring)) for ring in metal]
        # above the axis the leader crosses no bore
        spots.append(max(zip(middles, metal, strict=True), key=lambda one: (one[0][1] >= dy, _area(one[1])))[0])
        if one.y:
            items.append(Line((left - 3, dy), (right + 3, dy), "CENTRE"))
    whole = union(boxes)
    items.append(Line((whole[0] - 6, 0.0), (whole[2] + 6, 0.0), "CENTRE"))
    low = whole[1] - 6.0
    for one, tip in zip(pulled, spots, strict=True):
        marks, box = balloon(one.taken.item.label, (tip[0] + 6.0, whole[3] + 12.0), tip)
        items += marks
        boxes.append(box)
        if one.shift:
            items += _arrow(one, low, scale)
            low -= 4.0
    boxes.append((whole[0] - 7, low, whole[2] + 7, whole[3] + 1))
    return Block(tuple(items), union(boxes))


def _area(ring: tuple[tuple[float, float], ...]) -> float:
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, ring[1:] + ring[:1], strict=True))) / 2


def _styled(item: Item, angle: float, *, doubtful: bool) -> Item:
    """Return a mark of one piece: hatched its own way, its outline narrow while nobody has settled that it is one."""
    match item:
        case Hatch(solid=False):
            return replace(item, angle_deg=angle)
        case (Line(style="WIDE") | Shape(style="WIDE")) if doubtful:
            return replace(item, style="NARROW")
    return item


def _arrow(one: Pulled, y: float, scale: float) -> list[Item]:
    """Draw the way back to its seat below a piece that was pulled out."""
    start = sum(one.span) / 2 * scale
    tip = start - one.shift * scale
    step = 2.4 if tip < start else -2.4
    head = ((tip, y), (tip + step, y + 0.5), (tip + step, y - 0.5))
    return [Line((start, y), (tip, y), "NARROW"), Line((start, y - 1), (start, y + 1), "NARROW"),
            Hatch(head, solid=True)]  # fmt: skip


def item_block(taken: Taken, everything: Sequence[Taken], views: Sequence[Block], wide: float) -> Block:
    """Set the views of one item in a frame of its own, its number and name above, what a maker must know below.

    Parameters
    ----------
    taken : Taken
        The item.
    everything : sequence of Taken
        All items: a seat names what it fits.
    views : sequence of Block
        Its section and views, dimensioned.
    wide : float
        Width of the frame, mm; a wider view makes it wider.
    """
    lines = item_lines(taken, everything)
    wide = max(wide, *(v.width + 2 * PAD for v in views)) if views else wide
    if taken.item.is_doubtful:
        views = [Block(tuple(_styled(i, HATCH_ANGLES[0], doubtful=True) for i in v.items), v.box) for v in views]
    rows: list[list[Block]] = []
    for view in views:
        if not rows or sum(b.width + GAP for b in rows[-1]) + view.width > wide - 2 * PAD:
            rows.append([])
        rows[-1].append(view)
    name = taken.item.title
    blocks = [joined(row) for row in rows]
    inner = max(text_width(name, 5.0), min(LEAST_WORDS, wide - 2 * PAD), *(b.width for b in blocks))
    items: list[Item] = [Label(name, (PAD, -8.0), 5.0)]
    y = -11.0
    for block in blocks:
        y -= block.height
        items += block.at(PAD + (inner - block.width) / 2, y).items
        y -= GAP / 2
    words, tall = notes_items(lines, PAD, y, inner, TEXT)
    box = (0.0, y - tall - 2.0, inner + 2 * PAD, 0.0)
    ring = ((box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3]))
    edges = [Line(a, b, "NARROW") for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]
    return Block((*items, *words, *edges), box)


def item_lines(taken: Taken, everything: Sequence[Taken]) -> list[str]:
    """Return what stands below the detail of an item: how many, of what, its seats and its doubt."""
    item, first = taken.item, taken.item.pieces[0]
    count = len(item.pieces)
    ids = ", ".join(p.id for p in item.pieces)
    lines = [f"{ids}: make {count}. Material is not in the scan: fill it in."]
    if taken.model.x_reference is not None:
        lines.append(axes_says(taken.model))
    if count > 1:
        lines.append(f"Drawn from {first.id}; sizes and lengths of the {count} agree within their U.")
    if item.is_doubtful:
        sure = "" if first.probability_separate is None else f" ({format_percent(first.probability_separate)} likely)"
        lines.append(f"UNDECIDED whether this is a piece of its own{sure}. If it is not, make it in one with item "
                     f"{1 if item.number > 1 else 2}, as the views of the whole part show.")  # fmt: skip
    elif item.number == 1:
        lines += [
            f"Item {one.item.label} ({one.item.name}) may be a piece of its own: undecided, so there is no seat for it "
            "here; its detail has both sizes." for one in everything if one.item.is_doubtful
        ]  # fmt: skip
    if item.name == "rivet":
        lines.append("Length as found: leave metal at both ends to close it.")
    lines += [_seat_line(taken, seat, everything) for seat in item.seats]
    return lines


def _seat_line(taken: Taken, seat: Seat, everything: Sequence[Taken]) -> str:
    """Say which sizes of a seat were measured, which follow, and what they fit."""
    model, ident = taken.model, seat.seam.id
    units = model.units

    def said(f: Feature) -> str:
        kind = kind_of(f)
        sizes = [length_text(units, q.value, SEAT_PLACES) for _, q in kind.main_sizes(f)]
        return kind.sign + " × ".join(sizes) if sizes and not kind.is_outlined else "outline"

    def u_of(f: Feature) -> str:
        us = [expanded_of(model.part, f, size.quantity, q) for size, q in kind_of(f).main_sizes(f)]
        return "" if not us or us[0] is None else f" (U {length_text(units, us[0], SEAT_PLACES)})"

    def whose(hole: bool) -> str:
        numbers = [one.item.label for one in everything if _has_side(one.item, seat, hole=hole)]
        return f" (item{'s' if len(numbers) > 1 else ''} {', '.join(numbers)})" if numbers else ""

    gap = seat.seam.seam_mm
    boss = f"boss{'' if seat.boss.id == ident else f' {seat.boss.id}'}{whose(False)} {said(seat.boss)}{u_of(seat.boss)}"
    sides = f"Seat {ident}: hole{whose(True)} {said(seat.hole)}{u_of(seat.hole)}, {boss}"
    long = ""
    if seat.boss.length_mm is not None and _has_side(taken.item, seat, hole=False):
        q = seat.boss.length_mm
        long = f" The boss is {length_text(units, q.value, size_places(model, seat.boss, 'length_mm', q))} long."
    if gap is None or gap.value <= 0:
        why = "the gap was not measured" if gap is None else "the gap is filled with heavier metal"
        size = "that of the boss's free end" if seat.is_measured else "the middle of the joint"
        return f"{sides}: both carry one size, {size}, for {why}; choose the clearance.{long}"
    twice = Measured(2 * gap.value, None if gap.u is None else 2 * gap.u)
    u = "" if twice.u is None else f", U {length_text(units, COVERAGE_FACTOR * twice.u, SEAT_PLACES + 1)}"
    clear = length_text(units, twice.value, SEAT_PLACES)
    why = f"the middle of the gap {said(seat.seam)} and the gap; hole and boss follow"
    if seat.is_measured:
        why = "the boss at its free end and the gap; the hole follows"
    return f"{sides}. Measured: {why}. Clearance across, as found: {clear}{u} (more if corrosion fills it).{long}"


def _has_side(item: PartItem, seat: Seat, *, hole: bool) -> bool:
    """Return whether an item has the hole, or the boss, of a seat; of pins that are alike one is drawn for all."""
    if item.is_pin and not hole:
        return any(seat.seam.id in p.features for p in item.pieces)
    wanted = seat.hole if hole else seat.boss
    return any(f.id == wanted.id and kind_of(f).is_hole is hole for f in item.part.features)


def parts_list(taken: Sequence[Taken], right: float, bottom: float, width: float) -> tuple[list[Item], float]:
    """Draw the list of parts upwards from (right, bottom), as above a title block (ISO 7573); return its height too."""
    rows = []
    for one in taken:
        first = one.item.pieces[0]
        ids = ", ".join(p.id for p in one.item.pieces)
        made_of = ", ".join(f for p in one.item.pieces for f in p.features)
        rows.append((one.item.label, str(len(one.item.pieces)), f"{ids} {first.name}", made_of,
                     VERDICTS.get(first.verdict, first.verdict), "not known"))  # fmt: skip
    columns = zip(HEADINGS, *rows, strict=True)
    wanted = [max(text_width(text, TEXT) for text in column) + 3.0 for column in columns]
    spare = width - sum(wanted)
    wanted[3] += spare  # what a piece is made up of takes what is left, and is cut short where that is too little
    left = right - width
    items: list[Item] = []
    y = bottom
    for k, cells in enumerate([HEADINGS, *rows]):
        x = left
        for text, wide in zip(cells, wanted, strict=True):
            shown = text
            while len(shown) > 1 and text_width(shown, TEXT) > wide - 2.4:
                shown = shown[:-2] + "…"
            items.append(Label(shown, (x + 1.2, y + (PITCH - TEXT) / 2), TEXT))
            x += wide
        y += PITCH
        items.append(Line((left, y), (right, y), "WIDE" if k in (0, len(rows)) else "NARROW"))
    x = left
    for k, wide in enumerate((0.0, *wanted)):
        x += wide
        items.append(Line((x, bottom), (x, y), "WIDE" if k in (0, len(wanted)) else "NARROW"))
    return items, y - bottom


def assembly_lines(model: Model, pulled: Sequence[Pulled]) -> list[str]:
    """Return what a maker must know to put the pieces together, as sentences."""
    lines = [
        "Each item is cut through its own axis, those off the part's axis turned up into the section, and pulled out "
        "along it; start end on the left. Arrows lead back to the seat."
    ]
    doubtful = [one.taken.item.label for one in pulled if one.taken.item.is_doubtful]
    if doubtful:
        lines.append(f"{', '.join(doubtful)}: undecided, so drawn narrow; the others are drawn as if one with it.")
    lines += _order(model, pulled)
    lines += [j.says for j in model.part.joints if not j.put_on_from]
    if not model.part.joints:
        lines.append("How the pieces were joined is not in the record.")
    lines += [
        FIT,
        "Press fits, heat and hammers hurt: support the pieces, wear eye protection, and let a qualified person "
        "choose the fit.",
    ]  # fmt: skip
    return lines


def _order(model: Model, pulled: Sequence[Pulled]) -> list[str]:
    """Return the order of assembly: on the first item from each end, the nearest first, pins last."""
    if len(pulled) < 2:
        return []
    base, *others = pulled
    steps = [f"begin with item {base.taken.item.label} ({base.taken.item.name})"]
    for way, sign in (("start", -1), ("end", 1)):
        rings = [one for one in others if one.shift * sign > 0 and not one.taken.item.is_pin]
        if rings:
            only = all(_ways(model, one.taken.item) == (way,) for one in rings)
            names = ", then ".join(f"{one.taken.item.label} ({one.taken.item.name})" for one in rings)
            steps.append(f"{'only ' if only else ''}from the {way} put on item {names}")
    for one in (p for p in others if p.taken.item.is_pin):
        ways = _ways(model, one.taken.item) or ()
        come = f" from {'either end' if len(ways) == 2 else f'the {ways[0]}'}" if ways else ""
        count = len(one.taken.item.pieces)
        many = f", {count} of them" if count > 1 else ""
        steps.append(f"last put in item {one.taken.item.label} ({one.taken.item.name}{many}){come}")
    return [f"Order of assembly: {'; '.join(steps)}."]
