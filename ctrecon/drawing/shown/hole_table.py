"""The hole table of a plate: every hole with its coordinates from the datum, its size and its depth."""

from collections.abc import Sequence
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
    view_places,
)
from ctrecon.drawing.model.turned import tabled_holes
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.drawing.paper.items import Block, Item, Label, Line
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.symbols import AXIS_DATUM
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import scale_u_along, taper_of

__all__ = ["hole_rows", "hole_table_blocks", "table_block"]

MOST_ROWS = 24
"""Rows of one block; more holes stand in further blocks beside it."""

HEIGHTS = (2.5, 1.8)
"""Heights of letters (ISO 3098); the smaller one where the table would get wider than `MOST_WIDE`."""

MOST_WIDE = 180.0
LOOSE = 1.7
"""Distance of lines in heights of letters."""

HEADINGS = ("Hole", "X", "Y", "Size", "Turn °", "Depth")


def hole_rows(model: Model) -> list[tuple[str, ...]]:
    """Return one row of texts a hole, in the order of the record."""
    ids = tabled_holes(model)
    return [_row(model, d) for d in model.drawn if d.feature.id in ids]


def _row(model: Model, d: Drawn) -> tuple[str, ...]:
    f, units = d.feature, model.units
    if model.datum is not None and f.id == model.datum.id:
        x = y = "0"
    else:
        places = view_places(model, max((u for u in places_of(model, d) if u is not None), default=None))
        x, y = (length_text(units, v, places) for v in (d.x, d.y))
    turn = turned(model, f)
    turn_text = "" if turn is None else format_value(turn.value, view_places(model, expanded(turn)))
    return f.id, x, y, _size(model, d) + mark(f), turn_text, _depth(model, d)


def _size(model: Model, d: Drawn) -> str:
    f, units = d.feature, model.units
    kind = kind_of(f)

    def text(measured: Measured, quantity: str) -> str:
        return length_text(units, measured.value, size_places(model, f, quantity, measured))

    if f.diameter_mm is not None:
        if f.arc_deg is not None and f.arc_deg < 180:
            half = Measured(f.diameter_mm.value / 2, f.diameter_mm.u)
            return f"R{text(half, 'diameter_mm')}"
        taper = taper_of(f)
        if taper is not None:
            wide = "end" if taper.value > 0 else "start"
            return f"Ø{text(f.diameter_mm, 'diameter_mm')} mid {TAPER_SIGN}{taper_ratio(taper)}, wide at {wide}"
    sizes = kind.main_sizes(f)
    if sizes:
        return kind.callout.format(*(text(value, size.quantity) for size, value in sizes), sides=f.sides)
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
        table_block(_title(model, first > 0), HEADINGS, rows[first : first + MOST_ROWS], widths, height, (1, 2, 4))
        for first in range(0, len(rows), MOST_ROWS)
    ]


def _title(model: Model, more: bool) -> str:
    units = "inches, mm in brackets" if model.units == "in" else "mm"
    axis = f"axis of {model.datum.id}" if model.datum else "middle"
    return f"HOLES{', continued' if more else ''} ({units}) from datum {AXIS_DATUM} ({axis}); U: table of features"


def table_block(
    title: str, headings: tuple[str, ...], rows: Sequence[tuple[str, ...]], widths: list[float], height: float,
    numbers: tuple[int, ...],
) -> Block:  # fmt: skip
    """Draw a table as a block; a column of no width is left out, columns of `numbers` are set to the right."""
    pitch = LOOSE * height
    wide, tall = sum(widths), pitch * (len(rows) + 1)
    top = tall / 2
    items: list[Item] = [Label(title, (0.0, top + 1.5), height)]
    for k, cells in enumerate([headings, *rows]):
        y = top - pitch * k
        items.append(Line((0.0, y), (wide, y), "WIDE" if k < 2 else "NARROW"))
        x = 0.0
        for column, (text, width) in enumerate(zip(cells, widths, strict=True)):
            if not width:
                continue
            base = y - pitch + 0.45 * height  # letters reach below the line by a third
            if column in numbers:
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
