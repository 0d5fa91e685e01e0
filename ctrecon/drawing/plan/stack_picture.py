"""The stack cut along one line: which part lies on which, and how the gaps come about."""

from collections.abc import Iterator
from itertools import pairwise

from shapely import LineString
from shapely.geometry.base import BaseGeometry

from ctrecon.drawing.paper.items import Hatch, Item, Label, Line
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.plan.flow import Strip, picture
from ctrecon.drawing.plan.setup_picture import fitting_scale
from ctrecon.drawing.shown.blocks import scale_text
from ctrecon.workshop.assembly.model import Assembly, PlannedPart

__all__ = ["stack_picture"]

SMALL = 2.2
Rectangle = tuple[float, float, float, float]


def _sections(part: PlannedPart) -> Iterator[tuple[BaseGeometry, float, float]]:
    """Go through (metal in plan, lower end, upper end): each step with the holes that pass its depth taken out."""
    cuts = {part.from_z, part.to_z}
    cuts |= {z for one in part.steps for z in (one.from_z, one.to_z)}
    cuts |= {z for one in part.holes for z in (one.from_z, one.to_z)}
    levels = sorted(z for z in cuts if part.from_z <= z <= part.to_z)
    for low, high in pairwise(levels):
        if high - low < 1e-6:
            continue
        middle = (low + high) / 2
        metal: BaseGeometry = next((one.shape for one in part.steps if one.from_z <= middle <= one.to_z), part.outline)
        for hole in part.holes:
            if hole.from_z - 1e-6 <= middle <= hole.to_z + 1e-6:
                metal = metal.difference(hole.shape)
        yield metal, low, high


def _cut(metal: BaseGeometry, line: LineString) -> Iterator[tuple[float, float]]:
    found = metal.intersection(line)
    for one in getattr(found, "geoms", [found]):
        if isinstance(one, LineString) and one.length > 1e-6:
            xs = [x for x, _ in one.coords]
            yield min(xs), max(xs)


def stack_picture(assembly: Assembly, wide: float, tall: float) -> Strip:
    """Draw the stack cut along the line of its axes, each part hatched its own way, its name beside it.

    Parameters
    ----------
    assembly : Assembly
        What is drawn.
    wide, tall : float
        Room on the paper (mm).
    """
    y = assembly.axes[0].place.xy[1] if assembly.axes else assembly.parts[0].outline.centroid.y
    bounds = [one.outline.bounds for one in assembly.parts]
    left, right = min(b[0] for b in bounds), max(b[2] for b in bounds)
    low, high = min(one.from_z for one in assembly.parts), max(one.to_z for one in assembly.parts)
    names = max(text_width(one.name, SMALL) for one in assembly.parts) + 24.0
    scale = fitting_scale(right - left, high - low, wide - names, tall - 8.0)
    line = LineString([(left - 1, y), (right + 1, y)])
    items: list[Item] = []
    marks: list[tuple[float, float, str]] = []

    def at(x: float, z: float) -> tuple[float, float]:
        return (x - left) * scale + 2.0, (z - high) * scale - 2.0

    for k, part in enumerate(assembly.parts):
        ends = []
        for metal, z0, z1 in _sections(part):
            for x0, x1 in _cut(metal, line):
                ring = (at(x0, z0), at(x1, z0), at(x1, z1), at(x0, z1))
                items.append(Hatch(ring, angle_deg=(45.0, 135.0, 30.0, 120.0, 60.0)[k % 5]))
                items += [Line(a, b, "WIDE") for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]
                ends.append((x1, (z0 + z1) / 2))
        if ends:
            x1, z = max(ends)
            marks.append((*at(x1, z), part.name))
        else:  # the line misses it
            box = part.outline.bounds
            x0, z0, x1, z1 = box[0], part.from_z, box[2], part.to_z
            ring = (at(x0, z0), at(x1, z0), at(x1, z1), at(x0, z1))
            items += [Line(a, b, "HIDDEN") for a, b in zip(ring, ring[1:] + ring[:1], strict=True)]
            marks.append((*at(x1, (z0 + z1) / 2), part.name))
    column = (right - left) * scale + 12.0
    deep = (high - low) * scale + 4.0
    floor = 0.0
    for x, z, name in sorted(marks, key=lambda one: -one[1]):
        down = min(z, floor - SMALL * 1.5)
        floor = down
        items += [Line((x, z), (column - 6.0, z), "NARROW"), Line((column - 6.0, z), (column - 1.0, down), "NARROW")]
        items.append(Label(name, (column, down - SMALL / 2), SMALL))
    deep = max(deep, -floor + 3.0)
    items.append(Label(f"The stack cut through {_axis_name(assembly)}, {scale_text(scale)}", (2.0, -deep - 2.6), SMALL))
    return picture(items, deep + 6.0)


def _axis_name(assembly: Assembly) -> str:
    return f"the {assembly.axes[0].name}" if assembly.axes else "its middle"
