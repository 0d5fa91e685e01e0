"""The hole table of a plate: every hole with its coordinates from the datum, its size and its depth."""

import math
from dataclasses import replace

from ctrecon.core.measured import Measured, decimals_for, expanded, format_value
from ctrecon.drawing.model.dimension_text import (
    TAPER_SIGN,
    depth_text,
    length_text,
    mark,
    places_of,
    size_places,
    taper_ratio,
    turned,
)
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.drawing.paper.items import Block, Item, Label, Line
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.symbols import AXIS_DATUM
from ctrecon.record.kinds import is_hole, kind_of
from ctrecon.record.part import scale_u_along, taper_of

__all__ = ["HEADINGS", "LEAST_HOLES", "hole_rows", "hole_table_blocks", "tabled_holes"]

LEAST_HOLES = 4
"""So many holes off the datum axis make a hole table; fewer are dimensioned in the view."""

MOST_ROWS = 24
"""Rows of one block; more holes stand in further blocks beside it."""

HEIGHTS = (2.5, 1.8)
"""Heights of letters (ISO 3098); the smaller one where the table would get wider than `MOST_WIDE`."""

MOST_WIDE = 180.0
LOOSE = 1.68
"""Distance of lines in heights of letters."""

HEADINGS = ("Hole", "X", "Y", "Size", "Turn °", "Depth")
COAXIAL_MM = 0.02


def tabled_holes(model: Model, least: int = LEAST_HOLES) -> frozenset[str]:
    """Return the ids that stand in the hole table; none where fewer than so many lie off the datum axis."""
    holes = [d for d in model.drawn if is_hole(d.feature) and d.contour is not None]
    holes = [d for d in holes if "not_along_depth" not in d.feature.flags]
    off = [d for d in holes if math.hypot(d.x, d.y) > COAXIAL_MM]
    return frozenset(d.feature.id for d in holes) if len(off) >= least else frozenset()


def hole_rows(model: Model, least: int = LEAST_HOLES) -> list[tuple[str, ...]]:
    """Return one row of texts a hole, in the order of the record; the columns are `HEADINGS`."""
    ids = tabled_holes(model, least)
    return [_row(model, d) for d in model.drawn if d.feature.id in ids]


def _row(model: Model, d: Drawn) -> tuple[str, ...]:
    f, units = d.feature, model.units
    if model.datum is not None and f.id == model.datum.id:
        x = y = "0"
    else:
        places = decimals_for(max((u for u in places_of(model, d) if u is not None), default=None))
        x, y = (length_text(units, v, places) for v in (d.x, d.y))
    turn = turned(model, f)
    turn_text = "" if turn is None else format_value(turn.value, decimals_for(expanded(turn)))
    return f.id, x, y, _size(model, d) + mark(f), turn_text, _depth(model, d)


def _size(model: Model, d: Drawn) -> str:
    f, units = d.feature, model.units
    kind = kind_of(f)

    def text(measured: Measured) -> str:
        return length_text(units, measured.value, size_places(model.part, measured))

    if f.diameter_mm is not None:
        if f.arc_deg is not None and f.arc_deg < 180:
            half = Measured(f.diameter_mm.value / 2, f.diameter_mm.u)
            return f"R{text(half)}"
        taper = taper_of(f)
        if taper is not None:
            wide = "end" if taper.value > 0 else "start"
            return f"Ø{text(f.diameter_mm)} mid {TAPER_SIGN}{taper_ratio(taper)}, wide at {wide}"
    sizes = kind.main_sizes(f)
    if sizes:
        return kind.callout.format(*(text(size) for _, size in sizes), sides=f.sides)
    if f.area_mm2 is not None:
        places = decimals_for(expanded(f.area_mm2, 2 * (scale_u_along(model.part, "across") or 0.0)))
        return f"{kind.on_sheet}, {format_value(f.area_mm2.value, places)} mm²"
    return kind.on_sheet


def _depth(model: Model, d: Drawn) -> str:
    f = d.feature
    if not model.has_depth:
        return "unknown"
    if f.opens_at is not None and set(f.opens_at) >= {"start", "end"}:
        return "through"
    ends = []
    for end in (False, True):
        text, mm = depth_text(model, d, end=end), depth_text(replace(model, units="mm"), d, end=end)
        ends.append(text if text == mm else f"{text} [{mm}]")
    return f"Z {ends[0]} to {ends[1]}"


def hole_table_blocks(model: Model) -> list[Block]:
    """Draw the hole table as blocks that are placed like views, lower left corner at (0, 0)."""
    rows = hole_rows(model)
    if not rows:
        return []
    for height in HEIGHTS:
        columns = zip(HEADINGS, *rows, strict=True)
        widths = [
            max(text_width(text, height) for text in column) + 1.2 * height if any(column[1:]) else 0.0
            for column in columns
        ]  # a column without entries is left out
        if sum(widths) <= MOST_WIDE:
            break
    return [
        _block(model, rows[first : first + MOST_ROWS], widths, height, first > 0)
        for first in range(0, len(rows), MOST_ROWS)
    ]


def _block(model: Model, rows: list[tuple[str, ...]], widths: list[float], height: float, more: bool) -> Block:
    units = "inches, mm in brackets" if model.units == "in" else "mm"
    axis = f"axis of {model.datum.id}" if model.datum else "middle"
    title = f"HOLES{', continued' if more else ''} ({units}) from datum {AXIS_DATUM} ({axis}); U: table of features"
    pitch = LOOSE * height
    wide, tall = sum(widths), pitch * (len(rows) + 1)
    top = tall / 2
    items: list[Item] = [Label(title, (0.0, top + 1.5), height)]
    for k, cells in enumerate([HEADINGS, *rows]):
        y = top - pitch * k
        items.append(Line((0.0, y), (wide, y), "WIDE" if k < 2 else "NARROW"))
        x = 0.0
        for column, (text, width) in enumerate(zip(cells, widths, strict=True)):
            if not width:
                continue
            base = y - pitch + (pitch - height) / 2
            if column in (1, 2, 4):
                items.append(Label(text, (x + width - 0.6 * height, base), height, "right"))
            else:
                items.append(Label(text, (x + 0.6 * height, base), height))
            x += width
    items.append(Line((0.0, -tall / 2), (wide, -tall / 2), "WIDE"))
    x = 0.0
    for width in (0.0, *(w for w in widths if w)):
        x += width
        items.append(Line((x, top), (x, -tall / 2), "WIDE" if x in (0.0, wide) else "NARROW"))
    right = max(wide, text_width(title, height))
    return Block(tuple(one for one in items if not isinstance(one, Label) or one.text), (0.0, -top, right, top + 5.0))
