"""The circle."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.shapes.base import PlainShape, Vertex

__all__ = ["Circle"]


@dataclass(frozen=True)
class Circle(PlainShape):
    """A circle by centre and radius."""

    x: float
    y: float
    radius: float

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y)."""
        return self.x, self.y

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the circle, positive inside.

        Examples
        --------
        >>> Circle(0.0, 0.0, 2.0).signed_distance(np.array([[0.5, 0.0], [0.0, 3.0]])).tolist()
        [1.5, -1.0]
        """
        return np.asarray(self.radius - np.hypot(points[:, 0] - self.x, points[:, 1] - self.y))

    def outline(self, count: int = 180) -> Floats:
        """Return points along the circle, closed."""
        angle = np.linspace(0, 2 * np.pi, count + 1)
        return np.column_stack([self.x + self.radius * np.cos(angle), self.y + self.radius * np.sin(angle)])

    def vertices(self) -> tuple[Vertex, ...]:
        """Return the circle as two half arcs."""
        return (self.x + self.radius, self.y, 1.0), (self.x - self.radius, self.y, 1.0)

    @property
    def round_of(self) -> tuple[float, float, float]:
        """Centre and radius."""
        return self.x, self.y, self.radius

    @property
    def half_width(self) -> float:
        """Its radius."""
        return self.radius

    @property
    def wall_share(self) -> float:
        """1: growth is told of its radius."""
        return 1.0

    def widths(self) -> tuple[float, ...]:
        """Return its radius."""
        return (self.radius,)

    def moved(self, dx: float, dy: float) -> "Circle":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)

    def values(self) -> Floats:
        """Return centre and radius."""
        return np.array([self.x, self.y, self.radius])

    def with_values(self, values: Floats) -> "Circle":
        """Return the circle with these values; none shrinks to nothing."""
        return Circle(float(values[0]), float(values[1]), max(float(values[2]), 0.5))

    def fitted(self, value: Callable[[str], float], grown: float = 0.0) -> "Circle":
        """Return the circle of a fit."""
        return Circle(value("x"), value("y"), value("radius") + grown)

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "round"

    def widened(self, by: float) -> "Circle":
        """Return it wider by this on every width."""
        return replace(self, radius=self.radius + by / 2)

    def blur_pull(self, blur: float) -> float:
        """Return by how much blur draws the edge towards the centre: σ²/2R."""
        return blur**2 / (2 * self.radius)
