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
from ctrecon.outlines.trace import even_points, trace
from ctrecon.slices.square_up import SquaredStack

__all__ = ["FreeArea", "area_of_grey", "free_area"]

_BAND_PX = 3.0  # beside the outline: three times the blur, so that all of it is in the sum
_LEVEL_PX = 5.5  # out to here, beyond the band, air and metal are read
_EVEN_PX = 6.0  # width over which air and metal may change
_BLOCKS = 8  # of depth: their scatter is the noise of the figure
_TWO_BLOCKS = 4.0  # Student's factor for two is beyond all use
_SECTORS = 8
_LEAST_U_PX = 0.01  # blur that is not the same on both sides, an edge that is not straight through depth
_OWN_PX = 0.6  # an outline of the plane that keeps this near to the given one is the given one
_LEAST_PX = 12  # pixels of air or of metal: fewer say nothing, and the stack's own levels stand


@dataclass(frozen=True)
class FreeArea:
    """Area (px²) and middle (px) of an outline on the squared plane, with standard uncertainties."""

    area: float
    x: float
    y: float
    u_area: float
    u_x: float
    u_y: float


def free_area(squared: SquaredStack, candidate: Candidate) -> FreeArea:
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
    points = span.points - np.array(span.corner)
    whole, length, drift = area_of_grey(_filled(span.mean), points)
    first, last = trimmed(span.first, span.last)
    count = min(_BLOCKS, (last - first + 1) // 2)
    u = np.zeros(3)
    if count > 1:
        edges = np.linspace(first, last + 1, count + 1).astype(int)
        box = (left, top, left + columns, top + rows)
        means = (mean_window(squared, a, b - 1, box) for a, b in pairwise(edges))
        some = np.array([area_of_grey(_filled(m), points)[0] for m in means])
        # few blocks say little of their own scatter: Student's factor at 95 % over that of many (JCGM 100, G.3)
        few = float(stdtrit(count - 1, 0.975) / ndtri(0.975))
        u = some.std(axis=0, ddof=1) / np.sqrt(count)
        u[1:] = np.sqrt(np.mean(u[1:] ** 2))
        u *= few if count > 2 else _TWO_BLOCKS
    shared = np.hypot(drift, _LEAST_U_PX) * length / np.sqrt(_SECTORS)
    u_area = float(np.hypot(u[0], np.hypot(shared, _LEAST_U_PX * length)))
    u_x, u_y = (float(np.hypot(v, np.hypot(drift, _LEAST_U_PX) / np.sqrt(_SECTORS / 2))) for v in u[1:])
    return FreeArea(float(whole[0]), float(whole[1] + left), float(whole[2] + top), u_area, u_x, u_y)


def area_of_grey(plane: Floats, points: Floats) -> tuple[Floats, float, float]:
    """Sum the inside of a closed outline: whole pixels within, shares of air and metal in a band beside the outline.

    Parameters
    ----------
    plane : float array (R, C)
        Grey, air 0 and metal 1.
    points : float array (N, 2)
        Column and row along the outline, roughly at half height.

    Returns
    -------
    float array (3,)
        Area in px², column and row of its middle.
    float
        Length of the outline, px.
    float
        How far the metal's grey beside it differs from sector to sector, as a shift of the edge, px.
    """
    rows, columns = np.indices(plane.shape)
    pixels = np.column_stack([columns.ravel(), rows.ravel()]).astype(float)
    fine = even_points(points)
    away = np.asarray(cKDTree(fine).query(pixels, distance_upper_bound=_LEVEL_PX + 1)[0]).reshape(plane.shape)
    inside = np.asarray(shapely.contains_xy(shapely.Polygon(points), pixels)).reshape(plane.shape)
    metal_in = _mean(plane, inside & (away > 0.5) & (away <= _BAND_PX)) > _mean(
        plane, ~inside & (away > 0.5) & (away <= _BAND_PX)
    )
    other = _to_others(plane, points, pixels).reshape(plane.shape)
    near = (away <= _BAND_PX) & (away <= other)
    beside = (away > _BAND_PX) & (away <= _LEVEL_PX) & (other > _BAND_PX)
    within = _levels(plane, beside & inside, 1.0 if metal_in else 0.0)
    without = _levels(plane, beside & ~inside, 0.0 if metal_in else 1.0)
    step = within - without
    share = np.where(near, (plane - without) / np.where(np.abs(step) > 0.2, step, np.sign(step) + (step == 0)), inside)
    area = float(share.sum())
    middle = np.array([(share * columns).sum(), (share * rows).sum()]) / max(area, 1e-9)
    length = float(np.hypot(*np.diff(np.vstack([points, points[:1]]), axis=0).T).sum())
    metal = beside & (inside if metal_in else ~inside)
    return np.array([area, *middle]), length, _drift(plane, metal, middle)


def _to_others(plane: Floats, points: Floats, pixels: Floats) -> Floats:
    """Return how far each pixel is from the nearest other outline of the plane; infinite where none is near."""
    own = cKDTree(even_points(points))
    curves = [even_points(one.points) for one in trace(plane, smooth_px=0.0, least_area_px2=_LEAST_PX)]
    others = [c for c in curves if np.median(own.query(c, distance_upper_bound=_BAND_PX)[0]) > _OWN_PX]
    if not others:
        return np.full(len(pixels), np.inf)
    return np.asarray(cKDTree(np.concatenate(others)).query(pixels, distance_upper_bound=_BAND_PX + _LEVEL_PX)[0])


def _filled(plane: Floats) -> Floats:
    return np.where(np.isfinite(plane), plane, 0.0)


def _mean(plane: Floats, mask: NDArray[np.bool_]) -> float:
    return float(plane[mask].mean()) if mask.any() else 0.0


def _levels(plane: Floats, mask: NDArray[np.bool_], else_: float) -> Floats:
    """Spread the grey of a mask smoothly over the plane; what is not even (another edge beside it) does not count."""
    if mask.sum() < _LEAST_PX:
        return np.full(plane.shape, else_)
    typical = float(np.median(plane[mask]))
    spread = 1.4826 * float(np.median(np.abs(plane[mask] - typical)))
    good = mask & (np.abs(plane - typical) <= max(4 * spread, 0.05))
    weight = ndimage.gaussian_filter(good.astype(float), _EVEN_PX, mode="constant")
    total = ndimage.gaussian_filter(np.where(good, plane, 0.0), _EVEN_PX, mode="constant")
    return np.asarray((total + 1e-3 * typical) / (weight + 1e-3))


def _drift(plane: Floats, metal: NDArray[np.bool_], middle: Floats) -> float:
    """Return how the metal beside the outline differs between sectors, as a shift of the edge (px)."""
    row, column = np.nonzero(metal)
    angle = np.arctan2(row - middle[1], column - middle[0])
    sector = ((angle + np.pi) / (2 * np.pi) * _SECTORS).astype(int) % _SECTORS
    means = [np.median(plane[row[sector == k], column[sector == k]]) for k in range(_SECTORS) if (sector == k).any()]
    # half the band takes its level from farther out: an error of the level moves the edge by it
    return float(np.std(means)) * _BAND_PX / 2 if len(means) > 1 else 0.0
