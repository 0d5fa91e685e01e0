"""The assembly: the section with its pieces pulled apart along the axis, and the list of parts."""

from dataclasses import dataclass
from typing import Any

from ctrecon.drawing.model.views import Model
from ctrecon.drawing.paper.contours import polyline
from ctrecon.drawing.paper.items import Block, Hatch, Item, Label, Line, Shape
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import union
from ctrecon.drawing.paper.symbols import balloon
from ctrecon.drawing.shown.section import HATCH_ANGLES, Cut, metal_strips
from ctrecon.record.part import Joint

__all__ = ["assembly_lines", "exploded_block", "has_assembly", "parts_list", "pulled_apart"]

GAP_SHARE = 0.25
"""Air between neighbouring pieces, in parts of the whole depth."""

TEXT = 2.5
PITCH = 5.0
HEADINGS = ("Item", "Qty", "Piece", "Made up of", "Found as", "Material")
VERDICTS = {"separate": "separate piece", "one_piece": "one with the rest", "undecided": "perhaps separate: undecided"}


@dataclass(frozen=True)
class Pulled:
    """One piece in the section: its place in the record, its area (depth, Y; mm) and how far it is pulled."""

    number: int
    area: Any
    shift: float


def has_assembly(model: Model) -> bool:
    """Return whether the record has more than one piece and a depth to pull them apart in."""
    return len(model.part.pieces) > 1 and model.has_depth and bool(model.zones)


def _joint(model: Model, number: int) -> Joint | None:
    ident = model.part.pieces[number].id
    return next((one for one in model.part.joints if one.piece == ident), None)


def pulled_apart(model: Model, cuts: tuple[Cut, ...]) -> list[Pulled]:
    """Return the pieces of the section, each moved out the way it was put on; the largest stays."""
    from shapely import unary_union
    from shapely.geometry import Polygon

    strips: dict[int, list[Any]] = {}
    for zone, cut in zip(model.zones, cuts, strict=True):
        for number, corners in metal_strips(model, zone, cut):
            strips.setdefault(number, []).append(Polygon(corners))
    if not strips:
        return []
    reach = model.zones[-1].z1 - model.zones[0].z0
    weld = 1e-5 * reach  # neighbouring strips share an edge but for rounding
    areas: dict[int, Any] = {}
    for n, some in sorted(strips.items()):
        grown = unary_union([p.buffer(weld, join_style="mitre") for p in some])
        areas[n] = grown.buffer(-weld, join_style="mitre").simplify(weld)
    base = max(areas, key=lambda n: (areas[n].area, -n))
    low, high = areas[base].bounds[0], areas[base].bounds[2]
    found = [Pulled(base, areas[base], 0.0)]
    others = sorted((n for n in areas if n != base), key=lambda n: areas[n].bounds[0])
    ways = {n: _way(model, n, areas[n], (low + high) / 2) for n in others}
    for n in (n for n in others if ways[n] == "end"):
        shift = max(0.0, high + GAP_SHARE * reach - areas[n].bounds[0])
        found.append(Pulled(n, areas[n], shift))
        high = areas[n].bounds[2] + shift
    for n in (n for n in reversed(others) if ways[n] == "start"):
        shift = min(0.0, low - GAP_SHARE * reach - areas[n].bounds[2])
        found.append(Pulled(n, areas[n], shift))
        low = areas[n].bounds[0] + shift
    return sorted(found, key=lambda one: one.number)


def _way(model: Model, number: int, area: Any, middle: float) -> str:
    """Return the end a piece is pulled out at: that of its joint, else the nearer one."""
    joint = _joint(model, number)
    if joint is not None and len(joint.put_on_from) == 1:
        return joint.put_on_from[0]
    return "end" if (area.bounds[0] + area.bounds[2]) / 2 >= middle else "start"


def exploded_block(pulled: list[Pulled], scale: float) -> Block:
    """Draw the pieces pulled apart on their common axis, with the item numbers of the list of parts."""
    items: list[Item] = []
    boxes = []
    for one in pulled:
        for part in getattr(one.area, "geoms", [one.area]):
            rings = [part.exterior, *part.interiors]
            placed = [[((z + one.shift) * scale, y * scale) for z, y in ring.coords[:-1]] for ring in rings]
            items += [Shape(polyline(list(ring)), "WIDE") for ring in placed]
            angle = HATCH_ANGLES[one.number % len(HATCH_ANGLES)]
            items.append(Hatch(tuple(placed[0]), tuple(tuple(ring) for ring in placed[1:]), angle))
        left, bottom, right, top = one.area.bounds
        boxes.append(((left + one.shift) * scale, bottom * scale, (right + one.shift) * scale, top * scale))
    whole = union(boxes)
    items.append(Line((whole[0] - 6, 0.0), (whole[2] + 6, 0.0), "CENTRE"))
    top = whole[3] + 12.0
    low = whole[1] - 6.0
    for one in pulled:
        part = max(getattr(one.area, "geoms", [one.area]), key=lambda p: p.area)
        inside = max(getattr(one.area, "geoms", [one.area]), key=lambda p: (p.bounds[3], p.area))
        spot = (inside if inside.area > 0.2 * part.area else part).representative_point()
        tip = ((spot.x + one.shift) * scale, spot.y * scale)
        marks, box = balloon(str(one.number + 1), (tip[0] + 6.0, top), tip)
        items += marks
        boxes.append(box)
        if one.shift:
            items += _arrow(one, low, scale)
            low -= 4.0
    boxes.append((whole[0] - 7, low, whole[2] + 7, whole[3] + 1))
    return Block(tuple(items), union(boxes))


def _arrow(one: Pulled, y: float, scale: float) -> list[Item]:
    """Draw the way back to its seat below a piece that was pulled out."""
    middle = (one.area.bounds[0] + one.area.bounds[2]) / 2
    start, tip = (middle + one.shift) * scale, middle * scale
    step = 2.4 if tip < start else -2.4
    head = ((tip, y), (tip + step, y + 0.5), (tip + step, y - 0.5))
    return [Line((start, y), (tip, y), "NARROW"), Line((start, y - 1), (start, y + 1), "NARROW"),
            Hatch(head, solid=True)]  # fmt: skip


def parts_list(model: Model, right: float, bottom: float, width: float) -> tuple[list[Item], float]:
    """Draw the list of parts upwards from (right, bottom), as above a title block (ISO 7573); return its height too."""
    rows = [
        (
            str(k), "1", f"{piece.id} {piece.name}", ", ".join(piece.features),
            VERDICTS.get(piece.verdict, piece.verdict), "not known",
        )
        for k, piece in enumerate(model.part.pieces, 1)
    ]  # fmt: skip
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


def assembly_lines(model: Model, pulled: list[Pulled]) -> list[str]:
    """Return what a maker must know to put the pieces together, as sentences."""
    lines = [
        "Cut faces only, the pieces pulled apart along the axis; start end on the left. Arrows lead back to the seat."
    ]
    shown = {one.number for one in pulled}
    for number, piece in enumerate(model.part.pieces):
        if number not in shown:
            lines.append(f"Item {number + 1} ({piece.id}) does not show in this section.")
    lines += [joint.says for joint in model.part.joints]
    if not model.part.joints:
        lines.append("How the pieces were joined is not in the record.")
    lines.append(
        "Press fits, heat and hammers hurt: support the pieces, wear eye protection, and let a qualified person "
        "choose the fit."
    )
    return lines
