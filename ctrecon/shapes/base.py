"""What every shape can do."""

from collections.abc import Callable
from typing import Protocol, Self, runtime_checkable

import numpy as np

from ctrecon.core.frames import Floats

__all__ = ["ArcShape", "FittedShape", "PlainShape", "Shape", "Vertex", "inwards"]

Vertex = tuple[float, float, float]
"""x, y, and the bulge of the stretch that follows: tan(sweep / 4), positive from +x towards +y; 0 is straight."""


class Shape(Protocol):
    """A closed shape in the plane."""

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y)."""

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the outline, positive inside."""

    def outline(self, count: int = 180) -> Floats:
        """Return about `count` points (N, 2) along the outline, closed (last = first)."""

    @property
    def half_width(self) -> float:
        """Distance from the centre to the nearest wall."""

    @property
    def wall_share(self) -> float:
        """How far a wall moves when the shape's size, as its fit counts it (radius or width), grows by one."""

    @property
    def family(self) -> str:
        """The word its kinds begin with."""

    def blur_pull(self, blur: float) -> float:
        """Return by how much blur (sigma) draws the half-height edge inwards."""

    def widths(self) -> tuple[float, ...]:
        """Return its sizes, the smallest first: two of one shape and place are alike where these are."""

    def moved(self, dx: float, dy: float) -> Self:
        """Return it elsewhere."""


def inwards(shape: Shape, points: Floats, step: float = 0.05) -> Floats:
    """Return how the signed distance grows at (N, 2) points, (N, 2): about a unit vector square to the nearest wall.

    Examples
    --------
    >>> from ctrecon.shapes import Circle
    >>> inwards(Circle(0.0, 0.0, 2.0), np.array([[1.5, 0.0], [0.0, -3.0]])).round(6).tolist()
    [[-1.0, 0.0], [0.0, 1.0]]
    """
    ways = ([step, 0.0], [0.0, step])
    apart = [shape.signed_distance(points + way) - shape.signed_distance(points - np.array(way)) for way in ways]
    return np.column_stack(apart) / (2 * step)


class ArcShape(Shape, Protocol):
    """A shape whose outline is made of lines and arcs of circles."""

    def vertices(self) -> tuple[Vertex, ...]:
        """Return the exact outline as lines and arcs, once round; its direction is from +x towards +y."""

    @property
    def round_of(self) -> tuple[float, float, float] | None:
        """Centre and radius where the whole shape is one circle, else None."""


@runtime_checkable
class FittedShape(ArcShape, Protocol):
    """A shape with parameters of its own, which grey values or points can settle."""

    def values(self) -> Floats:
        """Return its parameters: the centre first."""

    def with_values(self, values: Floats) -> Self:
        """Return the shape with these parameters; none shrinks to nothing."""

    def widened(self, by: float) -> Self:
        """Return the shape wider by this on every width."""

    def fitted(self, value: Callable[[str], float], grown: float = 0.0) -> Self:
        """Return the shape by the parameters of a grey-value fit (turns in radians), its size `grown` since."""


class PlainShape:
    """What holds for most shapes: a size is a width, no part of the outline is one whole circle, walls are straight."""

    @property
    def wall_share(self) -> float:
        """0.5: growth is told of its widths."""
        return 0.5

    @property
    def round_of(self) -> tuple[float, float, float] | None:
        """None: it is not a circle."""
        return None

    def blur_pull(self, blur: float) -> float:
        """Return 0: blur leaves the half height of a straight edge where it is."""
        return 0.0
