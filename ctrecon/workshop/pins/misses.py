"""By how much pins miss the holes of a plate that was put on wrongly."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

__all__ = ["least_miss_mm"]


def least_miss_mm(
    pins: NDArray[np.float64],
    holes: NDArray[np.float64],
    pin_sizes: Sequence[float],
    hole_sizes: Sequence[float],
    *,
    exact_sizes: bool = False,
) -> float:
    """Return the least distance (mm) by which pins miss when each is paired with a hole of its own.

    Parameters
    ----------
    pins, holes : array of (n, 2)
        Centres (mm).
    pin_sizes, hole_sizes : sequence of float
        Diameters (mm). A pin thicker than its hole misses by half the difference more; in a wider hole it has play.
    exact_sizes : bool
        Pair only what has the same diameter.

    Returns
    -------
    float
        The largest miss in the best pairing; infinite where no pairing exists, as with fewer holes than pins.

    Examples
    --------
    >>> least_miss_mm(np.array([[0.0, 0.0], [9.0, 0.0]]), np.array([[9.0, 1.0], [0.0, 0.0]]), [2, 2], [2, 2])
    1.0
    """
    pins, holes = np.asarray(pins, float).reshape(-1, 2), np.asarray(holes, float).reshape(-1, 2)
    if len(pins) == 0:
        return 0.0
    if len(holes) < len(pins):
        return float("inf")
    step = (np.asarray(pin_sizes, float)[:, None] - np.asarray(hole_sizes, float)[None, :]) / 2
    apart = np.hypot(*(pins[:, None] - holes[None]).transpose(2, 0, 1))
    cost = np.where(np.abs(step) < 1e-9, apart, np.inf) if exact_sizes else np.maximum(0.0, apart + step)
    levels = np.unique(cost[np.isfinite(cost)])
    low, high = 0, len(levels)
    while low < high:
        middle = (low + high) // 2
        graph = csr_array((cost <= levels[middle]).astype(np.int8))
        if (maximum_bipartite_matching(graph, perm_type="column") >= 0).all():
            high = middle
        else:
            low = middle + 1
    return float(levels[low]) if low < len(levels) else float("inf")
