"""Separates metal from noise, gradients, drift and rings, which a threshold cuts in two all the same.

What sets a part apart is that its grey changes in steps: along the line half way between air and metal it is steep,
and a few pixels to either side it is not. In noise, however far neighbours share it, slope and grey of a place know
nothing of each other (the gradient of a stationary Gaussian field is independent of its value at the same place:
Adler, The Geometry of Random Fields, 1981), so that line is no steeper than any other; a gradient is as steep beside
the line as on it. Only slopes within a slice are looked at: grey that drifts from slice to slice shows none.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats

__all__ = ["Standing", "only_rings", "standing_of", "stands_out"]

# smoothing and distance to either side, px; coarser for noise that is shared
_SCALES = ((1.0, 4.0), (1.5, 5.0), (2.5, 7.0))
_LEAST_PATCH = 0.05  # of the largest patch of metal in its slice; smaller ones are specks
# the line half way is met the more often the steeper it is: in noise its mean square slope is 1.5 times that of
# all places (Rayleigh slopes: E s^3 / (E s E s^2) = 1.5), as rendered noise showed
_LEAST_STEEP, _FEW, _FEWEST_PLACES = 2.0, 3.0, 4.0
_MOST_BESIDE = 1.0  # slope on both sides together, of that on the line: 2 in a gradient, 0 at an edge
_STAIR = 0.8  # two steps of grey, smoothed by a Gaussian: 2 / sqrt(2 pi) over its width
_SHALLOWEST = 0.045  # contrasts per px: a blur of 9 px and more is shading
# rendered rings explain 0.95 and more, less where noise is left; round parts have no more than two peaks and lows about
# the scanner's axis, and on even stretches are off the two levels of a part by 0.05 of the contrast and less; real
# discs with holes about that axis explain 0.70 to 0.87
_RING_SHARE = 0.92
_RING_STEP_PX, _RING_INNER_PX, _RING_LEAST, _RING_NARROW_PX = 0.5, 2.0, 5, 5.0
_RING_PEAKS, _RING_PROMINENCE, _RING_OFF = 3, 0.1, 0.35
_RING_EVEN = 0.1  # contrasts per px
_FEWEST = 60  # voxels; fewer show nothing
_MOST_POINTS = 4000  # more cost time only
_MOST_AT_ALL = 1_500_000  # points of a slice; more take time and memory and tell nothing new


@dataclass(frozen=True)
class Standing:
    """What the line half way between air and metal looks like: the figures `stands_out` goes by.

    `steep` is the mean square slope on the line over that elsewhere, `beside` the slope `distance` px to both sides
    together over that on the line, `slope` the mean slope on the line in contrasts per px, `places` how many
    independent places the line has, half a place where one side is out of the frame.
    """

    steep: float
    beside: float
    slope: float
    places: float

    @property
    def sure(self) -> bool:
        """Return whether the line is the edge of metal."""
        least = _LEAST_STEEP * (1 + _FEW / max(self.places, _FEWEST_PLACES) ** 0.5)
        own = self.steep * (1 - max(self.beside, 0.0) / 2)
        return self.places > _FEWEST_PLACES and own > least and self.beside < _MOST_BESIDE and self.slope > _SHALLOWEST


def stands_out(planes: Sequence[Floats], *, quantum: float = 0.0) -> bool:
    """Return whether the grey changes in steps, and not as noise, gradients and drift do; rings pass.

    Parameters
    ----------
    planes : sequence of (rows, columns) arrays
        Slices with air 0, metal 1 and NaN where there is no data, uncorrected: corrections of rings and drift
        suppose metal, and would make steps of what is none.
    quantum : float
        Step between neighbouring grey values in units of the contrast: a gradient without noise is stored as stairs.
    """
    for smooth, distance in _SCALES:
        one = standing_of(planes, smooth_px=smooth, distance_px=distance)
        if one is not None and one.sure and one.slope > _STAIR * quantum / smooth:
            return True
    return False


def standing_of(planes: Sequence[Floats], *, smooth_px: float, distance_px: float) -> Standing | None:
    """Measure the slope of the grey on the line half way, beside it and elsewhere; None where there is no such line."""
    on: list[Floats] = []
    elsewhere: list[Floats] = []
    for grey in planes:
        if min(grey.shape) < 2:
            continue
        smooth = _smoothed(grey, smooth_px)
        slopes = [np.asarray(np.gradient(smooth, axis=axis)) for axis in (0, 1)]
        # at the frame itself nothing is smoothed away
        inner = ndimage.binary_erosion(np.isfinite(grey), iterations=round(smooth_px))
        metal = _patches(smooth)
        line = metal & ~ndimage.binary_erosion(metal, border_value=1) & inner
        if not line.any():
            continue
        at = np.array(np.nonzero(line), dtype=float)
        there = np.array([slope[line] for slope in slopes])
        size = np.maximum(np.hypot(*there), 1e-12)
        both, sides = np.zeros(len(size)), np.zeros(len(size))
        for step in (-distance_px, distance_px):
            to = at + step * there / size
            inside = np.logical_and.reduce([(t >= 0) & (t <= n - 1) for t, n in zip(to, grey.shape, strict=True)])
            found = [_at(slope, to) for slope in slopes]
            both += np.where(inside, (np.array(found) * there).sum(axis=0) / size, 0.0)
            sides += inside
        on.append(np.array([size, sides * size, both, sides]))
        some = slice(None, None, max(1, grey.size // _MOST_AT_ALL))
        elsewhere.append((slopes[0][some] ** 2 + slopes[1][some] ** 2)[inner[some]])
    if not on:
        return None
    size, two_sided, both, sides = np.concatenate(on, axis=1)
    usual = float(np.percentile(np.concatenate(elsewhere), 25)) / np.log(4 / 3)  # a mean square, of Rayleigh slopes
    return Standing(
        steep=float(np.mean(size**2)) / max(usual, 1e-12),
        beside=2 * float(both.sum() / max(two_sided.sum(), 1e-12)),
        slope=float(size.mean()),
        places=float(sides.sum()) / (6 * smooth_px),
    )


def _at(values: Floats, places: Floats) -> Floats:
    return np.asarray(ndimage.map_coordinates(values, list(places), order=1, mode="nearest"), dtype=float)


def _smoothed(plane: Floats, smooth_px: float) -> Floats:
    """Return the smoothed plane; a gradient stays as steep at the frame as elsewhere."""
    room = [min(int(4 * smooth_px), n - 1) for n in plane.shape]
    filled = np.where(np.isfinite(plane), plane, np.float32(0))
    padded = np.pad(filled, [(n, n) for n in room], "reflect", reflect_type="odd")
    own = tuple(slice(r, r + n) for r, n in zip(room, plane.shape, strict=True))
    return np.asarray(ndimage.gaussian_filter(padded, smooth_px)[own])


def _patches(smooth: Floats) -> NDArray[np.bool_]:
    """Return the patches of metal in a slice, without specks."""
    labels, count = ndimage.label(smooth > 0.5)
    area = np.bincount(labels.ravel(), minlength=count + 1)
    area[0] = 0
    return np.asarray((area > _LEAST_PATCH * area.max())[labels])


def only_rings(planes: Sequence[Floats], *, squash: float = 1.0) -> bool:
    """Return whether the grey is rings about one centre, over a gradient at most.

    Rings are the same in all slices and in all directions, and their grey takes any level, where a round part
    about the scanner's axis shows two.

    Parameters
    ----------
    planes
        As in `stands_out`.
    squash : float
        Row spacing over column spacing.
    """
    if not all((planes[k] > 0.5).any() for k in (0, -1)):
        return False
    first, known = _mean(planes[::2])
    second, also = _mean(planes[1::2] or planes)
    known &= also
    if known.sum() < _FEWEST:
        return False
    where = np.flatnonzero(known)
    where = where[:: max(1, len(where) // _MOST_AT_ALL)]
    rows, columns = np.divmod(where, known.shape[1])
    at = np.array([rows * squash, columns])
    at -= at.mean(axis=1, keepdims=True)
    values = np.stack([first.ravel()[where], second.ravel()[where]])
    thin = slice(None, None, max(1, len(rows) // _MOST_POINTS))
    centre = _ring_centre(at[:, thin], values[:, thin])
    rest, profile, count = _without_rings(at, values, centre)
    flat, _, _ = _without_rings(at, values, None)
    explained = 1 - float((rest[0] * rest[1]).mean()) / max(float((flat[0] * flat[1]).mean()), 1e-12)
    profile = profile[(np.arange(len(count)) * _RING_STEP_PX >= _RING_INNER_PX) & (count >= _RING_LEAST)]
    if len(profile) * _RING_STEP_PX < _RING_NARROW_PX:
        return False
    peaks = sum(_peaks(sign * profile, _RING_PROMINENCE) for sign in (1, -1))
    level = np.abs(np.gradient(profile, _RING_STEP_PX)) < _RING_EVEN
    off = float(np.abs(profile - (profile > 0.5))[level].mean()) if level.any() else 0.0
    return explained > _RING_SHARE and peaks >= _RING_PEAKS and peaks * off > _RING_OFF


def _peaks(values: Floats, least: float) -> int:
    """Count the places higher than their neighbours that rise by `least` over the dips to either side.

    A dip is the lowest place before one that is higher still, or before the end. Prominence, as `scipy.signal` has it:
    to load that costs more than all of this module's work.
    """
    change = np.flatnonzero(np.diff(values))
    level = values[np.append(change, len(values) - 1)]  # a flat top is one place
    tops = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])) + 1
    count = 0
    for i in tops:
        dips = []
        for side in (level[i::-1], level[i:]):
            higher = np.flatnonzero(side > level[i])
            dips.append(float(side[: higher[0] if len(higher) else None].min()))
        count += bool(level[i] - max(dips) >= least)
    return count


def _without_rings(
    at: Floats, values: Floats, centre: tuple[float, float] | None
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Return what rings and a gradient (bent at most as a saddle) leave of the grey, the rings' profile, and counts.

    Noise is not shared by the two rows of values, taken from different slices, so their rests multiply to what is
    truly unexplained.
    """
    radius = np.zeros(at.shape[1]) if centre is None else np.hypot(at[0] - centre[0], at[1] - centre[1])
    ring = np.rint(radius / _RING_STEP_PX).astype(np.int64)
    count = np.bincount(ring)

    def mean(row: Floats) -> Floats:
        return np.asarray(np.bincount(ring, row) / np.maximum(count, 1))

    bend = np.stack([*at, at[0] * at[1], at[0] ** 2 - at[1] ** 2])
    bare = np.stack([row - mean(row)[ring] for row in (*bend, *values)])
    share = np.linalg.lstsq(bare[:4].T, bare[4:].T, rcond=None)[0]
    profile = mean((values - share.T @ bend).mean(axis=0))
    return np.asarray(bare[4:] - share.T @ bare[:4]), profile, count


def _mean(planes: Sequence[Floats]) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the mean of slices, smoothed lest noise pass for what rings leave, and where all are known."""
    known = np.isfinite(planes[0])
    for grey in planes[1:]:
        known &= np.isfinite(grey)
    total = np.zeros(known.shape, dtype=np.float32)
    for grey in planes:
        total += np.where(known, grey, np.float32(0))
    smooth = ndimage.gaussian_filter(total / len(planes), 1.0)
    if not known.all():
        smooth /= np.maximum(ndimage.gaussian_filter(known.astype(np.float32), 1.0), np.float32(1e-9))
    return smooth, known


def _ring_centre(at: Floats, values: Floats) -> tuple[float, float]:
    """Return the place about which the distance explains the grey best, coarse to fine."""

    def left(centre: tuple[float, float]) -> float:
        return float(np.square(_without_rings(at, values, centre)[0]).sum())

    reach = 0.2 * float(min(np.ptp(at, axis=1)))
    step = max(1.5, reach / 10)
    steps = np.arange(-reach, reach + 1e-9, step)
    best = min(((float(a), float(b)) for a in steps for b in steps), key=left)
    while step > 0.2:
        step /= 2
        best = min(((best[0] + a * step, best[1] + b * step) for a in (0, -1, 1) for b in (0, -1, 1)), key=left)
    return best
