"""The toothed wheel with teeth as wide as their gaps and radial flanks."""

import math
from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.shapes.base import PlainShape, Vertex

__all__ = ["ToothedWheel"]


@dataclass(frozen=True)
class ToothedWheel(PlainShape):
    """A wheel by its two radii and its number of teeth; `turn_deg` is the middle of a tooth."""

    x: float
    y: float
    teeth: int
    tip_radius: float
    root_radius: float
    turn_deg: float

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y)."""
        return self.x, self.y

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the outline, positive inside; exact to first order near it.

        Examples
        --------
        >>> ToothedWheel(0.0, 0.0, 8, 5.0, 4.0, 0.0).signed_distance(np.array([[4.75, 0.0], [0.0, 0.0]])).tolist()
        [0.25, 4.0]
        """
        px, py = points[:, 0], points[:, 1]
        pitch = 2 * np.pi / self.teeth
        r = np.hypot(px - self.x, py - self.y)
        angle = np.arctan2(py - self.y, px - self.x) - np.radians(self.turn_deg)
        side = r * (pitch / 4 - np.abs((angle + pitch / 2) % pitch - pitch / 2))
        tooth = np.minimum(self.tip_radius - r, side)
        return np.asarray(np.maximum(self.root_radius - r, tooth))

    def outline(self, count: int = 180) -> Floats:
        """Return points along the tip circle, closed: what the wheel reaches."""
        angle = np.linspace(0, 2 * np.pi, count + 1)
        return np.column_stack([self.x + self.tip_radius * np.cos(angle), self.y + self.tip_radius * np.sin(angle)])

    def vertices(self) -> tuple[Vertex, ...]:
        """Return tips and gaps as arcs, flanks as lines."""
        pitch = 2 * math.pi / self.teeth
        bulge = math.tan(pitch / 8)
        found = []
        for k in range(self.teeth):
            middle = math.radians(self.turn_deg) + k * pitch
            for radius, at, arc in (
                (self.tip_radius, -pitch / 4, bulge), (self.tip_radius, pitch / 4, 0.0),
                (self.root_radius, pitch / 4, bulge), (self.root_radius, 3 * pitch / 4, 0.0),
            ):  # fmt: skip
                a = middle + at
                found.append((self.x + radius * math.cos(a), self.y + radius * math.sin(a), arc))
        return tuple(found)

    @property
    def half_width(self) -> float:
        """Its tip radius."""
        return self.tip_radius

    @property
    def wall_share(self) -> float:
        """1: growth is told of its radii."""
        return 1.0

    def widths(self) -> tuple[float, ...]:
        """Return both radii."""
        return self.root_radius, self.tip_radius

    def moved(self, dx: float, dy: float) -> "ToothedWheel":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "wheel"
