"""Cramér-Rao bounds from the Fisher information of the image model, nuisance parameters free."""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from render import PSF, Floats
from scipy.special import ndtr

BLUR = float(np.hypot(PSF, np.sqrt(1 / 12)))
"""Blur of the image model: psf and the voxel's own width, px."""

BAND = 4.5
"""Half width of the band of voxels that make the patch, px."""


def bounds(predict: Callable[[Floats], Floats], p: Floats, noise: float) -> Floats:
    """Standard deviations no unbiased estimate can beat; derivatives by central differences."""
    p = np.asarray(p, dtype=float)
    columns = []
    for i in range(len(p)):
        step = np.zeros(len(p))
        step[i] = 1e-4
        columns.append((predict(p + step) - predict(p - step)) / 2e-4)
    jac = np.column_stack(columns) / noise
    return np.sqrt(np.diag(np.linalg.inv(jac.T @ jac)))


def _step(d: Floats, blur: float, air: float, contrast: float) -> Floats:
    return air + contrast * ndtr(d / blur)


def circle_patch(radius: float, arc_deg: float = 360.0) -> tuple[Floats, Floats]:
    """Voxels (x, y) within the band of a circle about a centre off the grid, over an arc about +x."""
    half = int(radius + BAND + 2)
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    x, y = x - 0.31, y + 0.17
    keep = np.abs(np.hypot(x, y) - radius) <= BAND
    keep &= np.abs(np.degrees(np.arctan2(y, x))) <= arc_deg / 2
    return x[keep], y[keep]


@lru_cache(maxsize=512)
def circle(radius: float, noise: float, arc_deg: float = 360.0) -> tuple[float, float]:
    """Bounds of the diameter and of one coordinate of the centre, one slice, px."""
    x, y = circle_patch(radius, arc_deg)

    def predict(p: Floats) -> Floats:
        d = p[2] - p[3] ** 2 / (2 * p[2]) - np.hypot(x - p[0], y - p[1])
        return _step(d, p[3], p[4], p[5])

    sd = bounds(predict, np.array([0.0, 0.0, radius, BLUR, 0.0, 1.0]), noise)
    return 2 * float(sd[2]), float(sd[0])


@lru_cache(maxsize=64)
def cone(radius: float, noise: float, slices: int, spacing: float) -> tuple[float, float, float]:
    """Bounds of taper (diameter per depth), mid diameter and one slope of the axis of a cylinder in many slices."""
    x, y = circle_patch(radius)
    z = (np.arange(slices) - (slices - 1) / 2) * spacing
    xx, yy, zz = (np.concatenate(v) for v in zip(*[(x, y, np.full(len(x), k)) for k in z], strict=True))

    def predict(p: Floats) -> Floats:
        r = p[2] + p[8] * zz
        d = r - p[3] ** 2 / (2 * r) - np.hypot(xx - p[0] - p[6] * zz, yy - p[1] - p[7] * zz)
        return _step(d, p[3], p[4], p[5])

    sd = bounds(predict, np.array([0.0, 0.0, radius, BLUR, 0.0, 1.0, 0.0, 0.0, 0.0]), noise)
    return 2 * float(sd[8]), 2 * float(sd[2]), float(sd[6])
