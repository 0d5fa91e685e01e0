"""Paper templates of true size: what is seen of each end, to be glued on its face and cut or drilled through.

A part of several pieces has a template for each item of its list of parts, numbered and named as there. The
template of the far end is turned (X to the left), so that each is glued with its print up.
"""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ctrecon.core.files import write_whole
from ctrecon.core.measured import format_value
from ctrecon.drawing.model.crossing import with_lost_windows
from ctrecon.drawing.model.dimension_text import length_text, size_places
from ctrecon.drawing.model.edges import SOUND, TO_MAKE, need_edges
from ctrecon.drawing.model.views import Drawn, Model, build_model
from ctrecon.drawing.page import PAPERS, paper_size
from ctrecon.drawing.paper.clip import clipped
from ctrecon.drawing.paper.contours import Contour, mirrored_x
from ctrecon.drawing.paper.items import Box, Item, Label, Line, Page, Shape, Sheet, moved
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import Space, union
from ctrecon.drawing.paper.symbols import AXIS_DATUM, FACE_DATUM
from ctrecon.drawing.shown.cut import cut_zones
from ctrecon.drawing.shown.facing import visible_edges
from ctrecon.drawing.shown.notes import SAFETY, notes_items
from ctrecon.drawing.written.pdf import pdf_bytes
from ctrecon.drawing.written.strokes import drawn_pages
from ctrecon.record.items import PartItem, items_of
from ctrecon.record.kinds import kind_of
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part

__all__ = ["CHECK_MM", "CHECK_SLACK_MM", "Tile", "template_sheet", "tiles", "write_template"]

CHECK_MM = 100.0
"""Length of the check lines."""

CHECK_SLACK_MM = 0.5
"""A printed check line off by more than this is printed again (common practice, no source)."""

EDGE = 10.0
"""Printers leave about this much of the paper blank, mm."""

FOOT = 42.0
"""Height of the words below the drawing, mm."""

SIDE = 10.0
"""Width of the upright check line's strip on the left, mm."""

OVERLAP = 12.0
"""Neighbouring pages share this much, mm."""

FINE_TEETH_MM = 2.0
"""Teeth narrower than four wide lines (ISO 128-2: 0.5 mm) are drawn in narrow ones."""

MOST_PAGES = 100
"""Nobody glues more pages than these: on A4 they cover some 3 square metres."""

MARGIN = 6.0
TEXT = 2.5
MOST_SIZES = 14


@dataclass(frozen=True)
class Tile:
    """One page's window on the template: column and row from the top left, and its box in mm of the part."""

    column: int
    row: int
    box: Box


def _window(paper: str) -> tuple[float, float]:
    """Return width and height of what one page can show."""
    width, height = PAPERS[paper]
    return width - 2 * EDGE - SIDE, height - 2 * EDGE - FOOT


def _pages_for(box: Box, paper: str) -> tuple[int, int]:
    """Return how many pages side by side, and how many below each other, cover a box."""

    def count(length: float, step: float) -> int:
        return 1 if length <= step else math.ceil((length - OVERLAP) / (step - OVERLAP))

    wide, tall = _window(paper)
    return count(box[2] - box[0], wide), count(box[3] - box[1], tall)


def tiles(box: Box, paper: str) -> list[Tile]:
    """Return the windows that cover a box, row by row from the top left; neighbours share a strip."""
    wide, tall = _window(paper)
    across, down = _pages_for(box, paper)
    # centred: what is left over is shared out at the edges
    left = (box[0] + box[2]) / 2 - (across * (wide - OVERLAP) + OVERLAP) / 2
    top = (box[1] + box[3]) / 2 + (down * (tall - OVERLAP) + OVERLAP) / 2
    found = []
    for row in range(down):
        for column in range(across):
            x, y = left + column * (wide - OVERLAP), top - row * (tall - OVERLAP)
            found.append(Tile(column, row, (x, y - tall, x + wide, y)))
    return found


def _line(model: Model) -> str:
    """Return the line of the face itself: a wide one would fill the gaps of fine teeth."""
    widths = [d.feature.tooth_width_mm.value for d in model.drawn if d.feature.tooth_width_mm]
    return "NARROW" if min(widths, default=FINE_TEETH_MM) < FINE_TEETH_MM else "WIDE"


def _faces(model: Model) -> list[tuple[str, list[tuple[str, Contour]]]]:
    """Return (face, [(line style, contour)]) of both ends, each as it is seen from outside."""
    if not model.zones:
        return []
    faces = []
    for from_end in (False, True):
        if model.has_depth:
            edges = visible_edges(model, cut_zones(model), from_end=from_end)
            own = len(model.zones) - 1 if from_end else 0
        else:
            edges, own = [(0, c, SOUND) for zone in model.zones for _, c in (*zone.rims, *zone.holes)], 0
        shown = [(_line(model) if n == own else "HIDDEN", mirrored_x(c) if from_end else c) for n, c, _ in edges]
        faces.append(("END" if from_end else "START", shown))
    return faces


def _centres(model: Model, *, from_end: bool) -> list[tuple[Drawn, float, float, float]]:
    """Return (hole, x, y, reach in mm) of the holes that reach this end of the part."""
    zone = model.zones[-1] if from_end else model.zones[0]
    found = []
    for d, contour in zone.holes:
        left, bottom, right, top = contour.bounds()
        x = -d.x if from_end else d.x
        found.append((d, x, d.y, max(right - left, top - bottom) / 2))
    return found


def _hole_words(model: Model, d: Drawn) -> str:
    f = d.feature
    name, size = ("diameter_mm", f.diameter_mm) if f.diameter_mm else ("flats_mm", f.flats_mm)
    if size is None:
        return f.id
    return f"{f.id} {kind_of(f).sign}{length_text(model.units, size.value, size_places(model, f, name, size))}"


def _labels(model: Model, face: str, shown: list[tuple[str, Contour]], cross: list[Line]) -> list[Item]:
    """Draw the centre marks of holes with their ids and sizes, where nothing else stands."""
    holes = _centres(model, from_end=face == "END")
    space = Space()
    space.thin += [(line.start, line.end) for line in cross]
    items: list[Item] = []
    for _, contour in shown:
        space.add_path(contour.points(6.0), closed=contour.closed)
    for d, x, y, reach in holes:
        if kind_of(d.feature).is_outlined:
            continue  # nobody punches the middle of a window
        arm = reach + 2.0
        items += [Line((x - arm, y), (x + arm, y), "CENTRE"), Line((x, y - arm), (x, y + arm), "CENTRE")]
        space.thin += [((x - arm, y), (x + arm, y)), ((x, y - arm), (x, y + arm))]
    for d, x, y, reach in holes:
        text = _hole_words(model, d) if len(holes) <= MOST_SIZES else d.feature.id
        wide = text_width(text, TEXT)
        near = space.nearby((x, y), reach + 1.5, wide, TEXT, (x, y), pull=2.0, rings=2, leader=False)
        if near is not None:
            items.append(Label(text, (near[0], near[1] - TEXT / 2), TEXT, "centre"))
            continue
        far = space.nearby((x, y), reach + 3.0, wide + 1.0, TEXT, (x, y), pull=1.0, rings=30, clear=True)
        if far is None:
            continue  # too crowded: the sheet has its size
        items.append(Label(text, (far[0], far[1] - TEXT / 2), TEXT, "centre"))
        edge = far[0] - math.copysign(wide / 2 + 0.7, far[0] - x)
        length = math.hypot(edge - x, far[1] - y)
        if length > reach:
            start = (x + (edge - x) * reach / length, y + (far[1] - y) * reach / length)
            items.append(Line(start, (edge, far[1]), "NARROW"))
    return items


def _registers(across: int, down: int, found: list[Tile]) -> list[tuple[str, float, float]]:
    """Return (name, x, y) of the marks that two or more pages share."""
    marks: list[tuple[str, float, float]] = []
    half = OVERLAP / 2
    for tile in found:
        left, bottom, right, top = tile.box
        if tile.column + 1 < across:
            for share in (0.25, 0.75):
                marks.append((f"{len(marks) + 1}", right - half, bottom + share * (top - bottom)))
        if tile.row + 1 < down:
            for share in (0.25, 0.75):
                marks.append((f"{len(marks) + 1}", left + share * (right - left), bottom + half))
    return marks


def _register(name: str, x: float, y: float) -> list[Item]:
    return [
        Line((x - 4, y), (x + 4, y), "NARROW"),
        Line((x, y - 4), (x, y + 4), "NARROW"),
        Label(f"R{name}", (x + 0.8, y + 1.0), 1.8),
    ]


def _check_lines(paper: str) -> list[Item]:
    """Draw a level and an upright line of 100 mm with their ends."""
    wide, _ = _window(paper)
    x, y = EDGE + SIDE + wide - CHECK_MM - 2, EDGE + 6.0
    up_x, up_y = EDGE + 4.0, EDGE + FOOT + 2.0
    text = "check line 100 mm (3.937 in)"
    return [
        Line((x, y), (x + CHECK_MM, y), "NARROW"),
        Line((x, y - 2), (x, y + 2), "NARROW"),
        Line((x + CHECK_MM, y - 2), (x + CHECK_MM, y + 2), "NARROW"),
        Label(text, (x + CHECK_MM / 2, y + 1.0), TEXT, "centre"),
        Line((up_x, up_y), (up_x, up_y + CHECK_MM), "NARROW"),
        Line((up_x - 2, up_y), (up_x + 2, up_y), "NARROW"),
        Line((up_x - 2, up_y + CHECK_MM), (up_x + 2, up_y + CHECK_MM), "NARROW"),
        Label(text, (up_x - 1.0, up_y + CHECK_MM / 2), TEXT, "centre", 90.0),
    ]


def _words(model: Model, face: str, size: float, many: bool) -> list[str]:
    """Return what stands under a template, most important first."""
    slack = format_value(CHECK_SLACK_MM, 1)
    low, high = format_value(CHECK_MM - CHECK_SLACK_MM, 1), format_value(CHECK_MM + CHECK_SLACK_MM, 1)
    off = max(0.01, CHECK_SLACK_MM / CHECK_MM * size)
    if face == "START":
        where = f"Glue on the START face (datum {FACE_DATUM}), print up. X to the right."
    else:
        where = "Glue on the END face (the far side), print up: turned, X to the left."
    if not model.has_depth:
        where = "Glue print up on the side " + ("seen in the slice." if face == "START" else "away from it: turned.")
    lines = [where]
    if model.part.stack.handedness_basis == "assumed":
        lines.append("WARNING, handedness assumed: if the slices run the other way, this is its mirror image.")
    lines.append(
        f"Print at 100 % (no fitting to the page). Both check lines must measure 100 mm within {slack} mm ({low} to "
        f"{high}); if not, print again. Within that, {format_value(size, 0)} mm here may be off by "
        f"{format_value(off, 2)} mm: use it to mark "
        "out; sizes come from the sheet."
    )
    if many:
        lines.append("Cut along the edge of one page and lay equal register marks (R) on each other before gluing.")
    lines.append(
        f"{_line(model).capitalize()}: this face; dashed: further in. Centre marks: punch here. Datum {AXIS_DATUM} is "
        "where the long centre lines cross."
    )
    lines.append("Drills and saws grab: clamp the part, never hold it by hand, wear eye protection.")
    lines.append(SAFETY)
    return lines


def _face_pages(model: Model, paper: str, name: str, face: str, shown: list[tuple[str, Contour]]) -> list[Page]:
    from shapely.geometry import box as area

    around = union([c.bounds() for _, c in shown])
    size = max(around[2] - around[0], around[3] - around[1])
    box = (around[0] - MARGIN, around[1] - MARGIN, around[2] + MARGIN, around[3] + MARGIN)
    across, down = _pages_for(box, paper)
    if across * down > MOST_PAGES:
        return [_not_drawn(name, face, around, (across, down), paper)]
    found = tiles(box, paper)
    marks = _registers(across, down, found)
    cross = [
        Line((around[0] - 4, 0.0), (around[2] + 4, 0.0), "CENTRE"),
        Line((0.0, around[1] - 4), (0.0, around[3] + 4), "CENTRE"),
    ]
    loose: list[Item] = [*cross, *_labels(model, face, shown, cross)]
    pages = []
    for tile in found:
        window = area(*tile.box)
        items: list[Item] = [
            Shape(piece, style) for style, contour in shown for piece in clipped(contour, window)
        ]  # fmt: skip
        for item in loose:
            items += _in_window(item, tile.box)
        for name, x, y in marks:
            if tile.box[0] < x < tile.box[2] and tile.box[1] < y < tile.box[3]:
                items += _register(name, x, y)
        dx, dy = EDGE + SIDE - tile.box[0], EDGE + FOOT - tile.box[1]
        placed = [moved(item, dx, dy) for item in items]
        if len(found) > 1:
            wide, tall = _window(paper)
            x0, y0 = EDGE + SIDE, EDGE + FOOT
            ring = [(x0, y0), (x0 + wide, y0), (x0 + wide, y0 + tall), (x0, y0 + tall)]
            placed += [Line(a, b, "NARROW") for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]
        where = f", page {tile.row + 1}.{tile.column + 1} of {down} × {across}" if len(found) > 1 else ""
        title = f"{name}: TEMPLATE 1:1, {face} face{where}"
        placed.append(Label(title, (EDGE + SIDE, EDGE + FOOT - 5.5), 3.5))
        words, _ = notes_items(
            _words(model, face, size, len(found) > 1), EDGE + SIDE, EDGE + FOOT - 6.5,
            _window(paper)[0] - CHECK_MM - 8.0, 1.8,
        )  # fmt: skip
        pages.append(Page((*placed, *words, *_check_lines(paper))))
    return pages


def _not_drawn(name: str, face: str, around: Box, pages: tuple[int, int], paper: str) -> Page:
    """Return the one page that says why there are no others."""
    wide, tall = around[2] - around[0], around[3] - around[1]
    says = (
        f"No template: this face is {wide:.6g} × {tall:.6g} mm and would take {pages[0]:.6g} × {pages[1]:.6g} pages, "
        f"more than {MOST_PAGES}. Check the voxel size; if it is right, take the outlines from outlines.dxf."
    )
    x, y = EDGE + SIDE, EDGE + FOOT
    words, _ = notes_items([says], x, y + 12.0, _window(paper)[0] - 8.0, TEXT)
    return Page((Label(f"{name}: TEMPLATE 1:1, {face} face", (x, y + 16.0), 3.5), *words))


def _in_window(item: Item, box: Box) -> list[Item]:
    """Return a line cut at the window, a text only where it stands inside whole."""
    if isinstance(item, Label):
        half = text_width(item.text, item.height) / 2
        x, y = item.at
        inside = box[0] < x - half and x + half < box[2] and box[1] < y and y + item.height < box[3]
        return [item] if inside else []
    if isinstance(item, Line):
        from shapely.geometry import LineString
        from shapely.geometry import box as area

        cut: Any = LineString([item.start, item.end]).intersection(area(*box))
        if cut.is_empty or cut.length == 0:
            return []
        first, last = cut.coords[0], cut.coords[-1]
        return [Line((first[0], first[1]), (last[0], last[1]), item.style)]
    return [item]


def _item_name(part: Part, item: PartItem) -> str:
    return f"{part.name}, {item.title} (make {len(item.pieces)})"


def template_sheet(part: Part, *, paper: str | None = None, units: str = "mm", edges: str = TO_MAKE) -> Sheet:
    """Return the templates of both faces of every piece as pages of true size.

    Parameters
    ----------
    part : Part
        The record.
    paper : {"A4", "A3", "Letter"}, optional
        Paper to print on, A4 where none is named; a larger part takes several pages.
    units : {"mm", "in"}
        Units of the sizes beside the holes.
    edges : {"to-make", "as-found"}
        Whether worn edges are drawn sound, or as they were found.

    Raises
    ------
    InputError
        If the paper or the edges are not known.
    """
    paper = paper or "A4"
    size = paper_size(paper)
    pages: list[Page] = []
    for name, alone in [(_item_name(part, item), item.part) for item in items_of(part)] or [(part.name, part)]:
        made = with_lost_windows(alone) if edges == TO_MAKE else alone
        model = build_model(made, units=units, edges=need_edges(edges))
        pages += [page for face, shown in _faces(model) for page in _face_pages(model, paper, name, face, shown)]
    if not pages:
        pages = [Page((Label("Nothing to draw: no feature has a contour.", (EDGE + 10, EDGE + FOOT), 3.5),))]
    return Sheet(f"{part.name}: template 1:1", paper, *size, 1.0, pages, units)


def write_template(
    part: Part, path: str | Path, *, paper: str | None = None, units: str = "mm", edges: str = TO_MAKE
) -> None:
    """Write the 1:1 templates of both faces of every piece as a PDF file.

    Parameters
    ----------
    part : Part
        The record.
    path : path
        The file, `template.pdf` by custom.
    paper : {"A4", "A3", "Letter"}, optional
        Paper to print on, A4 where none is named; a larger part takes several pages.
    units : {"mm", "in"}
        Units of the sizes beside the holes.
    edges : {"to-make", "as-found"}
        Whether worn edges are drawn sound, or as they were found.

    Raises
    ------
    InputError
        If the paper or the edges are not known.
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from ctrecon import read_part, write_template
    >>> part = read_part("drum_hub_out/part.json")
    >>> write_template(part, "template.pdf", paper="A4")
    >>> Path("template.pdf").read_bytes()[:5]
    b'%PDF-'
    """
    need_part(part, "write_template")
    sheet = template_sheet(part, paper=paper, units=units, edges=edges)
    write_whole(path, pdf_bytes(sheet, drawn_pages(sheet)[1]))
