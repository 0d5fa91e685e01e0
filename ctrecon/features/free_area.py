"""Area and middle of a free outline from the sum of its grey: blur moves a contour at corners, but not a sum."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.special import ndtri, stdtrit

from ctrecon.core.frames import Floats
from ctrecon.features.candidates import Candidate, mean_window, trimmed
from ctrecon.grey.square_up import SquaredStack
from ctrecon.outlines.trace import even_points, trace

__all__ = ["EdgeBand", "GreyArea", "free_area"]

_BAND_PX = 3.0  # beside the outline: three times the blur, so that all of it is in the sum
_LEVEL_PX = 5.5  # out to here, beyond the band, air and metal are read
_MORE_PX = 1.5  # by how much band and levels reach farther on outsides: contours fill the gaps between fine teeth
_ROOM_PX2 = 1600.0  # area from which an outside has the room for it
_EVEN_PX = 6.0  # width over which air and metal may change
_SHADE_PX = 12.0  # out to here the metal shows how it shades towards its edge, as cupping makes it
_SHADE_PIXELS = 200  # fewer do not tell that from noise
_MOST_SHADE = 0.2  # contrasts; what differs by more is not shading
_BLOCKS = 8  # of depth: their scatter is the noise of the figure
_TWO_BLOCKS = 4.0  # Student's factor for two is beyond all use
_SECTORS = 8  # of the outline, whose levels err independently
_LEAST_U_PX = 0.01  # blur that is not the same on both sides, an edge that is not straight through depth
_OWN_PX = 0.6  # an outline of the plane that keeps this near to the given one is the given one
_LEAST_PX = 12  # pixels of air or of metal: fewer say nothing, and the stack's own levels are kept


@dataclass(frozen=True)
class GreyArea:
    """Area (px²) and middle (px) of an outline on the squared plane, with standard uncertainties."""

    area: float
    x: float
    y: float
    u_area: float
    u_x: float
    u_y: float


def free_area(squared: SquaredStack, candidate: Candidate) -> GreyArea:
    """Measure the area inside a free outline by the sum of its grey, in blocks of depth.

    Parameters
    ----------
    squared : SquaredStack
        The stack.
    candidate : Candidate
        A candidate without a shape.

    Returns
    -------
    FreeArea
        At the middle of the candidate's longest stretch; u joins the scatter of the blocks, what neighbouring
        stretches of the outline disagree about its metal, and what no figure of an edge is free of.
    """
    span = max(candidate.spans, key=lambda s: s.last - s.first)
    rows, columns = span.mean.shape
    left, top = span.corner
    band = EdgeBand.beside(_filled(span.mean), span.points - np.array(span.corner))
    whole = band.sum(_filled(span.mean))
    first, last = trimmed(span.first, span.last)
    count = min(_BLOCKS, (last - first + 1) // 2)
    u = np.zeros(3)
    if count > 1:
        edges = np.linspace(first, last + 1, count + 1).astype(int)
        box = (left, top, left + columns, top + rows)
        some = np.array([band.sum(_filled(mean_window(squared, a, b - 1, box))) for a, b in pairwise(edges)])
        # few blocks say little of their own scatter: Student's factor at 95 % over that of many (JCGM 100, G.3)
        few = float(stdtrit(count - 1, 0.975) / ndtri(0.975))
        u = some.std(axis=0, ddof=1) / np.sqrt(count)
        u[1:] = np.sqrt(np.mean(u[1:] ** 2))
        u *= np.sqrt(squared.survey.correlation.of_blocks(last - first + 1, count))
        u *= few if count > 2 else _TWO_BLOCKS
    edge = np.hypot(band.drift(_filled(span.mean), whole[1:]), _LEAST_U_PX)
    u_area = float(np.sqrt(u[0] ** 2 + (edge * band.length) ** 2 / _SECTORS + (_LEAST_U_PX * band.length) ** 2))
    u_x, u_y = (float(np.hypot(v, edge / np.sqrt(_SECTORS / 2))) for v in u[1:])
    return GreyArea(float(whole[0]), float(whole[1] + left), float(whole[2] + top), u_area, u_x, u_y)


@dataclass(frozen=True, eq=False)
class EdgeBand:
    """Pixels by an outline: `near` it, `inside` beyond that, and where grey is even within and without it.

    `even` and `weight` belong to the two sides, inside first; `trend` is how their grey shades, `typical` what is left.
    """

    near: NDArray[np.bool_]
    inside: NDArray[np.bool_]
    even: tuple[NDArray[np.bool_], NDArray[np.bool_]]
    weight: tuple[Floats, Floats]
    typical: tuple[float, float]
    trend: tuple[Floats, Floats]
    length: float

    @classmethod
    def beside(cls, plane: Floats, points: Floats) -> "EdgeBand":
        """Mark the pixels of a plane by where they are relative to an outline."""
        rows, columns = np.indices(plane.shape)
        pixels = np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
        polygon = shapely.Polygon(points)
        shapely.prepare(polygon)
        inside = np.asarray(shapely.contains_xy(polygon, pixels)).reshape(plane.shape)
        away = _away(even_points(points), plane.shape)
        other = _to_others(plane, points)
        close = (away > 0.5) & (away <= _BAND_PX)
        metal_in = _mean(plane, inside & close) > _mean(plane, ~inside & close)
        more = _MORE_PX if metal_in and polygon.area > _ROOM_PX2 else 0.0
        band = _BAND_PX + more
        near = (away <= band) & (away <= other)
        beside = (away > band) & (away <= _LEVEL_PX + more) & (other > band)
        signed = np.where(inside == metal_in, away, -away)
        shading = _shading(plane, (signed > band) & (signed <= _SHADE_PX) & (other > band), bent=metal_in)
        trend = (shading, np.zeros(plane.shape)) if metal_in else (np.zeros(plane.shape), shading)
        sides = [
            _even(plane - t, beside & s, m)
            for t, s, m in zip(trend, (inside, ~inside), (metal_in, not metal_in), strict=True)
        ]
        length = float(np.hypot(*np.diff(np.vstack([points, points[:1]]), axis=0).T).sum())
        (even_in, typical_in), (even_out, typical_out) = sides
        weight = (_spread(even_in.astype(float)), _spread(even_out.astype(float)))
        return cls(near, inside & ~near, (even_in, even_out), weight, (typical_in, typical_out), trend, length)

    def sum(self, plane: Floats) -> Floats:
        """Return the area (px²) within the outline and the column and row of its middle."""
        row, column = np.nonzero(self.near)
        levels = []
        for even, weight, typical, trend in zip(self.even, self.weight, self.typical, self.trend, strict=True):
            total = _spread(np.where(even, plane - trend - typical, 0.0))
            levels.append((trend + typical)[row, column] + total[row, column] / (weight[row, column] + 1e-3))
        step = levels[0] - levels[1]
        step = np.where(np.abs(step) > 0.2, step, np.copysign(1.0, step))
        share = (plane[row, column] - levels[1]) / step
        far_row, far_column = np.nonzero(self.inside)
        area = float(share.sum()) + len(far_row)
        x = (share * column).sum() + far_column.sum()
        y = (share * row).sum() + far_row.sum()
        return np.array([area, x / max(area, 1e-9), y / max(area, 1e-9)])

    def drift(self, plane: Floats, middle: Floats) -> float:
        """Return how the metal beside the outline differs between sectors, as a shift of the edge (px)."""
        row, column = np.nonzero(self.even[0] if self.typical[0] > self.typical[1] else self.even[1])
        angle = np.arctan2(row - middle[1], column - middle[0])
        sector = ((angle + np.pi) / (2 * np.pi) * _SECTORS).astype(int) % _SECTORS
        some = [sector == k for k in range(_SECTORS) if (sector == k).any()]
        means = [np.median(plane[row[one], column[one]]) for one in some]
        # half the band takes its level from farther out: an error of the level moves the edge by it
        return float(np.std(means)) * _BAND_PX / 2 if len(means) > 1 else 0.0


def _shading(plane: Floats, metal: NDArray[np.bool_], *, bent: bool) -> Floats:
    """Return how metal shades over the plane, zero on the mean: straight, or as cupping does about its own middle.

    Metal is seen at its level only some px within its edge; at the edge itself, and out to the tips of teeth, cupping
    has made it brighter than there.
    """
    row, column = np.nonzero(metal)
    if len(row) < _SHADE_PIXELS:
        return np.zeros(plane.shape)
    grey = plane[row, column]
    keep = np.abs(grey - np.median(grey)) < _MOST_SHADE
    y, x = row[keep].mean(), column[keep].mean()
    rows, columns = np.indices(plane.shape)
    v, u = (rows - y) / _SHADE_PX, (columns - x) / _SHADE_PX
    forms = np.stack([u, v, u * u + v * v] if bent else [u, v])
    own = forms[:, row[keep], column[keep]]
    own_mean = own.mean(axis=1)
    slope = np.linalg.lstsq((own - own_mean[:, None]).T, grey[keep] - grey[keep].mean(), rcond=None)[0]
    trend = np.tensordot(slope, forms - own_mean[:, None, None], axes=1)
    return np.asarray(np.clip(trend, -_MOST_SHADE, _MOST_SHADE))


def _away(points: Floats, shape: tuple[int, ...]) -> Floats:
    """Return how far each pixel is from points along an outline, as far as levels are read; infinite beyond."""
    seeds = np.ones(shape, dtype=bool)
    at = np.rint(points).astype(int)
    seeds[np.clip(at[:, 1], 0, shape[0] - 1), np.clip(at[:, 0], 0, shape[1] - 1)] = False
    row, column = np.nonzero(ndimage.distance_transform_edt(seeds) <= _SHADE_PX + 1)
    away = np.full(shape, np.inf)
    away[row, column] = cKDTree(points).query(np.column_stack([column, row]))[0]
    return away


def _to_others(plane: Floats, points: Floats) -> Floats:
    """Return how far each pixel is from the nearest other outline of the plane; infinite where none is near."""
    own = cKDTree(even_points(points))
    curves = [even_points(one.points) for one in trace(plane, smooth_px=0.0, least_area_px2=_LEAST_PX)]
    others = [c for c in curves if np.median(own.query(c, distance_upper_bound=_BAND_PX)[0]) > _OWN_PX]
    return _away(np.concatenate(others), plane.shape) if others else np.full(plane.shape, np.inf)


def _filled(plane: Floats) -> Floats:
    return np.where(np.isfinite(plane), plane, 0.0)


def _mean(plane: Floats, mask: NDArray[np.bool_]) -> float:
    return float(plane[mask].mean()) if mask.any() else 0.0


def _spread(plane: Floats) -> Floats:
    return np.asarray(ndimage.gaussian_filter(plane, _EVEN_PX, mode="constant", truncate=3.0))


def _even(plane: Floats, mask: NDArray[np.bool_], metal: bool) -> tuple[NDArray[np.bool_], float]:
    """Keep what is even of a side, for another edge beside it is not; where too little is left, the stack's levels."""
    if mask.sum() < _LEAST_PX:
        return np.zeros(plane.shape, dtype=bool), 1.0 if metal else 0.0
    typical = float(np.median(plane[mask]))
    spread = 1.4826 * float(np.median(np.abs(plane[mask] - typical)))
    return mask & (np.abs(plane - typical) <= max(4 * spread, 0.05)), typical
