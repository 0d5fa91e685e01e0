"""What every shape can do."""

from typing import Protocol

from ctrecon.core.frames import Floats

__all__ = ["ArcShape", "Shape", "Vertex"]

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


class ArcShape(Shape, Protocol):
    """A shape whose outline is made of lines and arcs of circles."""

    def vertices(self) -> tuple[Vertex, ...]:
        """Return the exact outline as lines and arcs, once round; its direction is from +x towards +y."""

    @property
    def round_of(self) -> tuple[float, float, float] | None:
        """Centre and radius where the whole shape is one circle, else None."""
