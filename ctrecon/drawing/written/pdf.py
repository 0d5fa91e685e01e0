"""PDF, page by page, written directly: lines as lines, texts as texts in the one font (ISO 32000-1)."""

import io
import math
import zlib
from collections.abc import Iterator, Sequence
from itertools import groupby

from ctrecon.drawing.paper.items import Sheet
from ctrecon.drawing.written.pdf_font import FontUsed, glyph_number
from ctrecon.drawing.written.strokes import CUBIC, CURVE, MOVE, Drawn, Outline, Text, start_of

__all__ = ["CAP_HEIGHT", "pdf_bytes"]

CAP_HEIGHT = 0.729
"""Height of DejaVu Sans capitals in parts of the font size."""

POINTS_PER_MM = 72 / 25.4
_FLAGS = 4  # a font whose letters are told by numbers of its own (table 123)
_STEM = 80  # thickness of upright strokes, for viewers that lack the font: they get it with the file


def pdf_bytes(sheet: Sheet, pages: Sequence[Drawn]) -> bytes:
    """Return a PDF with one page a sheet, exact size, searchable text, without dates."""
    file = _File()
    catalog, tree, info = file.reserve(), file.reserve(), file.reserve()
    letters = {letter for page in pages for text in page.texts for letter in text[0]}
    font = _write_font(file, FontUsed(letters))
    box = f"[0 0 {_number(POINTS_PER_MM * sheet.width_mm)} {_number(POINTS_PER_MM * sheet.height_mm)}]"
    kids = []
    for page in pages:
        content = file.add_stream("\n".join(_content(page)).encode("ascii"))
        kids.append(
            file.add(
                f"<< /Type /Page /Parent {tree} 0 R /MediaBox {box} /Contents {content} 0 R "
                f"/Resources << /Font << /F1 {font} 0 R >> >> >>"
            )
        )
    file.put(catalog, f"<< /Type /Catalog /Pages {tree} 0 R >>")
    listed = " ".join(f"{one} 0 R" for one in kids)
    file.put(tree, f"<< /Type /Pages /Kids [{listed}] /Count {len(kids)} >>")
    file.put(info, f"<< /Title {_words(sheet.title)} /Creator (ctrecon) /Producer (ctrecon) >>")
    return file.finish(catalog, info)


class _File:
    """Numbered objects and the table of where each begins."""

    def __init__(self) -> None:
        # bytes above 127 in the second line say that the file is not plain text
        self._out = io.BytesIO()
        self._out.write(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
        self._at: list[int] = []

    def reserve(self) -> int:
        """Return the number of an object that is written later."""
        self._at.append(0)
        return len(self._at)

    def put(self, number: int, body: str, stream: bytes | None = None) -> None:
        """Write an object under its number."""
        self._at[number - 1] = self._out.tell()
        self._out.write(f"{number} 0 obj\n{body}\n".encode("ascii"))
        if stream is not None:
            self._out.write(b"stream\n" + stream + b"\nendstream\n")
        self._out.write(b"endobj\n")

    def add(self, body: str) -> int:
        """Write an object and return its number."""
        number = self.reserve()
        self.put(number, body)
        return number

    def add_stream(self, data: bytes, more: str = "") -> int:
        """Write packed data and return its number."""
        number, packed = self.reserve(), zlib.compress(data)
        self.put(number, f"<< /Length {len(packed)} /Filter /FlateDecode{more} >>", packed)
        return number

    def finish(self, catalog: int, info: int) -> bytes:
        """Write the table and return the file."""
        start, count = self._out.tell(), len(self._at) + 1
        rows = "".join(f"{at:010d} 00000 n \n" for at in self._at)
        self._out.write(f"xref\n0 {count}\n0000000000 65535 f \n{rows}".encode("ascii"))
        trailer = f"trailer\n<< /Size {count} /Root {catalog} 0 R /Info {info} 0 R >>\nstartxref\n{start}\n%%EOF\n"
        self._out.write(trailer.encode("ascii"))
        return self._out.getvalue()


def _write_font(file: _File, font: FontUsed) -> int:
    """Write the font with all that belongs to it, and return its number (9.7: fonts of more than 256 letters)."""
    data = file.add_stream(font.data, f" /Length1 {len(font.data)}")
    described = file.add(
        f"<< /Type /FontDescriptor /FontName /{font.name} /Flags {_FLAGS} /FontBBox [{' '.join(font.box)}] "
        f"/ItalicAngle 0 /Ascent {font.ascent} /Descent {font.descent} /CapHeight {1000 * CAP_HEIGHT:g} "
        f"/StemV {_STEM} /FontFile2 {data} 0 R >>"
    )
    shapes = file.add(
        f"<< /Type /Font /Subtype /CIDFontType2 /BaseFont /{font.name} /CIDToGIDMap /Identity "
        "/CIDSystemInfo << /Registry (Adobe) /Ordering (Identity) /Supplement 0 >> "
        f"/FontDescriptor {described} 0 R /W [{font.widths}] >>"
    )
    back = file.add_stream(font.to_unicode.encode("ascii"))
    return file.add(
        f"<< /Type /Font /Subtype /Type0 /BaseFont /{font.name} /Encoding /Identity-H "
        f"/DescendantFonts [{shapes} 0 R] /ToUnicode {back} 0 R >>"
    )


def _content(page: Drawn) -> Iterator[str]:
    """Yield what draws a page, in mm."""
    yield f"{_number(POINTS_PER_MM, 9)} 0 0 {_number(POINTS_PER_MM, 9)} 0 0 cm"
    for (weight, square), some in groupby(page.strokes, key=lambda one: (one.weight, one.square)):
        yield f"{_number(weight)} w {'2 J 1 j' if square else '0 J 0 j'}"
        for one in some:
            yield f"{_path(one)} S"
    for one in page.fillings:
        yield f"{_path(one)} f"
    yield from (_text(one) for one in page.texts)


def _path(outline: Outline) -> str:
    """Return the path; a curve with one control point becomes the same curve with two."""
    out: list[str] = []
    points, codes = outline.points.tolist(), outline.codes.tolist()
    at, now = 0, (0.0, 0.0)
    while at < len(codes):
        code = codes[at]
        if code == CURVE:
            (cx, cy), (x, y) = points[at : at + 2]
            one = (now[0] + 2 / 3 * (cx - now[0]), now[1] + 2 / 3 * (cy - now[1]))
            some, sign = [one, (x + 2 / 3 * (cx - x), y + 2 / 3 * (cy - y)), (x, y)], "c"
            at += 2
        else:
            count = 3 if code == CUBIC else 1
            some, sign = points[at : at + count], "c" if code == CUBIC else "m" if code == MOVE else "l"
            at += count
        now = some[-1]
        out.append(" ".join(f"{_number(x)} {_number(y)}" for x, y in some) + f" {sign}")
    return " ".join(out)


def _text(text: Text) -> str:
    """Return one text, each letter by its number in the font."""
    words, height, turn = text[0], text[3], text[4]
    x, y = start_of(text)
    c, s = _number(math.cos(math.radians(turn)), 6), _number(math.sin(math.radians(turn)), 6)
    minus = s[1:] if s.startswith("-") else f"-{s}" if s != "0" else s
    shown = "".join(f"{glyph_number(letter):04x}" for letter in words)
    size = _number(height / CAP_HEIGHT, 5)
    return f"BT /F1 {size} Tf {c} {s} {minus} {c} {_number(x)} {_number(y)} Tm <{shown}> Tj ET"


def _number(value: float, digits: int = 4) -> str:
    """Return a number as PDF wants it: no exponent, no needless zeros."""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _words(text: str) -> str:
    """Return any text as a string of a PDF (7.9.2.2)."""
    return f"<feff{text.encode('utf-16-be', 'replace').hex()}>"
