"""Grey inside solid metal, averaged over blocks of planes and freed of everything broad: where seams are sought."""

import zlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.ahead import ahead
from ctrecon.core.frames import Floats
from ctrecon.seams.smooth import PLAIN, smooth_field, smooth_fields

__all__ = ["SeamField", "SolidMetal", "average"]

_CLEAR_PX = 3
_FEWEST_BLOCKS, _MOST_BLOCKS = 6, 12
_MOST_PIXELS = 3.6e6  # of all blocks together: large planes want their memory
_SHARED = (1.0, 0.0)  # where they do, what is finer than the noise tells most
_BETTER = 1.2
_BLUR_PX = 0.87
_ROW_PX = 12
_LEAST_PIXELS = 60
_ALONG = {1: 2.1, 2: 1.25, 4: 1.0, 8: 1.0}  # cells along a line that share their noise, after smoothing, by their width
_LEAST_OF_NOISE = 0.85


class SolidMetal:
    """Per plane of the part grid, the pixels in sound metal clear of every edge; kept packed.

    A pixel counts when all metal within 3 px in the plane, and within two planes above and below, is sound:
    walls and faces are no seams. What the scan did not reach is no edge either, but it does not count itself.
    """

    def __init__(self, plane: Callable[[int], Floats] | None = None, count: int = 0) -> None:
        self._clear: list[bytes] = []
        self._known: list[bytes] = []
        self._shape = (0, 0)
        if plane is not None:
            for k in range(count):
                self.add(plane(k))

    def add(self, grey: Floats) -> None:
        """Take in the next plane."""
        known = np.isfinite(grey)
        self._shape = (grey.shape[0], grey.shape[1])
        metal = ndimage.gaussian_filter(np.where(known, grey, np.float32(1.0)), 0.8) > 0.45
        # pores and the seam itself are narrow: only what is wider counts as an edge
        metal = _closed(metal)
        clear = ndimage.minimum_filter(metal.astype(np.uint8), size=2 * _CLEAR_PX + 1, mode="constant", cval=0)
        self._clear.append(_packed(clear))
        self._known.append(_packed(known))

    def __len__(self) -> int:
        return len(self._clear)

    def __getitem__(self, k: int) -> NDArray[np.bool_]:
        solid = np.bitwise_and.reduce(self._bits(k))
        return np.unpackbits(solid, count=self._shape[0] * self._shape[1]).reshape(self._shape).view(bool)

    def at(self, k: int, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Return which of some pixels of plane k are solid."""
        place = rows * self._shape[1] + columns
        byte, bit = place >> 3, np.uint8(1) << (7 - (place & 7)).astype(np.uint8)
        out = np.ones(len(place), dtype=bool)
        for packed in self._bits(k):
            out &= (packed[byte] & bit) > 0
        return out

    def _bits(self, k: int) -> list[NDArray[np.uint8]]:
        """Return what makes plane k solid; the outermost planes stand for what lies beyond them."""
        clear = [self._clear[min(max(n, 0), len(self) - 1)] for n in (k - 2, k, k + 2)]
        return [np.frombuffer(zlib.decompress(one), np.uint8) for one in (*clear, self._known[k])]


def _closed(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a mask without gaps of one or two pixels: grown by a pixel along rows and columns, then shrunk again."""
    wide = np.pad(mask, 2)
    out = wide.copy()
    for axis in (0, 1):
        low, high = [slice(None)] * 2, [slice(None)] * 2
        low[axis], high[axis] = slice(None, -1), slice(1, None)
        out[tuple(high)] |= wide[tuple(low)]
        out[tuple(low)] |= wide[tuple(high)]
    return out[2:-2, 2:-2] & out[1:-3, 2:-2] & out[3:-1, 2:-2] & out[2:-2, 1:-3] & out[2:-2, 3:-1]


def _packed(mask: NDArray[np.bool_] | NDArray[np.uint8]) -> bytes:
    return zlib.compress(np.packbits(mask).tobytes(), 1)


@dataclass(frozen=True, eq=False)
class SeamField:
    """Blocks of planes: `fine` (blocks, rows, columns) is what is left of the grey, matched to a thin dip.

    `weight` is the share of the block's planes in which the pixel is solid, `mean` the plain mean grey,
    `starts` the first plane of every block and, last, the plane after the last block. `cell` is the width of a pixel
    of these pictures in pixels of the part grid, `joined` the number of blocks that each of these was made of.
    """

    fine: NDArray[np.float32]
    weight: NDArray[np.float32]
    mean: NDArray[np.float16]
    starts: tuple[int, ...]
    kernel: tuple[float, float] = PLAIN
    cell: int = 1
    joined: tuple[int, ...] = ()

    @classmethod
    def of(
        cls, plane: Callable[[int], Floats], solid: SolidMetal, leave_out: Collection[int] = ()
    ) -> "SeamField | None":
        """Average the planes by block; None where there is no solid metal to search.

        `leave_out` names planes that a flat seam darkens: its rim would pass for a line.
        """
        ways = (range(len(solid)), reversed(range(len(solid))))
        first, last = (next((k for k in way if solid[k].sum() > _LEAST_PIXELS), -1) for way in ways)
        if first < 0:
            return None
        most = int(np.clip(_MOST_PIXELS / solid[first].size, _FEWEST_BLOCKS, _MOST_BLOCKS))
        size = max(1, int(np.ceil((last - first + 1) / most)))
        starts = list(range(first, last + 1, size))
        weights, means = [], []
        for start in starts:
            block = range(start, min(start + size, last + 1))
            mean, weight = average(plane, solid, [k for k in block if k not in leave_out] or block)
            weights.append(weight)
            means.append(mean)
        middle = len(starts) // 2
        kernel = _kernel_for(means[middle], weights[middle])
        fine = smooth_fields(means, weights, kernel)
        # half precision: three digits are far finer than the noise, and large planes want their memory
        return cls(fine, np.array(weights), np.array(means, np.float16), (*starts, last + 1), kernel)

    @cached_property
    def least_spread(self) -> float:
        """Least scatter of summed scores that the noise of single pixels allows."""
        each = [
            float(np.median(np.abs(f[w > 0.5]))) for f, w in zip(self.fine, self.weight, strict=True) if (w > 0.5).any()
        ]
        return _LEAST_OF_NOISE * _ALONG[self.cell] ** 0.5 * 1.4826 * float(np.median(each)) if each else 0.0

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
        return replace(self, fine=smooth_fields(self.mean, weight, self.kernel), weight=weight)

    def over(self, groups: Sequence[Sequence[int]], near: NDArray[np.bool_]) -> "SeamField":
        """Return one block for each group of blocks, worked out anew without the pixels `near` a seam."""
        means, weights = [], []
        for group in groups:
            total = self.weight[list(group)].sum(axis=0)
            total[near] = 0.0
            grey = np.zeros(total.shape, np.float32)
            for block in group:
                grey += self.mean[block] * self.weight[block]
            grey[near] = 0.0
            means.append(grey / np.maximum(total, 1e-6))
            weights.append(total / np.float32(len(group)))
        return replace(
            self, fine=smooth_fields(means, weights, self.kernel), weight=np.array(weights),
            mean=np.array(means, np.float16),
            starts=tuple(range(len(groups) + 1)), joined=tuple(map(len, groups)),
        )  # fmt: skip

    def coarser(self, cell: int) -> "SeamField":
        """Return the field in cells of some pixels' width, in which long lines are sought: their length makes up."""
        if cell == self.cell:
            return self
        if cell not in self._coarser:
            self._coarser[cell] = self._binned(cell)
        return self._coarser[cell]

    def scores_per_cell(self, cell: int) -> float:
        """Return what scores found in cells of some width are multiplied by to compare with those of single pixels."""
        return self.least_spread / max(self.coarser(cell).least_spread, 1e-12)

    @cached_property
    def _coarser(self) -> "dict[int, SeamField]":
        return {}

    def _binned(self, cell: int) -> "SeamField":
        rows, columns = (n // cell * cell for n in self.fine.shape[1:])
        shape = (len(self.fine), rows // cell, cell, columns // cell, cell)
        weight = self.weight[:, :rows, :columns].reshape(shape).mean(axis=(2, 4))
        fine = (self.fine * self.weight)[:, :rows, :columns].reshape(shape).mean(axis=(2, 4))
        fine /= np.maximum(weight, 1e-6)
        return replace(self, fine=fine, weight=weight, mean=self.mean[:0], cell=cell)


def average(plane: Callable[[int], Floats], solid: SolidMetal, planes: Sequence[int]) -> tuple[Floats, Floats]:
    """Return the mean grey of some planes where they are solid, and the share of planes that are."""
    sound = solid[planes[0]]
    total, count = np.zeros(sound.shape, np.float32), np.zeros(sound.shape, np.float32)
    for k, grey in zip(planes, ahead(plane, planes, sound.size), strict=True):
        sound = solid[k]
        total += np.where(sound, grey, np.float32(0))
        count += sound
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
