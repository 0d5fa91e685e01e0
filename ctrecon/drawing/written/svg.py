"""SVG of the pages: true size, text as curves, title and description for readers."""

import math
from collections.abc import Sequence
from functools import cache
from html import escape

import numpy as np
from numpy.typing import NDArray

from ctrecon.drawing.paper.items import Sheet
from ctrecon.drawing.paper.lettering import advance
from ctrecon.drawing.written.dxf import page_bottom
from ctrecon.drawing.written.strokes import CUBIC, CURVE, LINE, MOVE, Drawn, Text, lettered, start_of

__all__ = ["svg_bytes"]

_PER_MM = 1000  # coordinates are whole micrometres
_LETTERS = {MOVE: ("m", 1), LINE: ("l", 1), CURVE: ("q", 2), CUBIC: ("c", 3)}


def svg_bytes(sheet: Sheet, pages: Sequence[Drawn]) -> bytes:
    """Return an SVG of all pages, one under the other, in mm."""
    count = len(pages)
    tall = sheet.height_mm - page_bottom(sheet, count - 1)
    weights = sorted({one.weight for page in pages for one in page.strokes}, reverse=True)
    names = {weight: f"w{number}" for number, weight in enumerate(weights, 1)}
    styles = "".join(f".{names[one]} {{stroke-width: {_PER_MM * one:g};}}" for one in weights)
    size = f"{round(_PER_MM * sheet.width_mm)} {round(_PER_MM * tall)}"
    out = [
        "<?xml version='1.0' encoding='utf-8'?>\n"
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{sheet.width_mm:g}mm" height="{tall:g}mm" '
        f'viewBox="0 0 {size}">'
        f"<title>{escape(sheet.title)}</title><desc>{sheet.paper}, {count} sheet(s), made by ctrecon</desc>"
        f"<defs><style>{styles}</style></defs>"
        f'<rect fill="#ffffff" width="100%" height="100%"/>\n'
    ]
    for number, page in enumerate(pages):
        top = sheet.height_mm - page_bottom(sheet, number)
        out.append('<g fill="none" stroke="#000000" stroke-linecap="round" stroke-linejoin="round">\n')
        for one in page.strokes:
            out.append(f'<path class="{names[one.weight]}" d="{_data(_micrometres(one.points, top), one.codes)}"/>\n')
        out.append('</g>\n<g fill="#000000">\n')
        shapes = [_data(_micrometres(one.points, top), one.codes, close=True) for one in page.fillings]
        out += [f'<path d="{one}"/>\n' for one in (*shapes, *(_words(text, top) for text in page.texts)) if one]
        out.append("</g>\n")
    out.append("</svg>\n")
    return "".join(out).encode("utf-8", "replace")  # names of files may hold bytes that are not text


def _micrometres(points: NDArray[np.float64], top: float) -> list[tuple[int, int]]:
    """Return points with y down from the top, in whole micrometres."""
    across, down = np.rint(_PER_MM * points[:, 0]), np.rint(_PER_MM * (top - points[:, 1]))
    return list(zip(across.astype(int).tolist(), down.astype(int).tolist(), strict=True))


def _data(points: list[tuple[int, int]], codes: NDArray[np.uint8], *, close: bool = False) -> str:
    """Return the path, each step from where the one before ended; closed parts end where they began."""
    out: list[str] = []
    x = y = first_x = first_y = at = 0
    steps = codes.tolist()
    while at < len(steps):
        letter, count = _LETTERS[steps[at]]
        if letter == "m" and at and close:
            out.append("z")
            x, y = first_x, first_y
        some = points[at : at + count]
        out.append(letter + " ".join([f"{px - x} {py - y}" for px, py in some]))
        x, y = some[-1]
        if letter == "m":
            first_x, first_y = x, y
        at += count
    return "".join([*out, "z"] if close and out else out)


@cache
def _letter(letter: str, height: float, turn: float) -> str:
    """Return the path of a letter from the start of its base line."""
    text = (letter, 0.0, 0.0, height, turn, "left", "baseline")
    return "".join(_data(_micrometres(one.points, 0.0), one.codes, close=True) for one in lettered([text]))


def _words(text: Text, top: float) -> str:
    """Return the path of a text; spaces have none."""
    height, turn = text[3], text[4]
    a = math.radians(turn)
    x, y = start_of(text)
    out = []
    for letter in text[0]:
        shape = _letter(letter, height, turn)
        if shape:
            out.append(f"M{round(_PER_MM * x)} {round(_PER_MM * (top - y))}{shape}")
        step = height * advance(letter)
        x, y = x + step * math.cos(a), y + step * math.sin(a)
    return "".join(out)
