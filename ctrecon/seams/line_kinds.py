"""What each kind of line a seam may follow knows of itself: its points, freedom, growth, dip, sides and sizes.

A new line is one class here beside its shape; no other module of this floor asks a line for its class.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, ClassVar, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.seams.base import Base
from ctrecon.seams.parallel import Parallel
from ctrecon.shapes import Circle, Rectangle

__all__ = ["LineKind", "SeamShape", "along", "box_points", "grown", "line_kind", "scaled", "turned_points"]

_ALIKE_PX, _ALIKE_SHARE = 0.8, 0.03  # two widths nearer to each other than this are one: noise parts them as far

SeamShape = Circle | Rectangle | Parallel

_Line = TypeVar("_Line", Circle, Rectangle, Parallel)


class LineKind(ABC, Generic[_Line]):
    """One kind of line; lengths in px."""

    outwards: ClassVar[float] = 1.0
    """Which way its sides go where the parameter of its size grows."""

    @abstractmethod
    def points(self, line: _Line) -> Floats:
        """Return points (N, 2) about 1 px apart, each once."""

    @abstractmethod
    def freedom(self, line: _Line) -> tuple[Floats, Floats, Callable[[Floats], SeamShape]]:
        """Return its parameters, a fair first step for each, and the way back from parameters to a line."""

    @abstractmethod
    def slopes(self, line: _Line, points: Floats) -> list[Floats]:
        """Return how points (N, 2) on it move with each of its parameters but the place, an array (N, 2) each."""

    @abstractmethod
    def grown(self, line: _Line, by: float) -> SeamShape:
        """Return it with every side moved outwards."""

    @abstractmethod
    def scaled(self, line: _Line, by: float) -> SeamShape:
        """Return it in the pixels of a picture whose cells are `by` times as narrow."""

    @abstractmethod
    def sizes(self, line: _Line, u: tuple[float, ...], by: float, pitch: float) -> dict[str, Any]:
        """Return the fields of `Feature` that tell kind and sizes, `by` px further out; `pitch` is mm to the px."""

    def charge(self, line: _Line) -> int:
        """Return by how many parameters it is charged where lines are weighed against each other."""
        return 5

    def turned(self, line: _Line, turn_deg: float) -> SeamShape:
        """Return it in another turn, where it has one."""
        return line

    def evened(self, line: _Line) -> SeamShape:
        """Return the plainer line that it is where its two sizes are alike."""
        return line

    def rivals(self, line: _Line) -> tuple[SeamShape, ...]:
        """Return what it may be as well where it is small or faint."""
        return ()

    def of_width(self, line: _Line, width: float) -> SeamShape:
        """Return it with another width, where it is known by one."""
        return line

    def narrowest(self, line: _Line) -> float:
        """Return half of its least width; infinite where only its points tell."""
        return float("inf")

    def u_side(self, u: tuple[float, ...]) -> float:
        """Return the standard uncertainty of where a side is, from those of its parameters."""
        return u[2]

    def spread(self, line: _Line, points: Floats, by: Floats) -> Floats:
        """Return the points with its sides moved outwards by each of `by`: (len(by), N, 2)."""
        out = np.empty((len(by), len(points), 2))
        for i, own in enumerate(along(self.grown(line, float(one))) for one in by):
            pick = np.linspace(0, len(own), len(points), endpoint=False).astype(int)
            out[i] = own[pick] if len(own) else -9.0
        return out

    def quarters(self, line: _Line, points: Floats) -> NDArray[np.int64]:
        """Return the number of the side (0 to 3) each point lies on."""
        x, y = line.centre
        angle = np.degrees(np.arctan2(points[:, 1] - y, points[:, 0] - x))
        return np.asarray(((angle + 45) % 360 // 90).astype(int))

    def dip(self, line: _Line, points: Floats, blur: float, by: Floats, distance: Floats) -> Floats:
        """Return the grey lost at points to a gap of unit thickness; see `outline_fit.dip_of`."""
        return np.asarray(_top(blur) * np.exp(-0.5 * (distance / blur) ** 2))


class _CircleLine(LineKind[Circle]):
    """A circle."""

    def points(self, line: Circle) -> Floats:
        return line.outline(max(12, round(2 * np.pi * line.radius)))[:-1]

    def freedom(self, line: Circle) -> tuple[Floats, Floats, Callable[[Floats], SeamShape]]:
        return np.array([line.x, line.y, line.radius]), np.array([0.7, 0.7, 0.4]), lambda p: Circle(*map(float, p))

    def slopes(self, line: Circle, points: Floats) -> list[Floats]:
        return [(points - [line.x, line.y]) / line.radius]

    def grown(self, line: Circle, by: float) -> SeamShape:
        return replace(line, radius=max(line.radius + by, 0.5))

    def scaled(self, line: Circle, by: float) -> SeamShape:
        return Circle((line.x + 0.5) * by - 0.5, (line.y + 0.5) * by - 0.5, line.radius * by)

    def sizes(self, line: Circle, u: tuple[float, ...], by: float, pitch: float) -> dict[str, Any]:
        size = Measured(2 * (line.radius + by) * pitch, 2 * u[2] * pitch)
        return {"kind": "round_seam", "diameter_mm": size, "arc_deg": 360.0}

    def charge(self, line: Circle) -> int:
        return 3

    def rivals(self, line: Circle) -> tuple[SeamShape, ...]:
        flats = line.radius * np.pi**0.5
        return tuple(Rectangle(line.x, line.y, flats, flats, turn) for turn in (0.0, 30.0, 60.0))

    def of_width(self, line: Circle, width: float) -> SeamShape:
        return replace(line, radius=width / 2)

    def narrowest(self, line: Circle) -> float:
        return line.radius

    def spread(self, line: Circle, points: Floats, by: Floats) -> Floats:
        centre = np.array([line.x, line.y])
        factor = np.maximum(line.radius + by, 0.5) / line.radius
        return np.asarray(centre + (points - centre) * factor[:, None, None])

    def dip(self, line: Circle, points: Floats, blur: float, by: Floats, distance: Floats) -> Floats:
        radius = np.maximum(line.radius + by, 0.5)
        r = np.maximum(radius - distance, 0.25 * radius)
        return np.asarray(_top(blur) * np.exp(-0.5 * (distance / blur) ** 2) * np.sqrt(radius / r))


class _RectangleLine(LineKind[Rectangle]):
    """A square where its two widths are one, a slot where its corners are round, else a rectangle."""

    def points(self, line: Rectangle) -> Floats:
        """Return points that begin at the first flat."""
        if line.corner_radius > 0:
            corners = line.outline(48)
            steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
            at = np.arange(max(12, round(steps[-1]))) * steps[-1] / max(12, round(steps[-1]))
            return np.column_stack([np.interp(at, steps, corners[:, 0]), np.interp(at, steps, corners[:, 1])])
        own = box_points(line.a / 2, line.b / 2)
        return np.asarray(turned_points(own, np.array([line.turn_deg]), line.x, line.y)[0])

    def freedom(self, line: Rectangle) -> tuple[Floats, Floats, Callable[[Floats], SeamShape]]:
        if line.a == line.b:
            return (
                np.array([line.x, line.y, line.a / 2, line.turn_deg]),
                np.array([0.7, 0.7, 0.4, 40.0 / line.a]),
                lambda p: Rectangle(float(p[0]), float(p[1]), 2 * float(p[2]), 2 * float(p[2]), float(p[3])),
            )
        is_slot = line.corner_radius > 0

        def back(p: Floats) -> SeamShape:
            a, b = 2 * float(p[2]), 2 * float(p[3])
            return Rectangle(float(p[0]), float(p[1]), a, b, float(p[4]), min(a, b) / 2 if is_slot else 0.0)

        start = np.array([line.x, line.y, line.a / 2, line.b / 2, line.turn_deg])
        return start, np.array([0.7, 0.7, 0.7, 0.7, 60.0 / line.a]), back

    def slopes(self, line: Rectangle, points: Floats) -> list[Floats]:
        u, v = line.own_axes(points)
        middle = points - [line.x, line.y]
        t = np.radians(line.turn_deg)
        first, second = np.array([np.cos(t), np.sin(t)]), np.array([-np.sin(t), np.cos(t)])
        sizes = [along_u[:, None] * first + along_v[:, None] * second for along_u, along_v in _widening(line, u, v)]
        if line.a == line.b:
            sizes = [sizes[0] + sizes[1]]
        return [*sizes, np.column_stack([-middle[:, 1], middle[:, 0]]) * np.pi / 180]

    def grown(self, line: Rectangle, by: float) -> SeamShape:
        a, b = max(line.a + 2 * by, 1.0), max(line.b + 2 * by, 1.0)
        return replace(line, a=a, b=b, corner_radius=min(a, b) / 2 if line.corner_radius > 0 else 0.0)

    def scaled(self, line: Rectangle, by: float) -> SeamShape:
        x, y = (line.x + 0.5) * by - 0.5, (line.y + 0.5) * by - 0.5
        return Rectangle(x, y, line.a * by, line.b * by, line.turn_deg, line.corner_radius * by)

    def sizes(self, line: Rectangle, u: tuple[float, ...], by: float, pitch: float) -> dict[str, Any]:
        """Return the flats of a square; of others both pairs, where the outline was fitted."""
        if line.a == line.b:
            size = Measured((line.a + 2 * by) * pitch, 2 * u[2] * pitch)
            return {"kind": "square_seam", "flats_mm": size, "turn_deg": Measured(line.turn_deg % 90, u[3])}
        pair = [(line.a, u[2]), (line.b, u[3])]
        turn = line.turn_deg + (90 if line.b > line.a else 0)
        long, short = (Measured(flats * pitch, 2 * u * pitch) for flats, u in sorted(pair, reverse=True))
        return {"kind": "free_seam", "flats_pair_mm": (long, short), "turn_deg": Measured(turn % 180, u[4])}

    def charge(self, line: Rectangle) -> int:
        return 4 if line.a == line.b else 5

    def turned(self, line: Rectangle, turn_deg: float) -> SeamShape:
        return replace(line, turn_deg=turn_deg)

    def evened(self, line: Rectangle) -> SeamShape:
        """Return the square, or the circle of a slot."""
        if abs(line.a - line.b) >= max(_ALIKE_PX, _ALIKE_SHARE * line.a):
            return line
        size = (line.a + line.b) / 2
        return Circle(line.x, line.y, size / 2) if line.corner_radius > 0 else replace(line, a=size, b=size)

    def rivals(self, line: Rectangle) -> tuple[SeamShape, ...]:
        """Return the circle of a square's area."""
        return (Circle(line.x, line.y, line.a / np.pi**0.5),) if line.a == line.b else ()

    def of_width(self, line: Rectangle, width: float) -> SeamShape:
        return replace(line, a=width, b=width)

    def narrowest(self, line: Rectangle) -> float:
        return line.half_width

    def u_side(self, u: tuple[float, ...]) -> float:
        return float(np.hypot(u[2], u[3])) / 2**0.5

    def spread(self, line: Rectangle, points: Floats, by: Floats) -> Floats:
        if line.corner_radius:
            return super().spread(line, points, by)
        u, v = line.own_axes(points)
        u = u * (np.maximum(line.a + 2 * by, 1.0) / line.a)[:, None]
        v = v * (np.maximum(line.b + 2 * by, 1.0) / line.b)[:, None]
        c, s = np.cos(np.radians(line.turn_deg)), np.sin(np.radians(line.turn_deg))
        return np.stack([line.x + u * c - v * s, line.y + u * s + v * c], axis=-1)

    def quarters(self, line: Rectangle, points: Floats) -> NDArray[np.int64]:
        u, v = line.own_axes(points)
        u, v = u / line.a, v / line.b
        return np.where(np.abs(u) >= np.abs(v), np.where(u > 0, 0, 2), np.where(v > 0, 1, 3))

    def dip(self, line: Rectangle, points: Floats, blur: float, by: Floats, distance: Floats) -> Floats:
        if line.corner_radius:
            return super().dip(line, points, blur, by, distance)
        u, v = line.own_axes(points)
        a, b = line.a / 2 + by, line.b / 2 + by
        out = np.zeros(len(u))
        for across, beside, half, long in ((u, v, a, b), (v, u, b, a)):
            spread = ndtr((beside + long) / blur) - ndtr((beside - long) / blur)
            near = np.exp(-0.5 * ((across - half) / blur) ** 2) + np.exp(-0.5 * ((across + half) / blur) ** 2)
            out += _top(blur) * near * spread
        return out


class _ParallelLine(LineKind[Parallel]):
    """A parallel of a known outline."""

    outwards = -1.0

    def points(self, line: Parallel) -> Floats:
        return line.points()

    def freedom(self, line: Parallel) -> tuple[Floats, Floats, Callable[[Floats], SeamShape]]:
        start = np.array([line.x, line.y, line.offset])
        return start, np.array([0.7, 0.7, 0.4]), lambda p: Parallel(line.base, float(p[2]), float(p[0]), float(p[1]))

    def slopes(self, line: Parallel, points: Floats) -> list[Floats]:
        return [line.base.inwards(points - [line.x, line.y])]

    def grown(self, line: Parallel, by: float) -> SeamShape:
        return replace(line, offset=line.offset - by)

    def scaled(self, line: Parallel, by: float) -> SeamShape:
        return Parallel(Base((line.base.points + 0.5) * by - 0.5), line.offset * by, line.x * by, line.y * by)

    def sizes(self, line: Parallel, u: tuple[float, ...], by: float, pitch: float) -> dict[str, Any]:
        """Return no size: the outline tells."""
        return {"kind": "free_seam"}


_LINE_KINDS: Mapping[type, LineKind[Any]] = {
    Circle: _CircleLine(), Rectangle: _RectangleLine(), Parallel: _ParallelLine(),
}  # fmt: skip


def line_kind(line: SeamShape) -> LineKind[Any]:
    """Return what a line's kind knows.

    Examples
    --------
    >>> line_kind(Circle(0.0, 0.0, 3.0)).charge(Circle(0.0, 0.0, 3.0))
    3
    """
    return _LINE_KINDS[type(line)]


def along(line: SeamShape) -> Floats:
    """Return points (N, 2) about 1 px apart along a line, each once; the first lies at the first flat or at +x."""
    return line_kind(line).points(line)


def grown(line: SeamShape, by: float) -> SeamShape:
    """Return the line with every side moved outwards by some px."""
    return line_kind(line).grown(line, by)


def scaled(line: SeamShape, by: float) -> SeamShape:
    """Return a line in the pixels of a picture whose cells are `by` times as narrow."""
    return line if by == 1 else line_kind(line).scaled(line, by)


def box_points(a: float, b: float) -> Floats:
    """Return points (N, 2) 1 px apart round a box of half widths a, b, from the lower end of its first flat on."""
    na, nb = max(2, round(2 * a)), max(2, round(2 * b))
    u, v = (np.arange(na) + 0.5) / na * 2 * a - a, (np.arange(nb) + 0.5) / nb * 2 * b - b
    return np.concatenate([
        np.column_stack([np.full(nb, a), v]), np.column_stack([-u, np.full(na, b)]),
        np.column_stack([np.full(nb, -a), -v]), np.column_stack([u, np.full(na, -b)]),
    ])  # fmt: skip


def turned_points(own: Floats, turns_deg: Floats, x: float, y: float) -> Floats:
    """Return points (N, 2) about the origin in several turns about (x, y): (turns, N, 2)."""
    c, s = np.cos(np.radians(turns_deg))[:, None], np.sin(np.radians(turns_deg))[:, None]
    return np.stack([x + own[:, 0] * c - own[:, 1] * s, y + own[:, 0] * s + own[:, 1] * c], axis=2)


def _top(blur: float) -> float:
    """Return the height of a Gaussian of unit area."""
    return float(1 / (blur * (2 * np.pi) ** 0.5))


def _widening(line: Rectangle, u: Floats, v: Floats) -> list[tuple[Floats, Floats]]:
    """Return how points on a rectangle or slot move along its own axes with half of either width."""
    nothing = np.zeros_like(u)
    if not line.corner_radius:
        return [(2 * u / line.a, nothing), (nothing, 2 * v / line.b)]
    # round ends move with the length, and grow with the width
    long, wide = (u, v) if line.a >= line.b else (v, u)
    straight = abs(line.a - line.b) / 2
    end = np.clip(long / max(straight, 1e-9), -1.0, 1.0)
    grow = ((long - end * straight) / line.corner_radius - end, wide / line.corner_radius)
    return [(end, nothing), grow] if line.a >= line.b else [grow[::-1], (nothing, end)]
