"""The rectangle with rounded corners: the square and the slot are its special cases."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.shapes.base import PlainShape, Vertex

__all__ = ["Rectangle"]


@dataclass(frozen=True)
class Rectangle(PlainShape):
    """Width a across the flats whose normal points at `turn_deg`, width b square to it.

    `turn_deg` runs from +x towards +y. With corner radius b/2 it is a slot.
    """

    x: float
    y: float
    a: float
    b: float
    turn_deg: float
    corner_radius: float = 0.0

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y)."""
        return self.x, self.y

    def own_axes(self, points: Floats) -> tuple[Floats, Floats]:
        """Return the coordinates of (N, 2) points along the two normals of the flats."""
        t = np.radians(self.turn_deg)
        dx, dy = points[:, 0] - self.x, points[:, 1] - self.y
        return dx * np.cos(t) + dy * np.sin(t), -dx * np.sin(t) + dy * np.cos(t)

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the outline, positive inside.

        Examples
        --------
        >>> Rectangle(0.0, 0.0, 4.0, 2.0, 90.0).signed_distance(np.array([[0.0, 0.0], [0.0, 5.0]])).tolist()
        [1.0, -3.0]
        """
        u, v = self.own_axes(points)
        r = self.corner_radius
        qu, qv = np.abs(u) - (self.a / 2 - r), np.abs(v) - (self.b / 2 - r)
        outside = np.hypot(np.maximum(qu, 0), np.maximum(qv, 0))
        return np.asarray(r - outside - np.minimum(np.maximum(qu, qv), 0))

    def outline(self, count: int = 180) -> Floats:
        """Return points along the outline with its round corners, closed."""
        per = max(2, count // 4)
        r = self.corner_radius
        angle = np.linspace(0, np.pi / 2, per)
        quarter = np.column_stack([np.cos(angle), np.sin(angle)]) * r if r > 0 else np.zeros((1, 2))
        corner = []
        for k, (su, sv) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
            c, s = (1, 0, -1, 0)[k], (0, 1, 0, -1)[k]
            turned = quarter @ np.array([[c, s], [-s, c]])
            corner.append(turned + [su * (self.a / 2 - r), sv * (self.b / 2 - r)])
        own = np.concatenate([*corner, corner[0][:1]])
        t = np.radians(self.turn_deg)
        return np.asarray(own @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) + [self.x, self.y])

    def vertices(self) -> tuple[Vertex, ...]:
        """Return the flats and the round corners; a slot's ends are half circles."""
        p, q, r = self.a / 2, self.b / 2, self.corner_radius
        if r >= q and p >= q:
            p -= q
            local = [(p, -q, 1.0), (p, q, 0.0), (-p, q, 1.0), (-p, -q, 0.0)]
        elif r <= 0:
            local = [(p, -q, 0.0), (p, q, 0.0), (-p, q, 0.0), (-p, -q, 0.0)]
        else:
            b = math.tan(math.pi / 8)
            local = [
                (p, -q + r, 0.0), (p, q - r, b), (p - r, q, 0.0), (-p + r, q, b),
                (-p, q - r, 0.0), (-p, -q + r, b), (-p + r, -q, 0.0), (p - r, -q, b),
            ]  # fmt: skip
        c, s = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        return tuple((self.x + u * c - v * s, self.y + u * s + v * c, bulge) for u, v, bulge in local)

    @property
    def half_width(self) -> float:
        """Half of the shorter width."""
        return min(self.a, self.b) / 2

    def widths(self) -> tuple[float, ...]:
        """Return the shorter and the longer width."""
        return min(self.a, self.b), max(self.a, self.b)

    def moved(self, dx: float, dy: float) -> "Rectangle":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)

    def values(self) -> Floats:
        """Return centre, both widths and turn."""
        return np.array([self.x, self.y, self.a, self.b, self.turn_deg])

    def with_values(self, values: Floats) -> "Rectangle":
        """Return the rectangle with these values, its corners kept; none shrinks to nothing."""
        a, b = max(float(values[2]), 1.0), max(float(values[3]), 1.0)
        corner = min(self.corner_radius, min(a, b) / 2)
        return Rectangle(float(values[0]), float(values[1]), a, b, float(values[4]), corner)

    def fitted(self, value: Callable[[str], float], grown: float = 0.0) -> "Rectangle":
        """Return the rectangle of a fit, its corners kept as far as they fit in."""
        a, b = value("a") + grown, value("b") + grown
        corner = min(self.corner_radius, min(a, b) / 2)
        return Rectangle(value("x"), value("y"), a, b, math.degrees(value("turn")), corner)

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "rectangular"

    def widened(self, by: float) -> "Rectangle":
        """Return it wider by this on every width."""
        return replace(self, a=self.a + by, b=self.b + by)
