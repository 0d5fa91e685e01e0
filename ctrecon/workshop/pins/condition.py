"""The condition that two register pins fit one way only, as distances a search for places can use."""

from dataclasses import dataclass
from math import asin, atan2, cos, hypot, radians, sin

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from ctrecon.workshop.pins.limits import Curves
from ctrecon.workshop.pins.motions import SEEN_MM, Motion, outline_symmetry

__all__ = ["LEAST_MISS_MM", "OneWayCondition", "one_way_condition"]

LEAST_MISS_MM = 2.0
"""By how much pins are to miss their holes at each wrong turn: about a pin's diameter, so that nobody files it to fit;
common practice, no source."""
_ALMOST = 1e-9

Points = NDArray[np.float64]


@dataclass(frozen=True)
class OneWayCondition:
    """What two pins have to miss.

    Parameters
    ----------
    motions : tuple of Motion
        Turns and flips after which the plate looks the same.
    least_mm : float
        By how much pins are to miss at each.
    unequal : bool
        Whether the pins are of two sizes, so that neither goes into the other's hole.
    round_at : tuple of (x, y)
        Centres (mm) of round outlines, which any turn brings onto themselves: then the outline of a plate that is put
        on wrongly stands off by `least_mm`.
    """

    motions: tuple[Motion, ...] = ()
    least_mm: float = LEAST_MISS_MM
    unequal: bool = False
    round_at: tuple[tuple[float, float], ...] = ()

    def misses(self, p: Points, q: Points) -> Points:
        """Return by how much the pins at p (2,) and each of q (n, 2) miss, by motion and place (m, n).

        For a round outline the rows are: half-turn, flip about the line through them, flip about the line midway.
        """
        q = np.asarray(q, float).reshape(-1, 2)
        p = np.asarray(p, float).reshape(2)
        rows = []
        for one in self.motions:
            there, moved = one(p[None])[0], one(q)
            own = np.maximum(hypot(*(there - p)), np.hypot(*(moved - q).T))
            other = np.maximum(np.hypot(*(there - q).T), np.hypot(*(moved - p).T))
            rows.append(own if self.unequal else np.minimum(own, other))
        for at in self.round_at:
            rows += self._round_misses(p - np.array(at), q - np.array(at))
        return np.vstack(rows) if rows else np.full((0, len(q)), np.inf)

    def _round_misses(self, p: Points, q: Points) -> list[Points]:
        apart = np.maximum(np.hypot(*(q - p).T), 1e-12)
        line = 2 * np.abs(p[0] * q[:, 1] - p[1] * q[:, 0]) / apart
        if self.unequal:
            return [line]
        half = np.hypot(*(p + q).T)
        midway = np.abs(hypot(*p) ** 2 - np.hypot(*q.T) ** 2) / apart
        return [half, line, midway]

    def worst(self, p: Points, q: Points) -> Points:
        """Return the least miss (mm) over all motions for each place of the second pin."""
        rows = self.misses(p, q)
        return np.asarray(rows.min(axis=0)) if len(rows) else np.full(rows.shape[1], np.inf)

    def allows(self, p: Points, q: Points) -> NDArray[np.bool_]:
        """Return for each place of the second pin whether all misses are wide enough."""
        return np.asarray(self.worst(p, q) >= self.least_mm - _ALMOST)

    def worst_way(self, p: Points, q: Points) -> str:
        """Return the wrong way that misses least, in words."""
        rows = self.misses(p, q)
        if not len(rows):
            return ""
        names = [one.name for one in self.motions]
        for _ in self.round_at:
            flip = "turned over about the line through the pins"
            names += [flip] if self.unequal else ["turned half round", flip, "turned over about the line midway"]
        return names[int(np.argmin(rows[:, 0]))]

    def curves(self, p: Points) -> Curves:
        """Return where, for a pin at p, the other pin misses by just so much."""
        lines: list[tuple[float, float, float]] = []
        circles: list[tuple[float, float, float]] = []
        for one in self.motions:
            if not self.unequal:
                x, y = map(float, one(np.asarray(p, float).reshape(1, 2))[0])
                circles.append((x, y, self.least_mm))
            if one.flipped:
                normal = (-sin(radians(one.angle_deg)), cos(radians(one.angle_deg)))
                c = normal[0] * one.x + normal[1] * one.y
                lines += [(*normal, c + self.least_mm / 2), (*normal, c - self.least_mm / 2)]
            else:
                circles.append((one.x, one.y, self.least_mm / max(2 * abs(sin(radians(one.angle_deg / 2))), 1e-9)))
        for x, y in self.round_at:
            if not self.unequal:
                circles.append((2 * x - float(p[0]), 2 * y - float(p[1]), self.least_mm))
            lines += _tangents(float(p[0]), float(p[1]), x, y, self.least_mm / 2)
        return Curves.of(lines, circles)


def _tangents(px: float, py: float, x: float, y: float, radius: float) -> list[tuple[float, float, float]]:
    """Return the lines (nx, ny, c) through p that pass a centre at so much."""
    away = hypot(x - px, y - py)
    if away <= radius:
        return []
    towards, off = atan2(y - py, x - px), asin(radius / away)
    angles = (towards + off, towards - off)
    return [(-sin(a), cos(a), -sin(a) * px + cos(a) * py) for a in angles]


def one_way_condition(
    *outlines: Polygon, least_mm: float = LEAST_MISS_MM, unequal: bool = False, seen_mm: float = SEEN_MM
) -> OneWayCondition:
    """Return what two pins have to miss so that plates of these outlines go together one way only.

    Parameters
    ----------
    *outlines : shapely Polygon
        Outlines (mm) of the plates: each of them may be put on wrongly.
    least_mm : float
        By how much pins are to miss at each wrong turn or flip.
    unequal : bool
        Whether the pins are of two sizes.
    seen_mm : float
        An outline that stands off by so much is seen to be wrong.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> wanted = one_way_condition(box(-30, -20, 30, 20))
    >>> [round(float(one), 3) for one in wanted.misses((-25, -15), (22, 15))[:, 0]]
    [3.0, 30.0, 30.15]
    """
    found = [outline_symmetry(one, seen_mm=seen_mm) for one in outlines]
    motions = tuple(dict.fromkeys(motion for one in found for motion in one.motions))
    centres = tuple(dict.fromkeys(one.centre for one in found if one.round_))
    return OneWayCondition(motions, least_mm, unequal, centres)
