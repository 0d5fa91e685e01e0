"""A part by itself, from sizes typed in the file: outlines, steps and holes with the u that was typed with them."""

from math import pi, sin, sqrt

import numpy as np
from shapely import Polygon, affinity, box
from shapely.ops import unary_union

from ctrecon.core.measured import Measured
from ctrecon.workshop.assembly.model import PlannedSize
from ctrecon.workshop.assembly.own import Level, OwnHole, OwnPart, OwnStep
from ctrecon.workshop.assembly.schema import Table

__all__ = ["circle", "own_from_typed", "region"]

_POINTS = 256
_ZERO = Measured(0.0, 0.0)


def circle(radius: float, x: float = 0.0, y: float = 0.0) -> Polygon:
    """Return a circle as a polygon of equal area (mm).

    Examples
    --------
    >>> round(circle(1.0).area, 6)
    3.141593
    """
    angle = np.arange(_POINTS) * (2 * pi / _POINTS)
    wide = radius * sqrt(2 * pi / _POINTS / sin(2 * pi / _POINTS))
    return Polygon(np.column_stack([x + wide * np.cos(angle), y + wide * np.sin(angle)]))


def _rectangle(long: float, short: float, turn_deg: float = 0.0) -> Polygon:
    return affinity.rotate(box(-long / 2, -short / 2, long / 2, short / 2), turn_deg, origin=(0.0, 0.0))


def region(table: Table) -> tuple[str, tuple[tuple[str, Measured], ...], Polygon, float]:
    """Read one section about its own middle: diameter_mm, flats_mm, size_mm = [long, short] or points_mm.

    Returns
    -------
    (kind, sizes, shape, turn)
        round, square or outline; its sizes by the word for them; the polygon, turned; its turn (degrees).
    """
    ways = ("diameter_mm", "flats_mm", "size_mm", "points_mm")
    given = [one for one in ways if table.has(one)]
    if len(given) != 1:
        why = f"has {' and '.join(given)}" if given else "has no section"
        table.refuse("", f"{why}; give one of {', '.join(ways)}")
    turn = table.number("turn_deg", 0.0, least=-360.0, most=360.0)
    if given[0] == "diameter_mm":
        diameter = table.size("diameter_mm")
        assert diameter is not None
        return "round", (("diameter", diameter),), circle(diameter.value / 2), 0.0
    if given[0] == "flats_mm":
        flats = table.size("flats_mm")
        assert flats is not None
        return "square", (("flats", flats),), _rectangle(flats.value, flats.value, turn), turn % 90.0
    if given[0] == "size_mm":
        long, short = table.sizes("size_mm", 2)
        return "outline", (("long", long), ("short", short)), _rectangle(long.value, short.value, turn), turn
    shape = Polygon(table.points("points_mm", least=3))
    if not shape.is_valid or shape.area <= 0:
        table.refuse("points_mm", "the outline crosses itself or has no area; give its corners once round")
    return "outline", (), affinity.rotate(shape, turn, origin=(0.0, 0.0)), turn


def own_from_typed(table: Table, ident: str, axes: tuple[str, ...]) -> OwnPart:
    """Return a part of typed sizes: one section with thickness_mm, or steps from the lowest up; holes with places.

    Parameters
    ----------
    table : Table
        ``[parts.ID]``.
    ident : str
        Its id.
    axes : tuple of str
        Ids of the shared axes, which holes may name.

    Notes
    -----
    Places of holes count from the part's own middle; a hole that gives no place lies there.
    """
    if table.has("steps"):
        steps = _steps(table, ident)
    else:
        table.need("thickness_mm", 'a size such as 1.5 or "1.5±0.01", or steps, or a record')
        thickness = table.size("thickness_mm")
        assert thickness is not None
        inside = table.table("outline")
        kind, sizes, shape, turn = region(inside)
        inside.close()
        across = tuple(_stated(f"{ident}.{word}", f"{word} of {ident}", size) for word, size in sizes)
        steps = (
            OwnStep(
                id="outline", kind=kind, across=across, x=_ZERO, y=_ZERO, turn_deg=turn, low=Level(0.0, 0.0),
                high=Level(thickness.value, 0.0), shape=shape,
                length=_stated(f"{ident}.thickness", f"thickness of {ident}", thickness), turn_u=0.0,
                edge_deg=turn if len(sizes) > 1 or table.table("outline").has("flats_mm") else None,
            ),
        )  # fmt: skip
    low, high = steps[0].low, steps[-1].high
    holes = tuple(_hole(one, ident, axes, low, high) for one in table.tables("holes"))
    return OwnPart(id=ident, steps=steps, holes=holes)


def _stated(key: str, words: str, size: Measured) -> PlannedSize:
    return PlannedSize(key=key, words=words, size=size, basis="stated")


def _steps(table: Table, ident: str) -> tuple[OwnStep, ...]:
    out: list[OwnStep] = []
    face = Level(0.0, 0.0)
    for one in table.tables("steps"):
        one.need("name", "a name for the step")
        one.need("length_mm", "its length")
        name, length = one.text("name"), one.size("length_mm")
        assert length is not None
        kind, sizes, shape, turn = region(one)
        one.close()
        top = Level(face.z + length.value, 0.0)
        across = tuple(
            _stated(f"{ident}.{name}" + (f".{word}" if len(sizes) > 1 else ""), f"{word} of {name} of {ident}", size)
            for word, size in sizes
        )
        out.append(
            OwnStep(
                id=name,
                kind=kind,
                across=across,
                x=_ZERO,
                y=_ZERO,
                turn_deg=turn,
                low=face,
                high=top,
                shape=shape,
                length=_stated(f"{ident}.{name}.length", f"length of {name} of {ident}", length),
            )
        )
        face = top
    if not out:
        table.refuse("steps", "is empty; give at least one step, from the lowest up")
    return tuple(out)


def _hole(table: Table, ident: str, axes: tuple[str, ...], low: Level, high: Level) -> OwnHole:
    axis = table.one_of("axis", axes, "shared axis")
    name = table.text("name", axis)
    if not name:
        table.refuse("", "has neither axis nor name; give one, so that sizes can be told apart")
    x, y = table.sizes("at_mm", 2, above_zero=False) or (_ZERO, _ZERO)
    kind, sizes, shape, turn = region(table)
    rounded = table.flag("round_ends")
    table.close()
    key, words = f"{ident}.{name}", f"{name} in {ident}"
    if not sizes:
        table.refuse("points_mm", "a hole is round, square or a slot; give diameter_mm, flats_mm or size_mm")
    long = None
    if len(sizes) > 1:
        (_, longer), (_, across) = sizes
        long = _stated(f"{key}.long", f"length of {words}", longer)
        if rounded:
            if longer.value <= across.value:
                table.refuse("size_mm", "a slot is longer than wide; give [length, width]")
            half = (longer.value - across.value) / 2
            ends = [circle(across.value / 2, x) for x in (-half, half)]
            hull = affinity.rotate(unary_union(ends).convex_hull, turn, origin=(0.0, 0.0))
            assert isinstance(hull, Polygon)
            kind, shape = "slot", hull
        size = _stated(key, f"width of {words}", across)
    else:
        size = _stated(key, f"{sizes[0][0]} of {words}", sizes[0][1])
    return OwnHole(
        id=name, kind=kind, across=size, long=long, x=x, y=y, turn_deg=turn, low=low, high=high,
        shape=affinity.translate(shape, x.value, y.value), axis=axis or None,
    )  # fmt: skip
