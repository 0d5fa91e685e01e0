"""The line at a distance inside a known outline."""

from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.seams.base import Base

__all__ = ["Parallel"]


@dataclass(frozen=True, eq=False)
class Parallel:
    """The line at a distance inside a known outline, moved by (x, y); px."""

    base: Base
    offset: float
    x: float = 0.0
    y: float = 0.0

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the outline's area (x, y)."""
        return self.base.centre[0] + self.x, self.base.centre[1] + self.y

    def signed_distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points to the line, positive inside.

        Examples
        --------
        >>> box = Base(np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]]))
        >>> Parallel(box, 2.0).signed_distance(np.array([[5.0, 5.0], [5.0, 1.0]])).tolist()
        [3.0, -1.0]
        """
        return np.asarray(self.base.distance(points - [self.x, self.y]) - self.offset)

    def points(self) -> Floats:
        """Return points (N, 2) about 1 px apart along the line, each once; none where nothing is left inside."""
        return self.base.ring(self.offset)[0] + [self.x, self.y]

    def outline(self, count: int = 180) -> Floats:
        """Return points along the line, closed; none where nothing is left inside."""
        points = self.points()
        if not len(points):
            return points
        closed = np.concatenate([points, points[:1]])
        at = np.linspace(0, len(points), count + 1)  # they lie evenly along the line
        return np.column_stack([np.interp(at, np.arange(len(closed)), closed[:, i]) for i in (0, 1)])

    @property
    def length(self) -> float:
        """Length of the line, px."""
        return self.base.ring(self.offset)[1]

    @property
    def half_width(self) -> float:
        """Distance from the middle to the line."""
        return float(self.signed_distance(np.array([self.centre]))[0])

    @property
    def wall_share(self) -> float:
        """1: growth is told of its offset."""
        return 1.0

    @property
    def family(self) -> str:
        """The word its kinds begin with."""
        return "free"

    def blur_pull(self, blur: float) -> float:
        """Return 0: a seam is no edge."""
        return 0.0

    def widths(self) -> tuple[float, ...]:
        """Return the distance from its middle."""
        return (self.half_width,)

    def moved(self, dx: float, dy: float) -> "Parallel":
        """Return it elsewhere."""
        return replace(self, x=self.x + dx, y=self.y + dy)
