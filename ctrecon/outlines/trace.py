"""Half-height outlines of one plane: closed curves with their side of the metal."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage import measure

from ctrecon.core.frames import Floats

__all__ = ["Outline", "even_points", "trace"]

_LEAST_AREA_PX2 = 9.0
_CONTOURS: Callable[..., list[Floats]] = measure.find_contours


@dataclass(frozen=True, eq=False)
class Outline:
    """One outline in (column, row) pixels of the plane it was traced on.

    `hole` tells whether the metal lies outside it; `whole` is False where it runs into
    the border or into voxels without data. `points` is (N, 2), first = last when whole.
    """

    points: Floats
    hole: bool
    whole: bool
    area_px2: float
    x_px: float
    y_px: float

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Smallest x, smallest y, largest x, largest y."""
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def trace(plane: Floats, *, smooth_px: float = 0.7, least_area_px2: float = _LEAST_AREA_PX2) -> tuple[Outline, ...]:
    """Trace the half-height outlines of a plane whose air is 0 and metal 1.

    Sub-pixel by linear interpolation of a lightly smoothed plane; every figure that is
    reported comes from a later fit of the grey values, so the small inward shift of
    curved half-height edges does no harm here.

    Parameters
    ----------
    plane : (rows, columns) array
        Air 0, metal 1, NaN where there is no data.
    smooth_px : float
        Sigma of the Gaussian smoothing in pixels.
    least_area_px2 : float
        Smaller outlines are left out.

    Returns
    -------
    tuple of Outline
        In the order of their size, largest first.
    """
    lost = ~np.isfinite(plane)
    filled = np.where(lost, 0.0, plane)
    if smooth_px > 0:
        filled = ndimage.gaussian_filter(filled, smooth_px)
    # a rim of air closes outlines at the border; what runs along lost voxels is not whole
    padded = np.pad(filled, 1)
    unsure = np.pad(lost, 3) if lost.any() else None
    found = []
    for curve in _CONTOURS(padded, 0.5, fully_connected="low", positive_orientation="high"):
        if len(curve) < 8:
            continue
        row, column = curve[:-1, 0], curve[:-1, 1]
        cross = column * np.roll(row, -1) - np.roll(column, -1) * row
        signed = float(cross.sum()) / 2
        if abs(signed) < least_area_px2:
            continue
        next_column, next_row = np.roll(column, -1), np.roll(row, -1)
        x = float(((column + next_column) * cross).sum() / (6 * signed)) - 1
        y = float(((row + next_row) * cross).sum() / (6 * signed)) - 1
        at = np.round(curve).astype(int)
        height, width = padded.shape
        edge = (at[:, 0] <= 1) | (at[:, 1] <= 1) | (at[:, 0] >= height - 2) | (at[:, 1] >= width - 2)
        broken = bool(edge.any() or (unsure is not None and _near(unsure, at + 2)))
        hole = _metal_outside(filled, curve - 1)
        points = np.column_stack([curve[:, 1] - 1, curve[:, 0] - 1])
        found.append(Outline(points, hole, not broken, abs(signed), x, y))
    return tuple(sorted(found, key=lambda o: (-o.area_px2, o.y_px, o.x_px)))


def _near(marked: NDArray[np.bool_], at: NDArray[np.int64]) -> bool:
    """Return whether one of some pixels (row, column) lies within two steps of a marked one."""
    steps = [(i, j) for i in range(-2, 3) for j in range(-2, 3) if abs(i) + abs(j) <= 2]
    return any(bool(marked[at[:, 0] + i, at[:, 1] + j].any()) for i, j in steps)


def _metal_outside(plane: Floats, curve: Floats) -> bool:
    """Decide by the grey just left and right of the curve on which side the metal lies."""
    step = max(1, (len(curve) - 1) // 64)
    a, b = curve[:-1:step], curve[1::step][: len(curve[:-1:step])]
    a = a[: len(b)]
    direction = b - a
    size = np.linalg.norm(direction, axis=1, keepdims=True)
    normal = np.column_stack([direction[:, 1], -direction[:, 0]]) / np.where(size > 0, size, 1)
    middle = (a + b) / 2
    row, column = curve[:-1, 0], curve[:-1, 1]
    turn = float((column * np.roll(row, -1) - np.roll(column, -1) * row).sum())
    inward = normal if turn > 0 else -normal
    inside, outside = (
        ndimage.map_coordinates(plane, (middle + sign * inward).T, order=1, mode="nearest") for sign in (1.0, -1.0)
    )
    return float(np.mean(inside - outside)) < 0


def even_points(points: Floats, spacing: float = 0.7) -> Floats:
    """Return points at even steps of about `spacing` along a closed or open curve."""
    step = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    count = max(8, round(along[-1] / spacing))
    at = np.arange(count) * along[-1] / count
    return np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])])
