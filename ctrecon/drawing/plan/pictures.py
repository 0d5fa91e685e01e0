"""Pages of the plan as pictures for the screen: the same drawing as on paper."""

import io
from dataclasses import replace

from ctrecon.drawing.paper.items import Page, Sheet, moved
from ctrecon.drawing.plan.pages import plan_sheet
from ctrecon.drawing.plan.stack_picture import stack_picture
from ctrecon.drawing.written.png import png_bytes
from ctrecon.drawing.written.strokes import drawn_pages
from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.plan.model import Plan

__all__ = ["plan_pictures", "stack_png"]

_WIDE, _TALL, _EDGE = 180.0, 80.0, 3.0


def plan_pictures(plan: Plan, *, pages: int = 2, paper: str = "A4") -> tuple[bytes, ...]:
    """Return the first pages of the printable plan as PNG.

    Parameters
    ----------
    plan : Plan
        The plan.
    pages : int
        How many, from the first on; fewer where the plan has fewer.
    paper : {"A4", "A3", "Letter"}
        Paper they are laid out on.

    Raises
    ------
    InputError
        If the paper is not known.
    """
    sheet = plan_sheet(plan, paper=paper)
    some = replace(sheet, pages=sheet.pages[:pages])
    return tuple(png_bytes(some, [page]) for page in drawn_pages(some)[1])


def stack_png(assembly: Assembly) -> bytes:
    """Return the picture of the stack cut through its first axis, as on the plan's first page, as PNG."""
    strip = stack_picture(assembly, _WIDE, _TALL)
    tall = strip.height + 2 * _EDGE
    page = Page(tuple(moved(one, _EDGE, tall - _EDGE) for one in strip.items))
    sheet = Sheet(f"{assembly.name}: the stack", "A4", _WIDE + 2 * _EDGE, tall, 1.0, [page])
    return _trimmed(png_bytes(sheet, drawn_pages(sheet)[1]))


def _trimmed(png: bytes) -> bytes:
    """Return a picture without the white on its right: the scale is one of a series and seldom fills the paper."""
    from PIL import Image, ImageOps

    picture = Image.open(io.BytesIO(png)).convert("L")
    box = ImageOps.invert(picture).getbbox() or (0, 0, *picture.size)
    out = io.BytesIO()
    picture.crop((0, 0, min(box[2] + box[0], picture.width), picture.height)).save(out, format="PNG")
    return out.getvalue()
