"""What lies about each pixel, for whole slices: as the filters of scipy give it, several times as fast."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats

__all__ = ["largest_about", "slope", "spread"]


def spread(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return where a square window of 2 `reach` + 1 pixels about a pixel meets the mask."""
    out = mask.copy()
    for turned in (out, out.T):
        for step in _steps(reach):
            before = turned.copy(order="K")
            turned[step:] |= before[:-step]
            turned[:-step] |= before[step:]
    return out


def largest_about(values: Floats, reach: int) -> Floats:
    """Return the largest value in a square window of 2 `reach` + 1 pixels about each pixel."""
    out = values.copy()
    for turned in (out, out.T):
        for step in _steps(reach):
            before = turned.copy(order="K")
            np.maximum(turned[step:], before[:-step], out=turned[step:])
            np.maximum(turned[:-step], before[step:], out=turned[:-step])
    return out


def slope(values: Floats) -> Floats:
    """Return how steep the values are at each pixel, per pixel, by Sobel's operator; mirrored at the border."""
    wide = np.pad(values, 1, mode="symmetric")
    parts = []
    for turned in (wide, wide.T):
        change = turned[:, 2:] - turned[:, :-2]
        across = change[1:-1] * 2
        across += change[:-2]
        across += change[2:]
        parts.append(across)
    return np.asarray(np.hypot(parts[0], parts[1].T) / 8)


def _steps(reach: int) -> Iterator[int]:
    """Yield shifts of which each goes beyond all that those before have reached by one: 1, 2, 4 ..."""
    done = 0
    while done < reach:
        step = min(done + 1, reach - done)
        done += step
        yield step
