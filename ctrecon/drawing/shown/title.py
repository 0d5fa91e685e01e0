"""The title block and the scale bar of a page."""

from ctrecon.drawing.model.dimension_text import MM_PER_INCH
from ctrecon.drawing.model.views import Model
from ctrecon.drawing.paper.items import Hatch, Item, Label, Line
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.symbols import projection_symbol
from ctrecon.drawing.shown.blocks import scale_text

__all__ = ["TITLE_HEIGHT", "scale_bar", "title_block"]

ROW = 7.0
HEAD = 11.0
TITLE_HEIGHT = HEAD + 4 * ROW
"""Height of a title block in mm."""

SMALL = 1.8


def scale_bar(scale: float, left: float, bottom: float, units: str = "mm") -> list[Item]:
    """Draw a bar of a round length, 20 to 50 mm on paper, for copies whose scale got lost."""
    per = MM_PER_INCH if units == "in" else 1.0
    lengths = [m * 10.0**e * per for e in range(-4, 5) for m in (1, 2, 5)]
    real = max(v for v in lengths if v * scale <= 50.0 + 1e-9)
    wide = real * scale
    items: list[Item] = [Line((left, bottom), (left + wide, bottom), "WIDE")]
    for k in range(3):
        x = left + wide * k / 2
        items.append(Line((x, bottom), (x, bottom + 2.0), "NARROW"))
    half = ((left, bottom), (left + wide / 2, bottom), (left + wide / 2, bottom + 1.0), (left, bottom + 1.0))
    items.append(Label("0", (left, bottom + 2.6), SMALL, "centre"))
    items.append(Label(f"{real / per:g} {units}", (left + wide, bottom + 2.6), SMALL, "centre"))
    items.append(Hatch(half, solid=True))
    return items


# many: every field of the block that the record does not hold
def title_block(
    model: Model, scale: float | None, paper: str, page: int, pages: int, right: float, bottom: float, width: float,
    kind: str = "Dimensioned sheet from slices",
) -> tuple[list[Item], float]:  # fmt: skip
    """Draw the title block with its lower right corner at (right, bottom); also return its height.

    The fields of ISO 7200 come first; those nobody can know from a scan are left to be filled
    in. Scale, units and projection are not fields of that standard and stand in a row of their own.
    """
    part = model.part
    left = right - width
    dz, dy, dx = part.stack.voxel_mm
    voxel = f"{dx:g} × {dy:g} × {dz:g} mm ({part.stack.scale_basis})"
    units = "in [mm]" if model.units == "in" else "mm"
    items = list[Item]()
    rows: list[list[tuple[str, str, float]]] = [
        [("Legal owner", "", 1.3), ("Drawing number", "", 1.0), ("Date of issue", "", 0.8)],
        [("Created by", "", 1.0), ("Approved by", "", 1.0), ("Material", "", 1.2)],
        [
            ("Scale", "none" if scale is None else scale_text(scale), 0.6), ("Units", units, 0.7),
            ("Paper", paper, 0.5), ("Sheet", f"{page} of {pages}", 0.6), (f"{model.projection} angle", "", 1.6),
        ],
        [("Voxel x × y × z", voxel, 1.7), ("Made with", part.made_with, 1.0)],
    ]  # fmt: skip
    y = bottom
    for line in rows:
        x = left
        total = sum(share for _, _, share in line)
        for k, (name, value, share) in enumerate(line):
            wide = width * share / total
            items += fitted(name, (x + 1.2, y + ROW - 2.5), SMALL, wide - 2.4)
            items += fitted(value, (x + 1.2, y + 1.1), 2.5, wide - 2.4)
            if k:
                items.append(Line((x, y), (x, y + ROW), "NARROW"))
            if name.endswith("angle"):
                symbol, _ = projection_symbol(model.projection, x + wide - 12.5, y + 1.0, 4.2)
                items += symbol
            x += wide
        y += ROW
        items.append(Line((left, y), (right, y), "NARROW"))
    items.append(Label("Title", (left + 1.2, y + HEAD - 2.8), SMALL))
    items += fitted(part.name, (left + 1.2, y + 2.2), 5.0, width * 0.6 - 2.4)
    items += [
        Label(one.text, (right - 1.2, y + HEAD - 2.8), one.height, "right")
        for one in fitted(kind, (0.0, 0.0), SMALL, width * 0.6)
    ]
    items += fitted(f"stack: {part.stack.source}", (left + width * 0.62, y + 2.2), SMALL, width * 0.38 - 1.2)
    y += HEAD
    corners = [(left, bottom), (right, bottom), (right, y), (left, y)]
    items += [Line(a, b, "WIDE") for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    return items, y - bottom


def fitted(text: str, at: tuple[float, float], height: float, width: float) -> list[Label]:
    """Return the text, in smaller letters or shortened where it would not fit its box."""
    if not text:
        return []
    for h in (height, 3.5, 2.5, SMALL):
        if h <= height and text_width(text, h) <= width:
            return [Label(text, at, h)]
    while len(text) > 1 and text_width(text + "…", SMALL) > width:
        text = text[:-1]
    return [Label(text + "…", at, SMALL)]
