"""The circle with one flat: the bore that sits on an arbor with a flat."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.shapes.base import PlainShape, Vertex

__all__ = ["DShape"]


@dataclass(frozen=True)
class DShape(PlainShape):
    """A circle cut off by one flat; `across` is from the flat to the far rim, `turn_deg` the flat's outward normal."""

    x: float
    y: float
    radius: float
    across: float
    turn_deg: float

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y) of the circle."""
        return self.x, self.y

    @property
    def flat(self) -> float:
        """Distance from the centre to the flat, against its normal where that is negative."""
        return self.across - self.radius

    @property
    def half_flat(self) -> float:
        """Half of the flat's length."""
        return math.sqrt(max(self.radius**2 - self.flat**2, 0.0))

    @property
    def half_width(self) -> float:
        """Half of the width across the flat."""
        return self.across / 2

    def widths(self) -> tuple[float, ...]:
        """Return width across the flat and diameter."""
        return self.across, 2 * self.radius

    def moved(self, dx: float, dy: float) -> "DShape":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)

    def own_axes(self, points: Floats) -> tuple[Floats, Floats]:
        """Return the coordinates of (N, 2) points along the flat's normal, and along the flat."""
        t = np.radians(self.turn_deg)
        dx, dy = points[:, 0] - self.x, points[:, 1] - self.y
        return dx * np.cos(t) + dy * np.sin(t), -dx * np.sin(t) + dy * np.cos(t)

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the outline, positive inside.

        Examples
        --------
        >>> DShape(0.0, 0.0, 5.0, 8.0, 0.0).signed_distance(np.array([[0.0, 0.0], [6.0, 0.0], [-6.0, 0.0]])).tolist()
        [3.0, -3.0, -1.0]
        """
        u, v = self.own_axes(points)
        rho = np.hypot(u, v)
        to_flat = np.where(np.abs(v) <= self.half_flat, np.abs(self.flat - u), np.inf)
        on_arc = u * self.radius <= self.flat * np.maximum(rho, 1e-12)
        to_arc = np.where(on_arc, np.abs(self.radius - rho), np.inf)
        to_corner = np.hypot(u - self.flat, np.abs(v) - self.half_flat)
        near = np.minimum(np.minimum(to_flat, to_arc), to_corner)
        return np.asarray(np.where((rho < self.radius) & (u < self.flat), near, -near))

    def outline(self, count: int = 180) -> Floats:
        """Return points along arc and flat, closed."""
        half = math.acos(max(-1.0, min(1.0, self.flat / self.radius)))
        angle = np.radians(self.turn_deg) + np.linspace(half, 2 * np.pi - half, count)
        arc = np.column_stack([self.x + self.radius * np.cos(angle), self.y + self.radius * np.sin(angle)])
        along = np.linspace(0.0, 1.0, max(3, count // 4))[1:, None]
        return np.concatenate([arc, arc[-1] + (arc[0] - arc[-1]) * along])

    def vertices(self) -> tuple[Vertex, ...]:
        """Return the arc in two halves, and the flat."""
        half = math.acos(max(-1.0, min(1.0, self.flat / self.radius)))
        bulge = math.tan((math.pi - half) / 4)
        angles = [math.radians(self.turn_deg) + at for at in (half, math.pi, 2 * math.pi - half)]
        spots = [(self.x + self.radius * math.cos(a), self.y + self.radius * math.sin(a)) for a in angles]
        return (*spots[0], bulge), (*spots[1], bulge), (*spots[2], 0.0)

    def values(self) -> Floats:
        """Return centre, radius, width across the flat and turn."""
        return np.array([self.x, self.y, self.radius, self.across, self.turn_deg])

    def with_values(self, values: Floats) -> "DShape":
        """Return the shape with these values; none shrinks to nothing, and a flat is left."""
        x, y, radius, across, turn = (float(one) for one in values)
        radius = max(radius, 0.5)
        return DShape(x, y, radius, min(max(across, 0.1 * radius), 1.99 * radius), turn)

    def fitted(self, value: Callable[[str], float], grown: float = 0.0) -> "DShape":
        """Return the shape of a fit."""
        radius, across = value("radius") + grown / 2, value("b") + grown
        return DShape(value("x"), value("y"), radius, across, math.degrees(value("turn")))

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "d"

    def widened(self, by: float) -> "DShape":
        """Return it wider by this on every width."""
        return replace(self, radius=self.radius + by / 2, across=self.across + by)
