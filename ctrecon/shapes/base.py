"""What every shape can do."""

from typing import Protocol

from ctrecon.core.frames import Floats

__all__ = ["Shape"]


class Shape(Protocol):
    """A closed shape in the plane."""

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (x, y)."""

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the outline, positive inside."""

    def outline(self, count: int = 180) -> Floats:
        """Return about `count` points (N, 2) along the outline, closed (last = first)."""
