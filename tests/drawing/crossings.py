"""Finds texts of a PDF that a line, a filling or another text runs through: read from the file by another library."""

import ctypes
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as raw
import shapely

from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.written.pdf import pdf_bytes
from ctrecon.drawing.written.strokes import drawn_pages
from ctrecon.record.part import Part

POINTS_PER_MM = 72 / 25.4
CURVE_STEPS = 8
"""A curve is read as so many chords."""

TOUCH_MM = 0.02
"""What comes no deeper into a text's ink than this is rounding of the file's own numbers."""


def sheet_pdf(part: Part, *, paper: str | None, units: str, projection: str) -> bytes:
    """Return the PDF of a part's sheet, without its pictures and its DXF."""
    sheet = make_sheet(part, paper=paper, projection=projection, units=units, digits=None)
    return pdf_bytes(sheet, drawn_pages(sheet)[1])


@dataclass(frozen=True)
class Crossing:
    """A text and what runs through it ("line", "filling", "text ...", "frame"), on a page from 1, place in mm."""

    page: int
    text: str
    by: str
    at: tuple[float, float]


def crossings(data: bytes) -> list[Crossing]:
    """Return every text of the document whose ink meets a line (of its full width), a filling or another text."""
    found: list[Crossing] = []
    with pdfium.PdfDocument(data) as document:
        for number in range(len(document)):
            page = document[number]
            found += _of_page(page, number + 1)
            page.close()
    return found


def page_count(data: bytes) -> int:
    """Return how many pages the document has."""
    with pdfium.PdfDocument(data) as document:
        return len(document)


def _of_page(page: pdfium.PdfPage, number: int) -> Iterator[Crossing]:
    words: list[str] = []
    quads: list[shapely.Polygon] = []
    ink: list[shapely.Geometry] = []
    kinds: list[str] = []
    reader = page.get_textpage()
    for one in page.get_objects(max_depth=1):
        if one.type == raw.FPDF_PAGEOBJ_TEXT:
            words.append(_words(one, reader))
            quads.append(shapely.Polygon(_quad(one)))
        elif one.type == raw.FPDF_PAGEOBJ_PATH:
            for kind, shape in _shapes(one):
                kinds.append(kind)
                ink.append(shape)
    reader.close()
    texts = np.array([quad.buffer(-TOUCH_MM) for quad in quads], dtype=object)
    wide, tall = (side / POINTS_PER_MM for side in page.get_size())
    for k, quad in enumerate(quads):
        if not shapely.box(0.0, 0.0, wide, tall).contains(quad):
            yield Crossing(number, words[k], "edge of the paper", _middle(quad))
    for i, k in zip(*shapely.STRtree(ink).query(texts, predicate="intersects"), strict=True):
        yield Crossing(number, words[i], kinds[k], _middle(quads[i]))
    for i, k in zip(*shapely.STRtree(texts).query(texts, predicate="intersects"), strict=True):
        if i < k:
            yield Crossing(number, words[i], f"text {words[k]!r}", _middle(quads[i]))


def _middle(quad: shapely.Polygon) -> tuple[float, float]:
    return round(quad.centroid.x, 1), round(quad.centroid.y, 1)


def _words(one: pdfium.PdfObject, reader: pdfium.PdfTextPage) -> str:
    room = raw.FPDFTextObj_GetText(one.raw, reader.raw, None, 0)
    held = ctypes.create_string_buffer(room)
    raw.FPDFTextObj_GetText(one.raw, reader.raw, ctypes.cast(held, ctypes.POINTER(ctypes.c_ushort)), room)
    return held.raw[:-2].decode("utf-16-le")


def _quad(one: pdfium.PdfObject) -> list[tuple[float, float]]:
    """Return the corners of a text's ink, turned as the text is, in mm."""
    box = raw.FS_QUADPOINTSF()
    assert raw.FPDFPageObj_GetRotatedBounds(one.raw, box)
    corners = ((box.x1, box.y1), (box.x2, box.y2), (box.x3, box.y3), (box.x4, box.y4))
    return [(x / POINTS_PER_MM, y / POINTS_PER_MM) for x, y in corners]


def _shapes(one: pdfium.PdfObject) -> Iterator[tuple[str, shapely.Geometry]]:
    """Yield a path's lines with the width they are drawn in, or the area it fills, in mm."""
    mode, stroke, weight = ctypes.c_int(), ctypes.c_int(), ctypes.c_float()
    assert raw.FPDFPath_GetDrawMode(one.raw, mode, stroke)
    raw.FPDFPageObj_GetStrokeWidth(one.raw, weight)
    m = one.get_matrix()
    lines = [
        [((m.a * x + m.c * y + m.e) / POINTS_PER_MM, (m.b * x + m.d * y + m.f) / POINTS_PER_MM) for x, y in line]
        for line in _lines(one)
    ]
    if mode.value != raw.FPDF_FILLMODE_NONE:
        rings = [shapely.Polygon(line).buffer(0) for line in lines if len(line) > 2]
        area: shapely.Geometry = shapely.Polygon()
        for ring in rings:  # rims and holes of a filling take turns
            area = area.symmetric_difference(ring)
        yield "filling", area
    if stroke.value:
        half = weight.value * float(np.hypot(m.a, m.b)) / POINTS_PER_MM / 2
        for line in lines:
            if len(line) > 1:
                yield "line", shapely.LineString(line).buffer(half, cap_style="flat")


def _lines(one: pdfium.PdfObject) -> list[list[tuple[float, float]]]:
    lines: list[list[tuple[float, float]]] = []
    control: list[tuple[float, float]] = []
    for k in range(raw.FPDFPath_CountSegments(one.raw)):
        segment = raw.FPDFPath_GetPathSegment(one.raw, k)
        x, y = ctypes.c_float(), ctypes.c_float()
        raw.FPDFPathSegment_GetPoint(segment, x, y)
        point = (x.value, y.value)
        kind = raw.FPDFPathSegment_GetType(segment)
        if kind == raw.FPDF_SEGMENT_MOVETO:
            lines.append([point])
        elif kind == raw.FPDF_SEGMENT_LINETO:
            lines[-1].append(point)
        else:
            control.append(point)
            if len(control) == 3:
                lines[-1] += _bezier(lines[-1][-1], *control)
                control = []
        if raw.FPDFPathSegment_GetClose(segment):
            lines[-1].append(lines[-1][0])
    return lines


def _bezier(*corners: tuple[float, float]) -> list[tuple[float, float]]:
    t = np.linspace(0.0, 1.0, CURVE_STEPS + 1)[1:, None]
    a, b, c, d = np.array(corners)
    some = (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d
    return [(float(x), float(y)) for x, y in some]
