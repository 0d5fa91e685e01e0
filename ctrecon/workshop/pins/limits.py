"""Exact distances from a place to what limits it, and the exact corners of the room that is left.

Polygons with arcs are sampled, so a corner of a sampled region lies a little off. Here the edges, corners and discs
that limit the room are kept as they are: a corner is where two of their parallels meet.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, pi

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

__all__ = ["COARSE_SEGS", "SAGITTA", "SIMPLIFIED", "Curves", "Limits", "crossings"]

COARSE_SEGS = 16
"""Chords a quarter turn of the sampled area in which corners are looked for."""
SAGITTA = 1 - cos(pi / 4 / COARSE_SEGS)
"""How far such a chord lies inside its arc, by the radius."""
SIMPLIFIED = 0.011
"""The geometry library drops hollows shallower than 1 % of the distance before it grows an outline."""
_SLACK_MM = 1e-6

Points = NDArray[np.float64]
Triple = tuple[float, float, float]
_TOUCH_MM = 1e-7
"""Rounding of a crossing of two parallels: far below any tool, far above the arithmetic."""
_CHUNK = 400_000


@dataclass(frozen=True)
class Curves:
    """Lines n·p = c, unit normals, and circles: the parallels of what limits a place."""

    normals: Points
    offsets: NDArray[np.float64]
    centres: Points
    radii: NDArray[np.float64]

    def joined(self, other: "Curves") -> "Curves":
        """Return both sets as one."""
        return Curves(
            np.vstack([self.normals, other.normals]),
            np.concatenate([self.offsets, other.offsets]),
            np.vstack([self.centres, other.centres]),
            np.concatenate([self.radii, other.radii]),
        )

    @staticmethod
    def of(lines: Sequence[Triple] = (), circles: Sequence[Triple] = ()) -> "Curves":
        """Return lines (nx, ny, c) and circles (x, y, r)."""
        line = np.array(lines, float).reshape(-1, 3)
        circle = np.array(circles, float).reshape(-1, 3)
        return Curves(line[:, :2], line[:, 2], circle[:, :2], circle[:, 2])


def _line_line(a: Curves, b: Curves) -> Points:
    i, j = (one.ravel() for one in np.meshgrid(np.arange(len(a.offsets)), np.arange(len(b.offsets)), indexing="ij"))
    n, m, c, d = a.normals[i], b.normals[j], a.offsets[i], b.offsets[j]
    det = n[:, 0] * m[:, 1] - n[:, 1] * m[:, 0]
    good = np.abs(det) > 1e-9
    n, m, c, d, det = n[good], m[good], c[good], d[good], det[good]
    return np.column_stack([(c * m[:, 1] - d * n[:, 1]) / det, (d * n[:, 0] - c * m[:, 0]) / det])


def _line_circle(a: Curves, b: Curves) -> Points:
    i, j = (one.ravel() for one in np.meshgrid(np.arange(len(a.offsets)), np.arange(len(b.radii)), indexing="ij"))
    n, c, o, r = a.normals[i], a.offsets[i], b.centres[j], b.radii[j]
    away = c - np.einsum("ij,ij->i", n, o)
    half2 = r**2 - away**2
    good = half2 > -_TOUCH_MM * (1 + r)
    n, o, away = n[good], o[good], away[good]
    half = np.sqrt(np.maximum(half2[good], 0))[:, None]
    foot = o + away[:, None] * n
    along = np.column_stack([-n[:, 1], n[:, 0]])
    return np.vstack([foot + half * along, foot - half * along])


def _circle_circle(a: Curves, b: Curves) -> Points:
    i, j = (one.ravel() for one in np.meshgrid(np.arange(len(a.radii)), np.arange(len(b.radii)), indexing="ij"))
    o, r, p, s = a.centres[i], a.radii[i], b.centres[j], b.radii[j]
    gap = p - o
    d = np.hypot(gap[:, 0], gap[:, 1])
    good = d > 1e-9
    o, r, s, gap, d = o[good], r[good], s[good], gap[good], d[good]
    x = (d**2 + r**2 - s**2) / (2 * d)
    half2 = r**2 - x**2
    good = half2 > -_TOUCH_MM * (1 + r)
    o, gap, d, x = o[good], gap[good], d[good], x[good]
    half = np.sqrt(np.maximum(half2[good], 0))[:, None]
    unit = gap / d[:, None]
    foot = o + x[:, None] * unit
    along = np.column_stack([-unit[:, 1], unit[:, 0]])
    return np.vstack([foot + half * along, foot - half * along])


def crossings(a: Curves, b: Curves) -> Points:
    """Return all points (n, 2) where a curve of one set meets one of the other; where they touch, the nearest point."""
    return np.vstack([_line_line(a, b), _line_circle(a, b), _line_circle(b, a), _circle_circle(a, b)])


def _segments(shape: BaseGeometry) -> tuple[Points, Points]:
    rings = []
    for part in shapely.get_parts(shape):
        rings += [part.exterior, *part.interiors]
    starts = [np.asarray(ring.coords)[:-1, :2] for ring in rings]
    ends = [np.asarray(ring.coords)[1:, :2] for ring in rings]
    return np.vstack(starts), np.vstack(ends)


def _convex_corners(region: BaseGeometry) -> Points:
    """Return the corners of a region at which it is less than straight: only there a place can be farthest."""
    found = [np.empty((0, 2))]
    for part in map(orient, shapely.get_parts(region)):
        for ring in (part.exterior, *part.interiors):
            at = np.asarray(ring.coords)[:-1, :2]
            came, goes = at - np.roll(at, 1, axis=0), np.roll(at, -1, axis=0) - at
            found.append(at[came[:, 0] * goes[:, 1] - came[:, 1] * goes[:, 0] > 0])
    return np.vstack(found)


class Limits:
    """All that a place has to keep away from, each by its own distance.

    Parameters
    ----------
    inside : sequence of (polygon, need, index)
        Outlines the place lies inside of, and how far it keeps from their edges (mm).
    outside : sequence of (polygon, need, index)
        Areas it lies outside of.
    discs : sequence of (x, y, reach, index)
        Round ones; reach is radius and distance together.
    """

    def __init__(
        self,
        inside: Sequence[tuple[BaseGeometry, float, int]],
        outside: Sequence[tuple[BaseGeometry, float, int]],
        discs: Sequence[tuple[float, float, float, int]],
    ) -> None:
        self._inside = [shape for shape, _, _ in inside]
        self._outside = [shape for shape, _, _ in outside]
        starts, ends, needs, owners = [np.empty((0, 2))], [np.empty((0, 2))], [np.empty(0)], [np.empty(0, int)]
        for shape, need, owner in (*inside, *outside):
            start, end = _segments(shape)
            kept = np.any(start != end, axis=1)
            starts.append(start[kept])
            ends.append(end[kept])
            needs.append(np.full(int(kept.sum()), float(need)))
            owners.append(np.full(int(kept.sum()), owner))
        self._a, b = np.vstack(starts), np.vstack(ends)
        self._needs, self._owners = np.concatenate(needs), np.concatenate(owners)
        self._length = np.hypot(*(b - self._a).T)
        self._along = (b - self._a) / self._length[:, None]
        disc = np.array([one[:3] for one in discs], float).reshape(-1, 3)
        self._centres, self._reach = disc[:, :2], disc[:, 2]
        self._disc_owners = np.array([one[3] for one in discs], int)
        self._slack = (SIMPLIFIED + SAGITTA) * self._needs + _SLACK_MM
        self._disc_slack = SAGITTA * self._reach + _SLACK_MM

    def _gaps(self, points: Points) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Along each segment, square to it, and the distance less what is needed; by point and segment."""
        rel = points[:, None, :] - self._a[None]
        t = np.einsum("ijk,jk->ij", rel, self._along)
        off = rel[..., 0] * self._along[:, 1] - rel[..., 1] * self._along[:, 0]
        past = np.maximum(np.maximum(-t, t - self._length), 0)
        return t, off, np.hypot(past, off) - self._needs

    def clearance(self, points: Points) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        """Return by how much (mm) each place clears what limits it most, and the index of that; negative inside it."""
        points = np.asarray(points, float).reshape(-1, 2)
        values, owners = np.empty(len(points)), np.empty(len(points), np.intp)
        step = max(1, _CHUNK // max(1, len(self._a)))
        for at in range(0, len(points), step):
            part = points[at : at + step]
            gaps = [self._gaps(part)[2]] if len(self._a) else []
            if len(self._reach):
                gaps.append(np.hypot(*(part[:, None, :] - self._centres[None]).transpose(2, 0, 1)) - self._reach)
            every = np.hstack(gaps)
            least = np.argmin(every, axis=1)
            values[at : at + step] = every[np.arange(len(part)), least]
            owners[at : at + step] = np.concatenate([self._owners, self._disc_owners])[least]
        wrong = np.zeros(len(points), bool)
        for shape in self._inside:
            wrong |= ~shapely.intersects_xy(shape, points[:, 0], points[:, 1])
        for shape in self._outside:
            wrong |= shapely.contains_xy(shape, points[:, 0], points[:, 1])
        # beyond an edge the distance counts the other way; only its sign matters to those who ask
        values[wrong] = np.minimum(values[wrong], -np.abs(values[wrong]) - _TOUCH_MM * 10)
        return values, owners

    def clear(self, points: Points) -> NDArray[np.bool_]:
        """Return which places keep every distance."""
        return np.asarray(self.clearance(points)[0] >= -_TOUCH_MM)

    def touching(self, point: Points, within_mm: float) -> tuple[int, ...]:
        """Return the indices of all that a place clears by no more than so many mm."""
        point = np.asarray(point, float).reshape(1, 2)
        edges = self._owners[self._gaps(point)[2][0] <= within_mm]
        discs = self._disc_owners[np.hypot(*(point - self._centres).T) - self._reach <= within_mm]
        return tuple(sorted({int(one) for one in (*edges, *discs)}))

    def near(self, point: Points) -> Curves:
        """Return the parallels that may make a corner of the coarsely sampled area at a place."""
        t, off, _ = (one[0] for one in self._gaps(np.asarray(point, float).reshape(1, 2)))
        lines: list[Triple] = []
        circles: list[Triple] = []
        beside = np.abs(np.abs(off) - self._needs) <= self._slack
        for k in np.flatnonzero(beside & (t >= -self._slack) & (t <= self._length + self._slack)):
            n = np.array([self._along[k, 1], -self._along[k, 0]]) * (1.0 if off[k] >= 0 else -1.0)
            lines.append((n[0], n[1], float(n @ self._a[k] + self._needs[k])))
        to_corner = np.hypot(*(np.asarray(point, float).reshape(2) - self._a).T)
        for k in np.flatnonzero((np.abs(to_corner - self._needs) <= self._slack) & (self._needs > 0)):
            circles.append((*self._a[k], self._needs[k]))
        to_disc = np.hypot(*(np.asarray(point, float).reshape(2) - self._centres).T)
        for k in np.flatnonzero(np.abs(to_disc - self._reach) <= self._disc_slack):
            circles.append((*self._centres[k], self._reach[k]))
        return Curves.of(lines, circles)

    def along(self, region: BaseGeometry) -> Curves:
        """Return the parallels that run along the border of the coarsely sampled area."""
        at = shapely.get_coordinates(region)
        n = np.column_stack([self._along[:, 1], -self._along[:, 0]])
        c = np.einsum("ij,ij->i", n, self._a)
        sharp = self._needs > 0
        lines = np.vstack([np.column_stack([n, c + self._needs]), np.column_stack([n, c - self._needs])])
        circles = np.vstack(
            [np.column_stack([self._a[sharp], self._needs[sharp]]), np.column_stack([self._centres, self._reach])]
        )
        if len(at):
            near = np.abs(at @ lines[:, :2].T - lines[:, 2]).min(axis=0)
            lines = lines[near <= np.tile(self._slack, 2)]
            off = np.hypot(*(at[:, None] - circles[None, :, :2]).transpose(2, 0, 1)) - circles[:, 2]
            circles = circles[np.abs(off).min(axis=0) <= np.concatenate([self._slack[sharp], self._disc_slack])]
        lines, circles = (np.unique(np.round(one, 12), axis=0) for one in (lines, circles))
        return Curves(lines[:, :2], lines[:, 2], circles[:, :2], circles[:, 2])

    def corners(self, region: BaseGeometry) -> Points:
        """Return the exact convex corners of the room left, found from those of its sampled region.

        Parameters
        ----------
        region : shapely geometry
            The room as a polygon, arcs sampled by `COARSE_SEGS` chords a quarter turn.

        Returns
        -------
        array of (n, 2)
            Places that keep every distance, sorted by x, then y.
        """
        found = [np.empty((0, 2))]
        done = set()
        for point in _convex_corners(region):
            curves = self.near(point)
            key = (curves.normals.tobytes(), curves.offsets.tobytes(), curves.centres.tobytes(), curves.radii.tobytes())
            if len(curves.offsets) + len(curves.radii) < 2 or key in done:
                continue
            done.add(key)
            found.append(crossings(curves, curves))
        points = np.asarray(np.unique(np.round(np.vstack(found), 9), axis=0), np.float64)
        return points[self.clear(points)] if len(points) else points
