"""Where register pins may go: the common area of plates that lie on each other, less what keeps pins away.

Each obstacle says how far the wall of a pin keeps from it, so a pin's centre keeps that and the pin's radius. Whatever
takes room away is named, with how much it takes and how much would be free without it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import hypot, isfinite, pi, sin, sqrt

import shapely
from shapely.geometry import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value
from ctrecon.workshop.pins.limits import COARSE_SEGS, Limits, Points

__all__ = ["MARGINS", "PIN_APART_DIAMETERS", "FreeArea", "Margin", "Obstacle", "Taken", "free_area"]

PIN_APART_DIAMETERS = 3.0
"""Centres of pins of different pairs of plates lie at least so many diameters apart (from memory, a default only)."""


@dataclass(frozen=True)
class Margin:
    """Metal or room left between a pin's wall and an obstacle: so many pin diameters and so many mm more."""

    diameters: float
    mm: float

    def of(self, pin_mm: float) -> float:
        """Return it in mm for a pin of this diameter."""
        return self.diameters * pin_mm + self.mm


MARGINS: dict[str, Margin] = {
    "edge": Margin(1.0, 0.0),
    "hole": Margin(1.0, 0.0),
    "bearing": Margin(1.0, 0.0),
    "seam": Margin(0.0, 1.0),
    "pillar": Margin(0.0, 0.5),
    "ring": Margin(0.0, 0.5),
    "wheel": Margin(0.0, 0.5),
    "keep-out": Margin(0.0, 0.0),
    "pin": Margin(PIN_APART_DIAMETERS - 1.0, 0.0),
}
"""What keeps pins away, with the margin where none is given. Edge: centre to edge 1.5 diameters (from memory, a
default only); the same metal is left beside holes and bearings. Mm figures: common practice, no source."""

_WORDS = {"edge": "the edges of", "wheel": "sweep of", "seam": "seam"}
_AREA_SEGS = 256


@dataclass(frozen=True)
class Obstacle:
    """Something that keeps pins away.

    Parameters
    ----------
    name : str
        What the plan calls it: ``centre pillar``.
    kind : str
        Key of `MARGINS`.
    shape : shapely Polygon or MultiPolygon, optional
        Its area (mm, assembly frame).
    disc : (x, y, radius), optional
        The same where it is round, then exact.
    margin_mm : float, optional
        Distance from the pin's wall to it; that of its kind when not given.
    """

    name: str
    kind: str
    shape: BaseGeometry | None = None
    disc: tuple[float, float, float] | None = None
    margin_mm: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in MARGINS:
            kinds = ", ".join(MARGINS)
            raise InputError(f"{self.name}: there is no kind of obstacle {self.kind!r}; choose from {kinds}")
        if (self.shape is None) == (self.disc is None):
            raise InputError(f"{self.name}: give its area or its disc, one of the two")
        if self.disc is not None and not (all(map(isfinite, self.disc)) and self.disc[2] >= 0):
            raise InputError(f"{self.name}: its disc is {self.disc}; give x, y and a radius that is not negative")
        if self.margin_mm is not None and not (isfinite(self.margin_mm) and self.margin_mm >= 0):
            raise InputError(f"{self.name}: its margin is {self.margin_mm} mm; give 0 or more")

    def grown(self, by_mm: float, segs: int) -> BaseGeometry:
        """Return its area grown by a distance, arcs sampled from inside."""
        if self.disc is not None:
            x, y, radius = self.disc
            # drawn finely, the polygon gets the disc's area; coarsely it stays inside it, so that no room is lost
            step = pi / 2 / segs
            swell = sqrt(step / sin(step)) if segs >= _AREA_SEGS else 1.0
            return Point(x, y).buffer((radius + by_mm) * swell, quad_segs=segs)
        shape = Polygon() if self.shape is None else self.shape
        return shape.buffer(by_mm, quad_segs=segs) if by_mm else shape


@dataclass(frozen=True)
class Taken:
    """What one obstacle takes of the common area.

    Parameters
    ----------
    name, kind : str
        The obstacle.
    need_mm : float
        How far a pin's centre keeps from it.
    area_mm2 : float
        What it takes by itself, margin and all.
    alone_mm2 : float
        What would be free in addition if it were not there.
    """

    name: str
    kind: str
    need_mm: float
    area_mm2: float
    alone_mm2: float

    @property
    def called(self) -> str:
        """Its name in a sentence."""
        word = _WORDS.get(self.kind, "")
        return f"{word} {self.name}" if word and word not in self.name else self.name


def _polygons(shape: BaseGeometry) -> MultiPolygon:
    """Return the areas of a shape, without the lines and points an intersection may leave."""
    parts = [one for one in shapely.get_parts(shape, return_index=False) if isinstance(one, Polygon) and one.area > 0]
    if isinstance(shape, shapely.GeometryCollection) and not isinstance(shape, MultiPolygon):
        parts = [each for one in shapely.get_parts(shape) for each in _polygons(one).geoms]
    return MultiPolygon(parts)


@dataclass(frozen=True)
class FreeArea:
    """Where the centres of register pins of two plates may lie.

    Parameters
    ----------
    plates : tuple of str
        Names of the plates.
    outlines : tuple of Polygon
        Their outlines.
    obstacles : tuple of Obstacle
        What keeps pins away.
    pin_mm : float
        Pin diameter (mm) at its thick end.
    edge_mm : float
        Metal left between a pin's wall and the edges.
    extra_mm : float
        Distance kept from everything in addition.
    """

    plates: tuple[str, ...]
    outlines: tuple[Polygon, ...]
    obstacles: tuple[Obstacle, ...]
    pin_mm: float
    edge_mm: float
    extra_mm: float = 0.0

    @cached_property
    def needs_mm(self) -> tuple[float, ...]:
        """How far a pin's centre keeps from each: the edges of each plate, then the obstacles."""
        radius = self.pin_mm / 2 + self.extra_mm
        every = [radius + self.edge_mm for _ in self.outlines]
        for one in self.obstacles:
            every.append(radius + (MARGINS[one.kind].of(self.pin_mm) if one.margin_mm is None else one.margin_mm))
        return tuple(max(0.0, one) for one in every)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """What limits, in words, in the order of `needs_mm`."""
        return (*(f"edge of {one}" for one in self.plates), *(one.name for one in self.obstacles))

    @cached_property
    def common(self) -> MultiPolygon:
        """Common area of the outlines."""
        shape: BaseGeometry = self.outlines[0]
        for one in self.outlines[1:]:
            shape = shape.intersection(one)
        return _polygons(shape)

    @cached_property
    def limits(self) -> Limits:
        """The same limits, exact."""
        count = len(self.outlines)
        rest = list(enumerate(zip(self.obstacles, self.needs_mm[count:], strict=True), start=count))
        inside = [(shape, need, i) for i, (shape, need) in enumerate(zip(self.outlines, self.needs_mm, strict=False))]
        outside = [(one.shape, need, i) for i, (one, need) in rest if one.shape is not None and not one.shape.is_empty]
        discs = [(*one.disc[:2], one.disc[2] + need, i) for i, (one, need) in rest if one.disc is not None]
        return Limits(inside, outside, discs)

    def _shrunk(self, segs: int) -> list[BaseGeometry]:
        return [
            outline.buffer(-need, quad_segs=segs) if need else outline
            for outline, need in zip(self.outlines, self.needs_mm, strict=False)
        ]

    def _grown(self, segs: int) -> list[BaseGeometry]:
        needs = self.needs_mm[len(self.outlines) :]
        return [one.grown(need, segs) for one, need in zip(self.obstacles, needs, strict=True)]

    def _region(self, segs: int) -> MultiPolygon:
        shape: BaseGeometry = self.common
        for one in self._shrunk(segs):
            shape = shape.intersection(one)
        return _polygons(shape.difference(shapely.union_all(self._grown(segs))))

    @cached_property
    def region(self) -> MultiPolygon:
        """The free area with its arcs sampled, to be drawn: 256 chords a quarter turn."""
        return self._region(_AREA_SEGS)

    @property
    def area_mm2(self) -> float:
        """The free area (mm²)."""
        return float(self.region.area)

    @cached_property
    def coarse(self) -> MultiPolygon:
        """The free area with 16 chords a quarter turn, quick to search."""
        return self._region(COARSE_SEGS)

    @cached_property
    def corners(self) -> Points:
        """The exact corners of the free area (n, 2)."""
        return self.limits.corners(self.coarse)

    @cached_property
    def taken(self) -> tuple[Taken, ...]:
        """What each obstacle takes, the one that costs most first."""
        segs = 4 * COARSE_SEGS
        common = self.common
        count = len(self.outlines)
        # outlines that run along each other take the same strip, so their edges count as one
        cuts = [shapely.union_all([common.difference(one) for one in self._shrunk(segs)])]
        cuts += [common.intersection(one) for one in self._grown(segs)]
        before: list[BaseGeometry] = [Polygon()]
        for one in cuts[:-1]:
            before.append(before[-1].union(one))
        after: list[BaseGeometry] = [Polygon()]
        for one in cuts[:0:-1]:
            after.append(after[-1].union(one))
        kinds = ["edge", *(one.kind for one in self.obstacles)]
        names = [" and ".join(self.plates), *self.names[count:]]
        needs = [max(self.needs_mm[:count]), *self.needs_mm[count:]]
        rows = [
            Taken(name, kind, need, float(cut.area), float(cut.difference(low.union(high)).area))
            for name, kind, need, cut, low, high in zip(
                names, kinds, needs, cuts, before, reversed(after), strict=True
            )
        ]
        return tuple(sorted(rows, key=lambda row: (-round(row.alone_mm2, 6), -round(row.area_mm2, 6))))

    @property
    def limiting(self) -> Taken | None:
        """The obstacle without which most room would be added."""
        return self.taken[0] if self.taken and self.taken[0].area_mm2 > 0 else None

    @property
    def empty(self) -> bool:
        """Whether no place at all is left."""
        return bool(self.coarse.is_empty) or not len(self.corners)

    @property
    def reason(self) -> str:
        """The area in one sentence."""
        where = " and ".join(self.plates)
        size = f"pins of {format_value(self.pin_mm, 2)} mm"
        whole = f"the {format_value(float(self.common.area), 0)} mm² that {where} have in common"
        if self.common.is_empty:
            return f"{where} have no area in common"
        some = [row for row in self.taken if row.area_mm2 > 0][:3]
        cost = ", ".join(f"{row.called} {format_value(row.area_mm2, 0)} mm²" for row in some)
        if self.empty:
            return f"{size} have no place in {whole}; most is taken by {cost}"
        free = f"{format_value(self.area_mm2, 0)} mm² of {whole}"
        return f"{size} may have their centres in {free}; most is taken by {cost}"

    def with_extra(self, extra_mm: float) -> "FreeArea":
        """Return the area with so many mm more kept from everything; less where negative."""
        return replace(self, extra_mm=self.extra_mm + extra_mm)

    def with_pins(self, pins: Sequence[tuple[float, float, float]], *, name: str = "pin") -> "FreeArea":
        """Return the area with pins (x, y, diameter) that are there already kept off, as obstacles.

        Parameters
        ----------
        pins : sequence of (x, y, diameter)
            Pins of other pairs of plates (mm).
        name : str
            What to call them; they are counted from 1.
        """
        more = [Obstacle(f"{name} {i}", "pin", disc=(x, y, d / 2)) for i, (x, y, d) in enumerate(pins, start=1)]
        return replace(self, obstacles=(*self.obstacles, *more))

    def without(self, name: str) -> "FreeArea":
        """Return the area without the obstacle of that name."""
        return replace(self, obstacles=tuple(one for one in self.obstacles if one.name != name))

    def clearance_of(self, x: float, y: float) -> tuple[float, str]:
        """Return by how much (mm) a place clears the limit it is nearest to, and its name; negative inside it."""
        value, owner = self.limits.clearance([(x, y)])  # type: ignore[arg-type]
        return float(value[0]), self.names[int(owner[0])]

    def spread_mm(self) -> float:
        """Return the width (mm) of the common area across its bounds, for steps of a search."""
        low_x, low_y, high_x, high_y = self.common.bounds
        return hypot(high_x - low_x, high_y - low_y)


def free_area(
    outlines: Mapping[str, Polygon],
    obstacles: Sequence[Obstacle] = (),
    *,
    pin_mm: float,
    edge_mm: float | None = None,
) -> FreeArea:
    """Return where register pins of plates that lie on each other may go.

    Parameters
    ----------
    outlines : mapping of str to shapely Polygon
        Outlines (mm, assembly frame) of the plates by name; holes in them count as edges.
    obstacles : sequence of Obstacle
        Holes, pillars, bearings, rings, sweeps of wheels, seams, keep-outs, other pins.
    pin_mm : float
        Pin diameter at its thick end.
    edge_mm : float, optional
        Metal between a pin's wall and the edges; one diameter when not given.

    Raises
    ------
    InputError
        If an outline is no valid area or a size no positive number.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> area = free_area({"top": box(0, 0, 20, 20), "base": box(0, 0, 20, 20)}, pin_mm=2, edge_mm=1)
    >>> area.area_mm2
    256.0
    """
    if not outlines:
        raise InputError("a free area needs the outlines of the plates; give at least one")
    for name, outline in outlines.items():
        if not isinstance(outline, Polygon) or outline.is_empty or not outline.is_valid:
            raise InputError(f"{name}: its outline is no simple closed area; mend the outline")
    for one in obstacles:
        if one.shape is not None and not one.shape.is_valid:
            raise InputError(f"{one.name}: its area crosses itself; mend its outline")
    if not (isfinite(pin_mm) and pin_mm > 0):
        raise InputError(f"the pin's diameter is {pin_mm} mm; give a number above 0")
    if edge_mm is not None and not (isfinite(edge_mm) and edge_mm >= 0):
        raise InputError(f"the edge margin is {edge_mm} mm; give 0 or more")
    edge = MARGINS["edge"].of(pin_mm) if edge_mm is None else float(edge_mm)
    return FreeArea(tuple(outlines), tuple(outlines.values()), tuple(obstacles), float(pin_mm), edge)
