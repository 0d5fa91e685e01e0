"""From which plane to which a seam goes, to a fraction of a plane."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.grey.square_up import SquaredStack
from ctrecon.seams.field import SolidMetal
from ctrecon.seams.line_kinds import grown
from ctrecon.seams.outline_fit import OutlineFit, band_of

__all__ = ["Depths", "find_depths"]

_BAND_PX = 5.0
_BLUR_PLANES = 0.9
_SNAP_PLANES = 2.5
_LEAST_SEEN = 0.4
_STEPS = 5
_SEAM_PLANES = 2.0
_STRENGTH = 1.3
# most seams last until metal ends, there or at a face that is known: nine in ten, against all other places together
_TO_A_FACE = 9.0
_BREAK_PLANES = 2  # in a row that don't show it: the seam beyond is another
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
    return _best_stretch(places, share, sd, 0.5 * (planes[0] + planes[1]), [e for pair in ends for e in pair])


def _best_stretch(
    places: Floats, share: Floats, sd: Floats, inside: float, faces: Sequence[float]
) -> Depths | None:  # fmt: skip
    """Weigh all stretches about `inside`, ends at faces being likelier; None where none shows."""
    lows = np.arange(places[0] - 0.5, places[-1] + 0.5, 1 / _STEPS)
    found = _stretches(places, share, sd, lows, inside)
    if found is None:
        return None
    table = np.array(found).T
    least, none = float(table[:, 2].min()), float((share**2 / sd**2).sum())
    if none - least < _SEEN:
        return None
    per = max(least / max(len(places) - 3, 1), 1.0)  # noise that is coarser than it should be widens both ends
    weight = np.exp(-(table[:, 2] - least) / (2 * per))
    firsts, lasts = table[:, 0], table[:, 1]
    spikes = [_at_faces(at, limit, faces) for at, limit in ((firsts, firsts.min()), (lasts, lasts.max()))]
    surely = []
    for at, spike in zip((firsts, lasts), spikes, strict=True):
        weight[spike] *= _TO_A_FACE * len(lows) / len(np.unique(at[spike]))
        surely.append(bool(weight[spike].sum() > 0.5 * weight.sum()))
        if surely[-1]:
            weight = np.where(spike, weight, 0.0)
    weight /= weight.sum()
    low, u_low = _snap(*_place(firsts, weight, one_of_them=surely[0]), faces)
    high, u_high = _snap(*_place(lasts, weight, one_of_them=surely[1]), faces)
    if high - low < _SEAM_PLANES:
        return None
    return Depths(low, u_low, high, u_high)


def _stretches(
    places: Floats, share: Floats, sd: Floats, lows: Floats, inside: float
) -> tuple[Floats, Floats, Floats] | None:
    """Return first and last depth of every stretch about `inside`, and how badly the shares fit it; None without one.

    A stretch is what has begun, less what is over: one curve for each possible end serves all stretches, and the
    sums over planes of the products of two curves are one product of matrices.
    """
    last = places[-1] + 0.5
    ends = np.append(lows, last)
    over = np.vstack([ndtr((places[None, :] - lows[:, None]) / _BLUR_PLANES), np.zeros(len(places))])
    begun = over[:-1].copy()
    begun[0] = 1.0
    # the last stretch lasts until nothing more can be seen, the first has begun before
    weight = 1 / sd**2
    seen_begun, seen_over = begun @ (share * weight), over @ (share * weight)
    power = (begun**2 @ weight)[:, None] + (over**2 @ weight)[None] - 2 * (begun * weight) @ over.T
    fair = (ends[None] > lows[:, None] + 0.8) & (ends[None] >= inside) & (lows[:, None] <= inside)
    fair[:, -1] = (lows <= inside) & (lows + 0.8 < lows[-1])
    if not fair.any():
        return None
    i, j = np.nonzero(fair)
    seen, power = seen_begun[i] - seen_over[j], np.maximum(power[i, j], 1e-12)
    # the dip of the mean planes is a little off where these reach over an end: its strength is left free
    full = np.clip(seen / power, 1 / _STRENGTH, _STRENGTH)
    misfit = float(share**2 @ weight) - 2 * full * seen + full**2 * power
    return lows[i], ends[j], misfit


def _shares(
    squared: SquaredStack, solid: SolidMetal, fit: OutlineFit, middle: float
) -> tuple[Floats, Floats, Floats]:
    """Planes near the seam in which it could be seen, the share of its dip there, and the noise of that."""
    size = (squared.shape[1], squared.shape[2])
    steady = abs(fit.growth) < 1e-9
    band = band_of(fit.shape, size, _BAND_PX) if steady else None
    found: list[tuple[float, float, float]] = []
    start = int(np.clip(np.floor(middle), 0, len(squared) - 1))
    for way in (range(start, -1, -1), range(start + 1, len(squared))):
        met, missing = False, 0
        for k in way:
            here = band if band is not None else band_of(grown(fit.shape, fit.growth * (k - middle)), size, _BAND_PX)
            one = _share_at(squared, solid, fit, k, here)
            met, missing = met or one is not None, 0 if one is not None else missing + 1
            found += [] if one is None else [(float(k), *one)]
            if met and missing == _BREAK_PLANES:
                break
    if not found:
        return np.empty(0), np.empty(0), np.empty(0)
    array, share, scatter = np.array(sorted(found)).T  # one row about the middle, or one either side of what hides it
    return array, share, scatter


def _share_at(
    squared: SquaredStack, solid: SolidMetal, fit: OutlineFit, k: int,
    band: tuple[NDArray[np.int64], NDArray[np.int64], Floats],
) -> tuple[float, float] | None:  # fmt: skip
    """Return the share of the seam's dip that one plane shows, and its noise; None where it could not be seen."""
    rows, columns, d = band
    good = solid.at(k, rows, columns)
    if good.mean() < _LEAST_SEEN:
        return None
    grey, d = squared.at(k, rows[good], columns[good]).astype(float), d[good]
    dip = np.exp(-0.5 * (d / fit.blur) ** 2) * fit.thickness / (fit.blur * (2 * np.pi) ** 0.5)
    nuisance = np.column_stack([np.ones(len(grey)), d, ndtr(d / fit.blur), d**2])
    base = np.linalg.lstsq(nuisance, np.column_stack([dip, grey]), rcond=None)[0]
    pure, rest = dip - nuisance @ base[:, 0], grey - nuisance @ base[:, 1]
    power = float(pure @ pure)
    if power <= 0:
        return None
    return -float(pure @ rest) / power, float(np.std(rest)) * 1.5 / power**0.5  # neighbours share their noise


def _at_faces(at: Floats, outermost: float, faces: Sequence[float]) -> NDArray[np.bool_]:
    """Return which of the ends tried lie at a face: nothing can be seen beyond the outermost; the others are known."""
    grid = np.unique(at)
    known = [grid[np.argmin(np.abs(grid - e))] for e in faces if grid[0] <= e <= grid[-1]]
    return np.isin(at, [outermost, *known])


def _place(at: Floats, weight: Floats, *, one_of_them: bool) -> tuple[float, float]:
    """Return where a seam ends and the uncertainty: the mean of all places, or the likeliest where few may be."""
    grid, number = np.unique(at, return_inverse=True)
    place = float(grid[np.argmax(np.bincount(number, weight))]) if one_of_them else float(weight @ at)
    return place, float(np.sqrt(weight @ (at - place) ** 2 + (0.3 / _STEPS) ** 2))


def _snap(place: float, u: float, faces: Sequence[float]) -> tuple[float, float]:
    """Take the depth of a fitted face that lies where the seam ends."""
    if not faces:
        return place, u
    nearest = min(faces, key=lambda e: abs(e - place))
    if abs(nearest - place) > max(_SNAP_PLANES, min(2 * u, 4.0)):
        return place, u
    return nearest, u if u > _SNAP_PLANES else min(u, 0.1)  # where it may as well end at another face, that is told
