"""The local grey of a slice: air and metal levels that vary slowly, fitted so that nothing unexplained bends them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats

__all__ = ["Grey", "SlowResidual", "fit_grey_levels"]

_SAMPLES = 12_000
_CUTS = (0.5, 0.4, 0.3)  # of the contrast: shrinking limits beyond which a voxel has no say
_FEWEST = 200  # voxels that carry a level of their own
_CORE = 0.98
_SLOW_PX = 31
_MEMORY = 8.0  # slices
_SLOW_PRIOR = 60.0  # voxels' worth of belief that there is no slow rest
_TERMS = 6  # 1, x, y, xx, xy, yy
_PRODUCTS = np.array(
    [
        [0, 1, 2, 3, 4, 5], [1, 3, 4, 6, 7, 8], [2, 4, 5, 7, 8, 9],
        [3, 6, 7, 10, 11, 12], [4, 7, 8, 11, 12, 13], [5, 8, 9, 12, 13, 14],
    ]
)  # fmt: skip
"""Which of the fifteen powers is the product of each two terms."""

_START = np.array([0.0, 0, 0, 0, 0, 0, 1.0, 0, 0, 0, 0, 0])


@dataclass(frozen=True, eq=False)
class Grey:
    """Predicted grey of a slice and its local contrast (metal less air), both in units of the stack's contrast."""

    plane: Floats
    contrast: Floats
    levels: Floats


def fit_grey_levels(
    grey: Floats, share: Floats, usable: NDArray[np.bool_], noise: float, *, before: Floats | None = None
) -> Grey:
    """Fit air and metal, each a second-order surface over the slice, to what the record predicts.

    Voxels that contradict the prediction lose their say (Tukey weights, shrinking limits).
    Weak priors (level as elsewhere in the stack, no slope) hold what too few voxels show; a
    slice with hardly any sound air or metal takes that level from `before`, the `levels` of a
    slice fitted earlier.
    """
    rows, columns = grey.shape
    v = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    u = np.linspace(-1, 1, columns, dtype=np.float32)[None, :]
    at = np.flatnonzero(usable)
    p = _START if before is None else before
    spread = np.array([0.3, 0.1, 0.1, 0.1, 0.1, 0.1] * 2)
    for sound, own in ((share < 0.1, slice(0, 6)), (share > 0.9, slice(6, 12))):
        if int((sound & usable).sum()) < _FEWEST:
            spread[own] = 1e-4
    if len(at):
        # metal fills little of some slices: both populations get their share of the samples
        metal = share.ravel()[at] > 0.5
        picks = [one[:: max(1, -(-len(one) // (_SAMPLES // 2)))] for one in (at[metal], at[~metal])]
        p = _robust(grey, share, np.concatenate(picks), p, spread, noise)
    air = _surface(p[:6], u, v)
    metal_level = _surface(p[6:], u, v)
    contrast = metal_level - air
    return Grey(air + contrast * share, contrast, p)


def _robust(
    grey: Floats, share: Floats, picks: NDArray[np.intp], p: Floats, spread: Floats, noise: float
) -> Floats:
    """Fit air and metal to the picked voxels by weights that shrink.

    What the normal equations hold of the places are sums of products of their powers, fifteen in all: they are
    summed with three weights (air, metal, both) instead of all pairs of twelve columns.
    """
    rows, columns = grey.shape
    i, j = np.divmod(picks, columns)
    powers = _powers(2 * j / max(columns - 1, 1) - 1.0, 2 * i / max(rows - 1, 1) - 1.0)
    terms = powers[:_TERMS]
    s = share.ravel()[picks].astype(float)
    air = 1 - s
    value = grey.ravel()[picks].astype(float)
    start = p.copy()
    prior = np.diag((max(noise, 0.01) / spread) ** 2)
    pull = prior @ start
    whole = np.stack([air * air, air * s, s * s, air * value, s * value])
    # the same room is used in every round: asking for it anew takes longer than the sums
    level, weighted = np.empty((2, len(s))), np.empty_like(whole)
    for cut in (*_CUTS, 0.0, 0.0, 0.0):
        limit = max(cut, 5 * noise, 0.03)
        np.matmul(p.reshape(2, _TERMS), terms, out=level)
        level[0] *= air
        level[1] *= s
        weight = np.subtract(value, level[0], out=level[0])
        weight -= level[1]
        weight /= limit
        weight *= weight
        np.subtract(1, weight, out=weight)
        np.maximum(weight, 0, out=weight)
        weight *= weight
        np.multiply(whole, weight, out=weighted)
        sums, right = powers @ weighted[:3].T, terms @ weighted[3:].T
        one, both, two = (sums[:, k][_PRODUCTS] for k in range(3))
        p = np.linalg.solve(np.block([[one, both], [both, two]]) + prior, right.T.ravel() + pull)
    return p


def _powers(x: Floats, y: Floats) -> Floats:
    """Return the products of x and y up to the fourth order, those of a second-order surface first."""
    out = np.empty((15, len(x)))
    out[0], out[1], out[2] = 1.0, x, y
    first, start = 1, 3  # each order is the one before times x, and its last times y
    for order in range(2, 5):
        np.multiply(out[first : first + order], x, out=out[start : start + order])
        np.multiply(out[first + order - 1], y, out=out[start + order])
        first, start = start, start + order + 1
    return out


def _surface(p: Floats, u: Floats, v: Floats) -> Floats:
    q = p.astype(np.float32)
    return np.asarray((q[0] + q[1] * u + q[3] * u * u) + (q[2] * v + q[5] * v * v) + q[4] * u * v)


class SlowResidual:
    """What of the residual (noise units) varies slowly inside metal and inside air, slice after slice.

    Means over windows of 31 voxels that leave out what stands out, alone or, with its
    neighbours, on the slices up to this one: a seam would else drag its surroundings along.
    """

    def __init__(self) -> None:
        self._mean: Floats | None = None
        self._slices = 0.0

    def of(self, residual: Floats, share: Floats, usable: NDArray[np.bool_]) -> Floats:
        """Return the slow part of the next slice, blended between metal and air by the share."""
        self._slices = min(self._slices + 1, _MEMORY)
        if self._mean is None:
            self._mean = residual.copy()
        else:
            self._mean += (residual - self._mean) / np.float32(self._slices)
        stands_out = np.abs(ndimage.uniform_filter(self._mean, 3)) > 0.35 + 1.5 / np.sqrt(self._slices)
        quiet = (np.abs(residual) < 3.5) & ~stands_out & usable
        out = np.zeros_like(residual)
        for core, part in ((share > _CORE, share), (share < 1 - _CORE, 1 - share)):
            weight = (core & quiet).astype(np.float32)
            total = ndimage.uniform_filter(residual * weight, _SLOW_PX, mode="constant")
            count = ndimage.uniform_filter(weight, _SLOW_PX, mode="constant")
            out += part * total / (count + np.float32(_SLOW_PRIOR / _SLOW_PX**2))
        self._mean -= out / np.float32(self._slices)
        return out
