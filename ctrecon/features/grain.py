"""How the noise of a stack hangs together from voxel to voxel: what averaging many voxels really gains."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.slices.survey import Survey

__all__ = ["find_grain"]

_BLOCKS = (3, 6)
_PAIRS = 8
_KEEP_OFF = 5
_MOST = 30.0


def find_grain(survey: Survey) -> float:
    """Return by how much correlated noise raises the variance of a mean over many voxels; 1 for white noise.

    Compares the scatter of block means with that of single voxels, in metal and air away
    from every edge. Differences of blocks two apart leave slow shading out, medians what a
    face or a fillet shades. Blocks of two sizes tell what larger ones would show;
    neighbouring slices give the correlation through depth.
    """
    body = survey.bodies[0]
    firsts = [k for k in range(body.low[0], body.high[0]) if not {k, k + 1} & set(survey.stack.missing)]
    if not firsts:
        return 1.0
    rows = slice(max(0, body.low[1] - 12), body.high[1] + 13)
    columns = slice(max(0, body.low[2] - 12), body.high[2] + 13)
    single: list[Floats] = []
    means: dict[int, list[tuple[Floats, Floats]]] = {size: [] for size in _BLOCKS}
    for k in sorted({firsts[round(i)] for i in np.linspace(0, len(firsts) - 1, _PAIRS)}):
        first, second = (survey.plane(i)[rows, columns].astype(float) for i in (k, k + 1))
        even = _even(first) & _even(second)
        apart = first[12:] - first[:-12]
        single.append(apart[even[12:] & even[:-12] & (np.abs(apart) < 0.5)])
        for size, found in means.items():
            found += _differences(first, second, even, size)
    voxel = np.concatenate(single)
    if len(voxel) < 60 or not np.median(np.abs(voxel)) > 0:
        return 1.0
    factors = []
    for size, found in means.items():
        d1, d2 = (np.concatenate([pair[i] for pair in found]) for i in (0, 1))
        if len(d1) < 60:
            return 1.0
        block = (_scatter2(d1) + _scatter2(d2)) / 2
        factors.append(size**2 * block / _scatter2(voxel))
        rho = float(np.clip((_scatter2(d1 + d2) - _scatter2(d1 - d2)) / (4 * block), 0.0, 0.6))
        chance = 3 * np.sqrt(2 / len(d1))
    across = factors[1]
    if across < 1 + chance:  # what a few hundred blocks show above white noise by chance is no correlation
        return 1.0
    # a block of n px misses what reaches over its border, in either direction a share of 1/n
    across = max(across, float(2 * np.sqrt(factors[1]) - np.sqrt(factors[0])) ** 2)
    along = (1 + rho) / (1 - rho) if rho > chance else 1.0
    return float(np.clip(across * along, 1.0, _MOST))


def _scatter2(values: Floats) -> float:
    """Variance about zero from the median of the sizes."""
    return float(1.4826 * np.median(np.abs(values))) ** 2


def _even(plane: Floats) -> NDArray[np.bool_]:
    """Tell the voxels that lie well away from every edge."""
    smooth = ndimage.gaussian_filter(np.nan_to_num(plane), 1.0)
    steep = (smooth > 0.25) & (smooth < 0.75)
    return np.asarray(~ndimage.binary_dilation(steep | ~np.isfinite(plane), iterations=_KEEP_OFF))


def _differences(first: Floats, second: Floats, even: NDArray[np.bool_], size: int) -> list[tuple[Floats, Floats]]:
    """Return differences of block means two blocks apart along rows and columns, in two neighbouring slices."""
    rows, columns = (n // size for n in first.shape)

    def blocks(plane: Floats) -> Floats:
        return np.asarray(plane[: rows * size, : columns * size].reshape(rows, size, columns, size).mean(axis=(1, 3)))

    whole = blocks(even.astype(float)) > 0.999
    one, two = blocks(first), blocks(second)
    out: list[tuple[Floats, Floats]] = []
    for a, b in ((np.s_[2:], np.s_[:-2]), (np.s_[:, 2:], np.s_[:, :-2])):
        pair = whole[a] & whole[b]
        d1, d2 = (one[a] - one[b])[pair], (two[a] - two[b])[pair]
        like = (np.abs(d1) < 0.5) & (np.abs(d2) < 0.5)  # metal with metal, air with air
        out.append((d1[like], d2[like]))
    return out
