"""SVG of the document: true size, text as curves, title and description for readers."""

from html import escape
from typing import Any

from ctrecon.drawing.dxf import PAGE_GAP_MM, steady_chance
from ctrecon.drawing.items import Sheet

__all__ = ["svg_bytes"]


def svg_bytes(doc: Any, sheet: Sheet) -> bytes:
    """Return an SVG of all pages, one under the other, in mm."""
    from ezdxf.addons.drawing.config import BackgroundPolicy, ColorPolicy, Configuration
    from ezdxf.addons.drawing.frontend import Frontend
    from ezdxf.addons.drawing.layout import Margins, Page, Settings, Units
    from ezdxf.addons.drawing.properties import RenderContext
    from ezdxf.addons.drawing.svg import SVGBackend
    from ezdxf.math import BoundingBox2d

    backend = SVGBackend()
    config = Configuration(background_policy=BackgroundPolicy.WHITE, color_policy=ColorPolicy.BLACK)
    with steady_chance():
        Frontend(RenderContext(doc), backend, config=config).draw_layout(doc.modelspace())
    count = len(sheet.pages)
    tall = sheet.height_mm * count + PAGE_GAP_MM * (count - 1)
    page = Page(sheet.width_mm, tall, Units.mm, Margins.all(0))
    low = sheet.height_mm - tall
    box = BoundingBox2d([(0, low), (sheet.width_mm, sheet.height_mm)])
    text = backend.get_string(page, settings=Settings(fit_page=False, scale=1), render_box=box)
    head, mark, tail = text.partition(">")
    if head.startswith("<?xml"):
        more, mark2, tail = tail.partition(">")
        head, mark = head + mark + more, mark2
    said = f"<title>{escape(sheet.title)}</title><desc>{sheet.paper}, {count} sheet(s), made by ctrecon</desc>"
    return (head + mark + said + tail).encode("utf-8")
