"""Finds what stands out of the residual, and joins it through depth into lumps."""

from collections import deque
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.explain.neighbours import largest_about

__all__ = ["RegionFinder", "SliceResidual", "RegionStats"]

_FINE_PX, _COARSE_PX = 1.0, 1.5
_BLOCK = 3  # slices; the coarse look sums two blocks
_FALSE_ALARMS = 0.002  # expected in a whole stack
_LEAST_IN_AIR = 0.25  # of the contrast: fainter grey beside metal is not metal
_LEAST_IN_METAL = 0.015
_BRIDGED = 4  # slices: lumps in line over fewer than these are one, also where an edge hides what lies between
_HABIT = 0.6
_ITS_OWN_ERROR = 1.12  # the quieter of two sides of a few dozen independent places is a little too quiet
_FEWEST = 200  # voxels that tell a scatter
_TRAILS = 0.65  # of the limit
_LEAST_VOXELS = 4
_TAKES_PART = 0.35  # of the mean over the slices: a slice that shows less is none of a lump's own
_ALL_ROUND = np.ones((3, 3), dtype=bool)
_NOWHERE = np.empty(0, dtype=np.int64)
_OWN_SHARE = 0.4  # of the local peak: what counts as belonging to a lump

Mask = NDArray[np.bool_]
_Places = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class SliceResidual:
    """One slice's residual, in noise units, and what is needed to judge it.

    `allowed` is the residual that errors of the edges' places may cause; `per_noise` turns noise
    units into shares of the contrast; `sound_metal` and `sound_air` look like that
    in the scan, well away from any edge seen in it. Arrays may be a window of the slice: `corner` is its
    first row and column, `whole` the number of voxels of the slice.
    """

    index: int
    residual: Floats
    allowed: Floats
    share: Floats
    per_noise: Floats
    near: Mask
    sound_metal: Mask
    sound_air: Mask
    corner: tuple[int, int] = (0, 0)
    whole: int = 0


@dataclass
class RegionStats:
    """Running sums over the voxels of one lump."""

    sign: int
    count: int = 0
    sums: Floats | None = None
    squares: Floats | None = None
    low: tuple[int, int, int] = (1 << 30, 1 << 30, 1 << 30)
    high: tuple[int, int, int] = (-1, -1, -1)
    strength: float = 0.0
    peak: tuple[int, int, int] = (0, 0, 0)
    amplitude: float = 0.0
    deepest: float = 0.0
    in_metal: int = 0
    at_edge: int = 0

    def add(self, other: "RegionStats") -> None:
        """Take another tally in."""
        self.count += other.count
        self.sums = other.sums if self.sums is None or other.sums is None else self.sums + other.sums
        self.squares = other.squares if self.squares is None or other.squares is None else self.squares + other.squares
        self.low = (min(self.low[0], other.low[0]), min(self.low[1], other.low[1]), min(self.low[2], other.low[2]))
        top, more = self.high, other.high
        self.high = (max(top[0], more[0]), max(top[1], more[1]), max(top[2], more[2]))
        if other.strength > self.strength:
            self.strength, self.peak = other.strength, other.peak
        self.amplitude += other.amplitude
        self.deepest = max(self.deepest, other.deepest)
        self.in_metal += other.in_metal
        self.at_edge += other.at_edge


@dataclass(eq=False)
class _Seen:
    """What is kept of a slice on its way through the finder.

    `part` is the residual as a share of the contrast, `in_metal` where the record has metal; `strength` (N,) is that of
    the places of the mask, in their order.
    """

    index: int
    corner: tuple[int, int]
    part: Floats
    in_metal: Mask
    shrunk: Floats
    at_edge: Mask
    strength: Floats
    mask: Mask


class RegionFinder:
    """Takes the residual slice by slice; keeps masks of a few slices and sums of everything else."""

    def __init__(self, slices: int, *, clipped: bool = False) -> None:
        self._slices = slices
        self._clipped = clipped
        self._waiting: list[_Seen] = []
        self._ready: list[_Seen] = []
        self._first: SliceResidual | None = None  # of those waiting; it stands for its block
        self._tallies: list[RegionStats] = []
        self._parent: list[int] = []
        self._before: dict[int, deque[tuple[_Places, _Places]]] = {s: deque(maxlen=_BRIDGED) for s in (1, -1)}
        self._latest: dict[tuple[int, int], float] = {}
        self.excess: dict[int, float] = {}  # by slice: what stands out, summed, in shares of the contrast

    def push(self, rest: SliceResidual) -> None:
        """Look at one slice."""
        shrunk = np.sign(rest.residual) * np.maximum(np.abs(rest.residual) - rest.allowed, 0)
        mask, strength = self._stands_out(shrunk, rest, _FINE_PX, 1)
        part, in_metal, at_edge = rest.residual * rest.per_noise, rest.share > 0.5, rest.allowed > 1.0
        self._waiting.append(_Seen(rest.index, rest.corner, part, in_metal, shrunk, at_edge, strength[mask], mask))
        if len(self._waiting) == 1:
            nothing = np.empty(0, dtype=np.float32)
            self._first = replace(rest, residual=nothing, allowed=nothing)
        if len(self._waiting) == _BLOCK:
            self._close_block()

    def finish(self) -> list[RegionStats]:
        """Return the tallies of all lumps, the strongest first."""
        if self._waiting:
            self._close_block()
        self._release()
        for one in range(len(self._tallies)):
            root = self._root(one)
            if root != one:
                self._tallies[root].add(self._tallies[one])
        out = [t for i, t in enumerate(self._tallies) if self._root(i) == i and t.count >= _LEAST_VOXELS]
        return sorted(out, key=lambda t: (-abs(t.amplitude), t.low))

    def _stands_out(self, plane: Floats, rest: SliceResidual, sigma: float, slices: int) -> tuple[Mask, Floats]:
        # beyond the frame there is nothing: mirrored noise would count twice
        smooth = ndimage.gaussian_filter(plane, sigma, mode="constant")
        white = np.sqrt(slices) / (2 * np.sqrt(np.pi) * sigma)
        # what is missing altogether must not pass for scatter: both sides must look as predicted
        outside = rest.sound_air & (rest.share < 0.02)
        close = outside & rest.near
        air = self._scatter(smooth[close if close.sum() >= _FEWEST else outside], (0, slices), white)
        metal = self._scatter(smooth[rest.near & rest.sound_metal & (rest.share > 0.98)], (1, slices), air)
        strength = smooth / np.where(rest.share > 0.98, np.float32(metal), np.float32(max(metal, air)))
        limit = _limit(float(rest.whole or plane.size) * self._slices * (1.0 if slices == 1 else 2.0 / slices), sigma)
        part = smooth / np.float32(slices) * rest.per_noise
        least = np.where(rest.share > 0.5, np.float32(_LEAST_IN_METAL), np.float32(_LEAST_IN_AIR))
        weak = rest.near & (np.abs(strength) > _TRAILS * limit) & (np.abs(part) > least)
        weak &= ~((part < 0) & (rest.share < 0.1))
        mask = weak & (np.abs(strength) > limit)
        if mask.any():
            # a lump trails off: what is weaker counts where it hangs together with what stands out
            size = np.abs(smooth)
            weak &= size > _OWN_SHARE * largest_about(size, 3)
            grown = np.zeros_like(mask)
            for sign in (1, -1):
                labels, _ = ndimage.label(weak & (strength * sign > 0), structure=_ALL_ROUND)
                touched = np.unique(labels[mask])
                grown |= np.isin(labels, touched[touched > 0])
            mask = grown
        return mask, strength

    def _scatter(self, values: Floats, kind: tuple[int, int], least: float) -> float:
        """Return the robust scatter of the smoothed residual, of too few values that of the latest slice with enough.

        A seam may fill a quarter of a small part, but on one side of zero only: the quieter side
        is taken. Rings and streaks have longer tails than noise, so the 95 % point counts too,
        as far as the middle allows.
        """
        if len(values) >= _FEWEST:
            values = values[:: max(1, len(values) // 20_000)]
            low_tail, low, middle, high, high_tail = np.percentile(values, (5, 16, 50, 84, 95))
            side = max if self._clipped else min  # clipped noise is quiet on one side by nature
            body = side(middle - low, high - middle) / 0.9945
            tail = side(middle - low_tail, high_tail - middle) / 1.645
            now = max(_ITS_OWN_ERROR * float(min(max(body, tail), 1.4 * body)), 0.5 * least)
            # few independent places make one slice's figure unsure: slices before it have a say
            self._latest[kind] = now + _HABIT * (self._latest.get(kind, now) - now)
        return self._latest.get(kind, least)

    def _close_block(self) -> None:
        """Look at the sum of this block and the one before, and let the one before go."""
        pair = [*self._ready, *self._waiting]
        assert self._first is not None
        total = pair[0].shrunk.copy()
        for seen in pair[1:]:
            total += seen.shrunk
        mask, strength = self._stands_out(total, self._first, _COARSE_PX, len(pair))
        for sign in (1, -1):
            labels, count = ndimage.label(mask & (strength * sign > 0), structure=_ALL_ROUND)
            if count:
                self._lend(pair, labels, count, total, strength)
        self._release()
        self._ready, self._waiting, self._first = self._waiting, [], None

    @staticmethod
    def _lend(pair: list[_Seen], labels: NDArray[np.integer[Any]], count: int, total: Floats, strength: Floats) -> None:
        """Mark what stands out of the sum on those of its slices that have their part in it."""
        numbers = np.arange(1, count + 1)
        whole = np.asarray(ndimage.mean(total, labels, numbers)) / len(pair)
        for seen in pair:
            own = np.asarray(ndimage.mean(seen.shrunk, labels, numbers))
            takes_part = np.concatenate([[False], own * np.sign(whole) > _TAKES_PART * np.abs(whole)])
            new = takes_part[labels] & ~seen.mask
            everywhere = np.where(new, strength, _laid_out(seen))
            seen.mask = seen.mask | new
            seen.strength = everywhere[seen.mask]

    def _release(self) -> None:
        for seen in self._ready:
            self._join(seen, _laid_out(seen))
        self._ready = []

    def _join(self, seen: _Seen, strength: Floats) -> None:
        mask = seen.mask
        self.excess[seen.index] = float(np.abs(seen.part[mask]).sum())
        for sign in (1, -1):
            mine = mask & (strength * sign > 0)
            if not mine.any():
                self._before[sign].append((_NOWHERE, _NOWHERE))
                continue
            labels, count = ndimage.label(ndimage.binary_dilation(mine, iterations=1), structure=_ALL_ROUND)
            base = self._tally(seen, strength, np.where(mine, labels, 0), count, sign)
            here = labels.ravel()
            for places, numbers in self._before[sign]:
                now = here[places]
                both = now > 0
                for a, b in set(zip(numbers[both].tolist(), (now[both] + base).tolist(), strict=True)):
                    self._unite(a - 1, b - 1)
            places = np.flatnonzero(here)
            self._before[sign].append((places, here[places].astype(np.int64) + base))

    def _tally(
        self, seen: _Seen, strength: Floats, labels: NDArray[np.integer[Any]], count: int, sign: int
    ) -> int:
        base, part, index = len(self._tallies), seen.part, seen.index
        smooth = np.abs(ndimage.gaussian_filter(part, _FINE_PX))
        for number, box in enumerate(ndimage.find_objects(labels, count), start=1):
            one = RegionStats(sign)
            if box is not None:
                inside = labels[box] == number
                i, j = np.nonzero(inside)
                i, j = i + box[0].start, j + box[1].start
                row, column = i + seen.corner[0], j + seen.corner[1]
                places = np.column_stack([np.full(len(i), index), row, column]).astype(float)
                top = int(np.argmax(np.abs(strength[i, j])))
                one = RegionStats(
                    sign, len(i), places.sum(axis=0), places.T @ places,
                    (index, int(row.min()), int(column.min())), (index, int(row.max()), int(column.max())),
                    float(np.abs(strength[i, j]).max()), (index, int(row[top]), int(column[top])),
                    float(part[i, j].sum()), float(smooth[i, j].max()), int(seen.in_metal[i, j].sum()),
                    int(seen.at_edge[i, j].sum()),
                )  # fmt: skip
            self._tallies.append(one)
            self._parent.append(len(self._parent))
        return base

    def _root(self, i: int) -> int:
        while self._parent[i] != i:
            self._parent[i] = self._parent[self._parent[i]]
            i = self._parent[i]
        return i

    def _unite(self, a: int, b: int) -> None:
        low, high = sorted((self._root(a), self._root(b)))
        self._parent[high] = low


def _laid_out(seen: _Seen) -> Floats:
    out = np.zeros(seen.mask.shape, dtype=np.float32)
    out[seen.mask] = seen.strength
    return out


def _limit(pixels: float, sigma: float) -> float:
    """Return the strength that smoothed noise exceeds somewhere with the allowed probability.

    The expected number of peaks of a smooth Gaussian field over a height z is
    area / (2 sigma^2) (2 pi)^(-3/2) z exp(-z^2 / 2) (Adler, The Geometry of Random Fields, 1981);
    the allowance is shared by two signs and two looks.
    """
    cells = max(pixels, 1e3) / (2 * sigma**2) / (2 * np.pi) ** 1.5
    z = 5.0
    for _ in range(8):
        z = float(np.sqrt(2 * np.log(cells * z / (_FALSE_ALARMS / 4))))
    return z
