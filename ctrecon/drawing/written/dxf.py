"""Builds the one document every output is rendered from: paper mm, real dimension entities."""

import io
import math
import random
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from typing import Any

from ctrecon.drawing.model.dimension_text import MM_PER_INCH, digits, length_text
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.paper.items import (
    FIGURE_GAP_MM,
    Angular,
    Diameter,
    Hatch,
    Item,
    Label,
    Line,
    Linear,
    Ordinate,
    Radius,
    Shape,
    Sheet,
    moved,
)
from ctrecon.drawing.paper.lettering import FONT, load_fonts, text_width
from ctrecon.drawing.written.dim_widths import true_width_renderer

__all__ = [
    "PAGE_GAP_MM",
    "add_contour",
    "build_pages",
    "document_bytes",
    "length_factor",
    "new_document",
    "page_bottom",
    "steady_chance",
]

PAGE_GAP_MM = 10.0
"""Further pages lie below the first, this far apart."""

LAYERS: dict[str, tuple[int, str]] = {
    # weight in 1/100 mm and line type: ISO 128-2, wide : narrow = 2 : 1, frame 0.7 (ISO 5457)
    "WIDE": (50, "CONTINUOUS"),
    "NARROW": (25, "CONTINUOUS"),
    "CENTRE": (25, "CENTER"),
    "HIDDEN": (25, "DASHED"),
    "WORN": (25, "DOUBLE_DOT"),
    "LOST": (25, "LONG_DASH_DOT"),
    "BREAK": (25, "CONTINUOUS"),
    "HATCH": (25, "CONTINUOUS"),
    "DIMENSIONS": (25, "CONTINUOUS"),
    "TEXT": (25, "CONTINUOUS"),
    "FRAME": (70, "CONTINUOUS"),
}
LINE_TYPES: dict[str, tuple[str, list[float]]] = {
    # total, then dashes above and gaps below 0, in paper mm: half the lengths of ISO 128-2 (dash 24 d, gap 3 d, dot
    # 0.5 d, d = 0.25 mm), for a worn stretch is often short
    "DOUBLE_DOT": ("long dash, two dots", [4.35, 3.0, -0.375, 0.1, -0.375, 0.1, -0.4]),
    "LONG_DASH_DOT": ("long dash, dot", [3.875, 3.0, -0.375, 0.1, -0.4]),
}
ALIGN = {"left": "LEFT", "centre": "CENTER", "right": "RIGHT"}
STYLE = "SHEET"


def page_bottom(sheet: Sheet, number: int) -> float:
    """Return where the lower edge of a page (from 0) lies in the document, mm."""
    return -number * (sheet.height_mm + PAGE_GAP_MM)


def new_document() -> Any:
    """Return an empty document in mm with line types and the one font."""
    from ezdxf import units
    from ezdxf.filemanagement import new

    load_fonts()
    with _fixed_metadata():  # the moment of creation is recorded at once
        doc: Any = new("R2010", setup=["linetypes"], units=units.MM)
    doc.styles.add(STYLE, font=FONT)
    doc.dimension_renderer = true_width_renderer()
    return doc


def build_pages(sheet: Sheet) -> tuple[Any, list[list[Any]]]:
    """Build the document of a sheet, and return with it the entities of each page.

    Parameters
    ----------
    sheet : Sheet
        Everything in paper mm.

    Returns
    -------
    doc : ezdxf.document.Drawing
        Model space in paper mm; a dimension's value is the part's (DIMLFAC = 1 / scale).
    pages : list of lists of entities
    """
    doc = new_document()
    for name, (words, pattern) in LINE_TYPES.items():
        doc.linetypes.add(name, pattern, description=words)
    for name, (weight, line_type) in LAYERS.items():
        doc.layers.add(name, lineweight=weight, linetype=line_type)
    doc.dimstyles.new(
        STYLE,
        dxfattribs={
            "dimtxt": 2.5, "dimasz": 2.5, "dimexo": 0.8, "dimexe": 1.2, "dimgap": FIGURE_GAP_MM, "dimtad": 1,
            "dimdec": 3, "dimzin": 0, "dimdsep": ord("."), "dimtxsty": STYLE, "dimtoh": 0, "dimtih": 0,
            "dimlfac": length_factor(sheet.scale, sheet.units),
        },
    )  # fmt: skip
    space = doc.modelspace()
    starts = []
    for number, page in enumerate(sheet.pages):
        starts.append(len(space))
        for item in page.items:
            _add(space, moved(item, 0.0, page_bottom(sheet, number)), sheet)
    entities = list(space)
    return doc, [entities[start:stop] for start, stop in pairwise([*starts, len(entities)])]


def length_factor(scale: float, units: str) -> float:
    """Return by what a length on paper (mm) is multiplied to give the part's, in the sheet's units.

    Examples
    --------
    >>> length_factor(2.0, "mm"), round(length_factor(1.0, "in") * 25.4, 12)
    (0.5, 1.0)
    """
    return 1.0 / scale if units == "mm" else 1.0 / (scale * MM_PER_INCH)


def add_contour(space: Any, contour: Contour, layer: str) -> None:
    """Add a contour as a circle or as a polyline with bulges."""
    if contour.round_of:
        x, y, radius = contour.round_of
        space.add_circle((x, y), radius, dxfattribs={"layer": layer})
    else:
        space.add_lwpolyline(contour.vertices, format="xyb", close=contour.closed, dxfattribs={"layer": layer})


def _add(space: Any, item: Item, sheet: Sheet) -> None:
    match item:
        case Line():
            attributes: dict[str, Any] = {"layer": item.style}
            if item.style in ("CENTRE", "HIDDEN"):
                attributes["ltscale"] = 3.0  # the stock patterns are in inches
            space.add_line(item.start, item.end, dxfattribs=attributes)
        case Shape():
            add_contour(space, item.contour, item.style)
        case Hatch():
            _add_hatch(space, item)
        case Label():
            from ezdxf.enums import TextEntityAlignment

            attributes = {"layer": "TEXT", "style": STYLE, "height": item.height, "rotation": item.rotation_deg}
            text = space.add_text(" ".join(item.text.replace("%%", "% %").split()), dxfattribs=attributes)
            text.set_placement(item.at, align=TextEntityAlignment[ALIGN[item.align]])
        case _:
            _add_dimension(space, item, sheet)


def _add_hatch(space: Any, item: Hatch) -> None:
    hatch = space.add_hatch(color=256, dxfattribs={"layer": "HATCH"})
    if not item.solid:
        hatch.set_pattern_fill("ANSI31", scale=0.6, angle=item.angle_deg - 45.0)
    hatch.paths.add_polyline_path(item.outer, is_closed=True)
    for ring in item.holes:
        hatch.paths.add_polyline_path(ring, is_closed=True, flags=16)


def _add_dimension(space: Any, item: Linear | Diameter | Radius | Angular | Ordinate, sheet: Sheet) -> None:
    """Add one dimension; its figure comes from the geometry ('<>'), never from typed text."""
    attributes = {"layer": "DIMENSIONS"}
    common: dict[str, Any] = {"dimstyle": STYLE, "text": item.text, "dxfattribs": attributes}
    places: dict[str, Any] = {"dimdec": digits(sheet.units, item.decimals)}
    if isinstance(item, Linear | Diameter | Radius) and item.factor != 1.0:
        places["dimlfac"] = length_factor(sheet.scale * item.factor, sheet.units)
    match item:
        case Linear():
            if item.place is None:
                dim = space.add_linear_dim(
                    item.base, item.first, item.second, angle=item.angle_deg, override=places, **common
                )
            else:
                dim = space.add_linear_dim(
                    item.base, item.first, item.second, angle=item.angle_deg, text_rotation=item.turn_deg,
                    override={**places, "dimse1": 0, "dimse2": 0}, **common,
                )  # fmt: skip
                dim.set_location(item.place, leader=item.leader)
        case Diameter():
            places |= {"dimtoh": 1, "dimtih": 1, "dimtmove": 1}
            landing = _landing(item, sheet, "Ø", 2.0)
            dim = space.add_diameter_dim(
                center=item.centre, radius=item.radius, location=landing, override=places, **common
            )
        case Radius():
            places |= {"dimtoh": 1, "dimtih": 1, "dimtmove": 1}
            dim = space.add_radius_dim(
                center=item.centre, radius=item.radius, override=places, **common,
                location=item.landing or _landing(item, sheet, "R", 1.0),
            )
        case Angular():
            places = {"dimadec": item.decimals, "dimazin": 0, "dimaunit": 0}
            dim = space.add_angular_dim_cra(
                center=item.centre, radius=item.radius, start_angle=item.from_deg, end_angle=item.to_deg,
                distance=0.0, override=places, **common,
            )  # fmt: skip
        case Ordinate():
            offset = (item.end[0] - item.point[0], item.end[1] - item.point[1])
            add = space.add_ordinate_x_dim if item.axis == "x" else space.add_ordinate_y_dim
            dim = add(feature_location=item.point, offset=offset, origin=item.origin, override=places, **common)
    dim.render()


def _landing(item: Diameter | Radius, sheet: Sheet, sign: str, radii: float) -> tuple[float, float]:
    """Return where the leader meets the near end of the text: the library wants that point, not the text's."""
    value = length_text(sheet.units, radii * item.radius / (sheet.scale * item.factor), item.decimals)
    figure = value.partition(" ")[0]
    wide = text_width(item.text.replace("<>", sign + figure), 2.5)
    side = math.copysign(wide / 2 + FIGURE_GAP_MM, item.place[0] - item.centre[0])
    return item.place[0] - side, item.place[1] - 1.25 - FIGURE_GAP_MM


@contextmanager
def _fixed_metadata() -> Iterator[None]:
    """Write constant dates and GUIDs, so that equal drawings are equal files."""
    from ezdxf._options import options

    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


@contextmanager
def steady_chance() -> Iterator[None]:
    """Render the same each time: the library shifts hatch lines by a chance amount off the corners."""
    before = random.getstate()
    random.seed(1)
    try:
        yield
    finally:
        random.setstate(before)


def document_bytes(doc: Any) -> bytes:
    """Return the document as the bytes of a DXF file, the same each time."""
    out = io.StringIO()
    with _fixed_metadata():
        # the library lists its classes in the order of a set, which changes from run to run
        doc.classes.add_required_classes(doc.dxfversion)
        doc.classes.classes = dict(sorted(doc.classes.classes.items()))
        doc.write(out)
    return out.getvalue().encode(doc.output_encoding, "replace")  # names of files may hold bytes that are not text
