"""The ellipse."""

from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.shapes.base import PlainShape

__all__ = ["Ellipse"]


@dataclass(frozen=True)
class Ellipse(PlainShape):
    """Axis a in the direction `turn_deg` (from +x towards +y), axis b square to it; both whole lengths."""

    x: float
    y: float
    a: float
    b: float
    turn_deg: float

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y)."""
        return self.x, self.y

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the outline, positive inside; exact to first order near it.

        Examples
        --------
        >>> Ellipse(0.0, 0.0, 4.0, 2.0, 0.0).signed_distance(np.array([[2.0, 0.0], [0.0, 1.5]])).round(3).tolist()
        [0.0, -0.5]
        """
        t = np.radians(self.turn_deg)
        dx, dy = points[:, 0] - self.x, points[:, 1] - self.y
        u, v = dx * np.cos(t) + dy * np.sin(t), -dx * np.sin(t) + dy * np.cos(t)
        p, q = self.a / 2, self.b / 2
        level = np.hypot(u / p, v / q)
        steep = np.hypot(u / p**2, v / q**2) / np.maximum(level, 1e-9)
        return np.where(level < 1e-6, min(p, q), (1 - level) / np.maximum(steep, 1e-9))

    def outline(self, count: int = 180) -> Floats:
        """Return points along the outline, closed."""
        angle, t = np.linspace(0, 2 * np.pi, count), np.radians(self.turn_deg)
        u, v = self.a / 2 * np.cos(angle), self.b / 2 * np.sin(angle)
        return np.column_stack([self.x + u * np.cos(t) - v * np.sin(t), self.y + u * np.sin(t) + v * np.cos(t)])

    def moved(self, dx: float, dy: float) -> "Ellipse":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)

    @property
    def half_width(self) -> float:
        """Half of its shorter axis."""
        return min(self.a, self.b) / 2

    def widths(self) -> tuple[float, ...]:
        """Return the shorter and the longer axis."""
        return min(self.a, self.b), max(self.a, self.b)

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "free"
