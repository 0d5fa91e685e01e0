"""Diameters on the section along the axis, where a turner looks for them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ctrecon.drawing.model.dimension_text import mark, size_places, taper_words, written
from ctrecon.drawing.model.turned import turned_ids
from ctrecon.drawing.model.views import Drawn, Model
from ctrecon.drawing.paper.items import FIGURE_GAP_MM, Box, Item, Line, Linear
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import Space, union
from ctrecon.drawing.paper.symbols import AXIS_DATUM, datum_box, datum_triangle
from ctrecon.drawing.shown.cut import Cut, spans_at
from ctrecon.drawing.shown.dimension import PAST_MM, TEXT
from ctrecon.record.kinds import is_outside, is_seam, kind_of
from ctrecon.record.part import taper_of

__all__ = ["Turned", "carries_datum", "plan_turned", "section_sizes"]

START, END, INSIDE = "start", "end", "inside"

FIRST = 10.0
COLUMN = 6.5
"""Distance (mm on paper) of the first dimension line from the part, and of the next ones from it."""

BESIDE_FACE = 16.0
"""The first one at the start stands clear of the mark of the start face."""

CLEAR = 0.9
"""A figure stays this far (mm) from lines that run across its dimension line."""

SAME = 1e-3
"""Radii alike to this share are one: a line drawn on along the metal's own edge does not enter it."""


@dataclass(frozen=True)
class Turned:
    """A diameter for the section: whose it is, beyond which end its line stands, at which depth and radius (mm)."""

    drawn: Drawn
    side: str
    z: float
    radius: float


def plan_turned(model: Model, cuts: tuple[Cut, ...]) -> tuple[Turned, ...]:
    """Choose for every turned diameter beyond which end its lines meet no metal, if any."""
    ids = turned_ids(model)
    return tuple(_turned(model, cuts, d) for d in model.drawn if d.feature.id in ids)


def _turned(model: Model, cuts: tuple[Cut, ...], d: Drawn) -> Turned:
    wall = kind_of(d.feature).wall_per_mm(d.feature) * (d.z1 - d.z0) / 2
    size = d.feature.diameter_mm
    middle = 0.0 if size is None else size.value / 2
    for side, z, radius in ((END, d.z1, middle + wall), (START, d.z0, middle - wall)):
        beyond = [
            cut
            for zone, cut in zip(model.zones, cuts, strict=True)
            if ((zone.z0 + zone.z1) / 2 > z if side == END else (zone.z0 + zone.z1) / 2 < z)
        ]
        if not any(_stands_in(cut, radius, outside=is_outside(d.feature)) for cut in beyond):
            return Turned(d, side, z, radius)
    return Turned(d, INSIDE, (d.z0 + d.z1) / 2, middle)


def _stands_in(cut: Cut, radius: float, *, outside: bool) -> bool:
    """Return whether a zone stands in the way of lines along the axis at a radius."""
    if outside:
        return any(
            reach is not None and max(-reach[0], reach[1]) > radius * (1 + SAME)
            for reach in (cut.reach_first, cut.reach_second)
        )
    return any(
        low + SAME * radius < y < high - SAME * radius
        for area in (cut.flat_first, cut.flat_second)
        for low, high in spans_at(area, 0.0)
        for y in (-radius, radius)
    )


def carries_datum(model: Model, planned: Sequence[Turned]) -> bool:
    """Return whether the datum axis is marked on the section, in line with its diameter."""
    return any(model.datum is not None and t.drawn.feature.id == model.datum.id and t.side != INSIDE for t in planned)


def section_sizes(
    model: Model, planned: Sequence[Turned], space: Space, scale: float, box: Box
) -> tuple[list[Item], Box]:
    """Draw the diameters: dimension lines beyond both ends, the smallest nearest; those between steps in their place.

    Parameters
    ----------
    model : Model
        The part in sheet axes.
    planned : sequence of Turned
        From `plan_turned`.
    space : Space
        Texts and lines so far; these are added.
    scale : float
        Paper mm per mm.
    box : Box
        Paper the section takes so far; its part has the datum axis at y = 0.

    Returns
    -------
    list of Item, Box
        Dimensions, and the paper that all takes now.
    """
    ends = model.zones[0].z0 * scale, model.zones[-1].z1 * scale
    items: list[Item] = []
    beyond = [t for t in planned if t.side != INSIDE]
    for one in planned:
        if one.side == INSIDE:
            x = _free_between(one, space, scale, box[3])
            if x is None:  # no room between the steps: beyond the end, its lines through what stands before it
                beyond.append(replace(one, side=END))
                continue
            found, box = _column(model, one, x, [box[3]], space, scale, box)
            items += found
    for side in (START, END):
        here = sorted((t for t in beyond if t.side == side), key=lambda t: (t.radius, t.drawn.feature.id))
        first = FIRST if side == END or model.start is None else BESIDE_FACE
        for k, one in enumerate(here):
            x = ends[1] + first + COLUMN * k if side == END else ends[0] - first - COLUMN * k
            outer = [other.radius * scale for other in here[k + 1 :]]
            found, box = _column(model, one, x, outer, space, scale, box)
            items += found
    return items, box


def _free_between(one: Turned, space: Space, scale: float, top: float) -> float | None:
    """Return where on paper a line between steps meets no text on its way up, None where there is no such place."""
    low, deep = one.drawn.z0 * scale, (one.drawn.z1 - one.drawn.z0) * scale
    reach = one.radius * scale
    for share in (0.5, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9):
        x = low + share * deep
        if not space.is_barred((x, -reach), (x, top + 1.0)):
            return x
    return None


# many: a dimension is its line, its figure, and all that both must keep clear of
def _column(
    model: Model, one: Turned, x: float, outer: Sequence[float], space: Space, scale: float, box: Box
) -> tuple[list[Item], Box]:
    """Draw one upright dimension line with its figure on it, or above it where the diameter is too short on paper."""
    f = one.drawn.feature
    reach = one.radius * scale
    taper = taper_of(f)
    tail = "" if taper is None else f" {taper_words(taper)}"
    tail += (" seam" if is_seam(f) else "") + mark(f)
    assert f.diameter_mm is not None
    decimals = size_places(model, f, "diameter_mm", f.diameter_mm)
    text, shown = written(model.units, f"{f.id} Ø<>{tail}", 2 * one.radius, decimals)
    wide = text_width(shown, TEXT)
    edge = one.z * scale if one.side != INSIDE else x
    ends = (edge, -reach), (edge, reach)
    past = x + PAST_MM if x > edge else x - PAST_MM
    space.thin += [((edge, y), (past, y)) for y in (-reach, reach) if one.side != INSIDE]
    base, left = (x, 0.0), x - FIGURE_GAP_MM - TEXT - 0.4
    items: list[Item] = []
    if wide + 2 <= 2 * reach and one.side != INSIDE and space.is_free((left, -wide / 2, x, wide / 2), 0.3):
        placed: Box = (left, -wide / 2, x, wide / 2)
        items.append(Linear(*ends, base, 90.0, text, decimals))
        top = reach
    else:
        low = max([reach + 3.5, *([max(outer) + 1.5] if one.side == INSIDE else [])])
        while True:
            placed = (left, low, x, low + wide)
            crossed = [y for y in outer if low - CLEAR < y < low + wide + CLEAR and one.side != INSIDE]
            if (not crossed and space.is_free(placed, 0.3)) or low > reach + 150:
                break
            low += 0.5
        top = low + wide
        middle = (x - FIGURE_GAP_MM - TEXT / 2, low + wide / 2)
        items += [
            Linear(*ends, base, 90.0, text, decimals, middle, leader=False, turn_deg=90.0),
            Line((x, reach), (x, top), "NARROW"),
        ]
    space.boxes.append(placed)
    space.thin.append(((x, -reach), (x, top)))
    box = union([box, placed, (x - 1.5, -reach - 1.5, x + 1.5, top)])
    if carries_datum(model, [one]):
        marks, taken = _datum(x, reach, outer, space)
        items += marks
        box = union([box, taken])
    return items, box


def _datum(x: float, reach: float, outer: Sequence[float], space: Space) -> tuple[list[Item], Box]:
    """Mark the datum axis below the dimension it is in line with (ISO 5459)."""
    y = -reach - 7.0
    while any(-y - 3.0 - CLEAR < other < -y + 3.0 + CLEAR for other in outer) or not space.is_free(
        (x - 3.0, y - 3.0, x + 3.0, y + 3.0)
    ):
        y -= 0.5
    marks, taken = datum_box(AXIS_DATUM, (x, y))
    space.boxes.append(taken)
    leader = Line((x, -reach - 2.4), (x, y + 3.0), "NARROW")
    space.thin.append((leader.start, leader.end))
    return [*datum_triangle((x, -reach), 270.0), leader, *marks], taken
