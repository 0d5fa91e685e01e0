"""Details of the section: steps and collars too short on paper at the sheet's scale."""

from dataclasses import dataclass
from typing import Any

from ctrecon.drawing.model.dimension_text import pair_difference, view_places, written
from ctrecon.drawing.model.turned import SECTION_LETTERS
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.drawing.paper.items import FIGURE_GAP_MM, Block, Hatch, Item, Line, Linear
from ctrecon.drawing.paper.lettering import box_of, text_width
from ctrecon.drawing.paper.placing import union
from ctrecon.drawing.paper.symbols import detail_circle
from ctrecon.drawing.shown.blocks import scale_text, title_labels
from ctrecon.drawing.shown.cut import Cut
from ctrecon.drawing.shown.detail import LEAST_ON_PAPER_MM, WANTED_MM
from ctrecon.drawing.shown.dimension import TEXT
from ctrecon.drawing.shown.section import section_shapes
from ctrecon.record.kinds import is_outside
from ctrecon.record.sensitivity import edge_u_of

__all__ = ["SectionDetail", "plan_short", "short_block"]

MOST = 2
ROOM = 1.1
"""Radius shown, in parts of the step's length."""


@dataclass(frozen=True)
class SectionDetail:
    """A short step of the section drawn larger: letter, feature, its middle (depth, Y) and radius in mm, scale."""

    letter: str
    drawn: Drawn
    centre: tuple[float, float]
    radius: float
    scale: float


def plan_short(
    model: Model, cuts: tuple[Cut, ...], scale: float, scales: tuple[float, ...], used: int
) -> tuple[SectionDetail, ...]:
    """Choose the steps that need a detail at this scale, the shortest first; a part of one step needs none."""
    if len(model.zones) < 2:
        return ()
    steps = [d for d in model.drawn if is_outside(d.feature) and not d.open_start and not d.open_end]
    short = sorted((d for d in steps if 0 < (d.z1 - d.z0) * scale < LEAST_ON_PAPER_MM), key=lambda d: d.z1 - d.z0)
    found: list[SectionDetail] = []
    for d in short[:MOST]:
        middle = (d.z0 + d.z1) / 2
        tops = [
            cut.flat_first.bounds[3]
            for zone, cut in zip(model.zones, cuts, strict=True)
            if zone.z0 <= middle <= zone.z1 and not cut.flat_first.is_empty
        ]
        larger = [s for s in reversed(scales) if s > scale and s * (d.z1 - d.z0) >= WANTED_MM]
        if not tops or not larger or used + len(found) >= len(SECTION_LETTERS):
            continue
        letter = SECTION_LETTERS[used + len(found)]
        found.append(SectionDetail(letter, d, (middle, tops[0]), ROOM * (d.z1 - d.z0), larger[0]))
    return tuple(found)


def _within(items: list[Item], window: Any, centre: tuple[float, float], scale: float) -> list[Item]:
    """Return lines and hatches of the section (at a scale of 1) cut at a window about the centre, on paper."""
    from shapely.geometry import LineString, Polygon

    def place(x: float, y: float) -> tuple[float, float]:
        return (x - centre[0]) * scale, (y - centre[1]) * scale

    found: list[Item] = []
    for item in items:
        if isinstance(item, Line) and item.start != item.end:
            cut: Any = LineString([item.start, item.end]).intersection(window)
            if not cut.is_empty and cut.length > 0:
                ends = [place(x, y) for x, y in cut.coords]
                found.append(Line(ends[0], ends[-1], item.style))
        elif isinstance(item, Hatch):
            area: Any = Polygon(item.outer).buffer(0).intersection(window)
            for part in getattr(area, "geoms", [area]):
                if part.geom_type == "Polygon" and part.area > 0:
                    ring = tuple(place(x, y) for x, y in part.exterior.coords[:-1])
                    found.append(Hatch(ring, (), item.angle_deg))
    return found


def short_block(model: Model, cuts: tuple[Cut, ...], detail: SectionDetail, sheet_scale: float) -> Block:
    """Draw one short step larger, with its length in brackets: the depths stand in the section."""
    from shapely.geometry import Point

    shapes, _ = section_shapes(model, cuts, 1.0)
    window = Point(*detail.centre).buffer(detail.radius, quad_segs=32)
    ring = detail.radius * detail.scale
    items: list[Item] = [*_within(shapes, window, detail.centre, detail.scale), detail_circle((0.0, 0.0), ring)]
    f = detail.drawn.feature
    length = detail.drawn.z1 - detail.drawn.z0
    edge_u = edge_u_of(model.part, f, "length_mm")
    places = view_places(model, pair_difference(model.part, f.depth_from_mm, f.depth_to_mm, length, "along", edge_u))
    text, shown = written(model.units, f"{f.id} (<>)", length, places)
    half, y = length * detail.scale / 2, ring + 5.0
    wide = text_width(shown, TEXT)
    beside = wide + 2 > 2 * half
    place = (half + 3.5 + wide / 2, y + TEXT / 2 + FIGURE_GAP_MM) if beside else None
    factor = detail.scale / sheet_scale
    items.append(
        Linear((-half, 0.0), (half, 0.0), (0.0, y), 0.0, text, places, place, factor, leader=False)
    )
    right = ring + 1.0
    if beside:
        right = max(right, half + 4.0 + wide)
        items.append(Line((half, y), (half + 4.0 + wide, y)))
    needed = (-ring - 1, -ring - 1, right, y + TEXT + 2)
    lines = [f"DETAIL {detail.letter} ({scale_text(detail.scale)})", f"{f.id} of section A–A; depths there"]
    labels = title_labels(lines, (needed[0] + needed[2]) / 2, needed[1] - 2.0, max(needed[2] - needed[0], 60.0))
    return Block((*items, *labels), union([needed, *(box_of(one) for one in labels)]))
