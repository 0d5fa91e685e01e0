"""Widths of printed text, from the font every output uses (DejaVu Sans, always at hand)."""

from functools import cache
from typing import Any

from ctrecon.drawing.paper.items import Box, Label

__all__ = ["FONT", "advance", "box_of", "font_file", "glyph_path", "load_fonts", "text_width", "wrap"]

FONT = "DejaVuSans.ttf"


@cache
def load_fonts() -> None:
    """Make the drawing library know the one font; without it widths would be guessed."""
    import matplotlib
    from ezdxf.fonts import fonts

    if not fonts.font_manager.has_font(FONT):
        fonts.font_manager.build([f"{matplotlib.get_data_path()}/fonts/ttf"])


@cache
def _font() -> Any:
    from ezdxf.fonts import fonts

    load_fonts()
    return fonts.make_font(FONT, cap_height=1.0)


def font_file() -> Any:
    """Return the font as its file holds it, a fontTools TTFont."""
    return _font().glyph_cache.font


@cache
def text_width(text: str, height: float) -> float:
    """Return the width (mm) of a line of text with capitals `height` mm tall."""
    return float(_font().text_width(text)) * height


@cache
def glyph_path(letter: str) -> Any:
    """Return the outline of a letter with capitals 1 mm tall, its origin at (0, 0), as the drawing library has it."""
    return _font().text_path(letter)


@cache
def advance(letter: str) -> float:
    """Return by how much a letter, or a space, moves the next one on (mm), with capitals 1 mm tall."""
    return text_width(f"x{letter}x", 1.0) - text_width("xx", 1.0)  # of a space alone the library says 0


def box_of(label: Label) -> Box:
    """Return the upright box of a label turned by 0 or 90 degrees, tails of letters included."""
    wide = text_width(label.text, label.height)
    shift = {"left": 0.0, "centre": wide / 2, "right": wide}[label.align]
    down, up = 0.35 * label.height, 1.1 * label.height
    x, y = label.at
    if label.rotation_deg == 90:
        return x - up, y - shift, x + down, y - shift + wide
    return x - shift, y - down, x - shift + wide, y + up


def wrap(text: str, height: float, width: float) -> list[str]:
    """Break a text into lines no wider than `width` mm; a word too long for a line is cut."""
    lines: list[str] = []
    width /= 1.01  # viewers set the same font a little differently
    line = ""
    for word in text.split():
        while text_width(word, height) > width and len(word) > 1:
            n = len(word)
            while n > 1 and text_width(word[:n], height) > width:
                n -= 1
            lines += [line] if line else []
            lines.append(word[:n])
            line, word = "", word[n:]
        longer = f"{line} {word}".strip()
        if line and text_width(longer, height) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line] if line else lines
