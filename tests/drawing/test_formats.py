"""The files themselves, read by other means than those that wrote them."""

import io
import re
import zlib
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import drawing_checks as checks
import drawing_records as records
import matplotlib
import numpy as np
import pytest
from fontTools.ttLib import TTFont
from PIL import Image

from ctrecon.drawing import draw_sheet
from ctrecon.drawing.paper.items import Hatch, Label, Line, Page, Sheet
from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.written.pdf import pdf_bytes
from ctrecon.drawing.written.png import png_bytes
from ctrecon.drawing.written.strokes import drawn_pages
from ctrecon.drawing.written.svg import svg_bytes

FONT = Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")


def ruled() -> Sheet:
    """Two pages of A4: a level and an upright line of 100 mm and a black square of 20 mm with a hole of 10."""
    black = Hatch(((200, 50), (220, 50), (220, 70), (200, 70)), (((205, 55), (215, 55), (215, 65), (205, 65)),), solid=True)
    words = Label("Ø 3.5 é", (150.0, 120.0), 5.0)
    items = (Line((50, 40), (150, 40)), Line((50, 60), (50, 160)), black, words)
    return Sheet("ruled", "A4", 297.0, 210.0, 1.0, [Page((Line((10, 10), (20, 10)),)), Page(items)])


def objects(data: bytes) -> dict[int, bytes]:
    """Return the objects of a PDF by number, found by its table alone (ISO 32000-1, 7.5.4)."""
    start = int(re.search(rb"startxref\n(\d+)\n%%EOF", data)[1])
    table = data[start:]
    first, count = (int(n) for n in re.match(rb"xref\n(\d+) (\d+)\n", table).groups())
    rows = table[table.index(b"\n", 5) + 1 :]
    assert first == 0 and rows[:20] == b"0000000000 65535 f \n"
    found = {}
    for number in range(1, count):
        at = int(rows[20 * number : 20 * number + 10])
        assert data[at:].startswith(b"%d 0 obj\n" % number)
        found[number] = data[at : data.index(b"endobj", at)]
    return found


def stream(body: bytes) -> bytes:
    """Return what an object's stream holds, its length as stated."""
    head, _, rest = body.partition(b"stream\n")
    length = int(re.search(rb"/Length (\d+)", head)[1])
    assert rest[length:].strip() == b"endstream"
    return zlib.decompress(rest[:length])


def parts(data: bytes) -> tuple[list[str], TTFont, dict[int, str], dict[int, float]]:
    """Return contents of the pages, the font, its letters by number, and their widths as stated."""
    found = objects(data)
    contents = [stream(found[int(re.search(rb"/Contents (\d+)", b)[1])]).decode() for b in found.values() if b"/Type /Page " in b]
    font = next(TTFont(io.BytesIO(stream(b))) for b in found.values() if b"/Length1" in b)
    mapped = next(stream(b).decode() for b in found.values() if b"stream" in b and b"beginbfchar" in stream(b))
    letters = {
        int(a, 16): bytes.fromhex(b).decode("utf-16-be") for a, b in re.findall(r"^<(\w{4})> <(\w+)>$", mapped, re.M) if b != "ffff"
    }  # fmt: skip
    stated = next(re.search(rb"/W \[(.*)\] >>", b)[1].decode() for b in found.values() if b"CIDFontType2" in b)
    widths = {int(n): float(w) for n, w in re.findall(r"(\d+) \[([\d.]+)\]", stated)}
    return contents, font, letters, widths


def test_the_pdf_holds_every_text_as_text() -> None:
    """Texts read back by the table of letters are those of the document, page for page."""
    sheet = make_sheet(records.hub())
    doc, pages = drawn_pages(sheet)
    contents, _, letters, _ = parts(pdf_bytes(sheet, pages))
    read = [
        "".join(letters[int(code[k : k + 4], 16)] for k in range(0, len(code), 4))
        for content in contents
        for code in re.findall(r"<(\w+)> Tj", content)
    ]
    assert read == [text[0] for text in checks.texts_of(doc)] and len(read) > 100


def test_the_letters_in_the_pdf_are_those_of_the_font_file() -> None:
    """Shapes and widths read from the embedded font by fontTools are those of the font matplotlib ships, accents too."""
    sheet = ruled()
    whole = TTFont(FONT)
    _, font, letters, widths = parts(pdf_bytes(sheet, drawn_pages(sheet)[1]))
    assert sorted(letters.values()) == sorted(set("Ø 3.5 é"))
    for number, letter in letters.items():
        name = whole.getGlyphName(number)
        assert whole.getBestCmap()[ord(letter)] == name
        assert list(font["glyf"][font.getGlyphName(number)].getCoordinates(font["glyf"])[0]) == list(
            whole["glyf"][name].getCoordinates(whole["glyf"])[0]
        )
        advance = whole["hmtx"][name][0]
        assert font["hmtx"][font.getGlyphName(number)][0] == advance
        assert widths[number] == pytest.approx(1000 * advance / whole["head"].unitsPerEm, abs=0.05)
    empty = font["glyf"][font.getGlyphName(whole.getGlyphID("W"))]
    assert empty.numberOfContours == 0, "a letter that is not used is left out"


def test_a_length_is_the_same_in_every_format() -> None:
    """A line of 100 mm is 283.465 points in the PDF (1 inch = 72 points), 100 mm in the SVG and 787 pixels at 200 dpi."""
    sheet = ruled()
    _, pages = drawn_pages(sheet)
    content = parts(pdf_bytes(sheet, pages))[0][1]
    scale = float(re.match(r"([\d.]+) 0 0 \1 0 0 cm", content)[1])
    x0, y0, x1, y1 = map(float, re.findall(r"([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l", content)[0])
    assert (y0, y1) == (40, 40) and scale * (x1 - x0) == pytest.approx(7200 / 25.4, abs=1e-4)
    root = ElementTree.fromstring(svg_bytes(sheet, pages))
    assert root.get("height") == "430mm" and root.get("viewBox") == "0 0 297000 430000"
    drawn = [one.get("d") for one in root.iter() if one.tag.endswith("path") and one.get("class")]
    assert drawn[1:3] == ["m50000 390000l100000 0", "m50000 370000l0 -100000"]
    picture = np.asarray(Image.open(io.BytesIO(png_bytes(sheet, pages))))
    low, high = picture.shape[0] - 1653, picture.shape[0]
    dark = picture[low:high] < 128
    level = dark[round(1653 - 40 * 200 / 25.4)]
    assert level.sum() == pytest.approx(787.4 + 0.25 * 200 / 25.4, abs=1.5)
    assert np.flatnonzero(level)[0] == pytest.approx((50 - 0.125) * 200 / 25.4, abs=1.0)


def test_a_hole_in_a_black_area_stays_open() -> None:
    """A black square of 20 mm with a hole of 10 mm blackens 300 mm2 of the picture, and its middle is white."""
    sheet = ruled()
    _, pages = drawn_pages(sheet)
    picture = np.asarray(Image.open(io.BytesIO(png_bytes(sheet, pages)))).astype(float)[-1653:]
    box = picture[int(1653 - 75 * 200 / 25.4) : int(1653 - 45 * 200 / 25.4), int(195 * 200 / 25.4) : int(225 * 200 / 25.4)]
    assert ((255 - box) / 255).sum() * (25.4 / 200) ** 2 == pytest.approx(300.0, rel=0.01)
    assert box[box.shape[0] // 2, box.shape[1] // 2] == 255


def test_letters_of_the_picture_stand_where_those_of_another_renderer_do() -> None:
    """Ink of a text in the PNG covers what matplotlib's own text covers, to a pixel on each side."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    sheet = Sheet("t", "A4", 100.0, 40.0, 1.0, [Page((Label("HxØg38", (20.0, 15.0), 8.0),))])
    mine = np.asarray(Image.open(io.BytesIO(png_bytes(sheet, drawn_pages(sheet)[1])))) < 128
    figure = Figure(figsize=(100 / 25.4, 40 / 25.4), dpi=200)
    figure.text(0.2, 15 / 40, "HxØg38", fontsize=8 / 0.729 * 72 / 25.4, family="DejaVu Sans", va="baseline")
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    other = np.asarray(canvas.buffer_rgba())[..., 0] < 128
    for axis in (0, 1):
        ours, theirs = np.flatnonzero(mine.any(axis)), np.flatnonzero(other.any(axis))
        assert (ours[0], ours[-1]) == (pytest.approx(theirs[0], abs=1), pytest.approx(theirs[-1], abs=1))
    assert mine.sum() == pytest.approx(other.sum(), rel=0.02)


def test_names_that_no_font_or_coding_holds_are_drawn_all_the_same(tmp_path: Path) -> None:
    """Bytes of a file's name that are not text, and letters the font lacks, stop no sheet."""
    draw_sheet(replace(records.tiny(), name="a\udcff 漢"), tmp_path)
    assert {one.name for one in tmp_path.iterdir()} == {"sheet.pdf", "sheet.svg", "sheet.png", "sheet.dxf"}
    objects((tmp_path / "sheet.pdf").read_bytes())
