"""From which plane to which a seam goes, to a fraction of a plane."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.grey.square_up import SquaredStack
from ctrecon.seams.field import SolidMetal
from ctrecon.seams.outline_fit import OutlineFit, band_of
from ctrecon.seams.refine import grown

__all__ = ["Depths", "find_depths"]

_BAND_PX = 5.0
_BLUR_PLANES = 0.9
_SNAP_PLANES = 2.5
_LEAST_SEEN = 0.4
_STEPS = 5
_SEAM_PLANES = 2.0
_STRENGTH = 1.3
_TO_THE_END = 9.0
_SEEN = 5.0  # chi squared that a stretch must explain


@dataclass(frozen=True)
class Depths:
    """First and last plane of a seam with their standard uncertainty (planes)."""

    first: float
    u_first: float
    last: float
    u_last: float


def find_depths(
    squared: SquaredStack, solid: SolidMetal, fit: OutlineFit, planes: tuple[int, int],
    ends: Sequence[tuple[float, float]],
) -> Depths | None:  # fmt: skip
    """Follow the dip plane by plane and fit the stretch of depth in which it is there.

    The share of the full dip in each plane is compared with every stretch, blurred as the slices are: the best
    stretch is taken, its uncertainty from how fast the misfit grows when an end is moved. Near a face of the
    part the line can't be seen; where it lasts until there, it ends in that face.

    Parameters
    ----------
    planes : tuple of int
        First and last plane of the stretch the search found.
    ends : sequence of (first, last)
        Planes in which the part's other features end.
    """
    if len(squared) == 1:
        return Depths(0.0, 0.0, 0.0, 0.0)
    places, share, sd = _shares(squared, solid, fit, (planes[0] + planes[1]) / 2)
    if len(places) < 2:
        return None
    lows = np.arange(places[0] - 0.5, places[-1] + 0.5, 1 / _STEPS)
    stretches = [(a, lows[lows > a + 0.8]) for a in lows]
    inside = 0.5 * (planes[0] + planes[1])
    best: tuple[float, float, float] | None = None
    grid: list[tuple[float, float, float]] = []
    width = _BLUR_PLANES
    rise = ndtr((places[None, :] - lows[:, None]) / width)  # 1 beyond each possible end
    cost_none = share**2 / sd**2
    for i, (a, highs) in enumerate(stretches):
        if a > inside or not len(highs):
            continue
        j = np.flatnonzero((lows > a + 0.8) & (lows >= inside))
        highs = np.append(lows[j], places[-1] + 0.5)
        fall = np.vstack([rise[j], ndtr((places - highs[-1]) / width)[None]])
        begin = np.ones(len(places)) if i == 0 else rise[i]
        model = begin[None, :] - fall
        if len(highs):
            model[-1] = begin  # the last one lasts until nothing more can be seen
        # the dip of the mean planes is a little off where these reach over an end: its strength is left free
        full = (model * (share / sd**2)).sum(axis=1) / np.maximum((model**2 / sd**2).sum(axis=1), 1e-12)
        full = np.clip(full, 1 / _STRENGTH, _STRENGTH)[:, None]
        misfit = ((share - full * model) ** 2 / sd**2).sum(axis=1)
        k = int(np.argmin(misfit))
        grid += [(float(a), float(h), float(m)) for h, m in zip(highs, misfit, strict=True)]
        if best is None or misfit[k] < best[0]:
            best = (float(misfit[k]), float(a), float(highs[k]))
    if best is None or float(cost_none.sum()) - best[0] < _SEEN:
        return None
    table = np.array(grid)
    least = best[0]
    per = max(least / max(len(places) - 3, 1), 1.0)  # noise that is coarser than it should be widens both ends
    weight = np.exp(-(table[:, 2] - least) / (2 * per))
    # most seams last until metal ends: nine in ten, against all other places together
    for spike in (table[:, 0] == table[:, 0].min(), table[:, 1] == table[:, 1].max()):
        weight[spike] *= _TO_THE_END * len(lows)
        if weight[spike].sum() > 0.5 * weight.sum():
            weight = np.where(spike, weight, 0.0)
    weight /= weight.sum()
    low, high = (float(v) for v in weight @ table[:, :2])
    u_low, u_high = (float(u) for u in np.sqrt(weight @ (table[:, :2] - [low, high]) ** 2 + (0.3 / _STEPS) ** 2))
    low, u_low = _snap(low, u_low, [e for pair in ends for e in pair])
    high, u_high = _snap(high, u_high, [e for pair in ends for e in pair])
    if high - low < _SEAM_PLANES:
        return None
    return Depths(low, u_low, high, u_high)


def _shares(
    squared: SquaredStack, solid: SolidMetal, fit: OutlineFit, middle: float
) -> tuple[Floats, Floats, Floats]:
    """Planes near the seam in which it could be seen, the share of its dip there, and the noise of that."""
    size = (squared.shape[1], squared.shape[2])
    steady = abs(fit.growth) < 1e-9
    band = band_of(fit.shape, size, _BAND_PX) if steady else None
    places, share, scatter = [], [], []
    for k in range(len(squared)):
        here = band if band is not None else band_of(grown(fit.shape, fit.growth * (k - middle)), size, _BAND_PX)
        rows, columns, d = here
        good = solid[k][rows, columns]
        if good.mean() < _LEAST_SEEN:
            continue
        grey = squared.plane(k)[rows, columns][good].astype(float)
        dip = np.exp(-0.5 * (d[good] / fit.blur) ** 2) * fit.thickness / (fit.blur * (2 * np.pi) ** 0.5)
        nuisance = np.column_stack([np.ones(len(grey)), d[good], ndtr(d[good] / fit.blur), d[good] ** 2])
        base = np.linalg.lstsq(nuisance, np.column_stack([dip, grey]), rcond=None)[0]
        pure, rest = dip - nuisance @ base[:, 0], grey - nuisance @ base[:, 1]
        power = float(pure @ pure)
        if power <= 0:
            continue
        places.append(float(k))
        share.append(-float(pure @ rest) / power)
        scatter.append(float(np.std(rest)) * 1.5 / power**0.5)  # neighbours share their noise
    if not places:
        return np.empty(0), np.empty(0), np.empty(0)
    # only the unbroken row of planes about the seam's middle
    array = np.array(places)
    breaks = np.flatnonzero(np.diff(array) > 2)
    start = int(max((b + 1 for b in breaks if array[b] < middle), default=0))
    stop = int(min((b + 1 for b in breaks if array[b + 1] > middle), default=len(array)))
    pick = slice(start, stop)
    return array[pick], np.array(share)[pick], np.array(scatter)[pick]


def _snap(place: float, u: float, faces: Sequence[float]) -> tuple[float, float]:
    """Take the depth of a fitted face that lies where the seam ends."""
    if not faces:
        return place, u
    nearest = min(faces, key=lambda e: abs(e - place))
    return (nearest, min(u, 0.1)) if abs(nearest - place) <= max(_SNAP_PLANES, min(2 * u, 4.0)) else (place, u)
