"""A known outline and the distance from it: the lines parallel to it are the level lines of that distance."""

from collections.abc import Callable
from functools import cached_property

import numpy as np
import shapely
from scipy import ndimage
from scipy.spatial import cKDTree
from skimage import measure

from ctrecon.core.frames import Floats

__all__ = ["Base"]

_CONTOURS: Callable[..., list[Floats]] = measure.find_contours
_MOST_CELLS = 320  # along a side of the field: 1 px a cell on most parts, and a level line in some milliseconds
_MARGIN_PX = 24.0  # beyond the outline: lines beside a seam are looked at up to 20 px outside it
_DENSE = 0.5  # points a cell along the outline, for the nearest of them
_KEPT_STEP_PX = 0.5  # offsets the search asks for again and again are kept


class Base:
    """A known outline (N, 2), px.

    The distance from it is worked out once, on a grid; a line at any offset is a level line of it, the distance
    of any place is read from it. Both are exact along straight and gently curved outlines; corners are rounded by
    less than a cell.
    """

    def __init__(self, points: Floats) -> None:
        self.points = points
        healed = shapely.Polygon(points).buffer(0)
        if isinstance(healed, shapely.MultiPolygon):
            healed = max(healed.geoms, key=lambda g: g.area)
        self._polygon = healed
        shapely.prepare(healed)
        middle = healed.centroid
        self.centre = (float(middle.x), float(middle.y)) if not middle.is_empty else (0.0, 0.0)
        self._rings: dict[int, tuple[Floats, float]] = {}

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Least x and y, greatest x and y of the outline."""
        return (0.0, 0.0, 0.0, 0.0) if self._polygon.is_empty else self._polygon.bounds

    @cached_property
    def _grid(self) -> tuple[Floats, float, float, float]:
        """Distance (positive inside) on a grid, its cell, and the x and y of its first cell."""
        x0, y0, x1, y1 = self._polygon.bounds
        wide = max(x1 - x0, y1 - y0) + 2 * _MARGIN_PX
        cell = max(1.0, wide / _MOST_CELLS)
        x = np.arange(x0 - _MARGIN_PX, x1 + _MARGIN_PX + cell, cell)
        y = np.arange(y0 - _MARGIN_PX, y1 + _MARGIN_PX + cell, cell)
        xx, yy = (a.ravel() for a in np.meshgrid(x, y))
        far = _distance(shapely.get_coordinates(self._polygon.exterior), np.column_stack([xx, yy]), _DENSE * cell)
        far = np.where(shapely.contains_xy(self._polygon, xx, yy), far, -far)
        return far.reshape(len(y), len(x)), cell, float(x[0]), float(y[0])

    def distance(self, points: Floats) -> Floats:
        """Return the distance of (N, 2) points from the outline, positive inside."""
        if self._polygon.is_empty:
            return np.full(len(points), -np.inf)
        far, cell, x0, y0 = self._grid
        where = np.array([(points[:, 1] - y0) / cell, (points[:, 0] - x0) / cell])
        return np.asarray(ndimage.map_coordinates(far, where, order=1, mode="nearest"))

    def inwards(self, points: Floats) -> Floats:
        """Return the way (N, 2) in which the distance grows at some points, by how far one goes for one px of it."""
        half = 0.5 * self._grid[1]
        steps = [self.distance(points + d) - self.distance(points - d) for d in half * np.eye(2)]
        slope = np.column_stack(steps) / (2 * half)
        square = (slope**2).sum(axis=1, keepdims=True)
        # on the crest between two sides there is no such way
        return np.where(square > 0.25, slope / np.maximum(square, 0.25), 0.0)

    def ring(self, offset: float) -> tuple[Floats, float]:
        """Return points (N, 2) about 1 px apart along the line at an offset, each once, and the line's length.

        They begin where the line goes out from the centre along +x, so that neighbouring lines go side by side.
        """
        key = round(offset / _KEPT_STEP_PX)
        if abs(key * _KEPT_STEP_PX - offset) > 1e-9:
            return self._level(offset)
        if key not in self._rings:
            self._rings[key] = self._level(offset)
        return self._rings[key]

    def _level(self, offset: float) -> tuple[Floats, float]:
        nothing = np.empty((0, 2)), 0.0
        if self._polygon.is_empty:
            return nothing
        far, cell, x0, y0 = self._grid
        inside = far >= offset
        rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
        if len(rows) < 2 or len(columns) < 2:
            return nothing
        top, left = max(rows[0] - 1, 0), max(columns[0] - 1, 0)
        curves = _CONTOURS(far[top : rows[-1] + 2, left : columns[-1] + 2], offset, positive_orientation="high")
        whole = [c for c in curves if len(c) > 3 and (c[0] == c[-1]).all()]
        if not whole:
            return nothing
        curve = max(whole, key=_area)
        points = np.column_stack([x0 + (curve[:-1, 1] + left) * cell, y0 + (curve[:-1, 0] + top) * cell])
        angle = np.arctan2(points[:, 1] - self.centre[1], points[:, 0] - self.centre[0])
        points = np.roll(points, -int(np.argmin(np.abs(angle))), axis=0)
        closed = np.concatenate([points, points[:1]])
        steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        length = float(steps[-1])
        count = max(12, round(length))
        at = np.arange(count) * (length / count)
        return np.column_stack([np.interp(at, steps, closed[:, i]) for i in (0, 1)]), length


def _area(curve: Floats) -> float:
    return abs(float((curve[:-1, 0] * curve[1:, 1] - curve[1:, 0] * curve[:-1, 1]).sum()))


def _distance(ring: Floats, places: Floats, step: float) -> Floats:
    """Return the distance of places (N, 2) from a closed line: that of the two pieces beside its nearest point."""
    lengths = np.hypot(*np.diff(ring, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(lengths)])
    on_it = np.unique(np.concatenate([at, np.arange(0.0, at[-1], step)]))
    dense = np.column_stack([np.interp(on_it, at, ring[:, i]) for i in (0, 1)])[:-1]
    near = cKDTree(dense).query(places)[1]
    out = np.full(len(places), np.inf)
    for other in (-1, 1):
        a, b = dense[near], dense[(near + other) % len(dense)]
        way = b - a
        share = np.clip(((places - a) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-12), 0.0, 1.0)
        out = np.minimum(out, np.hypot(*(places - a - share[:, None] * way).T))
    return out
