"""The one font as a PDF carries it: only the letters used, each under its number in the whole font."""

import hashlib
import io
from collections.abc import Iterable
from functools import cache
from typing import Any

from ctrecon.drawing.paper.lettering import font_file

__all__ = ["FontUsed", "glyph_number"]

_TABLES = ("cvt ", "fpgm", "glyf", "head", "hhea", "hmtx", "loca", "maxp", "prep")
"""What a viewer needs (ISO 32000-1, 9.9, table 126); the map of letters stands in the PDF itself."""


class FontUsed:
    """What of the font a document uses.

    Parameters
    ----------
    letters : iterable of str
        All letters of its texts.
    """

    def __init__(self, letters: Iterable[str]) -> None:
        font = font_file()
        self._letters = {glyph_number(one): one for one in sorted(set(letters))}
        self._per_em = font["head"].unitsPerEm
        numbers = sorted({0, *self._letters})
        tag = hashlib.sha256(repr(numbers).encode()).digest()
        self.name = "".join(chr(ord("A") + byte % 26) for byte in tag[:6]) + "+DejaVuSans"
        self.data = _subset(numbers)
        head, rise = font["head"], font["hhea"]
        self.box = [self._thousandth(one) for one in (head.xMin, head.yMin, head.xMax, head.yMax)]
        self.ascent, self.descent = self._thousandth(rise.ascent), self._thousandth(rise.descent)
        widths = font["hmtx"]
        self.widths = " ".join(
            f"{number} [{self._thousandth(widths[font.getGlyphName(number)][0])}]" for number in numbers
        )

    def _thousandth(self, units: float) -> str:
        return f"{1000 * units / self._per_em:.5g}"

    @property
    def to_unicode(self) -> str:
        """The map from numbers back to letters, by which texts are found and copied (ISO 32000-1, 9.10.3)."""
        known = sorted((n, letter.encode("utf-16-be").hex()) for n, letter in self._letters.items() if n)
        rows = [f"<{n:04x}> <{code}>" for n, code in known]
        parts = [rows[k : k + 100] for k in range(0, len(rows), 100)]  # a block may hold no more
        maps = "\n".join(f"{len(some)} beginbfchar\n" + "\n".join(some) + "\nendbfchar" for some in parts)
        return (
            "/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n"
            "/CIDSystemInfo << /Registry (Adobe) /Ordering (UCS) /Supplement 0 >> def\n"
            "/CMapName /Adobe-Identity-UCS def\n/CMapType 2 def\n"
            f"1 begincodespacerange\n<0000> <ffff>\nendcodespacerange\n{maps}\n"
            "endcmap\nCMapName currentdict /CMap defineresource pop\nend\nend"
        )


@cache
def glyph_number(letter: str) -> int:
    """Return the number of a letter in the font, 0 (the empty box) where it has none."""
    font = font_file()
    name = font.getBestCmap().get(ord(letter))
    return 0 if name is None else int(font.getGlyphID(name))


def _subset(numbers: list[int]) -> bytes:
    """Return the font with the shapes of these letters only; numbers stay what they were."""
    from fontTools.ttLib.sfnt import SFNTWriter

    font = font_file()
    shapes, places = font["glyf"], font["loca"].locations
    keep: set[int] = set()
    waiting = list(numbers)
    while waiting:  # accents and their letters are shapes of their own
        number = waiting.pop()
        if number not in keep:
            keep.add(number)
            shape = shapes[font.getGlyphName(number)]
            if shape.isComposite():
                waiting += [font.getGlyphID(name) for name in shape.getComponentNames(shapes)]
    whole: dict[str, Any] = {tag: font.reader[tag] for tag in _TABLES if tag in font.reader}
    # all that is left out has no length and no width, which packs to next to nothing
    last = max(keep)
    cut, at = bytearray(), [0]
    for number in range(last + 1):
        if number in keep:
            cut += whole["glyf"][places[number] : places[number + 1]]
        at.append(len(cut))
    count = font["maxp"].numGlyphs
    at += [len(cut)] * (count + 1 - len(at))
    wide = font["head"].indexToLocFormat == 1
    whole["glyf"], whole["hmtx"] = bytes(cut), _metrics(whole["hmtx"], font["hhea"].numberOfHMetrics, keep)
    whole["loca"] = b"".join((one if wide else one // 2).to_bytes(4 if wide else 2, "big") for one in at)
    out = io.BytesIO()
    writer = SFNTWriter(out, len(whole))
    for tag, data in whole.items():
        writer[tag] = data
    writer.close()
    return out.getvalue()


def _metrics(data: bytes, count: int, keep: set[int]) -> bytes:
    """Return the table of widths with nothing but those of the letters kept."""
    out = bytearray(4 * count) + data[4 * count :]
    for number in keep:
        if number < count:
            out[4 * number : 4 * number + 4] = data[4 * number : 4 * number + 4]
    return bytes(out)
