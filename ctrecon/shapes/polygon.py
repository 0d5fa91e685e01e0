"""The regular polygon."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.shapes.base import PlainShape, Vertex

__all__ = ["RegularPolygon"]


@dataclass(frozen=True)
class RegularPolygon(PlainShape):
    """A regular polygon by its flats: `turn_deg` is the outward normal of one side.

    `inradius` is the distance from the centre to a side: half the distance across the
    flats where the number of sides is even.
    """

    x: float
    y: float
    sides: int
    inradius: float
    turn_deg: float

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y)."""
        return self.x, self.y

    def side_of(self, points: Floats) -> tuple[Floats, Floats]:
        """Return each point's distance along the nearest side's normal, and along that side."""
        dx, dy = points[:, 0] - self.x, points[:, 1] - self.y
        pitch = 2 * np.pi / self.sides
        turn = np.radians(self.turn_deg)
        nearest = np.round((np.arctan2(dy, dx) - turn) / pitch) * pitch + turn
        return dx * np.cos(nearest) + dy * np.sin(nearest), -dx * np.sin(nearest) + dy * np.cos(nearest)

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the outline, positive inside."""
        along, across = self.side_of(points)
        half = self.inradius * np.tan(np.pi / self.sides)
        beyond = np.maximum(np.abs(across) - half, 0)
        gap = self.inradius - along
        return np.where((beyond > 0) & (gap < 0), -np.hypot(gap, beyond), gap)

    def outline(self, count: int = 180) -> Floats:
        """Return the corners, closed (`count` is not needed for straight sides)."""
        angle = np.radians(self.turn_deg) + np.pi / self.sides * (2 * np.arange(self.sides + 1) + 1)
        reach = self.inradius / np.cos(np.pi / self.sides)
        return np.column_stack([self.x + reach * np.cos(angle), self.y + reach * np.sin(angle)])

    def vertices(self) -> tuple[Vertex, ...]:
        """Return the corners, once round."""
        reach = self.inradius / math.cos(math.pi / self.sides)
        angles = [math.radians(self.turn_deg) + math.pi * (2 * k + 1) / self.sides for k in range(self.sides)]
        return tuple((self.x + reach * math.cos(a), self.y + reach * math.sin(a), 0.0) for a in angles)

    @property
    def half_width(self) -> float:
        """Distance from the centre to a side."""
        return self.inradius

    def widths(self) -> tuple[float, ...]:
        """Return its inradius."""
        return (self.inradius,)

    def moved(self, dx: float, dy: float) -> "RegularPolygon":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)

    def values(self) -> Floats:
        """Return centre, inradius and turn."""
        return np.array([self.x, self.y, self.inradius, self.turn_deg])

    def with_values(self, values: Floats) -> "RegularPolygon":
        """Return the polygon with these values; none shrinks to nothing."""
        x, y, inradius, turn = (float(one) for one in values)
        return replace(self, x=x, y=y, inradius=max(inradius, 0.5), turn_deg=turn)

    def fitted(self, value: Callable[[str], float], grown: float = 0.0) -> "RegularPolygon":
        """Return the polygon of a fit."""
        turn = math.degrees(value("turn"))
        return replace(self, x=value("x"), y=value("y"), inradius=value("inradius") + grown / 2, turn_deg=turn)

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "polygon"

    def widened(self, by: float) -> "RegularPolygon":
        """Return it wider by this on every width."""
        return replace(self, inradius=self.inradius + by / 2)
