"""Grey inside solid metal, averaged over blocks of planes and freed of everything broad: where seams are sought."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats

__all__ = ["SeamField", "SolidMetal", "smooth_field"]

_CLEAR_PX = 3
_MOST_BLOCKS = 12
PLAIN = (3.0, 0.85)
"""Widths (sigma, px) of the trend that is taken off and of the smoothing, where pixels do not share their noise."""
_SHARED = (1.0, 0.0)  # where they do, what is finer than the noise tells most
_BETTER = 1.2
_BLUR_PX = 0.87
_ROW_PX = 12
_LOUDEST = 5.0
_LEAST_PIXELS = 60
_ALONG = 2.1  # px along a line that share their noise, after smoothing
_LEAST_OF_NOISE = 0.85


class SolidMetal:
    """Per plane of the square grid, the pixels in sound metal clear of every edge; kept as bits.

    A pixel counts when all metal within 3 px in the plane, and within two planes above and below, is sound:
    walls and faces are no seams.
    """

    def __init__(self, plane: Callable[[int], Floats], count: int) -> None:
        self._bits: list[NDArray[np.uint8]] = []
        self._count = count
        self._shape = (0, 0)
        for k in range(count):
            grey = np.nan_to_num(plane(k))
            self._shape = (grey.shape[0], grey.shape[1])
            metal = ndimage.gaussian_filter(grey, 0.8) > 0.45
            # pores and the seam itself are narrow: only what is wider counts as an edge
            metal = ndimage.binary_closing(np.pad(metal, 3), iterations=1)[3:-3, 3:-3]
            clear = ndimage.minimum_filter(metal.astype(np.uint8), size=2 * _CLEAR_PX + 1, mode="constant", cval=0)
            self._bits.append(np.packbits(clear))

    def __len__(self) -> int:
        return self._count

    def in_plane(self, k: int) -> NDArray[np.bool_]:
        """Return the pixels clear of edges in plane k alone; the outermost planes stand for what lies beyond them."""
        k = min(max(k, 0), self._count - 1)
        size = self._shape[0] * self._shape[1]
        return np.unpackbits(self._bits[k], count=size).reshape(self._shape).astype(bool)

    def __getitem__(self, k: int) -> NDArray[np.bool_]:
        return self.in_plane(k - 2) & self.in_plane(k) & self.in_plane(k + 2)


@dataclass(frozen=True, eq=False)
class SeamField:
    """Blocks of planes: `fine` (blocks, rows, columns) is what is left of the grey, matched to a thin dip.

    `weight` is the share of the block's planes in which the pixel is solid, `mean` the plain mean grey,
    `starts` the first plane of every block and, last, the plane after the last block.
    """

    fine: NDArray[np.float32]
    weight: NDArray[np.float32]
    mean: NDArray[np.float32]
    starts: tuple[int, ...]
    kernel: tuple[float, float] = PLAIN

    @classmethod
    def of(cls, plane: Callable[[int], Floats], solid: SolidMetal) -> "SeamField | None":
        """Average the planes by block; None where there is no solid metal to search."""
        planes = [k for k in range(len(solid)) if solid[k].sum() > _LEAST_PIXELS]
        if not planes:
            return None
        first, last = planes[0], planes[-1]
        size = max(1, int(np.ceil((last - first + 1) / _MOST_BLOCKS)))
        starts = list(range(first, last + 1, size))
        weights, means = [], []
        for start in starts:
            mean, weight = average(plane, solid, range(start, min(start + size, last + 1)))
            weights.append(weight)
            means.append(mean)
        middle = len(starts) // 2
        kernel = _kernel_for(means[middle], weights[middle])
        fine = [smooth_field(m, w, kernel) for m, w in zip(means, weights, strict=True)]
        return cls(np.array(fine), np.array(weights), np.array(means), (*starts, last + 1), kernel)

    @cached_property
    def least_spread(self) -> float:
        """Least scatter of summed scores that the noise of single pixels allows."""
        each = [
            float(np.median(np.abs(f[w > 0.5]))) for f, w in zip(self.fine, self.weight, strict=True) if (w > 0.5).any()
        ]
        return _LEAST_OF_NOISE * _ALONG**0.5 * 1.4826 * float(np.median(each)) if each else 0.0

    def run(self, a: int, b: int) -> tuple[Floats, Floats]:
        """Return fine grey and weight of blocks a to b (inclusive), joined."""
        weight = self.weight[a : b + 1].sum(axis=0)
        fine = (self.fine[a : b + 1] * self.weight[a : b + 1]).sum(axis=0) / np.maximum(weight, 1e-6)
        return fine, weight / (b - a + 1)

    def runs(self) -> Iterator[tuple[int, int]]:
        """Yield stretches of blocks, coarse enough to be few, fine enough that any stretch is met by most of one."""
        count = len(self.starts) - 1
        for length in (1, 2, 3, 4, 6, 9, 12):
            if length > count:
                break
            step = max(1, length // 4)
            places = list(range(0, count - length + 1, step))
            if places[-1] != count - length:
                places.append(count - length)
            for a in places:
                yield a, a + length - 1
        if count not in (1, 2, 3, 4, 6, 9, 12):
            yield 0, count - 1

    def cleaned(self, near: NDArray[np.bool_]) -> "SeamField":
        """Return the field worked out anew without the pixels `near` a seam, so that it leaves no trace beside it."""
        weight = self.weight.copy()
        weight[:, near] = 0.0
        fine = [smooth_field(m, w, self.kernel) for m, w in zip(self.mean, weight, strict=True)]
        return SeamField(np.array(fine), weight, self.mean, self.starts, self.kernel)


def average(plane: Callable[[int], Floats], solid: SolidMetal, planes: range) -> tuple[Floats, Floats]:
    """Return the mean grey of some planes where they are solid, and the share of planes that are."""
    total: Floats | None = None
    count: Floats | None = None
    for k in planes:
        good = solid[k].astype(np.float32)
        grey = np.nan_to_num(plane(k)).astype(np.float32) * good
        total = grey if total is None else total + grey
        count = good if count is None else count + good
    assert total is not None
    assert count is not None
    return np.asarray(total / np.maximum(count, 1), dtype=np.float32), np.asarray(count / len(planes), np.float32)


def _kernel_for(mean: Floats, weight: Floats) -> tuple[float, float]:
    """Choose the widths by which a faint line stands out best of this metal's own grey."""
    worth = []
    for wide, narrow in (PLAIN, _SHARED):
        fine = smooth_field(mean, weight, (wide, narrow))
        inside = weight > 0.5
        scatter = []
        for axis in (0, 1):
            whole = ndimage.minimum_filter1d(inside.astype(np.uint8), _ROW_PX, axis=axis).astype(bool)
            if whole.sum() >= _LEAST_PIXELS:
                values = ndimage.uniform_filter1d(fine, _ROW_PX, axis=axis)[whole]
                scatter.append(float(np.median(np.abs(values - np.median(values)))))
        if not scatter or max(scatter) <= 0:
            return PLAIN
        dip = 1 / np.hypot(_BLUR_PX, narrow) - 1 / np.sqrt(_BLUR_PX**2 + narrow**2 + wide**2)
        worth.append(dip / float(np.mean(scatter)))
    return _SHARED if worth[1] > _BETTER * worth[0] else PLAIN


def smooth_field(mean: Floats, weight: Floats, kernel: tuple[float, float] = PLAIN) -> NDArray[np.float32]:
    """Take off the local straight trend of the grey and smooth what is left to the width of a thin dip.

    Summed along a line, an isotropic kernel acts across it like its own projection: so one picture serves lines of
    every direction. The trend is a plane fitted under a Gaussian window to solid pixels only, so that neither
    cupping nor a wall beside leaves a mark. Single loud pixels (pores, cracks) speak with five deviations at most.
    """
    rows, columns = np.nonzero(weight > 0)
    out = np.zeros(weight.shape, dtype=np.float32)
    if not len(rows):
        return out
    wide, narrow = kernel
    margin = int(3 * wide) + 1
    box = (
        slice(max(rows.min() - margin, 0), rows.max() + margin + 1),
        slice(max(columns.min() - margin, 0), columns.max() + margin + 1),
    )
    w = weight[box].astype(float)
    f = np.where(w > 0, mean[box].astype(float) - float(np.median(mean[weight > 0])), 0.0)
    y, x = np.indices(w.shape, dtype=float)
    y, x = y - y.mean(), x - x.mean()

    def blurred(values: Floats, width: float = wide) -> Floats:
        return np.asarray(ndimage.gaussian_filter(values, width, mode="constant", truncate=3.0))

    m = blurred(w)
    safe = np.maximum(m, 1e-9)
    mx, my, mf = blurred(w * x) / safe, blurred(w * y) / safe, blurred(w * f) / safe
    xx = blurred(w * x * x) / safe - mx * mx
    yy = blurred(w * y * y) / safe - my * my
    xy = blurred(w * x * y) / safe - mx * my
    xf = blurred(w * x * f) / safe - mx * mf
    yf = blurred(w * y * f) / safe - my * mf
    # a narrow strip of metal has no slope across it to speak of: draw that slope towards nothing
    xx, yy = xx + 0.3, yy + 0.3
    det = np.maximum(xx * yy - xy * xy, 1e-6)
    slope_x, slope_y = (yy * xf - xy * yf) / det, (xx * yf - xy * xf) / det
    left = np.where(w > 0, f - mf - slope_x * (x - mx) - slope_y * (y - my), 0.0)
    spread = 1.4826 * float(np.median(np.abs(left[w > 0])))
    left = np.clip(left, -_LOUDEST * spread, _LOUDEST * spread)
    near = blurred(w, narrow)
    out[box] = np.where(w > 0, blurred(left * w, narrow) / np.maximum(near, 1e-6), 0.0)
    return out
