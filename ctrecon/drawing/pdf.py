"""PDF and PNG, page by page: lines by the drawing library, texts as real text."""

import io
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from ctrecon.drawing.dxf import PAGE_GAP_MM, build_document, steady_chance
from ctrecon.drawing.items import Sheet

__all__ = ["CAP_HEIGHT", "pdf_bytes", "png_bytes", "texts_of"]

CAP_HEIGHT = 0.729
"""Height of DejaVu Sans capitals in parts of the font size."""

MM_PER_INCH = 25.4
PNG_DPI = 200


def texts_of(doc: Any) -> list[tuple[str, float, float, float, float, str, str]]:
    """Return every text as (text, x, y, height, rotation in degrees, across, upright alignment)."""
    found = []
    for entity in doc.modelspace():
        parts = entity.virtual_entities() if entity.dxftype() == "DIMENSION" else [entity]
        for one in parts:
            if one.dxftype() == "TEXT":
                kind, first, second = one.get_placement()
                at = first if kind.name == "LEFT" else second or first
                across = {"LEFT": "left", "CENTER": "center", "RIGHT": "right"}[kind.name]
                found.append((one.plain_text(), at.x, at.y, one.dxf.height, one.dxf.rotation, across, "baseline"))
            elif one.dxftype() == "MTEXT":
                at = one.dxf.insert
                found.append(
                    (
                        one.plain_text(),
                        at.x,
                        at.y,
                        one.dxf.char_height,
                        one.dxf.get("rotation", 0.0),
                        "center",
                        "middle",
                    )
                )
    return found


def _draw(doc: Any, width_mm: float, height_mm: float) -> Any:
    """Return a figure of exactly this paper size showing the document."""
    from ezdxf.addons.drawing.config import BackgroundPolicy, ColorPolicy, Configuration, TextPolicy
    from ezdxf.addons.drawing.frontend import Frontend
    from ezdxf.addons.drawing.matplotlib import MatplotlibBackend
    from ezdxf.addons.drawing.properties import RenderContext
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties

    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), facecolor="white")
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    config = Configuration(
        background_policy=BackgroundPolicy.WHITE,
        color_policy=ColorPolicy.BLACK,
        text_policy=TextPolicy.IGNORE,
        lineweight_scaling=72 / MM_PER_INCH,
        min_lineweight=0.1,
    )
    backend = MatplotlibBackend(axes)
    with steady_chance():
        Frontend(RenderContext(doc), backend, config=config).draw_layout(doc.modelspace(), finalize=False)
    axes.set_axis_off()
    axes.set_aspect("auto")
    axes.set_xlim(0.0, width_mm)
    axes.set_ylim(0.0, height_mm)
    for text, x, y, height, turn, across, upright in texts_of(doc):
        font = FontProperties(family="DejaVu Sans", size=height / CAP_HEIGHT * 72 / MM_PER_INCH)
        shift = 0.0
        if upright == "middle":  # centre the capitals, not the box with its tails
            shift, upright = height / 2, "baseline"
        a = math.radians(turn)
        axes.text(
            x + shift * math.sin(a), y - shift * math.cos(a), text, fontproperties=font, rotation=turn, ha=across,
            va=upright, rotation_mode="anchor", parse_math=False, color="black", zorder=1000,
        )  # fmt: skip
    return figure


def _single_pages(sheet: Sheet) -> Iterator[Any]:
    """Draw the pages one by one, each from a document that holds nothing else: all of them each time takes long."""
    for page in sheet.pages:
        doc = build_document(replace(sheet, pages=(page,)))
        yield _draw(doc, sheet.width_mm, sheet.height_mm)


def pdf_bytes(sheet: Sheet) -> bytes:
    """Return a PDF with one page a sheet, exact size, searchable text, without dates."""
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages

    out = io.BytesIO()
    words = {"Title": sheet.title, "Creator": "ctrecon", "Producer": "ctrecon", "CreationDate": None, "ModDate": None}
    with matplotlib.rc_context({"pdf.fonttype": 42, "text.hinting": "none"}), PdfPages(out, metadata=words) as pages:
        for figure in _single_pages(sheet):
            pages.savefig(figure)
    return out.getvalue()


def png_bytes(sheet: Sheet) -> bytes:
    """Return a picture of all pages, one under the other."""
    import matplotlib
    import numpy as np
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    shots = []
    for number, figure in enumerate(_single_pages(sheet)):
        figure.set_dpi(PNG_DPI)
        canvas: Any = FigureCanvasAgg(figure)
        with matplotlib.rc_context({"text.hinting": "none"}):
            canvas.draw()
        shots.append(np.asarray(canvas.buffer_rgba())[..., 0])
        if number + 1 < len(sheet.pages):
            gap = round(PAGE_GAP_MM / MM_PER_INCH * PNG_DPI)
            shots.append(np.full((gap, shots[0].shape[1]), 200, np.uint8))
    out = io.BytesIO()
    Image.fromarray(np.vstack(shots)).save(out, format="PNG", dpi=(PNG_DPI, PNG_DPI))
    return out.getvalue()
