"""A set-up as it lies on the drilling table: plates, holes that are there, holes to drill, pins, datum."""

import math
from collections.abc import Iterator, Mapping, Sequence

from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from ctrecon.core.measured import format_value
from ctrecon.drawing.layout import SCALES
from ctrecon.drawing.paper.contours import Contour, circle, polyline
from ctrecon.drawing.paper.items import Hatch, Item, Label, Line, Shape, moved
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.paper.placing import Space
from ctrecon.drawing.plan.flow import Strip, picture
from ctrecon.drawing.shown.blocks import scale_text
from ctrecon.workshop.assembly.model import PlannedPart
from ctrecon.workshop.plan.model import Registration, ReliefArc, SetUp

__all__ = ["piece_picture", "registration_picture", "set_up_picture"]

ROUND = 0.01
"""A ring is drawn as a circle where its points lie that evenly about the middle, as a share of the radius."""

SAME_MIDDLE_MM = 0.5
"""Obstacles about the same middle share one name in the picture."""

SMALL = 2.2
Bounds = tuple[float, float, float, float]


def rings_of(shape: BaseGeometry) -> Iterator[list[tuple[float, float]]]:
    """Go through the closed outlines of a polygon or of several."""
    for one in getattr(shape, "geoms", [shape]):
        if isinstance(one, Polygon) and not one.is_empty:
            yield [(x, y) for x, y in one.exterior.coords[:-1]]
            for inner in one.interiors:
                yield [(x, y) for x, y in inner.coords[:-1]]


def contour_of_ring(points: Sequence[tuple[float, float]]) -> Contour:
    """Return a ring as a contour: a circle where it is one, drawn finely."""
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    low, high = min(y for _, y in points), max(y for _, y in points)
    x, y, radius = (left + right) / 2, (low + high) / 2, (right - left + high - low) / 4
    if len(points) >= 16 and all(abs(math.hypot(a - x, b - y) - radius) < ROUND * radius for a, b in points):
        return circle(x, y, radius)
    return polyline([*points])


def fitting_scale(wide: float, tall: float, room_wide: float, room_tall: float) -> float:
    """Return the largest scale of ISO 5455 at which a box fits."""
    most = min(room_wide / max(wide, 1e-9), room_tall / max(tall, 1e-9))
    return next((one for one in SCALES if one <= most), most)


class _Drawing:
    """Items about the datum at a scale, and where words may still go."""

    def __init__(self, bounds: Bounds, wide: float, tall: float) -> None:
        self.bounds = bounds
        self.scale = fitting_scale(bounds[2] - bounds[0], bounds[3] - bounds[1], wide - 30.0, tall - 20.0)
        self.items: list[Item] = []
        self.space = Space()

    def outline(self, shape: BaseGeometry, style: str) -> None:
        for ring in rings_of(shape):
            placed = contour_of_ring(ring).placed(self.scale, 0.0, 0.0)
            self.items.append(Shape(placed, style))
            self.space.add_path(placed.points(6.0))

    def cross(self, x: float, y: float, arm: float) -> None:
        x, y = x * self.scale, y * self.scale
        for a, b in (((x - arm, y), (x + arm, y)), ((x, y - arm), (x, y + arm))):
            self.items.append(Line(a, b, "CENTRE"))
            self.space.thin.append((a, b))

    def beside(self, words: Sequence[tuple[str, float, float]]) -> None:
        """Set words in a column on each side of the picture, each with a line to its place."""
        left, low, right, top = (one * self.scale for one in self.bounds)
        placed = sorted(((y * self.scale, x * self.scale, text) for text, x, y in words), reverse=True)
        step = 2.0 * SMALL
        for side in (-1, 1):
            mine = [one for one in placed if (one[1] > (left + right) / 2) == (side > 0)]
            column = right + 8.0 if side > 0 else left - 8.0
            free = top + 2.0
            for k, (y, x, text) in enumerate(mine):
                # leave room below for those that follow
                at = max(min(free, y), low - 2.0 + step * (len(mine) - 1 - k))
                at = min(at, free)
                free = at - step
                self.items.append(Line((x, y), (column - side * 4.0, at), "NARROW"))
                self.items.append(Line((column - side * 4.0, at), (column - side * 1.0, at), "NARROW"))
                self.items.append(Label(text, (column, at - SMALL / 2), SMALL, "left" if side > 0 else "right"))
                wide = text_width(text, SMALL)
                near, far = (column, column + wide) if side > 0 else (column - wide, column)
                self.space.boxes.append((near, at - SMALL, far, at + SMALL))

    def word(self, text: str, x: float, y: float, reach: float) -> None:
        """Set a word beside a place."""
        x, y = x * self.scale, y * self.scale
        wide = text_width(text, SMALL)
        reach = reach * self.scale + 1.2
        at = self.space.nearby((x, y), reach, wide, SMALL, (x, y), pull=1.5, rings=3, leader=False)
        if at is None:
            at = self.space.nearby((x, y), reach + 2.0, wide + 1.0, SMALL, (x, y), pull=1.0, rings=40, clear=True)
            if at is None:
                return
            edge = at[0] - math.copysign(wide / 2 + 0.6, at[0] - x)
            far = math.hypot(edge - x, at[1] - y)
            if far > reach:
                start = (x + (edge - x) * reach / far, y + (at[1] - y) * reach / far)
                self.items.append(Line(start, (edge, at[1]), "NARROW"))
        self.items.append(Label(text, (at[0], at[1] - SMALL / 2), SMALL, "centre"))

    def dot(self, x: float, y: float, radius: float) -> None:
        ring = circle(x, y, radius).placed(self.scale, 0.0, 0.0)
        self.items.append(Hatch(tuple(ring.points(15.0)), solid=True))

    def as_strip(self, caption: str) -> Strip:
        left, low, right, top = (one * self.scale for one in self.bounds)
        boxes = [*self.space.boxes, (left, low, right, top)]
        left, right = min(b[0] for b in boxes), max(b[2] for b in boxes)
        low, top = min(b[1] for b in boxes), max(b[3] for b in boxes)
        lead = 2.0
        placed = [moved(one, lead - left, -top - 2.0) for one in self.items]
        deep = top - low + 4.0
        placed.append(Label(f"{caption}, {scale_text(self.scale)}", (lead, -deep - 2.6), SMALL))
        return picture(placed, deep + 5.0)


def _around(shapes: Sequence[BaseGeometry]) -> Bounds:
    every = [one.bounds for one in shapes if not one.is_empty] or [(-1.0, -1.0, 1.0, 1.0)]
    left, low = min(b[0] for b in every), min(b[1] for b in every)
    return left, low, max(b[2] for b in every), max(b[3] for b in every)


def set_up_picture(set_up: SetUp, names: Mapping[str, str], wide: float, tall: float) -> Strip:
    """Draw a set-up as seen from above the drilling table.

    Holes to drill are black, those that are there are open, register pins are hatched; D is the datum, X and Y count
    from it.

    Parameters
    ----------
    set_up : SetUp
        What is drawn.
    names : mapping of str to str
        What axes and pins are called.
    wide, tall : float
        Room on the paper (mm).
    """
    drawing = _Drawing(_around([shape for _, shape in set_up.outlines]), wide, tall)
    for k, (_, shape) in enumerate(set_up.outlines):
        drawing.outline(shape, "WIDE" if k == 0 else "HIDDEN")
    for _, shape in set_up.there:
        drawing.outline(shape, "NARROW")
    drawing.cross(0.0, 0.0, 5.0)
    drawing.items += [
        Line((0.0, 0.0), (9.0, 0.0), "NARROW"),
        Line((0.0, 0.0), (0.0, 9.0), "NARROW"),
        Label("X", (9.0, -3.4), SMALL, "centre"),
        Label("Y", (-2.4, 8.0), SMALL, "centre"),
    ]
    drawing.space.boxes += [(-1.0, -4.0, 11.0, 1.0), (-4.0, -1.0, 1.5, 11.0)]
    least = 0.6 / drawing.scale
    for hole in set_up.holes:
        drawing.cross(hole.x.value, hole.y.value, hole.drill_mm / 2 * drawing.scale + 2.0)
        drawing.dot(hole.x.value, hole.y.value, max(hole.drill_mm / 2, least))
    for _, x, y in set_up.pins:
        reach = 1.5 / drawing.scale
        for turn in (45, 135):
            dx, dy = reach * math.cos(math.radians(turn)), reach * math.sin(math.radians(turn))
            a = ((x - dx) * drawing.scale, (y - dy) * drawing.scale)
            b = ((x + dx) * drawing.scale, (y + dy) * drawing.scale)
            drawing.items.append(Line(a, b, "WIDE"))
    drawing.word("D", 0.0, 0.0, 0.5)
    for hole in set_up.holes:
        drawing.word(names.get(hole.id, hole.id), hole.x.value, hole.y.value, max(hole.drill_mm / 2, least))
    for name, x, y in set_up.pins:
        drawing.word(name, x, y, 1.5 / drawing.scale)
    for name, shape in set_up.there:
        drawing.word(names.get(name, name), shape.centroid.x, shape.centroid.y, math.sqrt(shape.area / math.pi))
    side = "top faces up" if set_up.face_up == "top" else "undersides up: X is mirrored"
    return drawing.as_strip(f"{set_up.id}, {side}")


def _clusters(obstacles: Sequence[tuple[str, BaseGeometry]]) -> list[tuple[str, float, float]]:
    """Return (name, x, y): what lies about one middle is named once, by the shortest of its names."""
    out: list[tuple[list[str], float, float]] = []
    for name, shape in obstacles:
        x, y = shape.centroid.x, shape.centroid.y
        for names, a, b in out:
            if math.hypot(x - a, y - b) < SAME_MIDDLE_MM:
                names.append(name)
                break
        else:
            out.append(([name], x, y))
    return [(min(names, key=len), x, y) for names, x, y in out]


def registration_picture(
    registration: Registration, outlines: Sequence[BaseGeometry], wide: float, tall: float
) -> Strip:
    """Draw where pins may go and where they go: the free area in narrow lines, what limits it dashed.

    Parameters
    ----------
    registration : Registration
        Of one pair of plates.
    outlines : sequence of geometry
        Outlines of both plates (mm), assembly frame.
    wide, tall : float
        Room on the paper (mm).
    """
    drawing = _Drawing(_around(outlines), wide, tall)
    for shape in outlines:
        drawing.outline(shape, "WIDE")
    for _, shape in registration.obstacles:
        drawing.outline(shape, "HIDDEN")
    for one in getattr(registration.region, "geoms", [registration.region]):
        if isinstance(one, Polygon) and not one.is_empty:
            scaled = [
                [(x * drawing.scale, y * drawing.scale) for x, y in ring.coords[:-1]]
                for ring in (one.exterior, *one.interiors)
            ]
            drawing.items.append(Hatch(tuple(scaled[0]), tuple(tuple(ring) for ring in scaled[1:])))
    least = 0.6 / drawing.scale
    for pin in registration.pins:
        drawing.cross(pin.x, pin.y, pin.entry_mm / 2 * drawing.scale + 2.0)
        drawing.dot(pin.x, pin.y, max(pin.entry_mm / 2, least))
    for pin in registration.pins:
        drawing.word(pin.id, pin.x, pin.y, max(pin.entry_mm / 2, least))
    drawing.beside(_clusters(registration.obstacles))
    return drawing.as_strip("hatched: where the centre of a pin may lie; dashed: what keeps it out")


def piece_picture(
    part: PlannedPart, reliefs: Sequence[ReliefArc], names: Mapping[str, str], wide: float, tall: float
) -> Strip:
    """Draw a piece as seen from the top of the stack: outline, steps, holes by name, arcs of relief with their centre.

    Parameters
    ----------
    part : PlannedPart
        The piece, in the assembly frame.
    reliefs : sequence of ReliefArc
        Arcs to cut.
    names : mapping of str to str
        What holes and parts are called.
    wide, tall : float
        Room on the paper (mm).
    """
    drawing = _Drawing(_around([part.outline]), wide - 60.0, tall)
    drawing.outline(part.outline, "WIDE")
    for step in part.steps:
        if abs(step.shape.area - part.outline.area) > 0.01 * part.outline.area:
            drawing.outline(step.shape, "NARROW")
    words = []
    for hole in part.holes:
        drawing.outline(hole.shape, "WIDE")
        x, y = hole.place.xy
        drawing.cross(x, y, math.sqrt(hole.shape.area) / 2 * drawing.scale + 2.0)
        words.append((names.get(hole.axis or hole.id, hole.id), x, y))
    for arc in reliefs:
        cut = Point(arc.x, arc.y).buffer(arc.radius_mm, 128).exterior.intersection(part.outline)
        for one in getattr(cut, "geoms", [cut]):
            if isinstance(one, LineString) and not one.is_empty:
                line = polyline([(x, y) for x, y in one.coords])
                open_line = Contour(line.vertices, closed=False).placed(drawing.scale, 0.0, 0.0)
                drawing.items.append(Shape(open_line, "WIDE"))
        at = (
            cut.interpolate(0.5, normalized=True)
            if isinstance(cut, LineString) and not cut.is_empty
            else Point(arc.x, arc.y)
        )
        words.append(
            (f"relief R{format_value(arc.radius_mm, 2)} about {names.get(arc.for_part, arc.for_part)}", at.x, at.y)
        )
    drawing.beside(words)
    return drawing.as_strip("seen from the top of the stack")
