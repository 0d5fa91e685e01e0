"""Closed lines a seam may follow: circles, squares, rectangles, slots, and parallels of a known outline."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.seams.base import Base
from ctrecon.shapes import Circle, Rectangle

__all__ = ["Line", "Parallel", "SeamShape", "along", "circles", "parallels", "squares"]

LEAST_RADIUS_PX = 2.5
_SIDEWAYS_PX = 0.9  # the end of a flat is off by this much at most between two turns tried
_SIZE_STEP_PX = 0.5
_SQUARE_STEP_PX = 1.0


@dataclass(frozen=True, eq=False)
class Parallel:
    """The line at a distance inside a known outline, moved by (x, y); px."""

    base: Base
    offset: float
    x: float = 0.0
    y: float = 0.0

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the outline's area (x, y)."""
        return self.base.centre[0] + self.x, self.base.centre[1] + self.y

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the line, positive inside.

        Examples
        --------
        >>> box = Base(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]]))
        >>> Parallel(box, 2.0).signed_distance(np.array([[5.0, 5.0], [5.0, 1.0]])).tolist()
        [3.0, -1.0]
        """
        return np.asarray(self.base.distance(points - [self.x, self.y]) - self.offset)

    def points(self) -> Floats:
        """Return points (N, 2) about 1 px apart along the line, each once; none where nothing is left inside."""
        return self.base.ring(self.offset)[0] + [self.x, self.y]

    def outline(self, count: int = 180) -> Floats:
        """Return points along the line, closed; none where nothing is left inside."""
        points = self.points()
        if not len(points):
            return points
        closed = np.concatenate([points, points[:1]])
        at = np.linspace(0, len(points), count + 1)  # they lie evenly along the line
        return np.column_stack([np.interp(at, np.arange(len(closed)), closed[:, i]) for i in (0, 1)])

    @property
    def length(self) -> float:
        """Length of the line, px."""
        return self.base.ring(self.offset)[1]

    @property
    def half_width(self) -> float:
        """Distance from the middle to the line."""
        return float(self.signed_distance(np.array([self.centre]))[0])

    @property
    def wall_share(self) -> float:
        """1: growth is told of its offset."""
        return 1.0

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "free"

    def blur_pull(self, blur: float) -> float:
        """Return 0: a seam is no edge."""
        return 0.0

    def widths(self) -> tuple[float, ...]:
        """Return the distance from its middle."""
        return (self.half_width,)

    def moved(self, dx: float, dy: float) -> "Parallel":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)


SeamShape = Circle | Rectangle | Parallel


@dataclass(frozen=True, eq=False)
class Line:
    """One size tried in several turns: points about 1 px apart, (turns, points, 2) as x, y; the shape of the first."""

    points: Floats
    first: SeamShape
    turns: Floats

    def shape(self, turn: int) -> SeamShape:
        """Return the shape of one of the turns."""
        if isinstance(self.first, Rectangle):
            return replace(self.first, turn_deg=float(self.turns[turn]))
        return self.first


def along(shape: SeamShape) -> Floats:
    """Return points (N, 2) about 1 px apart along a shape, each once; the first lies at the first flat or at +x."""
    if isinstance(shape, Circle):
        return shape.outline(max(12, round(2 * np.pi * shape.radius)))[:-1]
    if isinstance(shape, Parallel):
        return shape.points()
    if shape.corner_radius > 0:
        corners = shape.outline(48)
        steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
        at = np.arange(max(12, round(steps[-1]))) * steps[-1] / max(12, round(steps[-1]))
        return np.column_stack([np.interp(at, steps, corners[:, 0]), np.interp(at, steps, corners[:, 1])])
    return np.asarray(_turned(_box(shape.a / 2, shape.b / 2), np.array([shape.turn_deg]), shape.x, shape.y)[0])


def circles(x: float, y: float, reach: float, *, step: float = _SIZE_STEP_PX) -> Iterator[Line]:
    """Yield circles about a point, by size."""
    for r in np.arange(LEAST_RADIUS_PX, reach, step):
        shape = Circle(x, y, float(r))
        yield Line(along(shape)[None], shape, np.zeros(1))


def squares(x: float, y: float, reach: float, *, least: float = 0.0, step: float = _SQUARE_STEP_PX) -> Iterator[Line]:
    """Yield squares about a point, from the half width `least` on, in as many turns as their size asks for."""
    for h in (float(v) for v in np.arange(max(LEAST_RADIUS_PX + 0.5, least), reach / 2**0.5, step)):
        turns = _turns(h)
        yield Line(_turned(_box(h, h), turns, x, y), Rectangle(x, y, 2 * h, 2 * h, 0.0), turns)


def parallels(base: Base, *, step: float = _SIZE_STEP_PX) -> Iterator[Line]:
    """Yield the lines parallel to an outline, inwards, until nothing is left."""
    for offset in np.arange(3.0, 400.0, step):
        shape = Parallel(base, float(offset))
        if shape.length < 2 * np.pi * LEAST_RADIUS_PX:
            return
        yield Line(along(shape)[None], shape, np.zeros(1))


def _turns(half: float) -> Floats:
    count = int(np.clip(np.ceil(90 / np.degrees(2 * _SIDEWAYS_PX / half)), 6, 60))
    return np.arange(count) * 90.0 / count


def _box(a: float, b: float) -> Floats:
    """Points 1 px apart round a rectangle of half widths a, b, beginning at the lower end of its first flat."""
    na, nb = max(2, round(2 * a)), max(2, round(2 * b))
    u, v = (np.arange(na) + 0.5) / na * 2 * a - a, (np.arange(nb) + 0.5) / nb * 2 * b - b
    return np.concatenate([
        np.column_stack([np.full(nb, a), v]), np.column_stack([-u, np.full(na, b)]),
        np.column_stack([np.full(nb, -a), -v]), np.column_stack([u, np.full(na, -b)]),
    ])  # fmt: skip


def _turned(own: Floats, turns_deg: Floats, x: float, y: float) -> Floats:
    c, s = np.cos(np.radians(turns_deg))[:, None], np.sin(np.radians(turns_deg))[:, None]
    return np.stack([x + own[:, 0] * c - own[:, 1] * s, y + own[:, 0] * s + own[:, 1] * c], axis=2)
