"""Reads a finished document back: where texts stand on paper, what dimensions measure."""

import itertools
import math
from typing import Any

import numpy as np

from ctrecon.drawing.paper.items import Sheet
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.written.dxf import page_bottom

Corners = list[tuple[float, float]]
Point = tuple[float, float]
Segment = tuple[Point, Point]


def texts_of(doc: Any) -> list[tuple[str, float, float, float, float, str, str]]:
    """Return text, place, height, turn and alignment of every text of a document, as the drawing library reads it."""
    found = []
    for entity in doc.modelspace():
        for one in entity.virtual_entities() if entity.dxftype() == "DIMENSION" else [entity]:
            if one.dxftype() == "TEXT":
                kind, first, second = one.get_placement()
                at = first if kind.name == "LEFT" else second or first
                found.append((one.plain_text(), at.x, at.y, one.dxf.height, one.dxf.rotation, kind.name.lower(), "baseline"))
            elif one.dxftype() == "MTEXT":
                at, turn = one.dxf.insert, one.dxf.get("rotation", 0.0)
                found.append((one.plain_text(), at.x, at.y, one.dxf.char_height, turn, "center", "middle"))
    return found


def text_boxes(doc: Any) -> list[tuple[str, Corners]]:
    """Return (text, four corners) of every text, dimension figures too; capitals' height."""
    boxes = []
    for text, x, y, height, turn, across, upright in texts_of(doc):
        wide = text_width(text, height)
        left = {"left": 0.0, "center": -wide / 2, "right": -wide}[across]
        low = -height / 2 if upright == "middle" else 0.0
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        local = [(left, low), (left + wide, low), (left + wide, low + height), (left, low + height)]
        boxes.append((text, [(x + u * c - v * s, y + u * s + v * c) for u, v in local]))
    return boxes


def overlap(a: Corners, b: Corners) -> bool:
    """Tell whether two convex polygons overlap: no side of either separates them."""
    for ring in (a, b):
        for (px, py), (qx, qy) in zip(ring, ring[1:] + ring[:1], strict=True):
            nx, ny = qy - py, px - qx
            first = [x * nx + y * ny for x, y in a]
            second = [x * nx + y * ny for x, y in b]
            if max(first) <= min(second) + 1e-9 or max(second) <= min(first) + 1e-9:
                return False
    return True


def overlapping(doc: Any) -> list[tuple[str, str]]:
    """Return the pairs of texts that overlap."""
    pairs = itertools.combinations([(text, box, _reach(box)) for text, box in text_boxes(doc)], 2)
    # most pairs stand far apart: their upright boxes tell that at once
    near = ((s, a, t, b) for (s, a, p), (t, b, q) in pairs if p[0] < q[1] and q[0] < p[1] and p[2] < q[3] and q[2] < p[3])
    return [(s, t) for s, a, t, b in near if overlap(a, b)]


def _reach(box: Corners) -> tuple[float, float, float, float]:
    """Return least and most x, least and most y."""
    return min(x for x, _ in box), max(x for x, _ in box), min(y for _, y in box), max(y for _, y in box)


def outside_frame(doc: Any, sheet: Sheet) -> list[str]:
    """Return the texts that reach out of their page's frame (20 mm left, 10 mm elsewhere)."""
    bad = []
    for text, corners in text_boxes(doc):
        inside = False
        for number in range(len(sheet.pages)):
            low = page_bottom(sheet, number)
            inside |= all(
                20 <= x <= sheet.width_mm - 10 and low + 10 <= y <= low + sheet.height_mm - 10 for x, y in corners
            )
        if not inside:
            bad.append(text)
    return bad


def struck_through(doc: Any) -> list[str]:
    """Return the texts a wide line runs through."""
    from ezdxf import path

    lines = []
    for entity in doc.modelspace().query("LINE CIRCLE LWPOLYLINE[layer=='WIDE']"):
        if entity.dxf.layer == "WIDE":
            spots = [(p.x, p.y) for p in path.make_path(entity).flattening(0.05)]
            lines += itertools.pairwise(spots)
    ends = np.array(lines).reshape(-1, 2, 2)
    (left, low), (right, high) = ends.min(axis=1).T, ends.max(axis=1).T
    bad = []
    for text, corners in text_boxes(doc):
        box = _reach(corners)
        near = np.flatnonzero((right > box[0]) & (left < box[1]) & (high > box[2]) & (low < box[3]))
        if any(overlap(corners, [*lines[k]]) for k in near if lines[k][0] != lines[k][1]):
            bad.append(text)
    return bad


def measured_values(doc: Any, sheet: Sheet) -> dict[str, list[float]]:
    """Return what the dimension entities measure, by their text's first word; in the sheet's units, or degrees."""
    found: dict[str, list[float]] = {}
    whole = 1.0 / (sheet.scale * (25.4 if sheet.units == "in" else 1.0))
    for dim in doc.modelspace().query("DIMENSION"):
        kind = dim.dimtype
        value = dim.get_measurement()
        factor = dim.override().get("dimlfac")
        assert factor <= whole * (1 + 1e-9)  # details are larger than the sheet, never smaller
        if kind in (2, 5):
            size = float(value)
        elif kind == 6:
            size = (value.x if dim.dxf.dimtype & 64 else value.y) * factor
        else:
            size = float(value) * factor
        found.setdefault(dim.dxf.text.split()[0] if kind != 6 else "place", []).append(size)
    return found


def _cross(a: Segment, b: Segment) -> bool:
    """Tell whether two stretches cross inside both of them."""

    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    one = side(*a, b[0]) * side(*a, b[1])
    two = side(*b, a[0]) * side(*b, a[1])
    return one < -1e-9 and two < -1e-9


def dimension_lines(doc: Any) -> list[tuple[str, Segment]]:
    """Return the dimension line (no extension lines) of every dimension between two points."""
    lines = []
    for dim in doc.modelspace().query("DIMENSION"):
        if dim.dimtype not in (0, 1):
            continue
        a = math.radians(dim.dxf.angle)
        ux, uy = math.cos(a), math.sin(a)
        base = dim.dxf.defpoint
        ends = []
        for p in (dim.dxf.defpoint2, dim.dxf.defpoint3):
            along = (p.x - base.x) * ux + (p.y - base.y) * uy
            ends.append((base.x + ux * along, base.y + uy * along))
        lines.append((dim.dxf.text, (ends[0], ends[1])))
    return lines


def crossing_dimensions(doc: Any) -> list[tuple[str, str]]:
    """Return the pairs of dimension lines that cross."""
    pairs = itertools.combinations(dimension_lines(doc), 2)
    return [(s, t) for (s, a), (t, b) in pairs if _cross(a, b)]
