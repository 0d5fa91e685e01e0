"""The regular polygon."""

import math
from dataclasses import dataclass

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.shapes.base import Vertex

__all__ = ["RegularPolygon"]


@dataclass(frozen=True)
class RegularPolygon:
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
    def round_of(self) -> None:
        """None: it is not a circle."""
