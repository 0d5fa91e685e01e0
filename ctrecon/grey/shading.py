"""How fast even grey changes from place to place: cupping, scatter and beam hardening leave it shaded."""

from collections.abc import Callable, Sequence

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.grey.noise import even_masks

__all__ = ["measure_shading"]

_BLOCK = 10  # px
_CLEAR = 3  # px kept off every edge
_LEAST_BLOCKS = 6


def measure_shading(planes: Callable[[int], Floats], pairs: Sequence[tuple[int, int | None]]) -> float | None:
    """Return the typical slope of the grey within metal and within air, in contrasts per px.

    Parameters
    ----------
    planes : callable
        Returns slice `k` with air 0, metal 1 and NaN where there is no data.
    pairs : sequence of (slice, next slice or None)
        Slices to look at.

    Returns
    -------
    float or None
        Root mean square slope with the noise's share taken off; None where too few even
        blocks of 10 x 10 px were found to tell.

    Notes
    -----
    A plane is fitted to every block. What two neighbouring slices share is shading, what
    they don't is noise; in a single slice the noise's share follows from the scatter
    about the planes.
    """
    slopes: list[Floats] = []
    noise: list[Floats] = []
    for first, second in pairs:
        one = planes(first)
        even = _even_blocks(one)
        mine, scatter = _planes_of(one, even)
        if second is None:
            slopes.append(mine**2 - scatter)
        else:
            other, _ = _planes_of(planes(second), even)
            slopes.append(mine * other)
        noise.append(scatter)
    products = np.concatenate(slopes)
    good = np.isfinite(products)
    if good.sum() < 2 * _LEAST_BLOCKS:
        return None
    products = products[good]
    expected = float(np.median(np.concatenate(noise)[good]))
    # two standard errors of chance on top: little is known from few blocks
    variance = max(float(products.mean()), 0.0) + 2 * expected * float(np.sqrt(2 / len(products)))
    return float(np.sqrt(variance))


def _even_blocks(plane: Floats) -> np.ndarray:
    """Return the corners (row, column) of blocks that are in one material and clear of its edges."""
    out = []
    for mask in even_masks(plane, _CLEAR):
        rows, columns = (n // _BLOCK for n in mask.shape)
        tiles = mask[: rows * _BLOCK, : columns * _BLOCK].reshape(rows, _BLOCK, columns, _BLOCK)
        out.append(np.argwhere(tiles.all(axis=(1, 3))) * _BLOCK)
    return np.concatenate(out)


def _planes_of(plane: Floats, corners: np.ndarray) -> tuple[Floats, Floats]:
    """Return slopes along rows and columns of every block (2B,), and the variance noise gives each."""
    if not len(corners):
        return np.empty(0), np.empty(0)
    at = np.arange(_BLOCK) - (_BLOCK - 1) / 2
    blocks = np.stack([plane[r : r + _BLOCK, c : c + _BLOCK] for r, c in corners]).astype(float)
    blocks -= blocks.mean(axis=(1, 2), keepdims=True)
    spread = _BLOCK * float((at**2).sum())
    down = (blocks * at[:, None]).sum(axis=(1, 2)) / spread
    across = (blocks * at).sum(axis=(1, 2)) / spread
    left = blocks - down[:, None, None] * at[:, None] - across[:, None, None] * at
    variance = (left**2).sum(axis=(1, 2)) / (_BLOCK**2 - 3) / spread
    return np.concatenate([down, across]), np.concatenate([variance, variance])
